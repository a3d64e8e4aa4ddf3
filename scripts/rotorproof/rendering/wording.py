"""Titles for names, and the marks of what a definition or an expectation rests on."""

from __future__ import annotations

from ..derivations import derivations
from ..procedures import procedures
from ..procedures.bench import Basis
from ..quantities import ADJUSTED, quantities

#: What a source is, where it is not a text that was at hand: its mark, and what the mark means.
BASIS_MARKS: dict[Basis, tuple[str, str]] = {
    "memory": ("†", "cited without the text at hand: look the standard up before you rely on it"),
    "practice": ("‡", "source: none published; practice of the trade"),
}


def basis_mark(basis: Basis) -> str:
    """Return the mark of a source; "" for a published one."""
    return BASIS_MARKS[basis][0] if basis in BASIS_MARKS else ""


def maker(name: str) -> str:
    """Return the title of a procedure or derivation, or of the adjustment; what is none is returned as it is."""
    if name == ADJUSTED:
        return "Adjustment of several tests"
    found = procedures().get(name) or derivations().get(name)
    return found.title if found else name


def quantity_title(name: str) -> str:
    """Return the title of a quantity; a name that is none is returned with spaces."""
    return quantities()[name].title if name in quantities() else name.replace("_", " ")

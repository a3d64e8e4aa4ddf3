"""Quantities that follow from other quantities and the run's settings, with no log of their own."""

from __future__ import annotations

import re
from abc import ABC, abstractmethod
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import ClassVar

from .assumption import Assumption
from .base import Hint, Need, Panel, Quantity, Table, UnitKind

__all__ = ["Assumption", "Derivation", "Shown", "asked_for", "named", "needs_words"]

#: Names of persons that titles of quantities begin with.
_NAMED_AFTER = "Coulomb"


@dataclass(frozen=True)
class Shown:
    """What the report shows of a derivation beside its numbers."""

    panels: Sequence[Panel] = ()
    tables: Sequence[Table] = ()
    notes: Sequence[str] = ()
    missing: Mapping[str, str] = field(default_factory=dict)
    hints: Sequence[Hint] = ()


class Derivation(ABC):
    """A set of quantities computed from given scalars; uncertainty is carried by repeating ``derive``."""

    name: ClassVar[str]
    title: ClassVar[str]
    unit_kinds: ClassVar[tuple[UnitKind, ...]] = ("motor", "controller", "drive")
    needs: ClassVar[tuple[Need, ...]]
    gives: ClassVar[tuple[str, ...]]
    quantities: ClassVar[tuple[Quantity, ...]] = ()
    assumptions: ClassVar[tuple[Assumption, ...]] = ()
    #: What no check against the outside covers, for the verification book.
    not_covered: ClassVar[tuple[str, ...]] = ()
    order: ClassVar[int] = 100
    #: It is computed for each pack and vehicle that the unit is meant for; no other sees these.
    applied: ClassVar[bool] = False
    #: ``derive`` takes arrays and costs so much that trials go by its second-order expansion where that holds.
    costly: ClassVar[bool] = False

    @abstractmethod
    def derive(self, given: Mapping[str, float]) -> dict[str, float]:
        """Return the quantities in SI; those that the given scalars do not determine are left out."""

    def show(self, given: Mapping[str, float], result: Mapping[str, float]) -> Shown:
        """Return figures, tables and notes for the report, and why quantities are missing."""
        del given, result
        return Shown()

    def predicted_from(self, name: str, given: Mapping[str, float], result: Mapping[str, float]) -> str:
        """Return in words what a quantity of this derivation is predicted from: the needs that were there."""
        del name, result
        return named([need.quantity for need in self.needs if need.quantity in given])


def needs_words(names: Iterable[str]) -> str:
    """Return "needs standby power (Controller loss)": titles, each with its test; what is none keeps its name."""
    known = list(names)
    tests = [_test(name) for name in known]
    # A test is named once, after the last of the quantities in a row that it gives.
    told = [f" ({test})" if test and test != after else "" for test, after in zip(tests, [*tests[1:], ""], strict=True)]
    return "needs " + ", ".join(f"{title}{test}" for title, test in zip(_titles(known), told, strict=True))


def asked_for(reason: str, names: Sequence[str]) -> list[str]:
    """Return which of ``names`` a reason asks for, as ``needs_words`` wrote it."""
    return [
        name
        for name, title in zip(names, _titles(names), strict=True)
        if re.search(rf"(?:needs |, ){re.escape(title)}(?=,|;| \(|$)", reason)
    ]


def named(names: Sequence[str], most: int = 3) -> str:
    """Return titles of quantities within a sentence: "EMF constant, phase resistance and 4 more"."""
    titles = [
        title if title != name else name.replace("_", " ") for title, name in zip(_titles(names), names, strict=True)
    ]
    if len(titles) > most + 1:
        return f"{', '.join(titles[:most])} and {len(titles) - most} more"
    return " and ".join(filter(None, [", ".join(titles[:-1]), *titles[-1:]]))


def _test(name: str) -> str:
    """Return the title of the test that is the principal source of a quantity; "" if none is."""
    from . import procedures

    return next((p.title for p in procedures().values() if any(q.name == name for q in p.quantities)), "")


def _titles(names: Iterable[str]) -> list[str]:
    from . import procedures

    titles = {q.name: q.title for procedure in procedures().values() for q in procedure.quantities}
    return [_inside(titles[name]) if name in titles else name for name in names]


def _inside(title: str) -> str:
    """Return a title as it stands within a sentence; an abbreviation and a person's name keep their capitals."""
    return title if title[1:2].isupper() or title.startswith(_NAMED_AFTER) else title[0].lower() + title[1:]

"""Sentences of the program as a reader of a page wants them: titles for names, print's signs, marks for sources.

A ``Problem`` or a note is written once, for screen and files too. A page has room for more: it says the title of a
quantity where the file holds its name, and where a statement rests on no text that was at hand it carries a mark
whose meaning stands at the end, as a reader of a report expects a source to be told.
"""

from __future__ import annotations

import re
from functools import cache

from ..columns import COLUMNS
from ..derivations import derivations
from ..procedures import procedures
from ..quantities import quantities
from .symbols import outside_typed, prose

#: Marks of statements without a text behind them, and what each means.
FROM_MEMORY, TRADE = "†", "‡"
SOURCE_MARKS = (
    (FROM_MEMORY, "cited without the text at hand: look the standard up before you rely on it"),
    (TRADE, "source: none published; practice of the trade"),
)
_BASIS = (
    (re.compile(r"[ ,;:]*\(from memory(?:, no source)?\)"), FROM_MEMORY),
    (re.compile(r",? from memory(?P<end>[^()]*\))"), rf"\g<end>{FROM_MEMORY}"),
    (re.compile(r",?:? from memory\b"), FROM_MEMORY),
    (re.compile(r" ?\((?:as )?common practice(?:, no source)?\)"), TRADE),
    (re.compile(r"(?:,|;) (?:as )?common practice(?:, no source)?(?P<end>[^()]*\))"), rf"\g<end>{TRADE}"),
    (re.compile(r"\b(?P<is>is )?common practice, no source"), rf"\g<is>usual{TRADE}"),
    (re.compile(r"^common practice(?=;|$)"), f"practice of the trade{TRADE}"),
)
_NAME = re.compile(r"(?<![\w./'-])[a-z]+(?:_[a-z0-9]+)+(?![\w(=]| \[|'|\.\w)")


def plainly(text: str) -> str:
    """Return a sentence of the program for a page; text to type (in quotes or brackets) stays as it is."""
    return prose(sourced(named(text)))


def sourced(text: str) -> str:
    """Return a sentence with marks in place of the words that say what it rests on (``SOURCE_MARKS``)."""
    for pattern, mark in _BASIS:
        text = pattern.sub(mark, text)
    return text


def named(text: str) -> str:
    """Return a sentence with the titles of quantities and columns instead of their names."""
    return outside_typed(lambda piece: _NAME.sub(lambda match: _title(match[0], match.start() == 0), piece), text)


def maker(name: str) -> str:
    """Return the title of a procedure or derivation; what is neither is returned as it is."""
    found = procedures().get(name) or derivations().get(name)
    return found.title if found else name


def quantity_title(name: str) -> str:
    """Return the title of a quantity; a name that is none is returned with spaces."""
    return quantities()[name].title if name in quantities() else name.replace("_", " ")


def _title(name: str, first: bool) -> str:
    if name in quantities() and (first or name not in _asked_for()):
        title = quantities()[name].title
        return title if first or not title[1:2].islower() else title[0].lower() + title[1:]
    if name in COLUMNS and first:
        title = COLUMNS[name].title
        return title[0].upper() + title[1:]
    return name


@cache
def _asked_for() -> frozenset[str]:
    """Return the names that a user types: columns and conditions."""
    return frozenset([*COLUMNS, *(c.name for p in procedures().values() for c in p.conditions)])

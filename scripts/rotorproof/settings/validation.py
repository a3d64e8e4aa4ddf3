"""From a document to its model, every complaint with its line and in the words of someone who writes the file."""

from __future__ import annotations

import difflib
import typing
from collections.abc import Iterable, Mapping
from typing import Any, TypeVar

from pydantic import ValidationError

from ..errors import InputError, Problem
from .documents import Document, Path_, written_key
from .fields import Strict

Model = TypeVar("Model", bound=Strict)

#: What the validator's own kinds of refusal ask for, in the words of someone who writes the file.
_EXPECTED = {
    "list_type": "a list, whose entries begin with '- '",
    "dict_type": "'key: value' lines",
    "model_type": "'key: value' lines",
    "string_type": "text; put it in quotes if it looks like a number",
    "int_type": "a whole number",
    "int_parsing": "a whole number",
    "int_from_float": "a whole number",
    "float_type": "a number",
    "float_parsing": "a number",
    "bool_type": "true or false",
    "bool_parsing": "true or false",
    "date_type": "a date such as 2026-05-02",
    "date_parsing": "a date such as 2026-05-02",
    "date_from_datetime_parsing": "a date such as 2026-05-02",
    "date_from_datetime_inexact": "a date without a time, such as 2026-05-02",
}


def validated(document: Document, model: type[Model]) -> Model:
    """Return the document as ``model``. Raises ``InputError`` with every problem, by line."""
    if not isinstance(document.data, dict):
        raise InputError(
            Problem("the file must hold 'key: value' lines; it is empty or something else", document.shown)
        )
    try:
        return model.model_validate(document.data)
    except ValidationError as error:
        raise InputError(_problem(document, dict(entry), model) for entry in error.errors(include_url=False)) from None


class Complaints:
    """What is wrong in one document, found key by key."""

    def __init__(self, document: Document) -> None:
        self._document = document
        self.found: list[Problem] = []

    def add(self, message: str, *where: str | int, key: str | None = None) -> None:
        """Complain of what stands at ``where``; ``key`` names it where its last part would not."""
        last = where[-1] if where and isinstance(where[-1], str) else None
        self.found.append(Problem(message, self._document.shown, self._document.line(where), key or last))

    def take(self, problems: Iterable[Problem]) -> None:
        """Take over what was found elsewhere, each once."""
        self.found.extend(problem for problem in problems if problem not in self.found)

    def stop(self) -> None:
        """Raise ``InputError`` if anything is wrong."""
        if self.found:
            raise InputError(self.found)


def nearest(word: str, names: Iterable[str]) -> str | None:
    """Return the name that ``word`` most looks like, if it looks like one."""
    return next(iter(difflib.get_close_matches(word, list(names), n=1)), None)


def _problem(document: Document, entry: Mapping[str, Any], model: type[Strict]) -> Problem:
    context = entry.get("ctx", {})
    where: Path_ = tuple(part for part in entry["loc"] if not str(part).startswith("function-"))
    where += getattr(context.get("error"), "where", ())
    message = _message(entry["type"], entry, context, where, model)
    return Problem(message, file=document.shown, line=document.line(where), column=written_key(where) or None)


def _message(kind: str, entry: Mapping[str, Any], context: Mapping[str, Any], where: Path_, model: type[Strict]) -> str:
    if kind == "missing":
        return f"the key {where[-1]!r} is missing"
    if kind == "value_error":
        return str(context.get("error", entry["msg"]))
    if kind == "extra_forbidden":
        allowed = _allowed(model, where[:-1])
        near = nearest(str(where[-1]), allowed)
        hint = f"; did you mean {near!r}?" if near else "."
        return f"the key {where[-1]!r} is not known{hint} Allowed here: {', '.join(allowed)}"
    words = {
        "literal_error": f"must be one of {context.get('expected')}",
        "string_pattern_mismatch": "may hold letters, digits, '-', '_' and '.' only, and begins with a letter or digit",
        "string_too_long": f"may have at most {context.get('max_length')} characters",
        **{name: f"must be {what}" for name, what in _EXPECTED.items()},
    }
    given = entry.get("input")
    found = f" (found {_short(given)})" if isinstance(given, str | int | float) else ""
    return words.get(kind, entry["msg"][0].lower() + entry["msg"][1:]) + found


def _short(value: str | float) -> str:
    """Return a value as its writer wrote it, cut to what a line can hold."""
    text = repr(value)
    return text if len(text) <= 80 else f"{text[:60]}..., {len(text)} characters"


def _allowed(model: type[Strict], where: Path_) -> list[str]:
    """Return the keys that the model allows at ``where``, as far as they can be told."""
    current: type[Strict] | None = model
    for part in where:
        # A number is a place in a list, an unknown word the name of an entry in a mapping.
        if current is not None and part in current.model_fields:
            current = _model_in(current.model_fields[str(part)].annotation)
    return list(current.model_fields) if current else []


def _model_in(annotation: Any) -> type[Strict] | None:
    """Return the first model that a field may hold, at any depth."""
    if isinstance(annotation, type) and issubclass(annotation, Strict):
        return annotation
    return next((found for inner in typing.get_args(annotation) if (found := _model_in(inner))), None)

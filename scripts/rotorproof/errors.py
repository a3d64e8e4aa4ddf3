"""What can go wrong with a practitioner's input, as data rather than as a traceback.

A ``Problem`` is what the screen, ``results.json`` and the report show; ``InputError`` carries one or more of
them up to the place that knows which unit they belong to.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any, Literal

from .columns import COLUMNS

Severity = Literal["error", "warning"]


def visible(text: str) -> str:
    """Return text from anyone's file as one line that shows all there is in it and moves nothing on a screen.

    What is not a printed letter (line breaks, escape codes, marks that turn the direction of writing) is spelt out.
    """
    return "".join(letter if letter.isprintable() else _spelt(letter) for letter in text)


def _spelt(letter: str) -> str:
    return letter.encode("unicode_escape", "backslashreplace").decode("ascii")


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong with one input, and what to do about it.

    ``message`` says in one or two sentences what is wrong and what to do; ``file``, ``line`` and ``column`` say
    where, as far as it is known. An *error* means something asked for could not be given; a *warning* means a
    number was given but needs a careful eye. ``doubt`` marks a warning that a number may be right or wrong by a
    known kind of slip: ``"unit"`` where the readings look as if a unit were wrong; ``slip`` then says in a few words
    which single slip would explain it, where one does. ``danger`` marks what may hurt somebody who uses the unit: it
    stands beside the verdict.
    """

    message: str
    file: str | None = None
    line: int | None = None
    column: str | None = None
    severity: Severity = "error"
    procedure: str | None = None
    doubt: Literal["unit"] | None = None
    slip: str | None = None
    danger: bool = False

    def as_json(self) -> dict[str, Any]:
        """Return the mapping that ``results.json`` holds; keys that are unknown are left out."""
        return {key: value for key, value in asdict(self).items() if value is not None and value is not False}

    def __str__(self) -> str:
        """Return one line for the screen: place, then message."""
        place = [str(self.file)] if self.file else []
        if self.line is not None:
            place.append(f"line {self.line}")
        if self.column:
            place.append(f"{key_or_column(self.file, self.column)} {self.column!r}")
        where = ", ".join(place)
        return visible(f"{self.severity}: {where}: {self.message}" if where else f"{self.severity}: {self.message}")


def key_or_column(file: str | None, name: str) -> str:
    """Return what a name in a file is: settings have keys, and where they speak of a log's column that is meant."""
    return "key" if str(file or "").endswith(".yaml") and name not in COLUMNS else "column"


def trace_of(unit: str, stage: str) -> str:
    """Return where a stage keeps the traces of a unit, from the folder of the reports."""
    return f".work/{unit}/log/{stage}.txt"


def unforeseen(name: str, error: Exception, file: str | None, trace: str) -> Problem:
    """Return one line on a failure that nobody foresaw in the maker ``name``; ``trace`` is where its trace is kept.

    NumPy and SciPy raise ``ValueError`` and ``LinAlgError`` for their own reasons, whose words help the authors, not
    the practitioner: they are cut to a line.
    """
    words = " ".join(f"{type(error).__name__}: {error}".split())[:120]
    return Problem(
        f"{name} failed in a way its authors did not foresee ({words}); the other results stand. Please report it with "
        f"its log and the trace in {trace}",
        file=file,
        procedure=name,
    )


class InputError(Exception):
    """Input that cannot be used; ``problems`` holds every reason found, never only the first."""

    def __init__(self, problems: Problem | Iterable[Problem]) -> None:
        self.problems: tuple[Problem, ...] = (problems,) if isinstance(problems, Problem) else tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


class FitError(ValueError):
    """The readings are legible but do not determine the quantity; the message says what to measure instead."""

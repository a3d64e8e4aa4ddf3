"""Verdicts, decisions and rules in words for a person at a bench."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..decision.reasons import doubt, reason, titled
from ..derivations.drive_prediction import DERIVATION as PREDICTION
from ..errors import key_or_column
from ..signs import unit_text
from . import numbers
from .symbols import before_unit

if TYPE_CHECKING:
    from ..decision.models import ChoiceEntry, ComparedCriterion, CriterionEntry, OriginEntry, ProblemEntry, Results

VERDICT_MEANING = {
    "accepted": "Every criterion is met; the table says which values were measured and which were not.",
    "rejected": "At least one criterion is not met.",
    "undecided": "No criterion is missed, but at least one limit lies within the uncertainty of its value: the "
    "measurement cannot tell on which side the true value is.",
    "incomplete": "Not every criterion could be decided, because a quantity was not measured or no criteria are named.",
}

#: What a rejection means for use; where a test found a danger, that says more.
_NOT_TO_USE = {
    "motor": "Do not fit this motor until it meets its limits.",
    "controller": "Do not fit this controller until it meets its limits.",
    "drive": "Do not ride with this drive until it meets its limits.",
}
#: Normalised errors below this all say the same.
_SMALLEST_ERROR = 0.01
_NO_DANGER = "No test found a danger; that is no proof that there is none."

#: Decisions in the order in which a reader needs them: what rejects the unit comes first.
DECISIVE = ("fail", "undecided", "not measured", "pass")

SEVERITY = {"error": "Error", "warning": "Warning"}


def verdict_meaning(results: Results) -> str:
    """Return what the verdict means. A rejection is no error of the test, unless a unit may have been wrong."""
    meaning = VERDICT_MEANING[results.verdict]
    safe = not any(problem.danger for problem in results.problems)
    if results.verdict == "rejected" and not doubt(results):
        told = f"{meaning} This is a result, not an error of the test."
        return f"{told} {_NOT_TO_USE[results.kind]} {_NO_DANGER}" if safe else told
    if results.verdict == "accepted" and safe:
        return f"{meaning} {_NO_DANGER}"
    return meaning


def verdict_doubt(results: Results) -> str:
    """Return the doubt about a unit as a sentence, "" if there is none."""
    text = doubt(results)
    return f"{text[0].upper()}{text[1:]}." if text else ""


def verdict_reason(results: Results) -> str:
    """Return the reason of the verdict as a sentence."""
    text = reason(results)
    return f"{text[0].upper()}{text[1:]}."


def limits_text(criterion: CriterionEntry | ComparedCriterion) -> str:
    """Return the limits of a criterion: "at most 0.15 Ω", "0.10 to 0.15 Ω", "exactly 23"."""
    low, high = criterion.min, criterion.max
    unit = unit_text(criterion.unit)
    space = before_unit(unit)
    if low is None:
        if high is None:
            raise ValueError("a criterion has no limit")
        return f"at most {numbers.limit(high)}{space}{unit}"
    if high is None:
        return f"at least {numbers.limit(low)}{space}{unit}"
    if low == high:
        return f"exactly {numbers.limit(low)}{space}{unit}"
    return f"{numbers.limit(low)} to {numbers.limit(high)}{space}{unit}"


def origin(entry: OriginEntry | None) -> str:
    """Return how far a value is extrapolated, what it is predicted from or rests on; "" for a measured one."""
    if entry is None or entry.kind == "measured":
        return ""
    if entry.kind == "stated":
        return f"or assumed and not measured, so it decides nothing: {entry.from_}"
    return entry.by or "" if entry.kind == "extrapolated" else f"from {entry.from_}"


def wires_note(results: Results) -> str:
    """Return which criteria hold only after wires are moved; "" if none is to move or none is predicted for a ride."""
    wires = results.quantities.get("wires_to_move")
    if wires is None or wires.value <= 0:
        return ""
    # The prediction takes the torque per ampere of a well-timed pair, however this one is connected.
    held = [titled(c) for c in results.criteria if (e := results.judged(c)) and e.procedure == PREDICTION.name]
    return (
        f"{', '.join(dict.fromkeys(held))}: holds only after the wires are moved (Wires to move: {wires.value:g})."
        if held
        else ""
    )


def global_risks(criterion: CriterionEntry) -> str:
    """Return the risks over the whole make (JCGM 106:2012, clause 9), where its spread was given; else nothing."""
    consumer, producer = criterion.global_consumer_risk, criterion.global_producer_risk
    if consumer is None or producer is None:
        return ""
    return (
        f"over the whole make, {numbers.probability(consumer)} of units pass though they should not, "
        f"{numbers.probability(producer)} fail though they should not"
    )


def agreement(normalised_error: float | None) -> str:
    """Return what a normalised error says: up to 1, two results agree within their uncertainties."""
    if normalised_error is None:
        return "neither value states an uncertainty, so their agreement cannot be judged"
    shown = numbers.plain(normalised_error, 2) if normalised_error >= _SMALLEST_ERROR else f"below {_SMALLEST_ERROR}"
    if normalised_error <= 1:
        return f"agrees (normalised error {shown}, not above 1)"
    return (
        f"disagrees (normalised error {shown}, above 1): the difference is larger than its uncertainty allows; look "
        "for a mistake in one of the two tests"
    )


def place(problem: ProblemEntry) -> str:
    """Return where a problem lies: "winding.csv, line 12, column voltage_ab"."""
    parts = [problem.file] if problem.file else []
    if problem.line is not None:
        parts.append(f"line {problem.line}")
    if name := problem.column:
        parts.append(f"{key_or_column(problem.file, name.split(' ', maxsplit=1)[0])} {name}")
    return ", ".join(parts)


def counted(count: int, one: str, many: str | None = None) -> str:
    """Return "1 criterion", "3 criteria"."""
    return f"{count} {one if count == 1 else many or one + 's'}"


def choice_words(choice: ChoiceEntry) -> str:
    """Return the choice between compared units as a headline."""
    return f"Choice: fit {choice.unit}" if choice.unit else "Choice: none"

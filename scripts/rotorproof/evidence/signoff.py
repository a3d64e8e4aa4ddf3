"""The sign-off: who answers for a report, what was waived and which earlier report it replaces."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from ..decision.models import Results
from ..decision.reasons import named_as
from ..errors import InputError, Problem

Digest = Annotated[str, Field(pattern="^[0-9a-f]{64}$")]
Text = Annotated[str, Field(min_length=1, max_length=2000)]
#: One line: who signs and in what role.
Line = Annotated[str, Field(min_length=1, max_length=200)]
#: As in ``unit.yaml``: nothing that leads to another folder.
UnitName = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]*$", max_length=80)]


#: More waivers, or more letters in all their reasons, would not stand on page 1.
_MOST_WAIVERS = 12
_MOST_LETTERS = 1500


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Waiver(_Model):
    """A criterion that did not pass and is let through, with the reason."""

    #: The criterion's ``name``: the quantity, and in brackets the pack and vehicle that a prediction is for.
    quantity: str
    decision: Literal["fail", "undecided", "not measured"]
    reason: Text


class Superseded(_Model):
    """The earlier signed report that this one replaces, and why."""

    revision: Annotated[int, Field(ge=1)]
    report_sha256: Digest
    reason: Text


class SignOff(_Model):
    """Everything the signer states. It is printed on page 1 and attached to the signed report.

    ``files`` holds the SHA-256 of every other file of the archive, so that the signature covers them too; only the
    archive's manifests are not among them, which follow from the files.
    """

    schema_: Annotated[Literal[1], Field(alias="schema")] = 1
    unit: UnitName
    revision: Annotated[int, Field(ge=1)]
    name: Line
    role: Line
    remarks: str | None = None
    #: Why a report is signed although criteria were neither measured nor waived.
    incomplete: Text | None = None
    signed_at: Annotated[str, Field(pattern=r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\+00:00$")]
    certificate_subject: str
    certificate_sha256: Digest
    verdict: Literal["accepted", "rejected", "undecided", "incomplete"]
    waivers: tuple[Waiver, ...] = ()
    supersedes: Superseded | None = None
    files: Mapping[str, Digest]


def waived(results: Results, reasons: Mapping[str, str]) -> tuple[Waiver, ...]:
    """Return a waiver for each criterion that did not pass and has a reason, by its name or as it is printed.

    Raises ``InputError`` for a waiver of a criterion that is unknown or passed, and for one without a reason.
    """
    problems = []
    found: list[Waiver] = []
    missed = {c.name: c.decision for c in results.criteria if c.decision != "pass"}
    known = {c.name for c in results.criteria}
    printed = {named_as(c).casefold(): c.name for c in results.criteria}
    for said, reason in reasons.items():
        quantity = said if said in known else printed.get(said.strip().casefold(), said)
        if any(waiver.quantity == quantity for waiver in found):
            problems.append(Problem(f"{quantity} is waived twice, by its name and as it is printed; give one reason"))
        elif not reason.strip():
            problems.append(Problem(f"the waiver of {quantity} needs a reason: --waive '{quantity}=why'"))
        elif len(reason) > _MOST_LETTERS:
            problems.append(Problem(f"the waivers do not fit on page 1: shorten the reason for {quantity}"))
        elif quantity not in missed:
            there = ", ".join(missed) or "none"
            what = "needs no waiver" if quantity in known else "is no criterion of this unit"
            problems.append(Problem(f"{quantity} {what}; the criteria that did not pass are: {there}"))
        else:
            found += [
                Waiver(quantity=quantity, decision=c.decision, reason=reason.strip())
                for c in results.criteria
                if c.name == quantity and c.decision != "pass"
            ]
    if len(found) > _MOST_WAIVERS or sum(len(waiver.reason) for waiver in found) > _MOST_LETTERS:
        problems.append(
            Problem(
                f"the waivers do not fit on page 1: at most {_MOST_WAIVERS}, with {_MOST_LETTERS} letters in all. "
                "A unit that needs more is better rejected"
            )
        )
    if problems:
        raise InputError(problems)
    return tuple(found)


def acknowledged(results: Results, waivers: Sequence[Waiver], reason: str | None) -> str | None:
    """Return the reason for which a report is signed as incomplete; ``None`` where nothing is lacking.

    What was waived needs no other reason; the verdict stays what it is, whatever is waived. Raises ``InputError`` if
    criteria were neither measured nor waived and no reason says that its signer knows, and if a
    reason is given where nothing is lacking.
    """
    let_through = {waiver.quantity for waiver in waivers}
    lacking = [
        criterion.name
        for criterion in results.criteria
        if criterion.decision == "not measured" and criterion.name not in let_through
    ]
    if results.verdict != "incomplete" or (results.criteria and not lacking):
        if reason is not None:
            raise InputError(Problem("--incomplete is for units with criteria that were not measured; leave it out"))
        return None
    if reason is not None and reason.strip():
        return reason.strip()
    if not lacking:
        raise InputError(
            Problem("no criteria decide this unit; name an acceptance set, or sign it as it is with --incomplete 'why'")
        )
    raise InputError(
        Problem(
            f"not measured: {', '.join(lacking)}. Let each through with --waive '{lacking[0]}=why', or sign the unit "
            "as incomplete with --incomplete 'why'"
        )
    )


def disagreements(sign_off: SignOff, results: Results) -> list[str]:
    """Return in what a sign-off and the results it stands over contradict each other, in plain words."""
    from ..decision.rules import verdict

    found = []
    if results.unit != sign_off.unit:
        found.append(f"the sign-off is for {sign_off.unit}, the results are of {results.unit}")
    decisions = {(criterion.name, criterion.decision) for criterion in results.criteria}
    if results.verdict != verdict([criterion.decision for criterion in results.criteria]):
        found.append(f"the results are called {results.verdict}, which does not follow from their criteria")
    if sign_off.verdict != results.verdict:
        found.append(f"the sign-off calls the results {sign_off.verdict}; they are {results.verdict}")
    found += [
        f"the sign-off waives {waiver.quantity} ({waiver.decision}), of which the results know nothing"
        for waiver in sign_off.waivers
        if (waiver.quantity, waiver.decision) not in decisions
    ]
    if errors := sum(1 for problem in results.problems if problem.severity == "error"):
        found.append(f"the results hold {errors} error(s), with which no report is signed")
    return found

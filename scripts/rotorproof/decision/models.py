"""The typed models of ``results.json`` and ``comparison.json``: they write the files, read them and give their schemas.

A key that was never set is left out of a file; one that was set to ``None`` is there as null.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field

from ..errors import Problem
from ..settings.acceptance import Rule
from ..settings.application import words

Number = Annotated[float, Field(allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Probability = Annotated[float, Field(ge=0, le=1)]
Interval = tuple[Number, Number]
Correlation = Annotated[float, Field(ge=-1 - 1e-9, le=1 + 1e-9)]
Verdict = Literal["accepted", "rejected", "undecided", "incomplete"]
Decision = Literal["pass", "fail", "undecided", "not measured"]
Kind = Literal["motor", "controller", "drive"]
Share = Annotated[float, Field(ge=0, le=1 + 1e-9)]


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", populate_by_name=True, defer_build=True)

    @classmethod
    def read(cls, path: Path) -> Self:
        """Return the content of a file. Raises ``ValueError`` where it is not of this model, ``OSError`` without it."""
        return cls.model_validate_json(path.read_bytes())

    def as_json(self) -> dict[str, Any]:
        """Return plain data for the file."""
        return self.model_dump(mode="json", by_alias=True, exclude_unset=True)

    def fields(self) -> dict[str, Any]:
        """Return what was set, by name, to make another model from."""
        return {name: getattr(self, name) for name in type(self).model_fields if name in self.model_fields_set}


class OriginEntry(_Model):
    """Whether a value was measured, lies beyond the readings (and how far), or is predicted (and from what).

    One that is *stated* is predicted from values that a nameplate states and nobody measured; they decide nothing.
    """

    kind: Literal["measured", "extrapolated", "predicted", "stated"]
    by: Annotated[str | None, Field(description="how far it lies beyond the readings")] = None
    from_: Annotated[
        str | None, Field(alias="from", description="what it is predicted from; the stated values that it rests on")
    ] = None
    bound: Annotated[
        Literal["most", "least"] | None,
        Field(description="a part was not looked at, which can only make it smaller (most) or larger (least)"),
    ] = None


class AdviceEntry(_Model):
    """What explains that a criterion is not met or undecided, and what to do next; either may be unknown."""

    why: str | None = None
    step: str | None = None
    minutes: Annotated[float | None, Field(gt=0, description="work at the bench that the step takes")] = None
    expected_uncertainty: Annotated[
        float | None, Field(ge=0, description="expanded uncertainty after the step, in the criterion's unit")
    ] = None
    decides: Annotated[bool | None, Field(description="whether the step decides the criterion if the value stays")] = (
        None
    )


class BudgetEntry(_Model):
    """One source of uncertainty and its share of the variance."""

    source: str
    standard_uncertainty: NotNegative
    share: Share
    distribution: Literal["normal", "rectangular", "two-point", "mixed"]
    degrees_of_freedom: Annotated[float | None, Field(gt=0, description="null: infinite")]
    expanded_uncertainty_if_halved: Annotated[
        float | None, Field(ge=0, description="U with this source halved; null: it would change little")
    ]


class ForEntry(_Model):
    """The pack and the vehicle of config.yaml that a prediction is for."""

    pack: str | None = None
    vehicle: str | None = None

    @property
    def words(self) -> str:
        """Return the names as a page has them: "cargo on 48V"."""
        return words(self.fields())


def told_apart(quantity: str, application: ForEntry | None) -> str:
    """Return the name of a quantity with those of the pack and vehicle that it is for, if any."""
    return f"{quantity} ({application.words})" if application else quantity


class QuantityEntry(_Model):
    """A measured quantity: value in the named unit, its uncertainty and where it comes from."""

    value: Number
    unit: str
    standard_uncertainty: NotNegative
    degrees_of_freedom: Annotated[
        float | None,
        Field(gt=0, description="of the whole; the coverage factor may rest on the random part alone; null: infinite"),
    ]
    expanded_uncertainty: NotNegative
    coverage_factor: NotNegative
    interval: Interval
    procedure: str
    origin: OriginEntry | None = None
    for_: Annotated[ForEntry | None, Field(alias="for", description="of a prediction on a named pack or vehicle")] = (
        None
    )
    label: str | None = None
    part: Annotated[str | None, Field(description="the unit that gave it, where that is a part of a drive")] = None
    conditions: dict[str, str]
    budget: list[BudgetEntry]
    notes: list[str]
    details: Annotated[Any, Field(description="what needs more than a number: a harmonics list, a wiring table")] = None


class AlternativeEntry(QuantityEntry):
    """The same quantity as one procedure alone gives it, where another or all together decide."""

    normalised_error: Annotated[
        float | None,
        Field(
            ge=0,
            description="difference over its expanded uncertainty; above 1 the two disagree; null: exact",
        ),
    ]


class AdjustedFrom(_Model):
    """How one test stands in an adjustment; value, uncertainty and residual are in the unit of the quantity."""

    procedure: str
    given_as: Annotated[str | None, Field(description="the quantity that the test gave, where that is another")] = None
    value: Annotated[Number, Field(description="what the test gives, brought to the adjusted constant")]
    expanded_uncertainty: NotNegative
    weight: Number
    residual: Annotated[Number, Field(description="this test less the adjusted value")]
    normalised_residual: Annotated[Number, Field(description="residual over this test's own standard uncertainty")]


class ExplanationEntry(_Model):
    """An error that would bring the tests into agreement, and how large it would be."""

    words: str
    shift: Annotated[Number, Field(description="in its own standard uncertainty; positive: readings too high")]
    procedures: list[str]
    probability: Annotated[Probability, Field(description="that chance alone makes what chi-square is left then")]


class ConsistencyEntry(_Model):
    """Whether the tests agree that a quantity is adjusted from."""

    chi_square: NotNegative
    degrees_of_freedom: Annotated[int, Field(ge=0)]
    probability: Annotated[Probability, Field(description="that chance alone makes chi-square as large")]
    birge_ratio: NotNegative
    agrees: Annotated[bool, Field(description="false: uncertainties are multiplied by the Birge ratio")]
    out_of_line: Annotated[str | None, Field(description="the test without which the others agree; null: no one test")]
    set_aside: Annotated[list[str], Field(description="tests that rest on the readings of another and say nothing new")]
    tests: Annotated[list[AdjustedFrom], Field(min_length=2)]
    explanations: Annotated[
        list[ExplanationEntry],
        Field(
            default_factory=list, description="single errors that would make the tests agree, the least strange first"
        ),
    ]


class MainEntry(QuantityEntry):
    """A quantity as adjusted from several tests or from its preferred procedure, with what each gives beside it."""

    consistency: ConsistencyEntry | None = None
    alternatives: list[AlternativeEntry] | None = None


class CriterionEntry(_Model):
    """One criterion and the decision on it; limits in the named unit."""

    quantity: str
    from_: Annotated[
        str | None, Field(alias="from", description="the procedure whose value alone is judged, on purpose")
    ] = None
    for_: Annotated[
        ForEntry | None, Field(alias="for", description="the named pack and vehicle whose prediction is judged")
    ] = None
    min: Number | None = None
    max: Number | None = None
    unit: str
    rule: Rule
    statement: Annotated[str, Field(description="the decision rule in words")]
    guard_factor: Annotated[float | None, Field(ge=0, description="guard band over expanded uncertainty")] = None
    reason: str | None = None
    decision: Decision
    origin: OriginEntry | None = None
    advice: Annotated[
        list[AdviceEntry] | None, Field(description="only where the criterion is not met, or undecided")
    ] = None
    probability_of_conformity: Probability | None = None
    acceptance_interval: Annotated[
        tuple[Number | None, Number | None] | None,
        Field(description="values that pass; null: no end on this side, or no room"),
    ] = None
    specific_consumer_risk: Annotated[
        Probability | None, Field(description="probability that this pass is wrong; null: not a pass")
    ] = None
    specific_producer_risk: Annotated[
        Probability | None, Field(description="probability that this fail is wrong; null: not a fail")
    ] = None
    global_consumer_risk: Annotated[
        Probability | None, Field(description="share of all units that pass though they do not conform")
    ] = None
    global_producer_risk: Annotated[
        Probability | None, Field(description="share of all units that fail though they conform")
    ] = None

    @property
    def name(self) -> str:
        """Return what tells it from the criteria of other quantities, packs and vehicles."""
        return told_apart(self.quantity, self.for_)


class ProblemEntry(_Model):
    """Something wrong with an input, and what to do."""

    message: str
    file: str | None = None
    line: Annotated[int | None, Field(ge=1)] = None
    column: str | None = None
    severity: Literal["error", "warning"]
    procedure: str | None = None
    #: The readings look as if a unit were wrong: a verdict may rest on it.
    doubt: Literal["unit"] | None = None
    slip: Annotated[str | None, Field(description="the likeliest single slip, in a few words")] = None
    danger: Annotated[bool, Field(description="somebody who uses the unit may be hurt")] = False

    @classmethod
    def of(cls, problem: Problem) -> Self:
        """Return a problem as files hold it."""
        return cls(**problem.as_json())


class TakenEntry(_Model):
    """A value that a drive took from a part, as the part's results hold it."""

    value: Number
    unit: str
    expanded_uncertainty: NotNegative
    interval: Interval
    procedure: str


class PartEntry(_Model):
    """A unit that a drive is made of, the verdict on it by its own limits, and what the drive took from it."""

    role: Literal["motor", "controller"]
    unit: str
    verdict: Verdict
    taken: dict[str, TakenEntry]


class CheckEntry(_Model):
    """The least probable of the tests of what one fit leaves over."""

    fit: str
    tested: str
    statistic: Number
    probability: Annotated[float, Field(ge=0, le=1, description="of a statistic as large, if the formula holds")]


class AdequacyEntry(_Model):
    """Whether the formulas of a test described its readings."""

    state: Literal["adequate", "widened", "not determined"]
    significance: Annotated[float, Field(gt=0, description="probability below which a check fails")]
    readings: Annotated[int, Field(ge=0, description="residuals that were judged")]
    checks: list[CheckEntry]


class TestEntry(_Model):
    """One test, or several that were fitted together."""

    procedure: str
    label: str | None = None
    adequacy: AdequacyEntry


class ApplicationEntry(_Model):
    """What is predicted on one of several packs and vehicles that a unit is meant for."""

    for_: Annotated[ForEntry, Field(alias="for")]
    quantities: dict[str, MainEntry]


class Results(_Model):
    """The results of one unit under test."""

    schema_: Annotated[Literal[1], Field(alias="schema")]
    unit: str
    kind: Kind
    parts: list[PartEntry] | None = None
    verdict: Verdict
    quantities: dict[str, MainEntry]
    applications: Annotated[
        list[ApplicationEntry] | None,
        Field(description="what is predicted on each, where the unit is meant for several packs or vehicles"),
    ] = None
    criteria: list[CriterionEntry]
    tests: Annotated[list[TestEntry], Field(default_factory=list)]
    problems: list[ProblemEntry]

    def judged(self, criterion: CriterionEntry) -> QuantityEntry | None:
        """Return the entry that a criterion was decided on: the unit's, or that of the procedure it names."""
        entry = self.of(criterion.for_).get(criterion.quantity)
        if criterion.from_ is None or entry is None:
            return entry
        each = (entry, *(entry.alternatives or ()))
        return next((one for one in each if one.procedure == criterion.from_), None)

    def of(self, application: ForEntry | None) -> Mapping[str, MainEntry]:
        """Return the quantities that hold for a pack and vehicle: those of several that are meant, else the unit's."""
        each = self.applications or ()
        return next((one.quantities for one in each if one.for_ == application), self.quantities)


class ComparedPart(_Model):
    """What the file of a unit says of it; ``ambient`` as it is written there."""

    unit: str
    kind: Kind
    model: str | None
    serial: str | None
    tested_on: datetime.date | None
    operator: str | None
    ambient: dict[str, str] = {}


class ComparedUnit(ComparedPart):
    """A unit in a comparison: what its file says of it and of the parts it is made of, and the verdict on it."""

    parts: list[ComparedPart] = []
    verdict: Verdict


class ComparedValue(_Model):
    """A unit's value of a compared quantity, as in its ``results.json``."""

    unit: str
    value: Number
    expanded_uncertainty: NotNegative
    interval: Interval
    procedure: str
    conditions: dict[str, str]


class PairEntry(_Model):
    """A difference between two units, in the unit of the quantity."""

    first: str
    second: str
    difference: Annotated[Number, Field(description="second less first")]
    standard_uncertainty: NotNegative
    expanded_uncertainty: NotNegative
    interval: Interval
    correlation: Annotated[Correlation, Field(description="of the two values, through errors that both share")]
    normalised_error: Annotated[
        float | None, Field(ge=0, description="difference over its expanded uncertainty; null: exact")
    ]
    higher: Annotated[str | None, Field(description="the unit that is higher; null: not distinguishable")]
    relevant: Annotated[
        bool, Field(description="the difference exceeds its uncertainty and what is of any use in practice")
    ] = False
    statement: str


class ComparedQuantity(_Model):
    """A quantity that two units or more have: value by value, and pair by pair."""

    unit: str
    relevance: Annotated[NotNegative | None, Field(description="differences up to this are of no use")] = None
    values: Annotated[list[ComparedValue], Field(min_length=2)]
    pairs: Annotated[list[PairEntry], Field(min_length=1)]


class ComparedDecision(_Model):
    """The decision on one unit by a shared criterion."""

    unit: str
    decision: Decision
    probability_of_conformity: Probability | None


class ComparedCriterion(_Model):
    """A criterion that two units or more are judged by; limits in the named unit."""

    quantity: str
    for_: Annotated[
        ForEntry | None, Field(alias="for", description="the named pack and vehicle whose prediction is judged")
    ] = None
    min: Number | None
    max: Number | None
    unit: str
    rule: Rule
    units: Annotated[list[ComparedDecision], Field(min_length=2)]
    better: Annotated[str | None, Field(description="the unit that meets it better than every other, if one does")]
    why: str


class ChoiceEntry(_Model):
    """Which unit to fit, why, and where another would have been better."""

    unit: Annotated[str | None, Field(description="null: none, or nothing tells the best two apart")]
    ranking: list[str]
    why: list[str]
    cost: list[str]


class SameUnit(_Model):
    """One unit tested twice: differences between these two are drift."""

    first: str
    second: str
    days: Annotated[int, Field(ge=0)]


class Comparison(_Model):
    """Units side by side: what differs by more than the measurements can blur."""

    schema_: Annotated[Literal[1], Field(alias="schema")]
    comparison: str
    probability: Probability
    units: Annotated[list[ComparedUnit], Field(min_length=2)]
    quantities: dict[str, ComparedQuantity]
    criteria: list[ComparedCriterion]
    choice: ChoiceEntry | None = None
    one_unit_only: Annotated[dict[str, str], Field(description="quantity to the only unit that has it")]
    same_unit: list[SameUnit]
    notes: list[str]

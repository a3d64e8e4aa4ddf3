"""The typed model of ``results.json``, from which its published JSON Schema is generated."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from ..settings.acceptance import Rule

Number = Annotated[float, Field(allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Probability = Annotated[float, Field(ge=0, le=1)]
Verdict = Literal["accepted", "rejected", "undecided", "incomplete"]
Share = Annotated[float, Field(ge=0, le=1 + 1e-9)]


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid")


class BudgetEntry(_Model):
    """One source of uncertainty and its share of the variance."""

    source: str
    standard_uncertainty: NotNegative
    share: Share
    distribution: Literal["normal", "rectangular", "mixed"]
    degrees_of_freedom: Annotated[float | None, Field(gt=0, description="null: infinite")]
    expanded_uncertainty_if_halved: Annotated[
        float | None, Field(ge=0, description="U with this source halved; null: it would change little")
    ]


class QuantityEntry(_Model):
    """A measured quantity: value in the named unit, its uncertainty and where it comes from."""

    value: Number
    unit: str
    standard_uncertainty: NotNegative
    degrees_of_freedom: Annotated[float | None, Field(gt=0, description="null: infinite")]
    expanded_uncertainty: NotNegative
    coverage_factor: NotNegative
    interval: Annotated[list[Number], Field(min_length=2, max_length=2)]
    procedure: str
    label: str | None = None
    part: Annotated[str | None, Field(description="the unit that gave it, where that is a part of a drive")] = None
    conditions: dict[str, str]
    budget: list[BudgetEntry]
    notes: list[str]
    details: Annotated[Any, Field(description="what needs more than a number: a harmonics list, a wiring table")] = None


class AlternativeEntry(QuantityEntry):
    """The same quantity from a procedure lower in the order of preference."""

    normalised_error: Annotated[
        float | None,
        Field(
            ge=0,
            description="difference over its expanded uncertainty; above 1 the two disagree; null: exact",
        ),
    ]


class MainEntry(QuantityEntry):
    """A quantity from its preferred procedure, with the others beside it."""

    alternatives: list[AlternativeEntry] | None = None


class CriterionEntry(_Model):
    """One criterion and the decision on it; limits in the named unit."""

    quantity: str
    min: Number | None = None
    max: Number | None = None
    unit: str
    rule: Rule
    statement: Annotated[str, Field(description="the decision rule in words")]
    guard_factor: Annotated[float | None, Field(ge=0, description="guard band over expanded uncertainty")] = None
    reason: str | None = None
    decision: Literal["pass", "fail", "undecided", "not measured"]
    probability_of_conformity: Probability | None = None
    acceptance_interval: Annotated[
        list[Number | None] | None,
        Field(min_length=2, max_length=2, description="values that pass; null: no end on this side, or no room"),
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


class ProblemEntry(_Model):
    """Something wrong with an input, and what to do."""

    message: str
    file: str | None = None
    line: Annotated[int | None, Field(ge=1)] = None
    column: str | None = None
    severity: Literal["error", "warning"]
    procedure: str | None = None


class TakenEntry(_Model):
    """A value that a drive took from a part, as the part's results hold it."""

    value: Number
    unit: str
    expanded_uncertainty: NotNegative
    interval: Annotated[list[Number], Field(min_length=2, max_length=2)]
    procedure: str


class PartEntry(_Model):
    """A unit that a drive is made of, the verdict on it by its own limits, and what the drive took from it."""

    role: Literal["motor", "controller"]
    unit: str
    verdict: Verdict
    taken: dict[str, TakenEntry]


class Results(_Model):
    """The results of one unit under test."""

    schema_: Annotated[Literal[1], Field(alias="schema")]
    unit: str
    kind: Literal["motor", "controller", "drive"]
    parts: list[PartEntry] | None = None
    verdict: Verdict
    quantities: dict[str, MainEntry]
    criteria: list[CriterionEntry]
    problems: list[ProblemEntry]

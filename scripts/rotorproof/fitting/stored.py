"""What a unit's fits leave for deciding and drawing, as typed models that write ``fit.json`` and read it.

A form names its influences by their place in the list that all forms of the file share, so each is written once: the
list goes along as the context of writing (``Ledger``) and of reading.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, PlainSerializer, PlainValidator, SerializationInfo, ValidationInfo

from ..errors import Problem
from ..procedures._friction_line import FrictionLine
from ..procedures.base import Axis, Hint, SeriesRole, Table
from ..uncertainty.forms import Form, Influence
from ..uncertainty.monte_carlo import Simulation
from ..uncertainty.result import Result
from .adequacy import State
from .consistency import Consistency


@dataclass(frozen=True)
class Ledger:
    """Numbers the influences of a file in the order in which its forms name them."""

    numbers: dict[Influence, int] = field(default_factory=dict)

    def terms(self, form: Form) -> list[tuple[int, float]]:
        """Return the terms of a form, each influence by its number."""
        return [(self.numbers.setdefault(one, len(self.numbers)), c) for one, c in form.terms.items() if c != 0]


def _read_form(written: Any, info: ValidationInfo) -> Form:
    if isinstance(written, Form):
        return written
    influences: Sequence[Influence] = info.context or ()
    return Form(written["value"], {influences[number]: c for number, c in written["terms"]})


def _write_form(form: Form, info: SerializationInfo) -> dict[str, Any]:
    ledger = info.context
    assert isinstance(ledger, Ledger)
    return {"value": form.value, "terms": ledger.terms(form)}


def _read_simulation(written: Any) -> Simulation:
    return written if isinstance(written, Simulation) else Simulation.from_json(written)


StoredForm = Annotated[Form, PlainValidator(_read_form), PlainSerializer(_write_form)]
StoredSimulation = Annotated[Simulation, PlainValidator(_read_simulation), PlainSerializer(Simulation.as_json)]


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True, arbitrary_types_allowed=True)


class StoredSeries(_Model):
    """A series of a figure; its readings lie in the file of arrays under ``base``."""

    label: str
    role: SeriesRole
    base: str


class StoredField(_Model):
    """A quantity over a grid; its arrays lie under ``base``."""

    axis: Axis
    levels: list[float]
    base: str


class StoredPanel(_Model):
    """A figure without its readings."""

    name: str
    title: str
    x: Axis
    y: Axis
    caption: str
    drawing: Literal["points", "bars", "levels", "intervals", "map"]
    series: list[StoredSeries]
    residuals: list[StoredSeries] = []
    residual_axis: Axis | None = None
    field: StoredField | None = None
    #: False if drawing it failed in a way nobody foresaw: there is no file of it, and a problem says why.
    drawn: bool = True


class StoredCheck(_Model):
    """The least probable check of one fit of a test."""

    fit: str
    tested: str
    statistic: float
    probability: float


class StoredAdequacy(_Model):
    """Whether the formulas of a test described its readings."""

    state: State
    significance: float
    readings: int
    checks: list[StoredCheck]


class Made(_Model):
    """What one maker gave: a run of a procedure, the adjustment of all tests, or a derivation."""

    #: The name of the procedure or derivation, or ``quantities.ADJUSTED``.
    maker: str
    #: Tells several runs of one maker apart; else the maker's name.
    label: str
    forms: dict[str, StoredForm] = {}
    simulated: dict[str, StoredSimulation] = {}
    #: Places of the tests behind it in the unit file.
    tests: list[int] = []
    conditions: dict[str, str] = {}
    adequacy: StoredAdequacy | None = None
    with_controller_loss: list[str] = []
    line: FrictionLine | None = None
    bend: StoredForm | None = None
    notes: list[str] = []
    tables: list[Table] = []
    missing: dict[str, str] = {}
    details: dict[str, Any] = {}
    quantity_notes: dict[str, list[str]] = {}
    hints: list[Hint] = []
    extrapolated: dict[str, str] = {}
    bounds: dict[str, Literal["most", "least"]] = {}
    #: What quantities are predicted from, and on what stated values they rest, in words.
    predicted: dict[str, str] = {}
    stated: dict[str, str] = {}
    #: The names of the pack and vehicle that it holds for, where they have any.
    application: dict[str, str] = {}
    consistency: dict[str, Consistency] = {}
    panels: list[StoredPanel] = []

    def result(self, name: str) -> Result:
        """Return a quantity as its form or, where that does not describe it, its simulated distribution."""
        return Result(self.forms[name], self.simulated.get(name))

    def of_part(self) -> Made:
        """Return what a drive keeps of it: the numbers, what is said of them, and why others are missing."""
        return self.model_copy(
            update={
                "tests": [],
                "adequacy": None,
                "line": None,
                "bend": None,
                "notes": [],
                "tables": [],
                "consistency": {},
                "panels": [],
            }
        )


class StoredPart(_Model):
    """A unit that a drive is made of: what was made of it, and the quantities that the drive took."""

    role: Literal["motor", "controller"]
    unit: str
    outcomes: list[Made]
    taken: list[str]


class StoredFit(_Model):
    """The content of ``fit.json``."""

    outcomes: list[Made]
    derived: list[Made] = []
    parts: list[StoredPart] = []
    #: Nameplate, constants and reach of the bench, for a drive that is made of the unit.
    stated: dict[str, StoredForm] = {}
    applications: list[dict[str, str]] = [{}]
    problems: list[Problem] = []

    @property
    def makers(self) -> list[Made]:
        """Return everything that was made of the unit itself."""
        return [*self.outcomes, *self.derived]

    def as_json(self) -> dict[str, Any]:
        """Return plain data, with the influences that its forms name."""
        ledger = Ledger()
        content = self.model_dump(mode="json", exclude_defaults=True, context=ledger)
        return {**content, "influences": [influence.as_json() for influence in ledger.numbers]}

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> StoredFit:
        """Read what ``as_json`` gave. Raises ``pydantic.ValidationError`` where it is something else."""
        influences = [Influence.from_json(entry) for entry in data["influences"]]
        return cls.model_validate({k: v for k, v in data.items() if k != "influences"}, context=influences)

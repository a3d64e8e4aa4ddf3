"""What a test procedure is: its facts (needs, outputs, cautions), what it chooses, estimates, derives and reports.

Everything that speaks of a procedure (validation, plan, report, documentation, checks) reads it from here, so a
procedure is added by one module in this package.
"""

from __future__ import annotations

import importlib
import math
from abc import ABC, abstractmethod
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from types import ModuleType
from typing import Any, ClassVar, Literal, Protocol

import numpy as np

from ..errors import Problem
from ..uncertainty.forms import Form
from ._friction_line import FrictionLine
from .assumption import Assumption
from .bench import Basis, BenchSheet, Machine, Situation
from .fit import Fit

UnitKind = Literal["motor", "controller", "drive"]


@dataclass(frozen=True, slots=True)
class Quantity:
    """A named result: the one place for its symbol, unit, definition and source.

    ``kind`` fixes the SI unit inside (``units.SI_UNIT``); ``unit`` is the one people read and ``results.json``
    holds. ``preferred`` orders the procedures that may give it, best first.
    """

    name: str
    title: str
    symbol: str
    kind: str
    unit: str
    definition: str
    source: str
    preferred: tuple[str, ...] = ()
    #: The state the value refers to, as text: ``(("temperature", "20 degC"),)``.
    reference: tuple[tuple[str, str], ...] = ()
    #: The likely cause when two procedures disagree on it, for the warning that says so.
    disagreement: str = ""
    #: What the source is, where it is not a text that was at hand.
    basis: Basis = "published"
    #: Column whose highest reading, in the run that gave the quantity, tells how far it holds (``bench_<column>_max``).
    reach: str = ""
    #: Place among the constants by which units are compared at a glance (register, trends); 0: not one of them.
    key: int = 0
    #: The next step where the quantity misses its limits and no reading tells more (practice of the trade).
    remedy: str = ""
    #: Share of the value up to which a difference between two units is of no use (common practice, no source).
    relevance: float = 0.02
    #: What is physically possible, in SI, ends included: no result lies beyond, whatever the readings say.
    least: float = -math.inf
    most: float = math.inf
    #: Why nothing that is read of it is impossible, where it has neither end nor ``meanings``.
    no_bound: str = ""
    #: A count: whole, or it is not settled.
    whole: bool = False
    #: The largest of so many deviations that are known alike well (``uncertainty.admissible.of_largest``).
    largest_of: int = 1
    #: A quantity that this one holds too unless the same procedure tells it apart.
    holds: str = ""
    #: The likely cause of a result beyond what is possible, for the problem that refuses it.
    impossible: str = ""
    #: Words for numbers that are codes: ``((1.0, "A-B-C"), (-1.0, "A-C-B"))``; pages print the word.
    meanings: tuple[tuple[float, str], ...] = ()
    #: The number is a table in digits, for other programs: pages show the table of its test instead.
    tabled: bool = False
    #: It says how a test was run, not what the unit is: nothing to compare two units by.
    of_test: bool = False


@dataclass(frozen=True, slots=True)
class Condition:
    """A value that a test must or may state beside its log (``conditions`` in ``unit.yaml``)."""

    name: str
    kind: str
    meaning: str
    required: bool = False
    #: A word instead of a value: one of these; a log's conditions then hold its place in the tuple (from 0).
    choices: tuple[str, ...] = ()
    #: A setting rather than a reading (a sample rate, a step number): it has no error of its own to ask for.
    exact: bool = False
    #: Zero states that there is none of it, which no instrument read.
    none_at_zero: bool = False
    #: A column that may stand in its place: one of the two is needed.
    or_column: str = ""


@dataclass(frozen=True, slots=True)
class Lack:
    """What a test cannot give whatever its readings, and why; without ``quantities`` it gives nothing at all."""

    why: str
    quantities: tuple[str, ...] = ()
    column: str | None = None


@dataclass(frozen=True, slots=True)
class Need:
    """A quantity of another procedure that this one uses (upstream results keep their correlations).

    ``part`` says whose it is in a drive made of parts; without it, that of the only part that gives it. With
    ``apart_from_controller`` a derivation gets a value that holds no controller's loss before one that does, and the
    scalar ``<quantity>_holds_controller_loss`` (0 or 1) beside it. Where ``along`` names another need, the quantity is
    taken from the run that gave that one, or not at all: terms of one fit belong together.
    """

    quantity: str
    why: str
    required: bool = False
    part: Literal["motor", "controller"] | None = None
    apart_from_controller: bool = False
    along: str = ""


#: Clock times of fewer readings than these prove no even pace, however evenly they stand.
FEWEST_EVEN = 10


@dataclass(frozen=True)
class Log:
    """The readings of one test: canonical column name -> ``(n,)`` float64 in SI, and its conditions in SI."""

    label: str
    columns: Mapping[str, np.ndarray]
    conditions: Mapping[str, float] = field(default_factory=dict)
    #: Column or condition -> standard uncertainty (SI) that its instrument or writer states, at the RMS reading.
    #: For decisions that need it (is this ratio a whole number?); the engine itself carries it into the results.
    stated: Mapping[str, float] = field(default_factory=dict)
    #: What the step of the clock times behind "time" leaves open of each (s); 0 where time came as a number.
    time_resolution: float = 0.0

    def __getitem__(self, column: str) -> np.ndarray:
        """Return a column; ``KeyError`` if the log has none of that name."""
        return self.columns[column]

    def get(self, column: str) -> np.ndarray | None:
        """Return a column, ``None`` if the log has none of that name."""
        return self.columns.get(column)

    def __contains__(self, column: object) -> bool:
        """Tell whether the log has this column."""
        return column in self.columns


@dataclass(frozen=True)
class Axis:
    """An axis of a figure: what it shows, the kind of quantity (for SI) and the unit to print."""

    title: str
    kind: str
    unit: str


SeriesRole = Literal["measured", "fit", "left out", "limit", "model"]


@dataclass(frozen=True)
class Series:
    """One set of points or one line, ``x`` and ``y`` ``(n,)`` in SI.

    ``y_error`` is one standard uncertainty, or what the caption says. ``group`` numbers the units of a figure that
    overlays several: each keeps its look, whatever it has in the figure.
    """

    label: str
    x: np.ndarray
    y: np.ndarray
    role: SeriesRole = "measured"
    y_error: np.ndarray | None = None
    group: int | None = None


@dataclass(frozen=True)
class Field:
    """A quantity over a grid: ``x`` ``(m,)``, ``y`` ``(n,)``, ``z`` ``(n, m)`` in SI.

    Where the readings say nothing ``z`` holds NaN, and nothing is drawn. ``levels`` are the values at which
    lines are drawn; empty leaves the choice to the drawing.
    """

    axis: Axis
    x: np.ndarray
    y: np.ndarray
    z: np.ndarray
    levels: Sequence[float] = ()


@dataclass(frozen=True)
class Panel:
    """A figure as data: the rendering room draws it, nobody else plots.

    ``drawing``: ``points`` (markers for measured, lines for fit), ``bars``, ``levels`` (logic traces stacked),
    ``intervals`` (values side by side, a lane each) or ``map`` (lines of equal value of ``field``, under the series).
    ``residuals`` are drawn below on the same x axis. ``caption`` says in one sentence what to see.
    """

    name: str
    title: str
    x: Axis
    y: Axis
    series: Sequence[Series]
    caption: str
    drawing: Literal["points", "bars", "levels", "intervals", "map"] = "points"
    residuals: Sequence[Series] = ()
    residual_axis: Axis | None = None
    field: Field | None = None


@dataclass(frozen=True)
class Table:
    """A small table for the report: text headers, rows of text or numbers."""

    title: str
    headers: Sequence[str]
    rows: Sequence[Sequence[str | float | int]]


@dataclass(frozen=True, slots=True)
class Hint:
    """What explains that a quantity misses its limits, and what to do next; on the page only where it does miss them.

    A procedure may speak of any quantity: a rub that a slow turn shows explains the friction of a fast one.
    """

    quantity: str
    why: str
    step: str = ""


@dataclass
class Report:
    """What the report shows of a fit beside its numbers: ``report`` of a procedure gathers it.

    ``details`` holds JSON for outputs that need more than a number (a harmonics list, a wiring table).
    ``extrapolated`` names quantities that lie beyond the readings, and says by how much. ``bounds`` names those of
    which a part was not looked at, and whether they are at "most" or at "least" the value given. ``stated`` names those
    that rest on what a nameplate states in the place of a measurement, and says on what.
    """

    panels: list[Panel] = field(default_factory=list)
    tables: list[Table] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    warnings: list[Problem] = field(default_factory=list)
    details: dict[str, Any] = field(default_factory=dict)
    quantity_notes: dict[str, list[str]] = field(default_factory=dict)
    hints: list[Hint] = field(default_factory=list)
    extrapolated: dict[str, str] = field(default_factory=dict)
    bounds: dict[str, Literal["most", "least"]] = field(default_factory=dict)
    stated: dict[str, str] = field(default_factory=dict)

    def warn(self, message: str, column: str | None = None, *, danger: bool = False) -> None:
        """Add a warning; whoever runs the procedure adds its name and its logs."""
        self.warnings.append(Problem(message, column=column, severity="warning", danger=danger))

    def warn_each(self, messages: Sequence[str]) -> None:
        """Add a warning for each message."""
        for message in messages:
            self.warn(message)

    def say_of(self, notes: Mapping[str, str]) -> None:
        """Add a note to each of these quantities."""
        for name, note in notes.items():
            self.quantity_notes[name] = [*self.quantity_notes.get(name, []), note]


def drawn(size: int, most: int = 2000) -> np.ndarray:
    """Return the places of at most ``most`` of ``size`` readings, evenly spread, for a figure."""
    return np.unique(np.linspace(0, size - 1, min(size, most)).astype(int))


def outside(size: int, parts: Sequence[slice], most: int) -> np.ndarray:
    """Return the places to draw, at most ``most``, of the readings that lie in none of ``parts``."""
    out = np.ones(size, bool)
    for part in parts:
        out[part] = False
    return np.flatnonzero(out)[drawn(int(out.sum()), most)]


def line_title(pair: str) -> str:
    """Return how a pair of lines is written: A-B for ``ab``."""
    return f"{pair[0].upper()}-{pair[1].upper()}"


def in_rpm(speed: float | np.ndarray) -> Any:
    """Return a speed in rad/s as revolutions per minute."""
    return speed * (60 / (2 * np.pi))


def not_stated(condition: Condition) -> str:
    """Return what to say where neither a condition nor the column that may stand in its place is there."""
    what = condition.name.replace("_", " ")
    return (
        f"the {what} is not stated; give it as the condition {condition.name!r} or as the column "
        f"{condition.or_column!r}"
    )


def stated(logs: Sequence[Log]) -> dict[str, float]:
    """Return the conditions of all logs together."""
    return {key: value for log in logs for key, value in log.conditions.items()}


def known_pole_pairs(given: Mapping[str, float]) -> int | None:
    """Return the pole pairs as measured, else as the nameplate states them."""
    found = given.get("pole_pairs", given.get("nameplate_pole_pairs"))
    return None if found is None else round(found)


def without_pole_pairs(known: Collection[str]) -> bool:
    """Tell whether the pole pairs are neither among the names of what other tests give nor on the nameplate."""
    return not {"pole_pairs", "nameplate_pole_pairs"} & set(known)


def electrical_turns(given: Mapping[str, Any]) -> Any:
    """Return the electrical turns in one turn of the output, through the gear; ``None`` without known pole pairs."""
    pairs = given.get("pole_pairs", given.get("nameplate_pole_pairs"))
    return None if pairs is None else pairs * given.get("nameplate_gear_ratio", 1.0)


@dataclass(frozen=True, slots=True)
class Suspect:
    """A reading that can be read but hardly be right: ``row`` from 0, the canonical column, and what to do.

    ``slip`` says in a few words what slipped, where it is so gross that the verdict is in doubt.
    """

    row: int
    column: str
    message: str
    slip: str | None = None


class Reducer(Protocol):
    """Turns a capture too large to hold into a few columns while it is read (see ``Procedure.reducer``)."""

    def feed(self, rows: Mapping[str, np.ndarray]) -> None:
        """Take the next rows: ``time`` ``(n,)`` in s, increasing, and the level or value of each column from then.

        Rows may stand at every sample or only where something changes.
        """

    def finish(self) -> dict[str, np.ndarray]:
        """Return the reduced columns, float64 in SI, after the last rows. Raises ``FitError`` if none can be given."""


class Procedure(ABC):
    """A test of the trade. Subclasses state the facts as class attributes and implement four functions.

    ``choose`` decides once what must not change between repeats (which rows, which model, where an iteration starts),
    ``estimate`` is the fit, ``derive`` the formula from its parameters to quantities, ``report`` the words and
    figures. The engine repeats ``estimate`` and ``derive`` with readings and scalars shifted by their uncertainty.
    """

    name: ClassVar[str]
    title: ClassVar[str]
    purpose: ClassVar[str]
    unit_kinds: ClassVar[tuple[UnitKind, ...]]
    #: Columns that must be there; a tuple stands for "one of these at least".
    required_columns: ClassVar[tuple[str | tuple[str, ...], ...]]
    optional_columns: ClassVar[tuple[str, ...]] = ()
    #: Of those, columns that a check looks at while no quantity depends on them: no instrument is asked for.
    only_looked_at: ClassVar[tuple[str, ...]] = ()
    conditions: ClassVar[tuple[Condition, ...]] = ()
    needs: ClassVar[tuple[Need, ...]] = ()
    #: Scalars to be had in ``given`` in any case: where neither test nor file gives them, they are assumed.
    assumptions: ClassVar[tuple[Assumption, ...]] = ()
    #: Names of the quantities given; those first defined here are in ``quantities``.
    gives: ClassVar[tuple[str, ...]]
    quantities: ClassVar[tuple[Quantity, ...]] = ()
    cautions: ClassVar[tuple[str, ...]]
    #: What no check against the outside covers, for the verification book.
    not_covered: ClassVar[tuple[str, ...]] = ()
    minimum_rows: ClassVar[int] = 5
    #: Where the test does not take readings in ohms though a newcomer would think so: what to log instead.
    no_ohms: ClassVar[str] = ""
    #: Several logs of this procedure are one measurement (speeds of an open-circuit test).
    combines: ClassVar[bool] = False
    #: Of those, only the logs that share a label (a heat run and the cooling after it).
    combines_by_label: ClassVar[bool] = False
    #: Place in a safe order of tests: insulation and resistance before power.
    order: ClassVar[int] = 50
    #: What it takes at the bench, wiring included, in minutes (common practice, no source): the price of a repeat.
    minutes: ClassVar[int]
    #: How long a log lasts at least and at most, in s (common practice, no source); else its unit of time is doubted.
    lasts: ClassVar[tuple[float, float]] = (0.0, math.inf)
    #: Time must increase from row to row (a waveform), or is not used at all (a hand-written table).
    time_ordered: ClassVar[bool] = True
    #: Columns that a ``reducer`` leaves in place of the raw ones, each with the raw column whose instrument error
    #: it carries ("" for none).
    reduced_columns: ClassVar[Mapping[str, str]] = {}
    #: The reducer leaves logs of ordinary length as they are, and wants a row at every sample of the others; without
    #: it rows may stand only where a level changes, so that nothing can be cut off.
    long_logs_only: ClassVar[bool] = False

    def choose(self, logs: Sequence[Log], given: Mapping[str, float]) -> Any:
        """Return what stays as it is while readings and scalars are shifted: a small frozen dataclass, or ``None``.

        ``given`` holds nameplate values, upstream quantities and constants in SI. Raises ``FitError`` (message for the
        practitioner) if the readings do not determine the quantities.
        """
        return None

    @abstractmethod
    def estimate(self, logs: Sequence[Log], given: Mapping[str, float], choice: Any) -> Fit:
        """Fit the readings: a deterministic, smooth function of them and of ``given`` for one ``choice``.

        Raises ``FitError`` as ``choose`` does.
        """

    def derive(self, parameters: Mapping[str, float], given: Mapping[str, float]) -> dict[str, float]:
        """Return the quantities (SI) from the fitted parameters: a pure formula, repeated for uncertainty.

        Parameters that bear the name of a quantity are that quantity, unless a subclass has a formula to add.
        """
        return {name: value for name, value in parameters.items() if name in self.gives}

    def report(self, logs: Sequence[Log], given: Mapping[str, float], choice: Any, fit: Fit) -> Report:
        """Return figures, tables, notes and warnings of a fit, which ``estimate`` returned for the same inputs."""
        return Report()

    def disowned(
        self, fit: Fit, found: Mapping[str, Form], given: Mapping[str, Form], probability: float
    ) -> dict[str, str]:
        """Return which results do not stand, with the reason, because the test was not what it is taken for.

        ``found`` and ``given`` hold results and scalars with all their uncertainty, SI.
        """
        return {}

    def friction_line(self, fit: Fit) -> FrictionLine | None:
        """Return where the straight line of friction of a fit stands, ``None`` without one."""
        return None

    def with_controller_loss(self, log: Log) -> frozenset[str]:
        """Return which quantities hold part of a controller's loss, because it stood within the power measured."""
        return frozenset()

    def stands_alone(self, log: Log, beside: Sequence[Log]) -> bool:
        """Tell whether a log of a procedure that ``combines_by_label`` is a whole run, to be joined with no other.

        ``beside`` are the other logs of the same label, or without one as it is.
        """
        return False

    def lacks(self, logs: Sequence[Log], known: Collection[str]) -> Sequence[Lack]:
        """Return what the logs of one run cannot give, told from the names of their columns and from their conditions.

        The check says it before anything is fitted, so no reading counts here. ``known`` names what ``given`` may hold:
        the quantities that other tests give, and what the unit's file states (``nameplate_*``, ``ambient_*``).
        """
        return [
            Lack(not_stated(condition), column=condition.or_column)
            for condition in self.conditions
            if condition.or_column
            and any(condition.name not in log.conditions and condition.or_column not in log for log in logs)
        ]

    def sampled(self) -> bool:
        """Tell whether a log of the procedure has a row at every sample, not only where a level changes."""
        return self.long_logs_only or not self.reduced_columns

    def columns(self) -> tuple[str, ...]:
        """Return every column this procedure can use."""
        flat: list[str] = []
        for item in self.required_columns:
            flat.extend((item,) if isinstance(item, str) else item)
        return tuple(dict.fromkeys([*flat, *self.optional_columns]))

    def reducer(self, conditions: Mapping[str, float]) -> Reducer | None:
        """Return a reducer for one log with these conditions (SI), or ``None``: the log is kept as it is.

        With a reducer the log is read in pieces, and ``fit`` gets ``reduced_columns`` instead of raw ones.
        """
        return None

    def bench(self, situation: Situation) -> BenchSheet:
        """Return the facts of this procedure's bench sheet: those of ``_bench/<module>.py``, else the general ones."""
        found: BenchSheet = self._sheet().bench(situation)
        return found

    def ideal_logs(self, machine: Machine) -> list[Log]:
        """Return what an ideal ``machine`` would give in this test; nothing where the sheet's module makes no logs."""
        logs: list[Log] = getattr(self._sheet(), "ideal_logs", lambda _: [])(machine)
        return logs

    def makes_ideal_logs(self) -> bool:
        """Tell whether the test can be played through on an ideal machine at all (see ``ideal_logs``)."""
        return hasattr(self._sheet(), "ideal_logs")

    def _sheet(self) -> ModuleType:
        name = f"{__package__}._bench.{type(self).__module__.rpartition('.')[2]}"
        try:
            return importlib.import_module(name)
        except ModuleNotFoundError as error:
            if error.name != name:
                raise
            return importlib.import_module(f"{__package__}._bench._general")

    def suspects(self, columns: Mapping[str, np.ndarray]) -> Sequence[Suspect]:
        """Return single readings to warn of, by a rule that their messages state; reading adds file and line."""
        return ()

    def reached(self, log: Log, column: str, given: Mapping[str, float]) -> float | None:
        """Return the largest reading of a column without its sign, in its canonical meaning; ``None`` without one.

        ``given`` holds scalars in SI, as for ``choose``.
        """
        return float(np.abs(log[column]).max()) if column in log else None

    def source_column(self, column: str) -> str | None:
        """Return the raw column whose instrument error a column of the log carries, ``None`` for a mere count."""
        return self.reduced_columns.get(column, column) or None

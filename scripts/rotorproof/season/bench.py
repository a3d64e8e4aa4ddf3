"""Is the bench still right? The check standard, a motor on the shelf that is measured each bench day, tells.

Its constants do not change, so what changes is the bench (NIST/SEMATECH e-Handbook, 2.2.2 and 2.3.5: check standards
and control of bias and long-term variability). Limits come from its own first days; beside them stands what the stated
accuracies of the instruments alone would allow. Which instrument fits a departure is found by least squares over all
constants, from the sensitivities that each fit keeps for its budgets.
"""

from __future__ import annotations

import datetime
import math
import re
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from ..quantities import key_quantities
from ..settings.unit import Accuracies
from ..uncertainty.coverage import interval
from ..uncertainty.forms import Form, Influence
from .charts import Scatter, limits, moving_average, moving_average_spread, prediction_factor, scatter

#: Days from which the limits are made. Fewer make the limits so wide that they see little.
BASELINE = 12
#: Below this probability a cause does not explain what is left over.
_UNLIKELY = 0.01
#: Two causes whose sums of squares differ by less cannot be told apart (95 % point of chi-square, one degree).
_TOLD_APART = 3.84
#: How far a shift may differ from its share of a cause's pattern: a drift need not have the shape of the stated
#: accuracy, a gain may drift where the statement has an offset too (common practice, no source).
_SHAPE = 0.1
#: Two constants are one where their ratio or product moves by less than this share of what each moves by.
_SAME = 0.02
#: Drag is charted by both of its constants; of the others those by which units are compared.
_ALSO = ("coulomb_friction", "viscous_friction")

#: The names that ``fitting.assign`` gives to errors of instruments.
_NAME = re.compile(
    r"instrument/(?:(?P<serial>.+)/(?:\d{4}-\d\d-\d\d)?|[^/]+/(?P<key>[^/]+))/"
    rf"(?P<kind>{'|'.join(Accuracies.model_fields)})(?:/|$)"
)

#: *Not measured*: the standard was on the bench, and nothing that is charted came of it.
State = Literal["learning", "not measured", "in control", "out of control"]


@dataclass(frozen=True)
class BenchDay:
    """The check standard as measured on one day: values in SI, and the forms behind them where its fit is at hand.

    Both by ``quantity/procedure``: what several tests give is charted test by test, since each reads other instruments,
    and a value adjusted from all of them would hide which one moved.
    """

    unit: str
    day: datetime.date
    values: Mapping[str, float]
    forms: Mapping[str, Form] = field(default_factory=dict)
    #: Serial numbers of the instruments it was measured with.
    instruments: frozenset[str] = frozenset()


@dataclass(frozen=True)
class Chart:
    """One constant by one test over the days that have it, in SI; arrays ``(n,)`` belong to ``days``."""

    #: ``quantity/procedure``, as a ``BenchDay`` names it.
    quantity: str
    days: Sequence[datetime.date]
    values: np.ndarray
    history: Scatter
    low: float
    high: float
    averages: np.ndarray
    average_half: np.ndarray
    #: Half-width that the stated accuracies allow (95 %), ``None`` where no day's fit is at hand.
    stated_half: float | None
    beyond: Sequence[bool]
    average_beyond: Sequence[bool]

    def departs(self, day: datetime.date) -> bool:
        """Tell whether the value of a day, or the average up to it, lies beyond its limits."""
        place = self.days.index(day) if day in self.days else None
        return place is not None and bool(self.beyond[place] or self.average_beyond[place])


@dataclass(frozen=True)
class Cause:
    """An instrument whose error would shift the constants as they did, and how well: sum of squares left over."""

    name: str
    amount: float  # in its stated accuracy (half-width of a rectangle)
    chi_square: float
    degrees_of_freedom: int
    probability: float
    share: float  # of the departure's sum of squares that it explains

    @property
    def explains(self) -> bool:
        """Tell whether what it leaves over is chance."""
        return self.probability >= _UNLIKELY


@dataclass(frozen=True)
class Judgement:
    """What one day says: its state, the constants that depart, and the causes that fit, the best first."""

    day: datetime.date
    unit: str
    state: State
    departed: Sequence[str] = ()
    #: Of those, the ones beyond what the stated accuracies allow.
    beyond_stated: Sequence[str] = ()
    causes: Sequence[Cause] = ()
    #: The causes that explain the departure and that it cannot tell apart.
    suspects: Sequence[str] = ()


@dataclass(frozen=True)
class Standard:
    """A check standard: its charts and its days."""

    model: str
    serial: str
    charts: Sequence[Chart]
    days: Sequence[Judgement]
    instruments: frozenset[str]

    def doubt(self, day: datetime.date) -> Judgement | None:
        """Return the day out of control that puts a measurement of ``day`` in doubt, ``None`` if there is none.

        A measurement is sound if the standard was in control on its day. Else it lies between two days of the
        standard: the one that was out of control, before or after, puts it in doubt. Days on which nothing that is
        charted was measured say nothing, of themselves or of others.
        """
        telling = [one for one in self.days if one.state != "not measured"]
        own = [one for one in telling if one.day == day]
        if own:
            return own[-1] if own[-1].state == "out of control" else None
        before = [one for one in telling if one.day < day]
        after = [one for one in telling if one.day > day]
        for one in (*after[:1], *before[-1:]):
            if one.state == "out of control":
                return one
        return None


def judge(model: str, serial: str, history: Sequence[BenchDay]) -> Standard:
    """Return charts and judgements of a standard from its days, in whatever order they come.

    Of several measurements on one day the last by name counts.
    """
    by_day = {one.day: one for one in sorted(history, key=lambda one: (one.day, one.unit))}
    days = [by_day[day] for day in sorted(by_day)]
    charted = list(dict.fromkeys((*key_quantities(), *_ALSO)))
    known = dict.fromkeys(name for one in days for name in one.values if quantity_of(name) in charted)
    names = sorted(known, key=lambda name: (charted.index(quantity_of(name)), name))
    names = [name for name in names if sum(name in one.values for one in days) > BASELINE]
    names = _telling(names, days)
    charts = [_chart(name, days, len(names)) for name in names]
    judged = [_judgement(one, place, days, charts) for place, one in enumerate(days)]
    used = frozenset[str]().union(*(one.instruments for one in days))
    return Standard(model, serial, charts, judged, used)


def quantity_of(name: str) -> str:
    """Return the quantity of a name that a chart has."""
    return name.partition("/")[0]


def _telling(names: Sequence[str], days: Sequence[BenchDay]) -> list[str]:
    """Leave out constants that repeat another, as its multiple or its reciprocal, and those that never move."""
    kept: list[str] = []
    for name in names:
        own = [(place, one.values[name]) for place, one in enumerate(days) if name in one.values]
        values = np.array([value for _, value in own])
        if np.ptp(values[:BASELINE]) == 0:
            continue
        twin = False
        for other in kept:
            others = np.array([days[place].values.get(other, math.nan) for place, _ in own])
            for same in (values / others, values * others):
                # What differs by the rounding of the results alone is the same.
                twin = twin or bool(np.ptp(same) * abs(values[0]) <= _SAME * abs(same[0]) * np.ptp(values))
        if not twin:
            kept.append(name)
    return kept


def _chart(name: str, days: Sequence[BenchDay], together: int) -> Chart:
    having = [one for one in days if name in one.values]
    values = np.array([one.values[name] for one in having])
    history = scatter(values[:BASELINE])
    # Days cannot scatter less than the readings of one day do; a few days may look as if they did. Later days have no
    # say: one that is noisy because the bench is faulty would hide what the days before it showed.
    own = [one.forms[name] for one in having[:BASELINE] if name in one.forms]
    within = max((_own_scatter(form).standard_uncertainty for form in own), default=0.0)
    history = replace(history, standard_deviation=max(history.standard_deviation, within))
    factor = prediction_factor(history, together)
    # A day to come scatters about a mean that is itself uncertain.
    mean_share = 1.0 / history.count
    low, high = limits(history.mean, history.standard_deviation, factor * math.sqrt(1.0 + mean_share))
    # The average begins where the limits were made: the days behind them are in the mean.
    averages = np.full(len(values), history.mean)
    averages[BASELINE:] = moving_average(values[BASELINE:], history.mean)
    counts = np.arange(1, len(values) - BASELINE + 1)
    half = np.zeros(len(values))
    spread = moving_average_spread(counts) ** 2 + mean_share
    half[BASELINE:] = factor * history.standard_deviation * np.sqrt(spread)
    beyond = [place >= BASELINE and not low <= value <= high for place, value in enumerate(values)]
    average_beyond = [
        place >= BASELINE and abs(averages[place] - history.mean) > half[place] for place in range(len(values))
    ]
    return Chart(
        name,
        [one.day for one in having],
        values,
        history,
        low,
        high,
        averages,
        half,
        _stated_half(name, having),
        beyond,
        average_beyond,
    )


def _stated_half(name: str, days: Sequence[BenchDay]) -> float | None:
    """Return what errors of instruments within their stated accuracies can move a constant by (95 %)."""
    forms = [one.forms[name] for one in days if name in one.forms]
    if not forms:
        return None
    own = Form(0.0, {i: c for i, c in forms[-1].terms.items() if i.name.startswith("instrument/")})
    return interval(own).expanded_uncertainty if own.terms else None


def _judgement(one: BenchDay, place: int, days: Sequence[BenchDay], charts: Sequence[Chart]) -> Judgement:
    if place < BASELINE or not charts:
        return Judgement(one.day, one.unit, "learning")
    places = [chart.days.index(one.day) for chart in charts if one.day in chart.days]
    if not places:
        return Judgement(one.day, one.unit, "not measured")
    if max(places) < BASELINE:
        return Judgement(one.day, one.unit, "learning")
    departed = [chart.quantity for chart in charts if chart.departs(one.day)]
    if not departed:
        return Judgement(one.day, one.unit, "in control")
    far = [
        chart.quantity
        for chart in charts
        if chart.quantity in departed
        and chart.stated_half is not None
        and abs(_departure(chart, one.day, False)) > chart.stated_half
    ]
    causes = _causes(one, days, charts)
    return Judgement(one.day, one.unit, "out of control", departed, far, causes, _suspects(causes))


def _departure(chart: Chart, day: datetime.date, averaged: bool) -> float:
    place = chart.days.index(day)
    return float((chart.averages if averaged else chart.values)[place] - chart.history.mean)


def _causes(one: BenchDay, days: Sequence[BenchDay], charts: Sequence[Chart]) -> list[Cause]:
    """Return how well each instrument explains the departure of a day, the best first.

    The departures ``d`` of all constants are fitted by ``a s``, where ``s`` are their sensitivities to one instrument's
    error: generalised least squares with the covariance of the standard's own scatter. Its size is that of the charts,
    its correlations those of the fits' scatter.
    """
    source = one if one.forms else next((other for other in reversed(days) if other.forms), None)
    used = [
        chart for chart in charts if one.day in chart.days and source is not None and chart.quantity in source.forms
    ]
    if len(used) < 2 or source is None:
        return []
    # A jump shows in the day itself, a slow drift in the average, which scatters less.
    place = {chart.quantity: chart.days.index(one.day) for chart in used}
    jumped = any(chart.beyond[place[chart.quantity]] for chart in used)
    d = np.array([_departure(chart, one.day, not jumped) for chart in used])
    forms = [source.forms[chart.quantity] for chart in used]
    share = np.array(
        [
            (1.0 if jumped else float(moving_average_spread(place[chart.quantity] - BASELINE + 1)) ** 2)
            + 1.0 / chart.history.count
            for chart in used
        ]
    )
    scale = np.array([chart.history.standard_deviation for chart in used]) * np.sqrt(share)
    scattered = [_own_scatter(form) for form in forms]
    correlation = np.array([[a.correlation(b) for b in scattered] for a in scattered])
    np.fill_diagonal(correlation, 1.0)
    # Correlations near one would make the answer hang on how well the scatter itself is known.
    spread = 0.9 * correlation + 0.1 * np.eye(len(used))
    d = d / scale
    freedom = len(used) - 1
    of_scatter = min(chart.history.degrees_of_freedom for chart in used)
    plain = np.linalg.inv(spread)
    found = []
    for name, sensitivities in _patterns(forms).items():
        s = sensitivities / scale
        if float(s @ plain @ s) <= 1e-12:
            continue
        amount = float(s @ plain @ d) / float(s @ plain @ s)
        weight = np.linalg.inv(spread + np.diag((_SHAPE * amount * s) ** 2))
        amount = float(s @ weight @ d) / float(s @ weight @ s)
        left = d - amount * s
        chi_square = float(left @ weight @ left)
        chance = _chance(chi_square, freedom, of_scatter)
        explained = 1.0 - chi_square / float(d @ weight @ d)
        found.append(Cause(name, amount / math.sqrt(3), chi_square, freedom, chance, explained))
    return sorted(found, key=lambda cause: (cause.chi_square, cause.name))


def _own_scatter(form: Form) -> Form:
    """Return what scatters within a day: what was found from readings, so with degrees of freedom, not assumed."""
    own = (i for i in form.terms if i.name.startswith("scatter/") and math.isfinite(i.degrees_of_freedom))
    return Form(0.0, {i: form.terms[i] for i in own})


def _patterns(forms: Sequence[Form]) -> dict[str, np.ndarray]:
    """Return the sensitivities ``(m,)`` of the constants to one standard uncertainty of each instrument's error.

    An instrument with an input for each column is tried as a whole, all inputs alike, and input by input. Rounding
    does not drift.
    """
    columns: dict[str, dict[Influence, None]] = defaultdict(dict)
    for form in forms:
        for influence in form.terms:
            if influence.name.startswith("instrument/") and "/resolution" not in influence.name:
                columns[_stem(influence)][influence] = None
    found = {}
    for stem, members in columns.items():
        rows = {i: np.array([form.terms.get(i, 0.0) for form in forms]) for i in members}
        found[stem] = np.sum(list(rows.values()), axis=0)
        if len(rows) > 1:
            found |= {f"{stem} ({_last(i)} alone)": row for i, row in rows.items()}
    return found


def _stem(influence: Influence) -> str:
    """Return "scope AL-0102, voltage" for the name "instrument/AL-0102/2026-01-12/voltage/voltage_ab"."""
    match = _NAME.match(influence.name)
    key = influence.source.rpartition(" of ")[2].rpartition(", ")[0]
    if match is None:
        return influence.source.rpartition(" of ")[2]
    serial = match["serial"]
    return f"{key}, {match['kind']}" if serial is None else f"{key} {serial}, {match['kind']}"


def _last(influence: Influence) -> str:
    return influence.name.rpartition("/")[2].replace("_", " ")


def _chance(chi_square: float, freedom: int, of_scatter: float) -> float:
    """Return the probability of a sum of squares as large by chance; the scatter it is held against is an estimate."""
    from scipy.special import fdtrc

    return float(fdtrc(freedom, of_scatter, chi_square / freedom))


def _suspects(causes: Sequence[Cause]) -> list[str]:
    """Return the causes that explain the departure and that it cannot tell apart.

    Where an instrument as a whole is among them, its inputs one by one say no more.
    """
    if not causes or not causes[0].explains:
        return []
    best = causes[0]
    # Where even the best leaves more than chance does, so may the others.
    step = _TOLD_APART * max(1.0, best.chi_square / best.degrees_of_freedom)
    found = [cause.name for cause in causes if cause.explains and cause.chi_square < best.chi_square + step]
    return [name for name in found if not any(name.startswith(f"{other} (") for other in found)]

"""Can the instruments decide a criterion? The tolerance against the expanded uncertainty, before anything is measured.

Only the instruments' stated accuracies enter: scatter comes on top, so a "no" is certain and a "yes" is a hope that the
measurement must confirm. The ratio of tolerance to expanded uncertainty is that of JCGM 106:2012, 7.6.3 (measurement
capability index, there T/(4 u); from memory), here with the expanded uncertainty for the run's coverage probability.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ..columns import COLUMNS
from ..procedures.base import Procedure
from ..procedures.bench import Effect, Expectation
from ..quantities import quantities
from ..settings.acceptance import AcceptanceSet, Criterion
from ..settings.unit import Accuracies, UnitFile
from ..uncertainty.coverage import interval
from ..uncertainty.forms import Form, Influence
from ..uncertainty.result import Result
from ..uncertainty.specification import components
from ..units import parse


@dataclass(frozen=True)
class Capability:
    """What the instruments can say about one criterion, in SI of the quantity.

    ``room`` is half the tolerance (two limits) or the distance from the expected value to the limit (one limit);
    ``ratio`` is ``room`` over ``expanded_uncertainty``. ``None`` where it cannot be told, with the reason in ``words``.
    ``told`` is the answer where it is known without a ratio.
    """

    quantity: str
    minimum: float | None
    maximum: float | None
    room: float | None
    expanded_uncertainty: float | None
    ratio: float | None
    words: str
    told: bool | None = None

    @property
    def decides(self) -> bool | None:
        """Tell whether a unit in the middle of the tolerance could pass; ``None`` where it cannot be told."""
        return self.told if self.ratio is None else self.ratio > 1


def instrument_for(file: UnitFile, procedure: str, column: str) -> tuple[str | None, str]:
    """Return the instrument that reads a column, or ``None`` and why none can be named."""
    kind = COLUMNS[column].kind
    if kind not in Accuracies.model_fields:
        return None, f"no accuracy is stated for a {kind}"
    for test in file.tests:
        if test.procedure == procedure and column in test.instruments:
            key = test.instruments[column]
            stated = getattr(file.instruments[key].accuracy, kind) is not None
            return (key, "") if stated else (None, f"{key} states no accuracy for {kind}")
    candidates = file.instruments_for(kind)
    if len(candidates) == 1:
        return candidates[0], ""
    if not candidates:
        return None, f"no instrument states an accuracy for {kind}"
    return None, f"several instruments could read {column} ({', '.join(candidates)}): name one under the test"


def capability(
    file: UnitFile,
    procedure: Procedure,
    criterion: Criterion,
    effects: Sequence[Effect],
    expectation: Expectation | None,
    probability: float,
    rehearsed: Result | None = None,
    *,
    rate: float | None = None,
) -> Capability:
    """Return what the instruments can say about one criterion.

    ``rehearsed`` is what the procedure's own fit made of ideal readings; it speaks where no ``effects`` are named. What
    is read off a record's clock is told by the ``rate`` (Hz) that the sheet asks for.
    """
    quantity = quantities()[criterion.quantity]
    limits = {
        side: None if getattr(criterion, side) is None else parse(str(getattr(criterion, side)), quantity.kind).value
        for side in ("min", "max")
    }
    low, high = limits["min"], limits["max"]
    name = criterion.quantity
    if not effects:
        if rehearsed is not None:
            return _from_rehearsal(name, low, high, rehearsed, expectation, probability)
        return _by_kind(name, quantity.kind, low, high, rate, _why_not_told(file, procedure))
    value, room = _value_and_room(low, high, expectation)
    form, lacking = _form(file, procedure.name, effects, value)
    if lacking:
        return Capability(name, low, high, room, None, None, "; ".join(lacking))
    half = interval(form, probability).expanded_uncertainty
    if room is None or half == 0:
        fine = 0 < half <= _FINE * abs(value)
        words = "any value further than U from the limit" if fine else _DISTANCE
        return Capability(name, low, high, room, half, None, words, True if fine else None)
    if room == 0:
        words = "the nameplate lets expect a value beyond the limit: check limit and nameplate"
        return Capability(name, low, high, room, half, None, words)
    ratio = room / half
    return Capability(name, low, high, room, half, ratio, _words(form, ratio))


#: Why nothing can be told beforehand, and what to do.
_SCATTER = (
    "the scatter of the readings decides, which the bench alone knows: measure once and see the report's interval"
)
_DISTANCE = "no value to expect is known: after one measurement compare its distance to the limit with U"
_COUNT = "a count comes out exact with any instrument; record long enough to see rare events"
_STEP = "the sample step decides; keep it far below the room, measure once and see the report's interval"
_CLOCK = "the clock of the recorder decides; state its accuracy, measure once and see the report's interval"
#: An uncertainty of this share of a limit leaves nearly every value decided; so does a sample step of it.
_FINE = 0.1
#: What any quartz clock keeps (common practice, no source), and how much wider than that limits must be.
_QUARTZ, _WIDER = 1e-4, 10.0
#: Instruments that use up less of the room than one part in this many do not show in the quantity.
_UNSEEN = 1000.0


def _why_not_told(file: UnitFile, procedure: Procedure) -> str:
    """Return why neither an effect nor a rehearsal tells anything of a quantity, and what to do."""
    once = "measure once and see the report's interval"
    if not procedure.makes_ideal_logs():
        return (
            "the bench sheet states no effect of an instrument on it for this nameplate, and the test is not played "
            f"through beforehand: {once}"
        )
    if file.kind != "motor":
        return f"the test is played through beforehand for a motor alone: {once}"
    entries = ("rated_voltage", "rated_power", "rated_speed", "pole_pairs")
    lacking = [entry.replace("_", " ") for entry in entries if getattr(file.nameplate, entry) is None]
    if lacking:
        return (
            "the test could not be played through to it beforehand, for which the nameplate must state "
            f"{' and '.join(lacking)} too: state that, or {once}"
        )
    return (
        "the test could not be played through to it beforehand: a reading that it takes has no instrument of stated "
        "accuracy, or the ideal readings of this nameplate do not determine it: look at 'instruments' in unit.yaml, or "
        f"{once}"
    )


def _by_kind(
    name: str, kind: str, low: float | None, high: float | None, rate: float | None, otherwise: str
) -> Capability:
    """Return what can be told of a quantity that no instrument's accuracy reaches; ``otherwise`` says why nothing."""
    limits = [abs(limit) for limit in (low, high) if limit is not None]
    least = min(limits)

    def found(words: str, told: bool | None = None) -> Capability:
        return Capability(name, low, high, None, None, None, words, told)

    if kind == "number":
        return found(_COUNT, told=True)
    if kind in ("time", "duration"):
        if rate and 1.0 / rate <= _FINE * least:
            return found(f"at the sample rate above one step is {100 / rate / least:.2g} % of the limit", told=True)
        return found(_STEP)
    if kind == "frequency":
        room = 0.5 * (high - low) if low is not None and high is not None else least
        if room > _WIDER * _QUARTZ * max(limits):
            return found("the limits are far wider than the 0.01 % of any quartz clock (common practice)", told=True)
        return found(_CLOCK)
    return found(otherwise)


def _from_rehearsal(
    name: str,
    low: float | None,
    high: float | None,
    rehearsed: Result,
    expectation: Expectation | None,
    probability: float,
) -> Capability:
    value = rehearsed.value
    if expectation is None or expectation.low is None or expectation.high is None:
        expectation = Expectation(name, value, value, "the test played through with ideal readings")
    _, room = _value_and_room(low, high, expectation)
    half = rehearsed.interval(probability).expanded_uncertainty
    if half == 0 or not rehearsed.form.terms:
        return Capability(name, low, high, room, None, None, _COUNT, told=True)
    if not room:
        words = "the nameplate lets expect a value beyond the limit: check limit and nameplate"
        return Capability(name, low, high, room, half, None, words)
    if room / half > _UNSEEN:
        return Capability(name, low, high, room, None, None, f"the instruments' errors cancel; {_SCATTER}")
    return Capability(name, low, high, room, half, room / half, _words(rehearsed.form, room / half))


def _value_and_room(
    low: float | None, high: float | None, expectation: Expectation | None
) -> tuple[float, float | None]:
    """Return the value to reckon with, and the room between it and the limits."""
    if low is not None and high is not None:
        return 0.5 * (low + high), 0.5 * (high - low)
    limit = low if low is not None else high
    assert limit is not None
    if expectation is None or expectation.low is None or expectation.high is None:
        return limit, None
    # The estimate is coarse; the better end of its range says whether a good unit could pass at all.
    best = max(limit, expectation.high) if low is not None else min(limit, expectation.low)
    return limit, abs(best - limit)


def _form(file: UnitFile, procedure: str, effects: Sequence[Effect], value: float) -> tuple[Form, list[str]]:
    terms: dict[Influence, float] = defaultdict(float)
    lacking = []
    for effect in effects:
        key, why = instrument_for(file, procedure, effect.column)
        if key is None:
            lacking.append(why)
            continue
        kind = COLUMNS[effect.column].kind
        instrument = file.instruments[key]
        used, _ = getattr(instrument.accuracy, kind).range_of(abs(effect.at))
        ambient = file.ambient.temperature
        for component in components(used, None if ambient is None else ambient.value):
            own = component.own or instrument.apart(kind)
            name = f"{key}/{kind}{component.name}{f'/{effect.column}' if own else ''}"
            error = float(component.accuracy.error(np.array([effect.at]))[0])
            influence = Influence(name, f"{component.words} of {key} for {kind}", "rectangular")
            terms[influence] += effect.sensitivity * value * error / effect.at
    return Form(value, dict(terms)), list(dict.fromkeys(lacking))


def _words(form: Form, ratio: float) -> str:
    worst = max(form.terms, key=lambda influence: abs(form.terms[influence]))
    share = form.terms[worst] ** 2 / form.standard_uncertainty**2
    if ratio > 3:
        return "the instruments decide it"
    if ratio > 1:
        return f"a unit well inside the limits passes; near them it stays undecided. The {worst.source} weighs most"
    return f"cannot pass with these instruments: the {worst.source} falls short ({100 * share:.0f} % of the variance)"


def criteria_of(acceptance: AcceptanceSet | None, procedure: Procedure) -> list[Criterion]:
    """Return the criteria that a procedure's own quantities meet."""
    return [c for c in (acceptance.criteria if acceptance else []) if c.quantity in procedure.gives]


def effects_of(effects: Mapping[str, Sequence[Effect]], name: str) -> Sequence[Effect]:
    """Return the effects on a quantity; empty if the sheet names none."""
    return effects.get(name, ())

"""Coast-down: inertia and friction from the speed of a rotor left to itself (retardation method)."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..errors import FitError
from ..physics import coasting
from ..signs import number_text
from ..uncertainty.coverage import interval
from ..uncertainty.forms import Form, propagate
from ._friction_line import BEND, FrictionLine
from .base import (
    Axis,
    Condition,
    Lack,
    Log,
    Need,
    Panel,
    Procedure,
    Quantity,
    Report,
    Series,
    Table,
    drawn,
    electrical_turns,
    in_rpm,
    outside,
    without_pole_pairs,
)
from .fit import Fit

_MOST = 1500  # samples per record that the fit uses; longer records are averaged in blocks
#: A current counts as power if it stands so many standard errors, and so many amperes, from idle (common practice).
_SURE, _IDLE_CURRENT = 6.0, 0.03
#: The shape of the deceleration is doubted beyond its interval of this probability, and beyond this departure.
_CERTAIN, _UNLIKE = 0.999, 0.2
_WINDAGE_Z = 2.6  # standard uncertainties by which the square term must differ from zero (99 %)
#: Label of all parameters: every one rests on the speed readings.
_BY_INERTIA = ("moment_of_inertia", "coulomb_friction", "viscous_friction", "windage")
_NO_PAIRS = (
    "the log holds a voltage instead of a speed, and the pole pairs are not known; state them on the nameplate or add "
    "an open-circuit test"
)
_NO_INERTIA = (
    "a single coast-down gives friction over inertia only; state 'moment_of_inertia', add a second log with a known "
    "'added_inertia', or add a no-load test that gives friction (where the unit has one, it gave none: see there)"
)
_SCATTER = "scatter of the speed readings"
_BENDS = 12  # readings of which a term in the square of speed is asked at least
_COARSE = 13  # mean speeds by which the stretch of counted turns is found
_SPEED = Axis("Speed", "speed", "rpm")
_TIME = Axis("Time", "time", "s")
_PAIRS = ("voltage_ab", "voltage_bc", "voltage_ca")


@dataclass(frozen=True)
class Record:
    """What the fit needs of one log: stretches of time (s) and speed (rad/s), and the inertia added (kg m^2)."""

    times: list[np.ndarray]
    speeds: list[np.ndarray]
    added: float
    time: np.ndarray
    speed: np.ndarray
    parts: tuple[slice, ...]
    #: Moments (s) and angles (rad) of counted turns, where the log holds these; times and speeds are then between them.
    turns: tuple[np.ndarray, np.ndarray] | None = None

    @property
    def begin(self) -> float:
        """Return the moment (s) from which the first stretch counts."""
        return float(self.times[0][0] if self.turns is None else self.turns[0][0])

    def fit(self, *, windage: bool, near: np.ndarray | None = None) -> coasting.Coasted:
        """Return the equation of motion fitted to this record."""
        if self.turns is not None:
            return coasting.fit_turns(*self.turns, near)
        return coasting.fit_coasting(self.times, self.speeds, windage=windage, near=near)


@dataclass(frozen=True)
class Choice:
    """The coasting stretches of each log, whether air drag is told apart, and the ratios from which repeats start.

    ``squared`` are the fits with a term in the square of speed, ``None`` where the readings do not carry it, for the
    reason ``why_not``. Where it is there but does not tell air drag apart, the straight line through it is given.
    """

    parts: tuple[tuple[slice, ...], ...]
    windage: bool
    ratios: tuple[np.ndarray, ...]
    squared: Sequence[coasting.Coasted] | None
    why_not: str


@dataclass(frozen=True)
class Seen:
    """What the report shows: the records, their fits, and the misfit between them over its degrees of freedom.

    ``windage`` tells whether air drag is told apart.
    """

    records: Sequence[Record]
    fitted: Sequence[coasting.Coasted]
    chi_squared: float
    windage: bool


class CoastDown(Procedure):
    """The rotor is driven up, the power cut, and the speed logged until it stands."""

    name = "coast-down"
    title = "Coast-down"
    purpose = "Find friction and moment of inertia from how the rotor slows down by itself."
    unit_kinds = ("motor",)
    required_columns = ("time", ("speed", "angle", *_PAIRS))
    optional_columns = ("supply_current", "current_a", "current_b", "current_c")
    conditions = (
        Condition("moment_of_inertia", "moment_of_inertia", "inertia of everything that turns, if it is known"),
        Condition(
            "added_inertia",
            "moment_of_inertia",
            "known inertia fixed to the rotor in this log; with a second log without it the inertia is found",
        ),
    )
    needs = (
        Need("coulomb_friction", "with the torques of a no-load run the inertia follows from the coast-down"),
        Need("viscous_friction", "as the Coulomb friction"),
        Need("pole_pairs", "speed from the back-EMF, where no speed is logged"),
    )
    gives = (
        "moment_of_inertia",
        "coulomb_friction",
        "viscous_friction",
        "windage",
        "coulomb_deceleration",
        "viscous_decay_rate",
    )
    # fmt: off
    quantities = (
        Quantity(
            "moment_of_inertia", "Moment of inertia", "J", "moment_of_inertia", "kg m^2",
            "moment of inertia of everything that turns with the rotor, wheel included where it was mounted",
            "retardation method, IEC 60034-2-2",
            preferred=("coast-down",),
            key=6,
            least=0.0,
            impossible="added inertia stated for the wrong log, or a rotor that was driven while it should "
            "coast",
        ),
        Quantity(
            "windage", "Windage", "d", "windage", "N m s^2/rad^2",
            "square part of the parabola of least squares through friction torque over speed, evenly over speeds from "
            "15 percent of the highest on: air drag, and what else bends friction as it does",
            "retardation method, IEC 60034-2-2",
            preferred=("coast-down",),
            least=0.0,
        ),
        Quantity(
            "coulomb_deceleration", "Coulomb friction over inertia", "alpha", "angular_acceleration", "rad/s^2",
            "Coulomb friction with iron loss, over the moment of inertia: what a coast-down gives without any other "
            "knowledge",
            "equation of motion; retardation method, IEC 60034-2-2",
            preferred=("coast-down",),
            least=0.0,
            impossible="a rotor that was driven while it should coast, or air drag alone at work",
        ),
        Quantity(
            "viscous_decay_rate", "Viscous friction over inertia", "beta", "frequency", "1/s",
            "viscous friction with iron loss, over the moment of inertia",
            "equation of motion; retardation method, IEC 60034-2-2",
            preferred=("coast-down",),
            least=0.0,
            impossible="a rotor that was driven while it should coast, or air drag alone at work",
        ),
    )
    # fmt: on
    not_covered = (
        "No coast-down of a real rotor with a certified moment of inertia is compared; independent simulators and "
        "closed forms stand in.",
        "Iron loss is part of the friction here, so no check speaks for bearings alone.",
    )
    cautions = (
        "The wheel keeps turning for a long time after the power is cut: do not reach in, and never stop it by hand.",
        "An added disc must be centred, bolted through and guarded before the rotor turns; find the speed it may take.",
        "Set the controller not to brake on release, or disconnect the three phase lines while the rotor turns freely "
        "only if the plug is made for it: an open plug carries the back-EMF.",
        "With a freewheel only the wheel coasts: lock it, or take the result for the wheel alone.",
    )
    minimum_rows = 5
    combines = True
    order = 45
    minutes = 20
    lasts = (0.1, math.inf)  # a wheel does not stop in less

    def lacks(self, logs: Sequence[Log], known: Collection[str]) -> Sequence[Lack]:
        """Return what needs pole pairs that are not known, and what needs an inertia.

        That may be stated, or told by an added one or by torques of other tests.
        """
        if without_pole_pairs(known) and any("speed" not in log and "angle" not in log for log in logs):
            return [Lack(_NO_PAIRS)]
        stated = any("moment_of_inertia" in log.conditions for log in logs)
        told = len({log.conditions.get("added_inertia", 0.0) for log in logs}) > 1
        elsewhere = {"coulomb_friction", "viscous_friction"} <= set(known)
        return [] if stated or told or elsewhere else [Lack(_NO_INERTIA, _BY_INERTIA)]

    def choose(self, logs: Sequence[Log], given: Mapping[str, float]) -> Choice:
        """Find the coasting stretches, and whether the readings tell air drag from viscous friction."""
        records = [_record(log, given) for log in logs]
        _refuse_power(logs, records)
        squared, why_not = None, ""
        if any(r.turns is not None for r in records):
            why_not = "moments of counted turns do not tell air drag from viscous friction"
        elif min(sum(t.size for t in r.times) for r in records) < _BENDS:
            why_not = f"fewer than {_BENDS} readings do not tell air drag from viscous friction"
        else:
            try:
                squared = [r.fit(windage=True) for r in records]
            except FitError as error:
                why_not = str(error)
        windage = squared is not None and _told_apart(squared, records) > 0
        plain = squared or [r.fit(windage=False) for r in records]
        ratios = tuple(f.values for f in plain)
        return Choice(tuple(r.parts for r in records), windage, ratios, squared, why_not)

    def estimate(self, logs: Sequence[Log], given: Mapping[str, float], choice: Choice) -> Fit:
        """Fit the equation of motion to the coasting part of each log and combine them."""
        fit = Fit()
        records = [_record(log, given, parts) for log, parts in zip(logs, choice.parts, strict=True)]
        fitted = [
            r.fit(windage=choice.squared is not None, near=near) for r, near in zip(records, choice.ratios, strict=True)
        ]
        if not choice.windage:
            fit.missing["windage"] = _windage_limit(choice.squared, logs)
        for number, (record, f) in enumerate(zip(records, fitted, strict=True), start=1):
            if record.turns is not None:
                moments, turned = record.turns
                name = f"moments of the turns of record {number}"
                fit.left(name, "s", moments, f, {"angle": turned}, moments, blocks=(_SCATTER,))
                continue
            time, speed = np.concatenate(record.times), np.concatenate(record.speeds)
            fit.left(f"speed of record {number}", "rad/s", speed, f, {"speed": speed}, time, blocks=(_SCATTER,))
        chi_squared = _combined(fitted, records, logs, given, choice.windage, fit=fit)
        fit.seen = Seen(records, fitted, chi_squared, choice.windage)
        return fit

    def friction_line(self, fit: Fit) -> FrictionLine | None:
        """Return where the line stands that is given: the one through the parabola, evenly over speed.

        ``None`` where the readings carry no parabola: what a line fitted to the run itself takes up depends on how long
        the rotor spends at each speed.
        """
        seen = fit.seen
        top = max(float(w.max()) for r in seen.records for w in r.speeds)
        if seen.windage:
            return FrictionLine(0.0, 0.0, top)
        return FrictionLine(*coasting.line_of_square(top), top=top) if BEND in fit.parameters else None

    def report(self, logs: Sequence[Log], given: Mapping[str, float], choice: Choice, fit: Fit) -> Report:
        """Say what air drag and inertia rest on, and show the stretches with their fits."""
        report, seen = Report(), fit.seen
        if choice.squared is None:
            report.notes.append(f"A term in the square of speed was left out: {choice.why_not}.")
        elif _told_apart(choice.squared, seen.records) < 0:
            report.notes.append(
                "Friction rises less and less with speed in this record; the straight line is its mean over the speeds "
                "of the run. A bearing that warms up, or a drive still switched on, looks like this."
            )
        report.notes.append(_inertia_words(logs, given, seen.records, fit))
        report.notes.append(f"Residual standard deviation of the {_spreads(seen)}; serial correlation is allowed for.")
        if given.get("nameplate_freewheel"):
            report.notes.append("The nameplate states a freewheel: the result holds for what turned with the wheel.")
        if seen.chi_squared > 9:
            report.warn(
                f"the coast-downs disagree {np.sqrt(seen.chi_squared):.1f} times more than their scatter explains; the "
                "intervals are widened. Check that temperature, wheel and brake were the same"
            )
        _show(logs, seen, report)
        return report

    def disowned(
        self, fit: Fit, found: Mapping[str, Form], given: Mapping[str, Form], probability: float
    ) -> dict[str, str]:
        """Disown the inertia where the deceleration does not fall with speed as the torques that it rests on do.

        Braking or driving adds a torque that friction does not have: it shows in how the deceleration at the highest
        speed compares with that at a third of it.
        """
        names = ("coulomb_friction", "viscous_friction")
        ours = ("coulomb_deceleration", "viscous_decay_rate")
        if "moment_of_inertia" not in found or set(names) & set(found) or not set(names) <= set(given):
            return {}
        if not set(ours) <= set(found) or "windage" in fit.parameters:
            return {}
        top = max(float(w.max()) for r in fit.seen.records for w in r.speeds)

        def shape(of: Mapping[str, float]) -> dict[str, float]:
            torque, slowing = ([of[a] + of[b] * w for w in (top, top / 3.0)] for a, b in (names, ours))
            return {"shape": slowing[0] / slowing[1] / (torque[0] / torque[1])}

        inputs = {**{n: given[n] for n in names}, **{n: found[n] for n in ours}}
        ratio = propagate(shape, inputs)["shape"]
        if abs(ratio.value - 1.0) < interval(ratio, _CERTAIN).expanded_uncertainty or abs(ratio.value - 1.0) < _UNLIKE:
            return {}
        return {
            "moment_of_inertia": "the rotor looks braked or driven: from full speed to a third of it the deceleration "
            f"changes {number_text(ratio.value, '.2g')} times as much as the friction torque of the other tests does, "
            "more than their uncertainties allow. Let the controller neither brake nor drive on release, and repeat it"
        }

    def derive(self, parameters: Mapping[str, float], given: Mapping[str, float]) -> dict[str, float]:
        """Return the fitted parameters under their public names; ratios from torques where these were fitted."""
        result = {name: value for name, value in parameters.items() if name != BEND}
        inertia = result.get("moment_of_inertia")
        if inertia is not None and "coulomb_friction" in result:
            result["coulomb_deceleration"] = result["coulomb_friction"] / inertia
            result["viscous_decay_rate"] = result["viscous_friction"] / inertia
        return result


def _spreads(seen: Seen) -> str:
    """Return the residual standard deviation of speeds, and that of moments of turns, in words."""
    words = []
    for turns in (False, True):
        pairs = zip(seen.fitted, seen.records, strict=True)
        spread = [f.residual_sd for f, r in pairs if (r.turns is not None) is turns]
        if spread:
            words.append(f"moments {max(spread):.3g} s" if turns else f"speed {in_rpm(max(spread)):.3g} rpm")
    return ", of the ".join(words)


def _of_turns(log: Log, parts: tuple[slice, ...] | None) -> Record:
    """Return the record of a film of the wheel or of a count by hand: moments against turns."""
    time, angle = log["time"], np.abs(log["angle"] - log["angle"][0])
    if np.any(np.diff(angle) <= 0):
        raise FitError(
            f"{log.label}: the angle does not grow from row to row; count turns from the first row on, without going "
            "back to zero"
        )
    middle, speed = 0.5 * (time[1:] + time[:-1]), np.diff(angle) / np.diff(time)
    if parts is None:
        # Over several turns, so that the resolution of the moments does not look like a speed that rises.
        several = -(-speed.size // _COARSE)
        ends = np.arange(0, time.size, several)
        (coarse,) = coasting.coasting_parts(np.diff(angle[ends]) / np.diff(time[ends]))
        parts = (slice(coarse.start * several, coarse.stop * several),)
    part = parts[0]
    moments = slice(part.start, part.stop + 1)
    turns = (time[moments], angle[moments])
    return Record([middle[part]], [speed[part]], log.conditions.get("added_inertia", 0.0), middle, speed, parts, turns)


def _record(log: Log, given: Mapping[str, float], parts: tuple[slice, ...] | None = None) -> Record:
    if "speed" not in log and "angle" in log:
        return _of_turns(log, parts)
    if "speed" in log:
        time, speed = log["time"], np.abs(log["speed"])
        current = log.get("supply_current")
    else:
        electrical = electrical_turns(given)
        if electrical is None:
            raise FitError(_NO_PAIRS)
        turns = [coasting.speed_from_crossings(log["time"], log[name], electrical) for name in _PAIRS if name in log]
        time = np.concatenate([t for t, _ in turns])
        order = np.argsort(time, kind="stable")
        time, speed, current = time[order], np.concatenate([w for _, w in turns])[order], None
    if parts is None:
        powered = None if current is None else _powered(speed, current)
        parts = tuple(coasting.coasting_parts(speed, powered))
    times, speeds = [], []
    for part in parts:
        size = max(1, -(-(part.stop - part.start) // _MOST))
        times.append(_blocks(time[part], size))
        speeds.append(_blocks(speed[part], size))
    return Record(times, speeds, log.conditions.get("added_inertia", 0.0), time, speed, parts)


def _powered(speed: np.ndarray, current: np.ndarray) -> np.ndarray | None:
    """Return where the supply still drives the rotor, as far as its current tells."""
    idle = float(np.median(current[speed <= np.percentile(speed, 5)]))
    driven = float(np.median(current[speed >= 0.97 * speed.max()]))
    return current > 0.5 * (idle + driven) if driven > idle else None


def _refuse_power(logs: Sequence[Log], records: Sequence[Record]) -> None:
    """Raise ``FitError`` where a current tells that the rotor was braked or driven while it should coast."""
    for log, record in zip(logs, records, strict=True):
        for name in ("supply_current", "current_a", "current_b", "current_c"):
            if name not in log or log[name].size != record.speed.size:
                continue
            current = log[name] if name == "supply_current" else np.abs(log[name])
            for part in record.parts:
                away, error = coasting.current_left(current, part)
                if name != "supply_current":
                    # A wave has no scatter to speak of: with the bridge off it is gone, offset and noise are the same.
                    error = float(np.median(current[part][-max(4, (part.stop - part.start) // 10) :])) / 3.0
                if abs(away) > max(_SURE * error, _IDLE_CURRENT):
                    does = "braked" if away < 0 or name != "supply_current" else "driven"
                    far = number_text(away, ".2g")
                    raise FitError(
                        f"the rotor was braked or driven, it did not coast: {name} stands {far} A away from its idle "
                        f"reading while the rotor slows down, as if it were {does}. Let the controller neither brake "
                        "nor give power back on release, or part the phase lines, and repeat the run"
                    )


def _blocks(values: np.ndarray, size: int) -> np.ndarray:
    return values if size == 1 else values[: values.size // size * size].reshape(-1, size).mean(axis=1)


def _told_apart(fitted: Sequence[coasting.Coasted], records: Sequence[Record]) -> int:
    """Return 1 if the term in the square of speed is there and weighs, -1 if it is plainly negative, else 0."""
    from scipy.stats import norm, t

    z = sum(f.values[2] / np.sqrt(f.covariance[2, 2]) for f in fitted) / np.sqrt(len(fitted))
    # A slow error of the speed leaves few degrees of freedom, with which larger z come by chance.
    limit = float(t.isf(norm.sf(_WINDAGE_Z), sum(f.degrees_of_freedom for f in fitted)))
    shares = []
    for f, r in zip(fitted, records, strict=True):
        top = max(float(w.max()) for w in r.speeds)
        shares.append(f.values[2] * top**2 / float(np.polyval(f.values[::-1], top)))
    return int(z > limit and max(shares) > 0.01) - int(z < -limit and min(shares) < -0.05)


def _windage_limit(fitted: Sequence[coasting.Coasted] | None, logs: Sequence[Log]) -> str:
    advice = "coast down from a higher speed, more than once, or take friction at speed from the straight line"
    if fitted is None:
        return f"these readings cannot tell air drag from viscous friction; {advice}"
    delta, u = fitted[0].values[2], float(np.sqrt(fitted[0].covariance[2, 2]))
    inertia = logs[0].conditions.get("moment_of_inertia")
    limit = max(0.0, float(delta)) + 2 * u
    if inertia is not None:
        inertia += logs[0].conditions.get("added_inertia", 0.0)
        text = f"it is below {number_text(limit * inertia, '.2g')} N·m·s²/rad²"
    else:
        text = f"over the inertia it is below {number_text(limit, '.2g')} 1/rad"
    return f"these readings cannot tell air drag from viscous friction ({text}, 95 %); {advice}"


def _combined(
    fitted: Sequence[coasting.Coasted],
    records: Sequence[Record],
    logs: Sequence[Log],
    given: Mapping[str, float],
    windage: bool,
    *,
    fit: Fit,
) -> float:
    """Keep torques where the inertia can be known, ratios otherwise; returns how far the records disagree."""
    line = fitted[0].values.size == 3 and not windage
    beside = (BEND,) if line else ("windage",) if windage else ()
    names = ("coulomb_friction", "viscous_friction", *beside)
    top = max(float(w.max()) for record in records for w in record.speeds)

    def told(found: coasting.Torques) -> coasting.Torques:
        """Return the line through a parabola that does not tell air drag apart, with the bend beside it."""
        return coasting.straight(found, top) if line else found

    added = [record.added for record in records]
    inertia = _stated_inertia(logs)
    if inertia is not None:
        fit.exact("stated inertia", moment_of_inertia=inertia)
        found = told(coasting.pooled(fitted, [inertia + extra for extra in added]))
    elif np.ptp(added) > 0:
        names = ("moment_of_inertia", *names)
        found = told(coasting.from_added_inertia(fitted, added))
    else:
        names = ("coulomb_deceleration", "viscous_decay_rate", *((BEND,) if line else ()))
        found = told(coasting.pooled(fitted, [1.0] * len(fitted)))
        torque, middle = _torque_elsewhere(given, records)
        if torque is None:
            fit.lacking(
                _BY_INERTIA,
                _NO_INERTIA,
            )
            keep = len(names)
            found = replace(found, values=found.values[:keep], covariance=found.covariance[:keep, :keep])
        else:
            # The friction torque measured elsewhere over the deceleration seen here, at mid speed.
            names = (*names, "moment_of_inertia")
            powers = middle ** np.arange(found.values.size) * ([1.0, 1.0, 0.0] if line else 1.0)
            slowing = float(found.values @ powers)
            transform = np.vstack([np.eye(found.values.size)[: len(names) - 1], -torque / slowing**2 * powers])
            values = np.array([*found.values[: len(names) - 1], torque / slowing - records[0].added])
            found = replace(found, values=values, covariance=transform @ found.covariance @ transform.T)
    # Records that agree less than their own scatter allows widen it (Birge).
    covariance = found.covariance * max(1.0, found.chi_squared)
    named = {name: float(v) for name, v in zip(names, found.values, strict=True)}
    fit.block(_SCATTER, named, covariance, found.degrees_of_freedom)
    return found.chi_squared


def _stated_inertia(logs: Sequence[Log]) -> float | None:
    stated = {log.conditions["moment_of_inertia"] for log in logs if "moment_of_inertia" in log.conditions}
    if len(stated) > 1:
        raise FitError("the logs state different moments of inertia; state the rotor's own, the same in each")
    return stated.pop() if stated else None


def _torque_elsewhere(given: Mapping[str, float], records: Sequence[Record]) -> tuple[float | None, float]:
    """Return the friction torque of the other tests at half of the highest speed, and that speed."""
    c, b = given.get("coulomb_friction"), given.get("viscous_friction")
    middle = 0.5 * max(float(w.max()) for r in records for w in r.speeds)
    return (None if c is None or b is None else c + b * middle), middle


def _inertia_words(logs: Sequence[Log], given: Mapping[str, float], records: Sequence[Record], fit: Fit) -> str:
    if _stated_inertia(logs) is not None:
        inertia = fit.parameters["moment_of_inertia"]
        return f"Moment of inertia {number_text(inertia, '.4g')} kg·m² as stated, not measured."
    if "coulomb_friction" in fit.parameters:
        return "Inertia from the coast-downs with and without the added inertia, friction the same in all."
    torque, middle = _torque_elsewhere(given, records)
    if torque is None:
        return "Only ratios of friction to inertia could be fitted, since the inertia is not known."
    return (
        f"Moment of inertia from the friction torque of the other tests, {number_text(torque, '.4g')} N·m at "
        f"{in_rpm(middle):.0f} rpm, over the deceleration seen here; both hold the iron loss."
    )


def _show(logs: Sequence[Log], seen: Seen, report: Report) -> None:
    series, residuals, rows = [], [], []
    for order, (log, record, f) in enumerate(zip(logs, seen.records, seen.fitted, strict=True), start=1):
        label = log.label if len(logs) == 1 else f"{log.label} {order}"
        out = outside(record.time.size, record.parts, 400)
        series.append(Series("left out", record.time[out], record.speed[out], "left out"))
        position = 0
        for number, (t, w, w0) in enumerate(zip(record.times, record.speeds, f.starts, strict=True)):
            delta = float(f.values[2]) if f.values.size > 2 else 0.0
            begin = record.begin if number == 0 else float(t[0])
            curve = coasting.speed_after(t - begin, float(w0), float(f.values[0]), float(f.values[1]), delta)
            mark = f" ({number + 1})" if len(record.times) > 1 else ""
            seen_at = drawn(t.size, 400)
            series.append(Series(f"{label}{mark}", t[seen_at], w[seen_at]))
            series.append(Series(f"{label}{mark}: fit", t, curve, "fit"))
            residual = f.residuals[position : position + t.size] if record.turns is None else w - curve
            residuals.append(Series(f"{label}{mark}", t[seen_at], residual[seen_at]))
            position += t.size
            numbers = (float(t[0]), float(t[-1]), in_rpm(w[0]), in_rpm(w[-1]), record.added)
            rows.append([f"{label}{mark}", *(number_text(v, ".4g") for v in numbers)])
    report.panels.append(
        Panel(
            "coast-down",
            "Speed after the power was cut",
            _TIME,
            _SPEED,
            series,
            "The coasting part and the solution of the equation of motion; the drive-up and the last turns, where the "
            "rotor sticks, are left out. A trend in the residuals means that friction changed during the run.",
            residuals=residuals,
            residual_axis=Axis("Residual", "speed", "rpm"),
        )
    )
    report.tables.append(
        Table(
            "Coasting parts used",
            ("record", "from / s", "to / s", "from / rpm", "to / rpm", "added inertia / kg·m²"),
            rows,
        )
    )


PROCEDURE = CoastDown()

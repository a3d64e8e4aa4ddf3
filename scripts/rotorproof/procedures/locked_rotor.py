"""Locked rotor: torque against current at standstill, and the current at which the iron saturates."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ..columns import COLUMNS, titles
from ..errors import FitError
from ..physics import stall
from ..physics.hall import SENSORS
from ..physics.magnets import emf_share
from . import _bridge_cost, _magnets
from .assumption import COMMUTATION_LEAD, EMF_SHAPE, MAGNET_COEFFICIENT
from .base import Axis, Condition, Log, Need, Panel, Procedure, Quantity, Report, Series
from .fit import Fit

_LINE_PAIRS = ("current_ab", "current_bc", "current_ca")
_PHASES = ("current_a", "current_b", "current_c")
_POSITIONS = ("mean", "peak")
_FEEDS = ("supply", "controller")
_ALL_PHASES = "all phases"
_SUPPLY = "Supply current"
_NOTHING = 0.05  # of the largest current: a line with less carries none
#: What another shape of bend does to a mark beyond the readings, as a share of the way beyond (common practice).
_EXTRAPOLATED = 0.3
#: By how much (K) the test itself warms the magnets, in the middle of what it can: 20 A through 0.2 ohm for 5 s at each
#: of 20 readings are 8 kJ, and a hub motor of 4 kg of iron and copper, 0.45 kJ/(kg K), warms by 4 to 5 K if it keeps
#: all (specific heat from memory; the motor is common practice, no source).
_WARMED = 2.5
_PLACEMENTS = tuple(f"hall_placement_{s}" for s in SENSORS)


@dataclass(frozen=True)
class Choice:
    """The column of the motor's current, the rotor position of each reading, and the fit that repeats start from."""

    column: str
    position: np.ndarray
    first: stall.StallFit


class LockedRotor(Procedure):
    """The rotor is held by a lever on a load cell while direct current flows through two lines."""

    name = "locked-rotor"
    title = "Locked-rotor torque"
    purpose = "Find torque per ampere directly, and the current at which it begins to fall."
    unit_kinds = ("motor", "drive")
    required_columns = (("torque", "force"), (*_LINE_PAIRS, *_PHASES, "supply_current", "current_q"))
    optional_columns = ("angle", "duty")
    conditions = (
        _magnets.CONDITION,
        _bridge_cost.CONDITION,
        Condition("lever_arm", "length", "length of the lever from the axis to the load cell, where force is logged"),
        Condition(
            "rotor_position",
            "number",
            "'peak': the rotor was turned to where torque is greatest; 'mean': the readings are averages over the "
            "positions of one commutation step",
            choices=_POSITIONS,
        ),
        Condition(
            "fed_by",
            "number",
            "what fed the motor: 'supply' (connected to two lines directly) or 'controller' (its sensors choose the "
            "lines); a logged duty or the condition 'drive' says controller too",
            choices=_FEEDS,
        ),
    )
    assumptions = (MAGNET_COEFFICIENT, COMMUTATION_LEAD, *EMF_SHAPE)
    needs = (
        Need("emf_constant_dc", "comparison, and the wave's mean where torque was read at its peak"),
        Need("emf_constant_peak", "the wave's mean where torque was read at its peak"),
        Need("emf_harmonic_5", "what steps between late sensors take from the wave's mean", part="motor"),
        Need("emf_harmonic_7", "what steps between late sensors take from the wave's mean", part="motor"),
        Need("hall_offset", "where the steps begin and end", part="motor"),
        *(Need(name, "where each step begins and ends", part="motor") for name in _PLACEMENTS),
    )
    gives = (
        "torque_constant",
        "torque_constant_q",
        "saturation_current",
        "saturation_sharpness",
        "torque_droop",
        "droop_current",
    )
    # fmt: off
    quantities = (
        Quantity(
            "saturation_current", "Saturation current", "I_s", "current", "A",
            "current at which torque per ampere, offset removed, has fallen by 10 % of its value at small current",
            "definition",
            least=0.0,
        ),
        Quantity(
            "torque_droop", "Fall of torque per ampere", "d_T", "ratio", "percent",
            "share by which torque per ampere at the highest current of the test lies below its value at small current",
            "definition",
            most=1.0,
        ),
        Quantity(
            "droop_current", "Current of that fall", "I_d", "current", "A",
            "highest current of the locked-rotor test",
            "definition",
            of_test=True,
            least=0.0,
        ),
        Quantity(
            "saturation_sharpness", "Sharpness of the saturation", "n_s", "number", "1",
            "n of the bend of torque per ampere, (1 + (I/I_k)^n)^(-1/n) of its value at small current: 1 bends all the "
            "way, 8 keeps straight up to a knee",
            "definition",
            least=0.0,
        ),
    )
    # fmt: on
    not_covered = (
        "The shape of saturation is a convention; it is compared with two other shapes, not with a measured motor.",
    )
    cautions = (
        "At standstill nothing cools the winding and one phase pair carries all the current: a few seconds per "
        "reading, and watch the winding temperature.",
        "The lever stores force: fix its end so that it can neither slip off nor swing when the current is cut.",
        "A lithium pack delivers many times the rated current into a standing motor: use a supply with a current "
        "limit.",
    )
    minimum_rows = 5
    order = 55
    minutes = 45
    time_ordered = False

    def choose(self, logs: Sequence[Log], given: Mapping[str, float]) -> Choice:
        """Find the current, the rotor positions, whether the iron saturates, and the readings that tell it."""
        log = logs[0]
        if "duty" in log and _fed_by(log) == "supply":
            raise FitError(
                "the condition 'fed_by' says that the supply fed two lines directly, and the log holds a duty, which "
                "only a controller has; correct 'fed_by' or leave out 'duty'"
            )
        column = _chosen(log, given)
        position = _positions(log)
        return Choice(column, position, stall.fit_stall(_current(log, column)[0], _torque(log), position))

    def estimate(self, logs: Sequence[Log], given: Mapping[str, float], choice: Choice) -> Fit:
        """Fit torque over current with odd powers, one slope and offset per rotor position."""
        log, first, fit = logs[0], choice.first, Fit()
        current, name, _ = _current(log, choice.column)
        torque = _torque(log)
        fitted = stall.fit_stall(current, torque, choice.position, first)
        slope, spread = _mean_slope(fitted)
        if slope < 0:
            raise FitError("torque falls as the current rises; check the signs of torque and current")
        factor = _wave_mean(log, given, choice.position, name)
        freedom = fitted.estimates.degrees_of_freedom
        if factor is None:
            fit.missing[name] = (
                "torque was read at its peak over the rotor's position, and the wave's mean is not known; add an "
                "open-circuit test, or average over the positions of one commutation step"
            )
        else:
            fit.block("scatter of torque over current", {name: slope * factor}, spread * factor**2, freedom)
            _doubt(fit, f"{name}/shape", first.doubt[0] * factor)
            _steps(log, given, choice.position, name, fit)
        reach = float(np.max(np.abs(current)))
        stood = _magnets.magnets(log, given, warmed=_WARMED)
        fit.exact("temperature of the magnets", magnets=float(stood.temperature[0]))
        stood.doubt(fit)
        fit.exact("highest current of the test", droop_current=reach)
        if fitted.bend is None:
            missing = (
                f"up to {reach:.3g} A torque per ampere does not fall measurably; the iron saturates above that, if at "
                "all in use"
            )
            _not_placed(fit, missing, stall.fall(current, torque, choice.position, fitted))
        elif not first.placed:
            missing = (
                f"up to {reach:.3g} A torque per ampere falls, yet too little to tell at which current it will have "
                "fallen by 10 %; go on to higher currents, a second or two at each"
            )
            _not_placed(fit, missing, stall.fall(current, torque, choice.position, fitted))
        else:
            mark, sharpness = (float(value) for value in fitted.bend)
            values = {"saturation_current": mark, "saturation_sharpness": sharpness}
            fit.block(
                "scatter of the bend of torque over current", values, fitted.estimates.covariance[-2:, -2:], freedom
            )
            _doubt(fit, "saturation_current/shape", first.doubt[1] + _EXTRAPOLATED * max(mark - reach, 0.0))
        used = fitted.used
        regressors = {"current": current[used], "position": choice.position[used].astype(float)}
        # All of them rest on torque over current; the temperature of the magnets and the current reached do not.
        rests = [block.label for block in fit.blocks if block.label.startswith("scatter of ")]
        fit.left("torque over current", "N m", torque[used], fitted.estimates, regressors, blocks=rests)
        fit.seen = fitted
        return fit

    def report(self, logs: Sequence[Log], given: Mapping[str, float], choice: Choice, fit: Fit) -> Report:
        """Say which current was taken and what the slope means, and show torque over current."""
        log, report, fitted = logs[0], Report(), fit.seen
        current, name, what = _current(log, choice.column)
        report.notes.append(_which(log, choice.column))
        if what == _SUPPLY and _fed_by(log) != "supply":
            report.warn(
                "the supply current is taken for the current through two lines, which holds only for a supply "
                "connected to them directly; with a controller between, it is smaller by the duty ratio and torque "
                "per ampere comes out many times too high: log 'duty' or a phase current, or state 'fed_by: supply'",
                "supply_current",
            )
        if "angle" in log:
            report.notes.append(f"{choice.position.max() + 1} rotor positions told apart by the angle.")
        slope, _ = _mean_slope(fitted)
        factor = _wave_mean(log, given, choice.position, name)
        if name == "torque_constant" and choice.position.max() == 0 and "rotor_position" not in log.conditions:
            report.warn(
                "the rotor position is not stated; the readings are taken as averages over a commutation step. At one "
                "position torque per ampere can differ by a tenth: state 'rotor_position: peak' or 'mean', or log "
                "'angle'"
            )
        if factor not in (None, 1.0):
            report.notes.append(
                f"Read at the peak; times {factor:.4f}, the mean over the peak of the open-circuit wave."
            )
        emf = given.get("emf_constant_dc")
        stood = _magnets.magnets(log, given, warmed=_WARMED)
        report.notes.append(stood.words)
        if emf and name == "torque_constant" and factor is not None:
            constant = self.derive(fit.parameters, given)[name]
            report.notes.append(
                f"Torque constant over back-EMF constant (DC): {constant / emf:.4f}; 1 by the power balance."
            )
        report.notes += _step_words(fit, given)
        peak = given.get("emf_constant_peak")
        if name == "torque_constant_q" and peak and 1.3 < slope / (np.sqrt(0.75) * peak) < 1.53:
            report.warn(
                f"torque per ampere of current_q is {slope / (np.sqrt(0.75) * peak):.2f} times that of the "
                "back-EMF, as if the column held the RMS of the phase current: it is to hold its peak, so "
                "multiply it by the square root of 2 ('scale' in the layout) if your drive shows RMS",
                "current_q",
            )
        reach = float(np.max(np.abs(current)))
        report.notes.append(f"{current.size} readings up to {reach:.3g} A.")
        if choice.first.placed and fitted.bend is not None and fitted.bend[0] > reach:
            report.notes.append(
                f"The saturation current is extrapolated by a factor of {fitted.bend[0] / reach:.2f}: no reading went "
                "so far, and another shape of bend would put it elsewhere."
            )
        report.panels.append(_panel(fitted, current, _torque(log), choice.position, what))
        return report

    def derive(self, parameters: Mapping[str, float], given: Mapping[str, float]) -> dict[str, float]:
        """Return the fitted parameters, with what the choice of shape adds to them (nothing but doubt)."""
        result = super().derive(parameters, given)
        for name in result:
            result[name] += parameters.get(f"{name}/shape", 0.0)
        # Warm magnets make less torque: the constants are those at their reference.
        left = emf_share(parameters["magnets"] + parameters["magnets/doubt"], given["magnet_coefficient"])
        if "by_steps" in parameters:
            result["torque_constant"] *= 1.0 + parameters["by_steps"] * (1.0 / _step_share(given) - 1.0)
        for name in ("torque_constant", "torque_constant_q"):
            if name in result:
                result[name] = result[name] / left
        if "saturation_current" in result:
            bend = result["saturation_current"], result["saturation_sharpness"]
            result["torque_droop"] = float(1.0 - stall.share_left(result["droop_current"], *bend))
        return result


def _chosen(log: Log, given: Mapping[str, float]) -> str:
    """Return the column of the motor's current: q axis, line pair, phase, supply, the first of these in the log.

    Of several line pairs or phases it is the one that carries the current; ``_ALL_PHASES`` where a field-oriented drive
    feeds all three. Raises ``FitError`` where several carry it in a way that is no direct current through two lines.
    """
    if "current_q" in log:
        return "current_q"
    if "drive" in log.conditions and _bridge_cost.field_oriented(log, given):
        if sum(name in log for name in _PHASES) < 2:
            raise FitError(
                "a field-oriented drive takes a supply current that says nothing of the motor's at standstill; log "
                "current_q, or the current of two phases at least"
            )
        return _ALL_PHASES
    size = {name: float(np.sqrt(np.mean(log[name] ** 2))) for name in _LINE_PAIRS if name in log}
    pairs = sorted(size, key=lambda name: -size[name])
    if pairs:
        if len(pairs) > 1 and size[pairs[1]] > _NOTHING * size[pairs[0]]:
            raise FitError(
                f"{pairs[0]} and {pairs[1]} both hold a current, and torque belongs to one pair of lines at a time; "
                "give each pair a log of its own, or leave out the column that was not fed"
            )
        return pairs[0]
    return _of_phases(log, given) if any(name in log for name in _PHASES) else "supply_current"


def _of_phases(log: Log, given: Mapping[str, float]) -> str:
    size = {name: float(np.sqrt(np.mean(log[name] ** 2))) for name in _PHASES if name in log}
    phases = sorted(size, key=lambda name: -size[name])
    if len(phases) > 1:
        # Two lines carry the same current, one way and the other; the third carries none.
        rest = log[phases[0]] + log[phases[1]]
        third = max(float(np.sqrt(np.mean(rest**2))), *(size[name] for name in phases[2:]), 0.0)
        if third > _NOTHING * size[phases[0]]:
            if len(phases) == 2 and size[phases[1]] <= _NOTHING * size[phases[0]]:
                return phases[0]  # the line that brings it back was not logged
            if _bridge_cost.field_oriented(log, given):
                return _ALL_PHASES
            raise FitError(
                "the current flows through all three lines, so it is not the direct current through two that torque "
                "per ampere is defined by; feed two lines, or log current_q (its peak in the rotor frame) of a "
                "field-oriented drive"
            )
        return sorted(phases[:2])[0]
    return phases[0]


def _which(log: Log, chosen: str) -> str:
    """Return which current was taken, of what kind it is, and which others the log holds."""
    if chosen == _ALL_PHASES:
        return (
            "Current taken: the length of the space vector of the phase currents, which a field-oriented drive holds."
        )
    kind = COLUMNS[chosen].meaning
    if chosen in _PHASES:
        kind = "direct current at standstill, in by one line and out by another"
    others = [name for name in (*_LINE_PAIRS, *_PHASES, "supply_current") if name in log and name != chosen]
    beside = f"; not used: {titles(others)}" if others else ""
    return f"Current taken: {COLUMNS[chosen].title} ({kind}){beside}."


def _current(log: Log, chosen: str) -> tuple[np.ndarray, str, str]:
    """Return the motor's current (A), the quantity its slope gives, and its name for the figure."""
    if chosen == "current_q":
        return log["current_q"], "torque_constant_q", "Current, q axis"
    if chosen == _ALL_PHASES:
        phases = [log[name] for name in _PHASES if name in log]
        if len(phases) == 2:  # three lines without a neutral
            phases.append(-phases[0] - phases[1])
        vector = np.sqrt(2 / 3 * np.sum(np.square(phases), axis=0))
        return vector * np.sign(_torque(log)), "torque_constant_q", "Peak of the phase currents"
    if chosen != "supply_current":
        return log[chosen], "torque_constant", "Current through two lines"
    duty = log.get("duty")
    if duty is None:
        return log["supply_current"], "torque_constant", _SUPPLY
    if np.any(duty <= 0):
        raise FitError("the duty is zero in some rows; leave out the rows in which the bridge was off")
    return log["supply_current"] / duty, "torque_constant", "Supply current over duty"


def _torque(log: Log) -> np.ndarray:
    if "torque" in log:
        return log["torque"]
    arm = log.conditions.get("lever_arm")
    if arm is None:
        raise FitError("the log holds a force; state the condition 'lever_arm', from the axis to the load cell")
    return log["force"] * arm


def _positions(log: Log) -> np.ndarray:
    """Return the number of the rotor position of each reading, from 0, told apart by a tenth of a degree."""
    angle = log.get("angle")
    if angle is None:
        return np.zeros(next(iter(log.columns.values())).size, dtype=int)
    order = np.argsort(angle, kind="stable")
    number = np.empty(angle.size, dtype=int)
    number[order] = np.concatenate([[0], np.cumsum(np.diff(angle[order]) > np.deg2rad(0.1))])
    if np.bincount(number).min() < 3:
        raise FitError("some rotor positions have fewer than three readings; take three or more currents at each")
    return number


def _wave_mean(log: Log, given: Mapping[str, float], position: np.ndarray, name: str) -> float | None:
    """Return the factor from the slope read to the mean over a commutation step; ``None`` where it is not known."""
    stated = log.conditions.get("rotor_position")
    if name != "torque_constant" or position.max() > 0 or stated is None or _POSITIONS[int(stated)] == "mean":
        return 1.0
    mean, peak = given.get("emf_constant_dc"), given.get("emf_constant_peak")
    return None if mean is None or peak is None else mean / peak


def _mean_slope(fitted: stall.StallFit) -> tuple[float, float]:
    """Return the mean slope over positions and its variance, with the positions' own spread where there are several."""
    m = fitted.positions
    covariance = fitted.estimates.covariance[m : 2 * m, m : 2 * m]
    scatter = float(covariance.sum()) / m**2
    between = float(np.var(fitted.slopes, ddof=1)) / m if m > 1 else 0.0
    return float(np.mean(fitted.slopes)), max(scatter, between)


def _fed_by(log: Log) -> str:
    """Return what fed the motor, ``supply`` or ``controller``, as far as anything says it, else ""."""
    if "fed_by" in log.conditions:
        return _FEEDS[int(log.conditions["fed_by"])]
    return "controller" if "duty" in log or "drive" in log.conditions else ""


def _sensors_known(given: Mapping[str, float]) -> bool:
    return any(name in given for name in ("hall_offset", *_PLACEMENTS))


def _steps(log: Log, given: Mapping[str, float], position: np.ndarray, name: str, fit: Fit) -> None:
    """Keep ``by_steps``: 1 where torque is the mean over steps that sensors begin and end, none where it is not.

    Sensors switch only where a controller is in the circuit, and only a mean over positions is one over steps. Where
    either may be and nothing says so the value stays, and anything up to what the sensors would take is in doubt.
    """
    stated = log.conditions.get("rotor_position")
    chosen = position.max() > 0 or (stated is not None and _POSITIONS[int(stated)] == "peak")
    fed = _fed_by(log)
    # Without a duty the supply's own current is that of two lines only if it feeds them directly, as the report warns.
    alone = not fed and "supply_current" in log and not any(c in log for c in (*_LINE_PAIRS, *_PHASES))
    if name != "torque_constant" or chosen or fed == "supply" or alone:
        return
    if fed and stated is not None:
        fit.exact("torque averaged over the steps of the sensors", by_steps=1.0)
    elif _sensors_known(given):
        label = "whether sensors chose the positions that torque is averaged over"
        fit.block(label, {"by_steps": 0.0}, 1.0 / 3.0, distribution="rectangular")


def _step_words(fit: Fit, given: Mapping[str, float]) -> list[str]:
    """Say what late sensors take from the mean, where they were measured and take anything."""
    if "by_steps" not in fit.parameters or not _sensors_known(given):
        return []
    lost = f"{100 * (1.0 - _step_share(given)):.2f}"
    if float(lost) == 0:
        return []
    if fit.parameters["by_steps"] == 0:
        return [
            f"Sensors off the best angles as these would take {lost} % from a mean over steps that they begin and "
            "end; nothing says whether a controller fed the motor and torque is such a mean, so nothing is given back "
            "and as much is held as a doubt: state 'fed_by' and 'rotor_position'."
        ]
    return [
        "The steps are taken to begin and end where the sensors switch, as measured: off the best angles they take "
        f"{lost} % from the mean, which is given back."
    ]


def _step_share(given: Mapping[str, float]) -> float:
    """Return what late sensors leave of torque per ampere; where nobody measured them they are somewhere near."""
    late = given.get("hall_offset", given["commutation_lead"])
    placed = [given.get(name, 0.0) for name in _PLACEMENTS]
    return stall.step_share(late, placed, given["emf_harmonic_5"], given["emf_harmonic_7"])


def _not_placed(fit: Fit, why: str, fall: stall.Fall) -> None:
    """Keep the fall at the highest current with its doubt, and say why the saturation current is missing."""
    fit.lacking(("saturation_current", "saturation_sharpness"), why)
    fit.block("scatter of the fall of torque per ampere", {"torque_droop": fall.share}, fall.variance, fall.freedom)
    _doubt(fit, "torque_droop/shape", fall.doubt)


def _doubt(fit: Fit, name: str, half_width: float) -> None:
    """Add an error of mean zero within ``half_width``, from the shape that the bend is given."""
    if half_width > 0:
        fit.block("shape given to the bend", {name: 0.0}, half_width**2 / 3.0, distribution="rectangular")


def _panel(fitted: stall.StallFit, current: np.ndarray, torque: np.ndarray, position: np.ndarray, what: str) -> Panel:
    series, residuals = [], []
    values, m = fitted.estimates.values, fitted.positions
    left_over = np.zeros(current.size)
    left_over[fitted.used] = fitted.estimates.residuals
    for number in range(m):
        here = position == number
        label = "readings" if m == 1 else f"position {number + 1}"
        kept, left = here & fitted.used, here & ~fitted.used
        series.append(Series(label, current[kept], torque[kept]))
        if left.any():
            series.append(Series(f"{label}, far down the bend", current[left], torque[left], "left out"))
        line = np.linspace(float(current[here].min()), float(current[here].max()), 60)
        fit_label = "fit" if m == 1 else f"fit {number + 1}"
        series.append(
            Series(fit_label, line, values[number] + fitted.torque_per_slope(line, values[m + number]), "fit")
        )
        residuals.append(Series(label, current[kept], left_over[kept]))
    return Panel(
        "torque-current",
        "Torque at standstill over current",
        Axis(what, "current", "A"),
        Axis("Torque", "torque", "N m"),
        series,
        "The slope at small current is the torque constant; the curve falls below it where the iron saturates.",
        residuals=residuals,
        residual_axis=Axis("Residual", "torque", "N m"),
    )


PROCEDURE = LockedRotor()

"""Winding inductance: current steps at standstill, or readings of an LCR meter, over the rotor's angle."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Literal

import numpy as np

from ..errors import FitError
from ..physics import inductance
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
    drawn,
    electrical_turns,
    known_pole_pairs,
    line_title,
    stated,
)
from .fit import Fit, Residuals

_PAIRS = ("ab", "bc", "ca")
#: Label of what is fitted over the angle.
_SCATTER = "scatter over the rotor's positions"
_CONVENTION = "d and q told apart by L_d ≤ L_q, as magnets on or in the rotor make it (common practice, no source)"

#: The angle counts as the motor's own, before a gear, where that leaves less than this share of the squares.
_PLAINLY_BETTER = 0.5
#: Relative scatter about the fit, above the saliency fitted, that no meter makes.
_UNEXPLAINED = 0.02


_AXES = ("inductance_d", "inductance_q", "saliency_ratio")


@dataclass
class _Points:
    """Line-to-line inductances as read: pair, mechanical angle (``None``: not stated), value, variance (0: unknown).

    ``rows`` hold all three pairs at one position each ``(3,)``, ``step_of`` the log and pair of the first step.
    """

    pairs: list[str] = field(default_factory=list)
    angles: list[float | None] = field(default_factory=list)
    values: list[float] = field(default_factory=list)
    variances: list[float] = field(default_factory=list)
    steps: list[inductance.Step] = field(default_factory=list)
    rows: list[np.ndarray] = field(default_factory=list)
    step_of: tuple[Log, str] | None = None

    @property
    def angle(self) -> np.ndarray:
        """Return the mechanical angles ``(n,)``, not a number where none is stated."""
        return np.array([np.nan if angle is None else angle for angle in self.angles])


@dataclass(frozen=True)
class Choice:
    """What tells the axes apart: the rotor's angle, three pairs at unknown positions, or nothing.

    ``turns`` are the electrical turns in one of the angle, ``sense`` is that in which it counts, ``left`` what noise
    leaves of the saliency; ``unexplained`` is the scatter about the fit over the angle, over the mean, where it is
    larger than the saliency.
    """

    by: Literal["angle", "pairs", "nothing"]
    turns: float = 0.0
    sense: float = 1.0
    left: float = 1.0
    unexplained: float = 0.0


@dataclass(frozen=True)
class _OverAngle:
    """Level, cosine and sine over twice the electrical angle, how the angle counts, and the fit ``(n,)``.

    ``square`` is the sum of what is left, squared (H^2).
    """

    names: list[str]
    values: np.ndarray
    covariance: np.ndarray
    degrees_of_freedom: float
    turns: float
    sense: float
    left: float
    unexplained: float
    square: float
    fitted: np.ndarray


_NO_RESISTANCE = "the phase resistance is not known; measure winding-resistance too"


class WindingInductance(Procedure):
    """One log a current step, or a table of inductance readings; several logs over the angle are fitted together."""

    name = "winding-inductance"
    title = "Winding inductance"
    purpose = "Find the inductance along and across the magnets, the electrical time constant, and shorted turns."
    unit_kinds = ("motor", "drive")
    required_columns = (tuple(f"{kind}_{pair}" for kind in ("inductance", "current") for pair in _PAIRS),)
    optional_columns = ("time", "angle", *(f"voltage_{pair}" for pair in _PAIRS))
    conditions = (
        Condition("rotor_angle", "angle", "mechanical angle of the rotor during a current step"),
        Condition("aligned_angle", "angle", "angle at which direct current from A to B holds the rotor (its d axis)"),
        Condition("test_frequency", "frequency", "frequency of the LCR meter", exact=True),
        Condition("winding_temperature", "temperature", "winding temperature during the test"),
    )
    needs = (
        Need("phase_resistance", "for the electrical time constant of LCR readings"),
        Need("pole_pairs", "to turn mechanical angles into electrical ones"),
    )
    gives = ("inductance_d", "inductance_q", "phase_inductance", "electrical_time_constant", "saliency_ratio")
    # fmt: off
    quantities = (
        Quantity(
            "inductance_d", "Inductance, d axis", "L_d", "inductance", "mH",
            "phase inductance (star equivalent) with the current along the magnets' axis",
            "two-axis theory; L_line = (L_d + L_q) + (L_d - L_q) cos 2 gamma",
            least=0.0,
        ),
        Quantity(
            "inductance_q", "Inductance, q axis", "L_q", "inductance", "mH",
            "phase inductance (star equivalent) with the current across the magnets' axis",
            "two-axis theory; L_line = (L_d + L_q) + (L_d - L_q) cos 2 gamma",
            least=0.0,
        ),
        Quantity(
            "phase_inductance", "Phase inductance", "L_ph", "inductance", "mH",
            "half the mean line-to-line inductance over the pairs and rotor positions measured (star equivalent)",
            "definition; (L_d + L_q)/2 over a turn",
            least=0.0,
        ),
        Quantity(
            "electrical_time_constant", "Electrical time constant", "tau_e", "duration", "ms",
            "phase inductance over phase resistance",
            "definition",
            least=0.0,
        ),
        Quantity(
            "saliency_ratio", "Saliency ratio", "xi", "ratio", "1",
            "inductance of the q axis over that of the d axis",
            "definition",
            least=0.0,
        ),
    )
    # fmt: on
    not_covered = (
        "Saturation and eddy currents during a current step are compared with a simulation only.",
        "No standard inductor is compared.",
    )
    cautions = (
        "The rotor jerks towards the current's axis and back: lock it, and keep clear of wheel and spokes.",
        "Interrupting the current of an inductance gives a voltage peak: turn it down, or let a diode carry it on.",
        "Keep the step below rated current and short, so that the winding does not warm up.",
        "Disconnect the controller: its capacitors and switches falsify the reading, and a step may harm them.",
    )
    minimum_rows = 3
    combines = True
    order = 15
    minutes = 15

    def lacks(self, logs: Sequence[Log], known: Collection[str]) -> Sequence[Lack]:
        """Return a log that holds nothing of a whole pair, and what needs a resistance that no test gives."""
        if any(not _held(log) for log in logs):
            return [Lack(_holds_nothing(next(log for log in logs if not _held(log))))]
        by_meter = not any(_stepped(log) for log in logs)
        unknown = by_meter and "phase_resistance" not in known
        return [Lack(_NO_RESISTANCE, ("electrical_time_constant",))] if unknown else []

    def choose(self, logs: Sequence[Log], given: Mapping[str, float]) -> Choice:
        """Find what tells the axes apart."""
        points, turns, own = _gathered(logs), electrical_turns(given), known_pole_pairs(given)
        blind = Choice("pairs" if len(points.rows) >= 3 else "nothing")
        if turns is None or own is None or not _tells_axes(points, turns):
            return blind
        found = _over_angle(points, turns, None)
        if turns != own and _tells_axes(points, own):
            # Before a gear the angle may have been read at the motor itself.
            other = _over_angle(points, own, None)
            if other.square < _PLAINLY_BETTER * found.square:
                found = other
        if found.unexplained > _UNEXPLAINED:
            return replace(blind, unexplained=found.unexplained)
        return Choice("angle", found.turns, found.sense, found.left)

    def estimate(self, logs: Sequence[Log], given: Mapping[str, float], choice: Choice) -> Fit:
        """Find the inductance of each position, then what it does over the angle."""
        fit, points = Fit(), _gathered(logs)
        values, sizes = np.array(points.values), np.sqrt(points.variances)
        over_angle = None
        if choice.by == "angle":
            over_angle = found = _over_angle(points, choice.turns, choice)
            names = dict(zip(found.names, map(float, found.values), strict=True))
            fit.block(_SCATTER, names, found.covariance, found.degrees_of_freedom)
            aligned = stated(logs).get("aligned_angle")
            if aligned is not None:
                fit.exact("how the angle counts", aligned=2 * choice.turns * choice.sense * aligned + np.pi / 3)
            fit.leave(partial(_left, points, found))
        elif choice.by == "pairs":
            _blind(points.rows, fit)
        else:
            fit.lacking(
                _AXES,
                "the readings hold no change with the rotor's angle; measure all three pairs at several "
                "rotor positions, or one pair over an electrical half turn with 'rotor_angle' stated",
            )
            if values.size == 1:
                step = points.steps[0]
                both = {"level": step.inductance, "line_resistance": step.resistance}
                fit.block("scatter of the step", both, step.covariance, step.degrees_of_freedom)
            else:
                _mean("level", "scatter of the inductances", values, sizes, fit)
        if points.steps and values.size > 1:
            resistances = np.array([step.resistance for step in points.steps])
            known = np.sqrt([step.covariance[1, 1] for step in points.steps])
            _mean("line_resistance", "scatter of the steps' resistance", resistances, known, fit)
        elif not points.steps and "phase_resistance" not in given:
            fit.missing["electrical_time_constant"] = _NO_RESISTANCE
        fit.seen = points, over_angle
        return fit

    def report(self, logs: Sequence[Log], given: Mapping[str, float], choice: Choice, fit: Fit) -> Report:
        """Show a step and the inductance over the angle, and say what the axes rest on."""
        report, conditions = Report(), stated(logs)
        points, over_angle = fit.seen
        if points.step_of:
            log, pair = points.step_of
            report.panels.append(_step_panel(log, pair, points.steps[0]))
        if choice.unexplained:
            report.warn(
                f"the inductance changes with the angle in a way that {known_pole_pairs(given)} pole pairs "
                "do not explain; check the pole pairs, the gear ratio, and where the angle was read"
            )
        if over_angle and over_angle.turns != electrical_turns(given):
            report.notes.append("The angle is taken as that of the motor before its gear, which the readings fit.")
        if over_angle:
            report.panels.append(_angle_panel(points, over_angle.fitted))
            _compare_pairs(fit.parameters, report)
        elif choice.by == "pairs":
            report.notes.append(
                "Without a rotor angle and pole pairs that explain the readings, d and q come from the "
                "three pairs at each position, which holds for three equal phases."
            )
        elif len(set(points.pairs)) < 3:
            report.warn(
                "the inductance was read at one rotor position or of one pair only; in a motor with "
                "saliency it differs with the position"
            )
        if points.steps:
            at = f" at {conditions['winding_temperature']:.1f} °C" if "winding_temperature" in conditions else ""
            report.notes.append(f"Time constant with the resistance of the steps themselves{at}.")
        elif "phase_resistance" in given:
            report.notes.append("Time constant with the DC phase resistance at 20 °C.")
        if "test_frequency" not in conditions and not points.steps:
            report.notes.append(
                "The meter's frequency is not stated; eddy currents lower an inductance read at some kHz."
            )
        if "inductance_d" not in fit.missing:
            report.notes.append(
                "Sign of L_d - L_q from the angle at which direct current held the rotor."
                if "aligned" in fit.parameters
                else f"{_CONVENTION[0].upper()}{_CONVENTION[1:]}."
            )
        return report

    def derive(self, parameters: Mapping[str, float], given: Mapping[str, float]) -> dict[str, float]:
        """Return the inductances of both axes, of the phase, the time constant and the saliency ratio."""
        levels = [value for name, value in parameters.items() if name.startswith("level")]
        total = sum(levels) / len(levels)
        result = {"phase_inductance": total / 2}
        if "aligned" in parameters:
            x = parameters["aligned"]
            difference = parameters["cosine"] * np.cos(x) + parameters["sine"] * np.sin(x)
        elif "cosine" in parameters:
            difference = -np.hypot(parameters["cosine"], parameters["sine"])
        elif "saliency" in parameters:
            difference = -parameters["saliency"]
        else:
            difference = None
        if difference is not None:
            result["inductance_d"] = (total + difference) / 2
            result["inductance_q"] = (total - difference) / 2
            result["saliency_ratio"] = (total - difference) / (total + difference)
        if "line_resistance" in parameters:
            result["electrical_time_constant"] = total / parameters["line_resistance"]
        elif "phase_resistance" in given:
            result["electrical_time_constant"] = total / 2 / given["phase_resistance"]
        return result


def _read(log: Log) -> list[str]:
    return [pair for pair in _PAIRS if f"inductance_{pair}" in log]


def _stepped(log: Log) -> list[str]:
    return [pair for pair in _PAIRS if f"current_{pair}" in log and f"voltage_{pair}" in log]


def _held(log: Log) -> bool:
    return bool(_read(log) or (_stepped(log) and "time" in log))


def _holds_nothing(log: Log) -> str:
    return f"the log {log.label!r} holds neither inductance readings nor time, voltage and current of one line pair"


def _gathered(logs: Sequence[Log]) -> _Points:
    """Return every inductance read."""
    points = _Points()
    for log in logs:
        read, stepped = _read(log), _stepped(log)
        if not _held(log):
            raise FitError(_holds_nothing(log))
        angle = log["angle"] if "angle" in log else log.conditions.get("rotor_angle")
        for pair in read:
            column = log[f"inductance_{pair}"]
            if np.any(column <= 0):
                raise FitError(f"an inductance of zero or less stands in inductance_{pair}; correct it")
            points.pairs += [pair] * column.size
            points.values += column.tolist()
            points.variances += [0.0] * column.size
            points.angles += (
                np.broadcast_to(angle, column.shape).tolist() if angle is not None else [None] * column.size
            )
        if len(read) == len(_PAIRS):
            points.rows += list(np.column_stack([log[f"inductance_{pair}"] for pair in _PAIRS]))
        for pair in stepped if not read else []:
            if len(stepped) > 1 and np.ptp(log[f"current_{pair}"]) < 0.1 * max(
                np.ptp(log[f"current_{p}"]) for p in stepped
            ):
                continue
            step = inductance.from_step(log["time"], log[f"voltage_{pair}"], log[f"current_{pair}"])
            points.steps.append(step)
            points.pairs.append(pair)
            points.values.append(step.inductance)
            points.variances.append(float(step.covariance[0, 0]))
            points.angles.append(None if angle is None else float(np.mean(angle)))
            points.step_of = points.step_of or (log, pair)
    return points


def _tells_axes(points: _Points, turns: float) -> bool:
    """Tell whether these positions and pairs determine level, cosine and sine, and leave a scatter or know it."""
    angles = points.angle
    if np.isnan(angles).any():
        return False
    design = inductance.saliency_design(angles, points.pairs, turns, one_level=True)
    return angles.size >= 3 and float(np.linalg.cond(design)) < 30.0


def _over_angle(points: _Points, turns: float, choice: Choice | None) -> _OverAngle:
    """Fit the readings over the angle, which holds so many electrical ``turns``.

    Without a choice both senses of the angle are tried.
    """
    angles = points.angle
    names = sorted(set(points.pairs))
    one_level = min(points.pairs.count(name) for name in names) < 4
    values, variances = np.array(points.values), np.array(points.variances)
    best: tuple[float, float, np.ndarray, np.ndarray] | None = None
    for sense in (choice.sense,) if choice else (1.0, -1.0):
        design = inductance.saliency_design(sense * angles, points.pairs, turns, one_level=one_level)
        found = np.linalg.lstsq(design, values, rcond=None)[0]
        left = float(np.sum((values - design @ found) ** 2))
        # A single pair cannot tell the sense; the first is kept unless the other is better by more than
        # rounding.
        if best is None or left < 0.999 * best[0]:
            best = (left, sense, found, design)
    assert best is not None
    left, sense, found, design = best
    inverse = np.linalg.pinv(design)
    freedom = values.size - found.size
    known = inverse @ np.diag(variances) @ inverse.T
    covariance, dof = known, 30.0
    if freedom >= 3 or (freedom > 0 and not variances.any()):
        scatter = inverse @ inverse.T * left / freedom
        if np.trace(scatter) > np.trace(known):
            covariance, dof = scatter, float(freedom)
    elif not variances.any():
        raise FitError("three readings leave no scatter to judge them by; measure at two more rotor positions at least")
    rest = np.sqrt(left / values.size)
    unexplained = float(rest / np.mean(values)) if rest > np.hypot(*found[-2:]) else 0.0
    # Noise alone makes an amplitude; what its variance explains of the square is taken off (kept the same
    # while the readings are shifted).
    noise, power = float(np.trace(covariance[-2:, -2:])), float(found[-2:] @ found[-2:])
    left_of = choice.left if choice else float(np.sqrt(max(0.02, 1 - noise / max(power, 1e-300))))
    found = np.concatenate([found[:-2], left_of * found[-2:]])
    labels = ["level"] if one_level else [f"level_{name}" for name in names]
    labels += ["cosine", "sine"]
    return _OverAngle(labels, found, covariance, dof, turns, sense, left_of, unexplained, left, design @ found)


def _left(points: _Points, found: _OverAngle) -> Residuals:
    rest = np.array(points.values) - found.fitted
    freedom = float(rest.size - found.values.size)
    scatter = float(np.sqrt(np.sum(rest**2) / max(freedom, 1.0)))
    pairs = np.array([_PAIRS.index(pair) for pair in points.pairs])
    regressors = {"angle": points.angle, "pair": pairs.astype(float)}
    name = "inductance over the angle"
    return Residuals(name, "H", found.fitted, rest, scatter, regressors, freedom, blocks=(_SCATTER,))


def _blind(rows: list[np.ndarray], fit: Fit) -> None:
    """Add mean and saliency from rows of three pairs at unknown rotor angles."""
    table = np.array(rows)
    level = table.mean(axis=1)
    turn = np.exp(-1j * np.array([inductance.PAIR_PHASE[pair] for pair in _PAIRS]))
    vector = 2 / 3 * (table @ turn)
    count = level.size
    # The mean of three pairs is the same at every position, so its scatter is that of the readings over sqrt
    # 3.
    reading = 3 * float(np.var(level, ddof=1))
    square = float(np.mean(np.abs(vector) ** 2)) - 4 / 3 * reading
    values, variances = {"level": float(level.mean())}, [reading / 3 / count]
    if square > 0:
        values["saliency"] = float(np.sqrt(square))
        variances.append(2 / 3 * reading / count)
    else:
        fit.lacking(
            _AXES, "the three pairs do not differ beyond the scatter of the readings; within it L_d and L_q are equal"
        )
    fit.block("scatter of the readings", values, np.diag(variances), count - 1.0)


def _mean(name: str, label: str, values: np.ndarray, sizes: np.ndarray, fit: Fit) -> None:
    """Add the mean with the larger of its scatter and what is known of each value."""
    scatter = float(np.var(values, ddof=1)) / values.size if values.size > 2 else 0.0
    known = float(np.sum(sizes**2)) / values.size**2
    fit.block(label, {name: float(np.mean(values))}, max(scatter, known), max(values.size - 1.0, 2.0))


def _compare_pairs(values: Mapping[str, float], report: Report) -> None:
    levels = {name[6:]: value for name, value in values.items() if name.startswith("level_")}
    if len(levels) < 2:
        return
    low = min(levels, key=lambda pair: levels[pair])
    others = [value for pair, value in levels.items() if pair != low]
    if levels[low] < 0.95 * float(np.mean(others)):
        report.warn(
            f"the pair {line_title(low)} has {100 * (1 - levels[low] / np.mean(others)):.0f} % less "
            "inductance than the others: shorted turns are likely; compare its resistance and back-EMF too",
            f"inductance_{low}",
        )


def _step_panel(log: Log, pair: str, step: inductance.Step) -> Panel:
    time, current = log["time"], log[f"current_{pair}"]
    at = drawn(time.size)
    settled = time[step.steady_from :]
    name = line_title(pair)
    return Panel(
        "step",
        "Current after the step of voltage",
        Axis("Time", "time", "ms"),
        Axis("Current", "current", "A"),
        [
            Series(name, time[at], current[at]),
            Series("taken as steady", settled[[0, -1]], np.full(2, float(np.mean(current[step.steady_from :]))), "fit"),
        ],
        "The current must rise to a level and stay there; the flux linkage is integrated over the whole rise.",
    )


def _angle_panel(points: _Points, fitted: np.ndarray) -> Panel:
    angles, series = points.angle, []
    for pair in sorted(set(points.pairs)):
        here = np.flatnonzero([name == pair for name in points.pairs])
        here = here[np.argsort(angles[here])]
        name = line_title(pair)
        series.append(Series(name, angles[here], np.array(points.values)[here]))
        series.append(Series(f"fit {name}", angles[here], fitted[here], "fit"))
    return Panel(
        "inductance-angle",
        "Line-to-line inductance over the angle",
        Axis("Mechanical angle", "angle", "deg"),
        Axis("Inductance", "inductance", "mH"),
        series,
        "Two periods per pole pair show saliency; a pair that lies lower than the others has shorted turns.",
    )


PROCEDURE = WindingInductance()

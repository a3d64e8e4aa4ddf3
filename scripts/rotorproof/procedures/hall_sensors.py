"""Position sensors: kind of set, duty, placement, offset to the EMF, jitter, and the wiring that follows."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace
from functools import partial

import numpy as np

from ..errors import FitError
from ..physics import hall, six_step
from ..physics.regression import jackknife_covariance
from . import _hall_views as views
from ._hall_capture import Capture, Choice, turn, why_no_emf
from ._hall_joined import DRIVEN_DIRECTION, channels, joined, undirected, why_not_joined
from .base import Lack, Log, Procedure, Quantity, Report
from .fit import Fit, Residuals

_SIXTH = np.pi / 3
#: Label of the mean angles of the edges.
_SCATTER = "scatter of the switching angles"
_MISFIT = np.radians(25.0)
_NEEDS_SET = (
    "hall_spacing",
    "hall_sequence",
    "hall_placement_error",
    "hall_offset",
    "commutation_table",
    *(f"hall_placement_{s}" for s in hall.SENSORS),
)
_SOURCE = "definition; electrical angle after IEC 60050-411"


class HallSensors(Procedure):
    """Three logic levels over the electrical angle, with the line voltages of the driven machine beside them."""

    name = "hall-sensors"
    title = "Position sensors"
    purpose = "Find whether the sensors switch where they should, and how phases and sensors are to be connected."
    unit_kinds = ("motor",)
    required_columns = ("time", ("hall_a", "hall_b", "hall_c", "voltage_ab", "voltage_bc", "voltage_ca"))
    optional_columns = ("voltage_a", "voltage_b", "voltage_c")
    conditions = (DRIVEN_DIRECTION,)
    gives = (
        "hall_spacing",
        "hall_sequence",
        "hall_duty_error",
        *(f"hall_placement_{s}" for s in hall.SENSORS),
        "hall_placement_error",
        "hall_offset",
        "hall_jitter",
        "commutation_table",
    )
    # fmt: off
    quantities = (
        Quantity(
            "hall_spacing", "Sensor spacing", "a_H", "angle", "deg",
            "kind of sensor set: 120 or 60 electrical degrees; 120 with one sensor inverted is a set of 60",
            _SOURCE,
            no_bound="one of two kinds",
        ),
        Quantity(
            "hall_sequence", "Sensor sequence", "s_H", "number", "1",
            "+1: the sensors switch in the order A-B-C in the driven direction; −1: A-C-B",
            _SOURCE,
            meanings=((1.0, "A-B-C"), (-1.0, "A-C-B")),
        ),
        Quantity(
            "hall_duty_error", "Sensor duty error", "d_H", "ratio", "percent",
            "largest deviation of a sensor's share of high level in an electrical turn from one half",
            _SOURCE,
            least=0.0,
        ),
        *(
            Quantity(
                f"hall_placement_{s}", f"Placement of sensor {s.upper()}", f"e_{s.upper()}", "angle", "deg",
                f"electrical angle by which sensor {s.upper()} switches late against the ideal set that fits best",
                _SOURCE,
                no_bound="early or late, and half a turn is both",
            )
            for s in hall.SENSORS
        ),
        Quantity(
            "hall_placement_error", "Sensor placement error", "e_H", "angle", "deg",
            "largest of the three placement errors, without sign, in electrical degrees",
            _SOURCE,
            remedy="find the sensor that is out of place in its section, refit it and capture again",
            least=0.0,
        ),
        Quantity(
            "hall_offset", "Sensor offset to the EMF", "o_H", "angle", "deg",
            "electrical angle by which the set switches late, in the driven direction, against the mean of the nearest "
            "zero crossings of all three line-to-line EMFs (fundamental), where a six-step drive should commutate",
            _SOURCE,
            no_bound="early or late, and half a turn is both",
        ),
        Quantity(
            "hall_jitter", "Sensor jitter", "j_H", "angle", "deg",
            "standard deviation of the electrical angle at which an edge comes, about the mean of that edge: unlike "
            "magnets and unsteady sensors",
            _SOURCE,
            least=0.0,
        ),
        Quantity(
            "commutation_table", "Commutation table", "C_mot", "number", "1",
            "six-step drive for each sensor state, states in rising order (A is 4, B 2, C 1), one digit each: 1 A high "
            "B low, 2 A-C, 3 B-C, 4 B-A, 5 C-A, 6 C-B; in the driven direction, wires as connected",
            "power balance: torque per ampere is EMF over speed",
            tabled=True,
            no_bound="digits of a table",
        ),
    )
    # fmt: on
    not_covered = ("No capture of real sensors beside a certified angle encoder is compared.",)
    cautions = (
        "The open terminals of a driven machine carry voltage: insulate them, and do not touch them while it turns.",
        "Feed the sensors with the voltage they are made for, mostly 5 V, and give each output a pull-up resistor; "
        "never connect a sensor wire to a phase.",
        "Clamp the axle against torque and keep hands, hair and clothes away from wheel, spokes and drive.",
        "Try a new connection with a current-limited supply and the wheel off the ground.",
    )
    minimum_rows = 12
    combines = True
    combines_by_label = True
    order = 32
    minutes = 25

    def stands_alone(self, log: Log, beside: Sequence[Log]) -> bool:
        """Tell whether a capture holds all three sensors, and two lines or nothing beside it that could give them."""
        lines = len(channels(log)) - len(hall.SENSORS)
        return _whole(log) and (lines > 1 or all(_whole(other) for other in beside))

    def lacks(self, logs: Sequence[Log], known: Collection[str]) -> Sequence[Lack]:
        """Return what needs sensors, lines or a direction that the captures of a run do not tell."""
        held = [set(channels(log)) for log in logs]
        if why := why_not_joined(held):
            return [Lack(why)]
        why_no_table = undirected(logs)
        if not any(set(hall.SENSORS) <= one for one in held) and why_no_table:
            return [Lack(why_no_table, _NEEDS_SET)]
        lines = len(set().union(*held) - set(hall.SENSORS))
        why_no_table = why_no_emf(lines) if lines < 2 else why_no_table
        return [Lack(why_no_table, ("hall_offset", "commutation_table"))] if why_no_table else []

    def choose(self, logs: Sequence[Log], given: Mapping[str, float]) -> Choice:
        """Decide the kind of set, the zero crossings it belongs to and the table."""
        found = joined(logs)
        return _choose(found, _edge_angles(found, None)[0])

    def estimate(self, logs: Sequence[Log], given: Mapping[str, float], choice: Choice) -> Fit:
        """Find the mean angle of each edge, and how unsteady they are."""
        fit, found = Fit(), joined(logs)
        means, jackknifed, deviations = _edge_angles(found, choice.reference)
        values = dict(zip(_edge_names(found), map(float, means), strict=True))
        freedom = float(len(jackknifed) - 1)
        fit.block(_SCATTER, values, jackknife_covariance(jackknifed), freedom)
        for name, value in choice.exact.items():
            fit.exact(name.replace("_", " "), **{name: float(value)})
        if "grid" in choice.exact and found.lines is not None:
            fit.exact("zero crossings of the lines", crossings=hall.mean_crossing(found.lines[0]))
        fit.missing |= choice.missing
        if found.doubtful:
            fit.block("joining of the captures", dict.fromkeys(found.doubtful, 0.0), found.doubt)
        _add_within(found, fit)
        jitter = None if found.unpaced else _jitter(found, deviations)
        if found.unpaced:
            fit.missing["hall_jitter"] = (
                "the rows stand at no even pace, so that their gaps cannot be told from jitter; sample at a steady "
                "rate, or export changes of the sensors alone"
            )
        elif jitter is None:
            fit.missing["hall_jitter"] = (
                "the edges scatter no more than the time between two readings makes them; sample faster"
            )
        else:
            _add_jitter(found, deviations, jitter, fit)
        fit.seen = views.Seen(found, means, deviations)
        fit.leave(partial(_left, fit.seen))
        return fit

    def report(self, logs: Sequence[Log], given: Mapping[str, float], choice: Choice, fit: Fit) -> Report:
        """Show edges, drive and connections."""
        return views.report(choice, fit.seen)

    def derive(self, parameters: Mapping[str, float], given: Mapping[str, float]) -> dict[str, float]:
        """Return duty, placement, offset and jitter from the mean angles of the edges (rad)."""
        result: dict[str, float] = {}
        alive = [s for s in hall.SENSORS if f"rise_{s}" in parameters]
        # Numbers, or arrays where thousands of trials are computed at once.
        rise, fall = (
            _together(
                parameters[f"{kind}_{s}"]
                + parameters.get(f"joined_{s}", 0.0)
                + parameters.get("within", 0.0) * parameters.get(f"half_gap_{kind}_{s}", 0.0)
                for s in alive
            )
            for kind in ("rise", "fall")
        )
        result["hall_duty_error"] = np.max(np.abs((fall - rise) / hall.TURN - 0.5), axis=0)
        if "hall_jitter" in parameters:
            result["hall_jitter"] = parameters["hall_jitter"]
        for name in ("hall_spacing", "hall_sequence", "commutation_table"):
            if name in parameters:
                result[name] = parameters[name]
        middle = 0.5 * (rise + fall)
        if "nominal_a" in parameters:
            nominal = [parameters[f"nominal_{s}"] for s in hall.SENSORS]
            away = _together(at - place for at, place in zip(middle, nominal, strict=True))
            away = away - away.mean(axis=0)
            result |= {f"hall_placement_{s}": e for s, e in zip(hall.SENSORS, away, strict=True)}
            result["hall_placement_error"] = np.max(np.abs(away), axis=0)
        if "grid" in parameters:
            crossings = parameters["crossings"] + parameters.get("joined_crossings", 0.0)
            result["hall_offset"] = middle.mean(axis=0) - parameters["grid"] - crossings
        return result


def _whole(log: Log) -> bool:
    return set(hall.SENSORS) <= set(channels(log))


def _together(values: Iterable[float]) -> np.ndarray:
    """Return numbers as an array ``(k,)``, or arrays of trials as ``(k, n)``."""
    return np.stack(np.broadcast_arrays(*values))


def _add_within(found: Capture, fit: Fit) -> None:
    """Add where between its rows every change lies: all of them early, all late, or anything between."""
    widths = {
        f"half_gap_{kind}_{s}": half
        for s in found.alive
        for kind, half in zip(("rise", "fall"), found.within[s], strict=True)
    }
    if any(widths.values()):
        fit.exact("gaps between rows", **widths)
        fit.block("where between two rows a change lies", {"within": 0.0}, 1 / 3, distribution="rectangular")


def _edge_names(found: Capture) -> list[str]:
    return [f"{kind}_{s}" for s in found.alive for kind in ("rise", "fall")]


def _left(seen: views.Seen) -> Residuals:
    """Return the deviations of all edges from the mean angle of their kind."""
    rest = np.concatenate(seen.deviations)
    fitted = np.repeat(seen.means, [d.size for d in seen.deviations])
    angle = fitted + rest
    freedom = float(rest.size - seen.means.size)
    scatter, regressors = float(np.std(rest)), {"angle": angle}
    # Jitter is the size of these deviations, not what a misfit of their means would move.
    return Residuals("angle of the edges", "rad", fitted, rest, scatter, regressors, freedom, blocks=(_SCATTER,))


def _edge_angles(found: Capture, reference: np.ndarray | None) -> tuple[np.ndarray, np.ndarray, list[np.ndarray]]:
    """Return mean angle of each edge kind ``(2 k,)``, its leave-one-block-out values ``(M, 2 k)``, and deviations.

    The fall of a sensor is given within the turn that follows its rise. ``reference`` keeps the turns as they were.
    """
    blocks = int(np.clip(min(found.turns.values()) / 2, 3, 24))
    means: list[float] = []
    without, deviations = [], []
    for row, s in enumerate(found.alive):
        for kind in (0, 1):
            kept = found.edges[s].rising == (kind == 0)
            angle = found.angles[s][kept]
            if angle.size < 3:
                raise FitError(
                    f"sensor {s.upper()} changes only {angle.size} times in the same direction; record at least one "
                    "turn of the wheel"
                )
            centre = hall.circular_mean(angle)
            if reference is not None:
                centre = float(hall.near(centre, reference[2 * row + kind]))
            elif kind == 1:
                centre = means[-1] + float(np.mod(centre - means[-1], hall.TURN))
            elif means:
                centre = float(hall.near(centre, means[0]))
            shifted = hall.near(angle, centre)
            block = _block(found.since[s][kept] / found.turns[s], blocks)
            count = np.bincount(block, minlength=blocks)
            total = np.bincount(block, shifted, blocks)
            mean = float(shifted.mean())
            left = angle.size - count
            without.append(np.where(left > 0, (shifted.sum() - total) / np.maximum(left, 1), mean))
            means.append(mean)
            deviations.append(shifted - mean)
    return np.array(means), np.array(without).T, deviations


def _block(progress: np.ndarray, blocks: int) -> np.ndarray:
    """Return the number of the block ``(n,)`` in which each edge lies, by how far through its capture it came."""
    return np.clip((progress * blocks).astype(int), 0, blocks - 1)


def _jitter(found: Capture, deviations: Sequence[np.ndarray]) -> float | None:
    """Return the jitter in rad without the part that the time between readings makes, ``None`` if nothing is left."""
    squares = float(sum(np.sum(d**2) for d in deviations))
    freedom = sum(d.size for d in deviations) - len(deviations) - found.windows
    if freedom < 6:
        return None
    count = [found.angles[s].size for s in found.alive]
    between = float(np.average([found.step[s] ** 2 / 12 for s in found.alive], weights=count))
    variance = squares / freedom - between
    # Half of the resolution's own part: below it the difference of two estimates tells nothing.
    return float(np.sqrt(variance)) if variance > 0.5 * between and variance > 0 else None


def _add_jitter(found: Capture, deviations: Sequence[np.ndarray], jitter: float, fit: Fit) -> None:
    """Add the jitter with the scatter of the squared deviations between stretches of the record."""
    squared = np.concatenate([d**2 for d in deviations])
    progress = np.concatenate(
        [found.since[s][found.edges[s].rising == (kind == 0)] / found.turns[s] for s in found.alive for kind in (0, 1)]
    )
    m = int(np.clip(min(found.turns.values()) / 2, 3, 24))
    block = _block(progress, m)
    total, count = np.bincount(block, squared, m), np.bincount(block, minlength=m)
    without = (squared.sum() - total) / np.maximum(squared.size - count, 1)
    variance = float(jackknife_covariance(without[:, None])[0, 0])
    # At least what independent edges would scatter: few blocks may agree by chance.
    freedom = squared.size - len(deviations) - found.windows
    variance = max(variance, 2 * (squared.sum() / freedom) ** 2 / freedom)
    fit.block("scatter of the jitter", {"hall_jitter": jitter}, variance / (4 * jitter**2), m - 1.0)


def _choose(found: Capture, means: np.ndarray) -> Choice:
    choice = Choice(means)
    missing = choice.missing
    if len(found.alive) < 3:
        dead = ", ".join(s.upper() for s in hall.SENSORS if s not in found.alive)
        missing |= dict.fromkeys(_NEEDS_SET, f"sensor {dead} never changes; mend it and record again")
        return choice
    if found.undirected and found.sources > 1:
        missing |= dict.fromkeys(_NEEDS_SET, found.undirected)
        return choice
    rise, fall = means[0::2], means[1::2]
    kind = hall.classify(0.5 * (rise + fall))
    if kind.misfit > _MISFIT:
        reason = (
            f"the sensors stand neither 120 nor 60 electrical degrees apart (best fit off by "
            f"{np.degrees(kind.misfit):.0f}); check the sensors' seats and that each column is its own sensor"
        )
        missing |= dict.fromkeys(_NEEDS_SET, reason)
        return choice
    # Whole turns are put into the nominal places, so that the placement errors are small numbers.
    middle = 0.5 * (rise + fall)
    away = middle - kind.nominal
    nominal = middle - (hall.near(away, away[0]))
    exact = {"hall_spacing": kind.spacing, "hall_sequence": kind.sequence}
    exact |= {f"nominal_{s}": float(n) for s, n in zip(hall.SENSORS, nominal, strict=True)}
    choice = replace(choice, kind=kind, exact=exact)
    if found.lines is None or found.undirected:
        reason = found.why_no_emf if found.lines is None else found.undirected
        missing |= {"hall_offset": reason, "commutation_table": reason}
        return choice
    offset = hall.circular_mean(6 * means) / 6
    exact["grid"] = float((np.round((means - offset) / _SIXTH) * _SIXTH).mean())
    x, levels = turn(means)
    table = six_step.best_table(levels, found.wave(x))
    if len(table) == 6 and len(set(table.values())) == 6:
        exact["commutation_table"] = six_step.table_code(table)
    else:
        missing["commutation_table"] = (
            f"the sensors give {len(table)} states and {len(set(table.values()))} different drives instead of 6; "
            "their placement is too far off for six-step drive"
        )
    return replace(choice, table=table)


PROCEDURE = HallSensors()

"""Cogging torque and static friction from the torque of a slowly turned rotor over its angle."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from ..errors import FitError
from ..physics import cogging
from ..signs import value_text
from .base import (
    Axis,
    Condition,
    Hint,
    Log,
    Need,
    Panel,
    Procedure,
    Quantity,
    Report,
    Series,
    Table,
    drawn,
    known_pole_pairs,
)
from .fit import Fit, Residuals

#: Labels of what the harmonics give, and of the friction between the two directions.
_HARMONICS, _SLOW = "scatter of the torque harmonics", "slow scatter of the torque"


@dataclass(frozen=True)
class Choice:
    """Which orders are fitted, and what the noise is.

    ``per_turn`` is to how many means a turn long records are reduced. Of the orders of ``first``, the fit of the
    readings as they are, those from ``lowest`` on that are ``visible`` make cogging; ``left`` ``(m,)`` of each harmonic
    is not noise. ``order`` is the one reported, ``amplitude`` ``(n,)`` the spectrum that shows them.
    """

    per_turn: float
    first: cogging.Harmonics
    left: np.ndarray
    lowest: int
    highest: int
    seen: tuple[int, ...]
    order: int | None
    amplitude: np.ndarray

    @property
    def visible(self) -> np.ndarray:
        """Return which of the orders fitted make cogging that can be seen ``(m,)``."""
        return np.isin(self.first.orders, self.seen) & (self.first.orders >= self.lowest)


class Cogging(Procedure):
    """The unpowered rotor is turned slowly by a bench, both ways, while torque (or force on a lever) is read."""

    name = "cogging"
    title = "Cogging and static friction"
    purpose = "Find how unevenly and how heavily the unpowered rotor turns, and what the unevenness points to."
    unit_kinds = ("motor", "drive")
    required_columns = ("angle", ("torque", "force"))
    optional_columns = ("time",)
    conditions = (
        Condition("lever_arm", "length", "lever arm of the force, from the shaft's axis"),
        Condition("direction", "number", "1 or −1 for a log that turns one way; told from the angle otherwise"),
    )
    needs = (Need("pole_pairs", "to tell the orders of the design from those of faults"),)
    gives = ("cogging_torque", "cogging_order", "static_friction")
    # fmt: off
    quantities = (
        Quantity(
            "cogging_torque", "Cogging torque, peak to peak", "T_cog", "torque", "N m",
            "maximum less minimum over one turn of the torque's harmonics from three per turn on, friction "
            "and zero taken off",
            "IEEE 1812 (cogging torque test); by harmonics",
            least=0.0,
        ),
        Quantity(
            "cogging_order", "Cogging periods per turn", "k_cog", "number", "1",
            "the strongest order of the torque over one turn, from three per turn on; lcm(slots, poles) in "
            "an ideal machine",
            "least common multiple of slots and poles (IEEE 1812 in its background; any textbook)",
            least=1.0,
        ),
        Quantity(
            "static_friction", "Static friction", "T_fr", "torque", "N m",
            "half the mean difference of the torque between the two directions of slow rotation",
            "definition",
            least=0.0,
        ),
    )
    # fmt: on
    not_covered = (
        "No torque record of a real motor with a certified cogging torque is compared.",
        "Orders are compared with a winding library; which fault makes which order is a published rule, compared "
        "for one motor.",
    )
    cautions = (
        "Open all motor leads: a winding that is closed over a controller or a short brakes, and the log "
        "then holds that too.",
        "Turn slowly, about one turn a minute, and clamp the frame and the lever: cogging pulls in jerks.",
        "Balance the lever or take it off the reading: its weight looks like one period a turn.",
    )
    minimum_rows = 24
    combines = True
    order = 30
    minutes = 40
    time_ordered = False

    def choose(self, logs: Sequence[Log], given: Mapping[str, float]) -> Choice:
        """Find the orders that stand out of the noise, with those that the design makes."""
        sweep = _sweep(logs)
        slots, poles, gear = _design(given)
        covered = _covered(sweep)
        if covered < 0.99:
            raise FitError(
                f"the log covers {covered:.2f} of a turn; harmonics are counted over a whole turn, so turn "
                "the rotor by one turn or more in each direction"
            )
        if not np.ptp(sweep.torque) > 0:
            raise FitError("the torque never varies; check the sensor, its range and its wiring, and turn again")
        highest = _highest(sweep, slots, poles, gear)
        sweep = cogging.reduced(sweep, max(16.0 * highest, 400.0))
        # Half a reading from where the number that makes one mean would change.
        size = max(1, sum(log["angle"].size for log in logs) // sweep.angle.size)
        per_turn = 2 * np.pi * size / sweep.step / (size + 0.5) if sweep.step > 0 else np.inf
        amplitude = cogging.spectrum(sweep, highest)
        lowest = max(cogging.LOWEST_ORDER, int(gear * min(slots or 0, poles or 0) / 2))
        # What lies between is drift of the bench: neither a bent shaft nor slots and poles.
        seen = [k for k in cogging.standing_out(amplitude) if k < cogging.LOWEST_ORDER or k >= lowest]
        design = cogging.design_orders(slots, poles, highest, gear) if slots and poles else []
        first = cogging.fit_harmonics(sweep, np.array(sorted({*seen, *design}), dtype=int))
        left = cogging.shrinkage(first)
        choice = Choice(per_turn, first, left, lowest, highest, tuple(seen), None, amplitude)
        if not choice.visible.any():
            return choice
        strongest = int(first.orders[choice.visible][np.argmax(first.amplitudes[choice.visible])])
        ideal = cogging.ideal_order(slots, poles, gear) if slots and poles else None
        return replace(choice, order=ideal if ideal in seen and strongest % (ideal or 1) == 0 else strongest)

    def estimate(self, logs: Sequence[Log], given: Mapping[str, float], choice: Choice) -> Fit:
        """Fit friction and harmonics of the angle."""
        fit, first = Fit(), choice.first
        sweep = cogging.reduced(_sweep(logs), choice.per_turn)
        found = cogging.fit_harmonics(sweep, first.orders, scatter=False)
        if found.friction is None or first.friction is None:
            fit.missing["static_friction"] = (
                "the log turns one way only, so friction cannot be told from the zero of the torque; turn back too"
            )
        else:
            # Whatever sign convention the bench has, friction resists.
            friction = -found.friction if first.friction < 0 else found.friction
            fit.block(_SLOW, {"friction": friction}, first.low, first.low_degrees_of_freedom)
        if choice.order is None:
            floor = float(np.max(choice.amplitude[choice.lowest :]))
            fit.lacking(
                ("cogging_torque", "cogging_order"),
                f"no order of the torque stands out of the noise (all below {floor * 1e3:.3g} mN·m); use a "
                "finer torque sensor or a longer lever",
            )
        else:
            peak, variance = _peak_to_peak(found, choice)
            fit.block(_HARMONICS, {"peak_to_peak": peak}, variance, first.degrees_of_freedom)
            fit.exact("count", order=float(choice.order))
        fit.leave(partial(_left, sweep, found))
        fit.seen = sweep, found
        return fit

    def report(self, logs: Sequence[Log], given: Mapping[str, float], choice: Choice, fit: Fit) -> Report:
        """Show torque over angle and order, and say what the orders point to."""
        report, (sweep, found) = Report(), fit.seen
        slots, poles, gear = _design(given)
        ideal = cogging.ideal_order(slots, poles, gear) if slots and poles else None
        if found.friction is not None:
            if found.friction < 0:
                report.warn("torque and angle count in opposite senses; the friction is given positive")
            _warn_of_disagreement(sweep, found, report)
        if choice.order is not None:
            report.notes.append(_spoken(choice.order, ideal, choice.highest, slots, poles, gear))
        rows = [
            (int(k), float(a), cogging.cause(int(k), slots, poles, gear))
            for k, a in sorted(zip(found.orders, found.amplitudes, strict=True), key=lambda pair: -pair[1])
            if k in choice.seen
        ]
        if rows and rows[0][0] == 1:
            # The largest part of the torque comes once per turn: something rubs or is out of true.
            amplitude = value_text(rows[0][1], "N m", ".2g")
            report.hints += [
                Hint(
                    name,
                    f"the torque rises and falls once per turn by {amplitude} ({rows[0][2]})",
                    "turn the wheel by hand and find where it rubs: brake, seal, bearing, or rotor against stator",
                )
                for name in ("coulomb_friction", "static_friction")
            ]
        if rows:
            titles = ("Order per turn", "Amplitude / N·m", "Points to")
            report.tables.append(Table("Torque over one turn", titles, rows[:12]))
        if choice.order is not None:
            harmonics = [{"order": k, "amplitude": a, "cause": c} for k, a, c in rows]
            report.details["cogging_torque"] = {"harmonics": harmonics}
        if choice.highest < (ideal or 0):
            report.notes.append(
                f"The readings resolve {choice.highest} periods a turn; the design's {ideal} (lcm of {slots} slots "
                f"and {poles} poles) lie beyond. So fine a cogging is weak as a rule, and what is seen stems "
                "from tolerances."
            )
        if not (slots and poles):
            report.notes.append(
                "Slots or pole pairs are not stated, so the orders cannot be checked against the design."
            )
        ways = "one direction" if found.friction is None else "both directions"
        report.notes.append(
            f"{_covered(_sweep(logs)):.2f} turns in {ways}; {int(choice.visible.sum())} orders from {choice.lowest} to "
            f"{choice.highest} per turn stand out of the noise."
        )
        report.panels = _panels(sweep, found, choice.amplitude, _pitch(poles, gear, choice))
        return report

    def derive(self, parameters: Mapping[str, float], given: Mapping[str, float]) -> dict[str, float]:
        """Return cogging torque and order, and static friction."""
        result = {}
        if "order" in parameters:
            result["cogging_torque"] = parameters["peak_to_peak"]
            result["cogging_order"] = parameters["order"]
        if "friction" in parameters:
            result["static_friction"] = parameters["friction"]
        return result


def _peak_to_peak(found: cogging.Harmonics, choice: Choice) -> tuple[float, float]:
    """Return peak to peak (N m) and its variance for the orders that make cogging, noise taken off."""
    high = found.orders >= choice.lowest
    left = choice.left[high]
    peak, slope = cogging.peak_to_peak(found.orders[high], left * found.cosines[high], left * found.sines[high])
    rows = np.flatnonzero(np.repeat(high, 2))
    return peak, float(slope @ choice.first.covariance[np.ix_(rows, rows)] @ slope)


def _left(sweep: cogging.Sweep, found: cogging.Harmonics) -> Residuals:
    rest = found.residuals
    freedom = float(rest.size - 2 * found.orders.size - 2)
    regressors = {"angle": sweep.angle, "direction": sweep.direction}
    return Residuals(
        "torque over the angle",
        "N m",
        sweep.torque - rest,
        rest,
        float(np.std(rest)),
        regressors,
        freedom,
        blocks=(_HARMONICS, _SLOW),
    )


def _sweep(logs: Sequence[Log]) -> cogging.Sweep:
    """Return the readings of all logs with their direction; those around a reversal are left out."""
    angles, torques, ways = [], [], []
    for log in logs:
        if "torque" in log:
            torque = log["torque"]
        elif "lever_arm" in log.conditions:
            torque = log["force"] * log.conditions["lever_arm"]
        else:
            raise FitError("a force without its lever arm is no torque; state the condition 'lever_arm'")
        angle = np.unwrap(log["angle"])
        way = cogging.directions(angle)
        if "direction" in log.conditions:
            way = np.where(way == 0, 0.0, np.sign(log.conditions["direction"]))
        keep = way != 0
        angles.append(angle[keep])
        torques.append(torque[keep])
        ways.append(way[keep])
    return cogging.Sweep(np.concatenate(angles), np.concatenate(torques), np.concatenate(ways))


def _covered(sweep: cogging.Sweep) -> float:
    """Return how many turns the readings of the shorter direction cover."""
    return min(cogging.turns(sweep.angle[sweep.direction == sign]) for sign in np.unique(sweep.direction))


def _design(given: Mapping[str, float]) -> tuple[int | None, int | None, float]:
    """Return slots and poles, and the turns of the motor in one of the output, by which orders are counted."""
    pairs = known_pole_pairs(given)
    slots = given.get("nameplate_slots")
    gear = given.get("nameplate_gear_ratio", 1.0)
    return (None if slots is None else round(slots)), (None if pairs is None else 2 * pairs), gear


def _highest(sweep: cogging.Sweep, slots: int | None, poles: int | None, gear: float) -> int:
    """Return the highest order that the readings resolve and anyone asks for."""
    rates = []
    for sign in np.unique(sweep.direction):
        angle = sweep.angle[sweep.direction == sign]
        rates.append(angle.size / cogging.turns(angle))
    resolved = int(min(rates) / 2.5)
    if resolved < 12:
        raise FitError(f"{min(rates):.0f} readings a turn are too few; read the torque at least 36 times a turn")
    wanted = 600
    if slots and poles:
        wanted = max(4 * cogging.ideal_order(slots, poles, gear), round(6 * gear * max(slots, poles)))
    return min(resolved, wanted, 6000)


def _warn_of_disagreement(sweep: cogging.Sweep, found: cogging.Harmonics, report: Report) -> None:
    """Warn where the two directions show the strongest order at different angles."""
    if not found.orders.size:
        return
    order = int(found.orders[np.argmax(found.amplitudes)])
    parts = []
    for sign in (1.0, -1.0):
        here = sweep.direction == sign
        one = cogging.fit_harmonics(
            cogging.Sweep(sweep.angle[here], sweep.torque[here], sweep.direction[here], sweep.step, sweep.size),
            np.array([order]),
            scatter=False,
        )
        parts.append(complex(one.cosines[0], one.sines[0]))
    together = abs(parts[0] + parts[1]) / (abs(parts[0]) + abs(parts[1]))
    if together <= 0.9:
        report.warn(
            f"the two directions show order {order} at different angles, so that their mean is "
            f"{100 * (1 - together):.0f} % weaker than either; use one angle zero for both, and look for backlash"
        )


def _spoken(order: int, ideal: int | None, highest: int, slots: int | None, poles: int | None, gear: float) -> str:
    cause = cogging.cause(order, slots, poles, gear)
    if ideal is None or ideal > highest:
        return f"The strongest order is {order} per turn: {cause}."
    design = f"lcm({slots} slots, {poles} poles)" + (f" times the gear's {gear:g}" if gear != 1.0 else "")
    if order == ideal:
        return f"The strongest order is {order} per turn, {design} as in an ideal machine."
    return (
        f"The strongest order is {order} per turn, not the {ideal} of {design}: {cause}. "
        "Check the stated slots and pole pairs too."
    )


def _pitch(poles: int | None, gear: float, choice: Choice) -> float:
    """Return the angle (rad) that the figure of the torque shows: a pole pitch, or ten waves of the cogging."""
    if poles:
        return float(2 * np.pi / (poles * gear))
    return float(2 * np.pi * min(1.0, 10 / choice.order)) if choice.order else float(2 * np.pi)


def _panels(sweep: cogging.Sweep, found: cogging.Harmonics, amplitude: np.ndarray, pitch: float) -> list[Panel]:
    points = 1 << int(max(1024, 8 * (found.orders.max() if found.orders.size else 1))).bit_length()
    line = cogging.curve(found.orders, found.cosines, found.sines, points)
    turn = 2 * np.pi * np.arange(points) / points
    at = np.flatnonzero(turn <= pitch)
    at = at[drawn(at.size)]
    series = []
    for sign, name in ((1.0, "forwards"), (-1.0, "backwards")):
        here = np.flatnonzero((sweep.direction == sign) & (sweep.angle % (2 * np.pi) <= pitch))
        here = here[drawn(here.size)]
        if here.size:
            series.append(Series(name, sweep.angle[here] % (2 * np.pi), sweep.torque[here]))
            friction = found.friction or 0.0
            series.append(Series(f"fit {name}", turn[at], line[at] + found.zero + sign * friction, "fit"))
    over_angle = Panel(
        "torque-angle",
        "Torque over the angle, in part of a turn" if pitch < 2 * np.pi else "Torque over the angle",
        Axis("Angle", "angle", "deg"),
        Axis("Torque", "torque", "N m"),
        series,
        "The gap between the directions is twice the friction; the waves on both are cogging.",
    )
    over_order = Panel(
        "orders",
        "Torque by order",
        Axis("Periods per turn", "number", "1"),
        Axis("Amplitude", "torque", "N m"),
        [Series("amplitude", np.arange(1, amplitude.size, dtype=float), amplitude[1:])],
        "A sound motor shows the least common multiple of slots and poles and its multiples.",
        drawing="bars",
    )
    return [over_angle, over_order]


PROCEDURE = Cogging()

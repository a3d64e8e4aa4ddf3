"""Cogging torque and static friction from the torque of a slowly turned rotor over its angle."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from ..errors import FitError, Problem
from ..physics import cogging
from ._unsplit import Fit, Procedure
from .base import Axis, Condition, Log, Need, Panel, Quantity, Series, Table
from .fit import Block

_DRAWN = 2000


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
        Condition("direction", "number", "1 or -1 for a log that turns one way; told from the angle otherwise"),
    )
    needs = (Need("pole_pairs", "to tell the orders of the design from those of faults"),)
    gives = ("cogging_torque", "cogging_order", "static_friction")
    quantities = (
        Quantity(
            "cogging_torque",
            "Cogging torque, peak to peak",
            "T_cog",
            "torque",
            "N m",
            "maximum less minimum over one turn of the torque's harmonics from three per turn on, friction "
            "and zero taken off",
            "IEEE 1812 (cogging torque test); by harmonics",
        ),
        Quantity(
            "cogging_order",
            "Cogging periods per turn",
            "k_cog",
            "number",
            "1",
            "the strongest order of the torque over one turn, from three per turn on; lcm(slots, poles) in "
            "an ideal machine",
            "least common multiple of slots and poles (IEEE 1812 in its background; any textbook)",
        ),
        Quantity(
            "static_friction",
            "Static friction",
            "T_fr",
            "torque",
            "N m",
            "half the mean difference of the torque between the two directions of slow rotation",
            "definition",
        ),
    )
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
    time_ordered = False

    def fit(self, logs: Sequence[Log], given: Mapping[str, float], near: Fit | None = None) -> Fit:
        """Fit friction and harmonics of the angle; which harmonics, the spectrum says."""
        sweep = _sweep(logs)
        slots, poles = _design(given)
        if near is not None:
            return _again(sweep, near)
        signs = [float(sign) for sign in np.unique(sweep.direction)]
        covered = min(cogging.turns(sweep.angle[sweep.direction == sign]) for sign in signs)
        if covered < 0.99:
            raise FitError(
                f"the log covers {covered:.2f} of a turn; harmonics are counted over a whole turn, so turn "
                "the rotor by one turn or more in each direction"
            )
        notes, warnings, missing = [], [], {}
        highest = _highest(sweep, slots, poles)
        sweep = cogging.reduced(sweep, max(16.0 * highest, 400.0))
        ideal = cogging.ideal_order(slots, poles) if slots and poles else None
        amplitude = cogging.spectrum(sweep, highest)
        lowest = max(cogging.LOWEST_ORDER, min(slots or 0, poles or 0) // 2)
        # What lies between is drift of the bench: neither a bent shaft nor slots and poles.
        seen = [k for k in cogging.standing_out(amplitude) if k < cogging.LOWEST_ORDER or k >= lowest]
        design = cogging.design_orders(slots, poles, highest) if slots and poles else []
        orders = np.array(sorted({*seen, *design}), dtype=int)
        found = cogging.fit_harmonics(sweep, orders)
        shrunk = cogging.shrinkage(found)
        blocks: list[Block] = []
        if found.friction is None:
            missing["static_friction"] = (
                "the log turns one way only, so friction cannot be told from the zero of the torque; turn back too"
            )
        else:
            # Whatever sign convention the bench has, friction resists.
            sense = -1.0 if found.friction < 0 else 1.0
            blocks.append(
                Block(
                    "slow scatter of the torque",
                    {"friction": sense * found.friction},
                    np.array([[found.low]]),
                    found.low_degrees_of_freedom,
                )
            )
            blocks.append(_exact("sign", sense=sense))
            if sense < 0:
                warnings.append(_warning("torque and angle count in opposite senses; the friction is given positive"))
            warnings.extend(_agreement(sweep, found))
        visible = np.isin(orders, seen) & (orders >= lowest)
        if visible.any():
            peak, variance = _peak_to_peak(found, shrunk, lowest)
            blocks.append(
                Block(
                    "scatter of the torque harmonics",
                    {"peak_to_peak": peak},
                    np.array([[variance]]),
                    found.degrees_of_freedom,
                )
            )
            strongest = int(orders[visible][np.argmax(found.amplitudes[visible])])
            order = ideal if ideal in seen and strongest % (ideal or 1) == 0 else strongest
            assert order is not None
            blocks.append(_exact("count", order=float(order), lowest=float(lowest)))
            left_by = {f"left_{k}": float(left) for k, left in zip(orders, shrunk, strict=True)}
            blocks.append(_exact("noise taken off", **left_by))
            notes.append(_spoken(order, ideal, highest, slots, poles))
        else:
            floor = float(np.max(amplitude[lowest:]))
            reason = (
                f"no order of the torque stands out of the noise (all below {floor * 1e3:.3g} mN m); use a "
                "finer torque sensor or a longer lever"
            )
            missing |= {"cogging_torque": reason, "cogging_order": reason}
        blocks.append(_exact("step", step=sweep.step, size=float(_size(logs, sweep))))
        rows = [
            (int(k), float(a), cogging.cause(int(k), slots, poles))
            for k, a in sorted(zip(orders, found.amplitudes, strict=True), key=lambda pair: -pair[1])
            if k in seen
        ]
        if highest < (ideal or 0):
            notes.append(
                f"The readings resolve {highest} periods a turn; the design's {ideal} (lcm of {slots} slots "
                f"and {poles} poles) lie beyond. So fine a cogging is weak as a rule, and what is seen stems "
                "from tolerances."
            )
        if not (slots and poles):
            notes.append("Slots or pole pairs are not stated, so the orders cannot be checked against the design.")
        notes.append(
            f"{covered:.2f} turns in {'both directions' if len(signs) == 2 else 'one direction'}; "
            f"{int(visible.sum())} orders from {lowest} to {highest} per turn stand out of the noise."
        )
        details = {"cogging_torque": {"harmonics": [{"order": k, "amplitude": a, "cause": c} for k, a, c in rows]}}
        table = Table("Torque over one turn", ("Order per turn", "Amplitude / N m", "Points to"), rows[:12])
        return Fit(
            blocks,
            _panels(sweep, found, amplitude),
            [table] if rows else [],
            notes,
            warnings,
            missing,
            details=details if visible.any() else {},
        )

    def derive(self, parameters: Mapping[str, float], given: Mapping[str, float]) -> dict[str, float]:
        """Return cogging torque and order, and static friction."""
        del given
        result = {}
        if "order" in parameters:
            result["cogging_torque"] = parameters["peak_to_peak"]
            result["cogging_order"] = parameters["order"]
        if "friction" in parameters:
            result["static_friction"] = parameters["friction"]
        return result


def _peak_to_peak(found: cogging.Harmonics, left: np.ndarray, lowest: int) -> tuple[float, float]:
    """Return peak to peak (N m) and its variance for the orders from ``lowest`` on, noise taken off."""
    high = found.orders >= lowest
    peak, slope = cogging.peak_to_peak(
        found.orders[high], left[high] * found.cosines[high], left[high] * found.sines[high]
    )
    rows = np.flatnonzero(np.repeat(high, 2))
    return peak, float(slope @ found.covariance[np.ix_(rows, rows)] @ slope)


def _exact(label: str, **values: float) -> Block:
    return Block(label, values, np.zeros((len(values), len(values))), np.inf)


def _warning(text: str) -> Problem:
    return Problem(text, severity="warning", procedure="cogging")


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


def _size(logs: Sequence[Log], sweep: cogging.Sweep) -> int:
    """Return how many readings were averaged into one."""
    return max(1, sum(log["angle"].size for log in logs) // sweep.angle.size)


def _again(sweep: cogging.Sweep, near: Fit) -> Fit:
    """Fit the same orders to slightly other readings: the engine's way of following an instrument's error."""
    past = near.parameters
    if past["step"] > 0:
        rate = 2 * np.pi * past["size"] / past["step"]
        sweep = cogging.reduced(sweep, rate / (past["size"] + 0.5))
    kept = {int(name[5:]): value for name, value in past.items() if name.startswith("left_")}
    orders = np.array(list(kept), dtype=int)
    found = cogging.fit_harmonics(sweep, orders, scatter=False)
    values = dict(past)
    if orders.size:
        values["peak_to_peak"], _ = _peak_to_peak(found, np.array(list(kept.values())), int(past["lowest"]))
    if found.friction is not None:
        values["friction"] = past["sense"] * found.friction
    return Fit([_exact("all", **values)])


def _design(given: Mapping[str, float]) -> tuple[int | None, int | None]:
    pairs = given.get("pole_pairs", given.get("nameplate_pole_pairs"))
    slots = given.get("nameplate_slots")
    return (None if slots is None else round(slots)), (None if pairs is None else 2 * round(pairs))


def _highest(sweep: cogging.Sweep, slots: int | None, poles: int | None) -> int:
    """Return the highest order that the readings resolve and anyone asks for."""
    rates = []
    for sign in np.unique(sweep.direction):
        angle = sweep.angle[sweep.direction == sign]
        rates.append(angle.size / cogging.turns(angle))
    resolved = int(min(rates) / 2.5)
    if resolved < 12:
        raise FitError(f"{min(rates):.0f} readings a turn are too few; read the torque at least 36 times a turn")
    wanted = 600 if not (slots and poles) else max(4 * cogging.ideal_order(slots, poles), 6 * max(slots, poles))
    return min(resolved, wanted, 6000)


def _agreement(sweep: cogging.Sweep, found: cogging.Harmonics) -> list[Problem]:
    """Warn where the two directions show the strongest order at different angles."""
    if not found.orders.size:
        return []
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
    if together > 0.9:
        return []
    return [
        _warning(
            f"the two directions show order {order} at different angles, so that their mean is "
            f"{100 * (1 - together):.0f} % weaker than either; use one angle zero for both, and look for "
            "backlash"
        )
    ]


def _spoken(order: int, ideal: int | None, highest: int, slots: int | None, poles: int | None) -> str:
    if ideal is None or ideal > highest:
        return f"The strongest order is {order} per turn: {cogging.cause(order, slots, poles)}."
    if order == ideal:
        return f"The strongest order is {order} per turn, lcm({slots} slots, {poles} poles) as in an ideal machine."
    return (
        f"The strongest order is {order} per turn, not the {ideal} of lcm({slots} slots, {poles} poles): "
        f"{cogging.cause(order, slots, poles)}. Check the stated slots and pole pairs too."
    )


def _panels(sweep: cogging.Sweep, found: cogging.Harmonics, amplitude: np.ndarray) -> list[Panel]:
    points = 1 << int(max(1024, 8 * (found.orders.max() if found.orders.size else 1))).bit_length()
    line = cogging.curve(found.orders, found.cosines, found.sines, points)
    every = max(1, points // _DRAWN)
    turn = 2 * np.pi * np.arange(points) / points
    series = []
    for sign, name in ((1.0, "forwards"), (-1.0, "backwards")):
        here = np.flatnonzero(sweep.direction == sign)
        here = here[:: max(1, here.size // _DRAWN)]
        if here.size:
            series.append(Series(name, sweep.angle[here] % (2 * np.pi), sweep.torque[here]))
            friction = found.friction or 0.0
            series.append(Series(f"fit {name}", turn[::every], line[::every] + found.zero + sign * friction, "fit"))
    over_angle = Panel(
        "torque-angle",
        "Torque over the angle",
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
        form="bars",
    )
    return [over_angle, over_order]


PROCEDURE = Cogging()

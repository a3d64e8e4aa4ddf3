"""What the gate-timing procedure estimates from reduced captures, part by part (shown by ``_gate_views``)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ..errors import FitError
from ..physics import sampling
from ..physics.commutation import Commutation, judge
from ..physics.gate_stream import GATES, HALLS
from ..physics.kept_sectors import Later
from ..physics.legs import LegCommutation, Sectors, judge_legs
from ..physics.linearity import Linearity, levels, linearity
from ..physics.shared_channel import table_through, turn_of_codes, turn_of_states
from ..physics.six_step import table_code
from ._hall_joined import undirected
from .base import Axis, Lack, Log
from .fit import Fit

_BIPOLAR = 0b1111
_LEGS = "ABC"


@dataclass(frozen=True)
class Seen:
    """What the report shows; ``None`` where these captures do not give it. ``duty``: its points and their line.

    ``joined``: the state of each sensor code where it comes from captures of gates and of sensors apart, and the
    numbers of the channels (six gates, three sensors) that both hold.
    """

    dead: sampling.Shortest | None
    period: sampling.Period | None
    commutation: Judged | None
    duty: tuple[np.ndarray, np.ndarray, np.ndarray, Axis, Linearity] | None
    joined: tuple[Mapping[int, int], tuple[int, ...]] | None = None


@dataclass(frozen=True)
class Judged:
    """A commutation with counts of sectors by code and state ``(8, 8)``, dropouts and delays with their counts.

    ``legs`` are those that were captured beside the sensors, all three where one capture held everything.
    """

    found: Commutation
    table: np.ndarray
    dropouts: int
    delays: np.ndarray
    delay_counts: np.ndarray
    legs: str = _LEGS


_NO_LEG = "both gates of a leg were not captured together; capture them"
_NO_GATE = "no gate signal was captured; capture one gate at least (both gates of a leg show dead time)"
_NO_TABLE = (
    "no capture holds the three sensors together with both gates of a leg; an analyser of eight channels takes the "
    "sensors and the gates of two legs, or all gates with a sensor beside a capture of the three sensors"
)
_TWO_CAPTURES = (
    "gates and sensors come from two captures, so which sectors and edges belong together is not seen; capture the "
    "three sensors together with both gates of two legs"
)
_COMMUTATION = ("commutation_errors", "controller_table", "commutation_delay")


def lacks(logs: Sequence[Log]) -> list[Lack]:
    """Return what captures cannot give by the names of their columns: raw gates and sensors, not reduced ones."""
    gates = np.array([[name in log for name in GATES] for log in logs])
    sensors = np.array([[name in log for name in HALLS] for log in logs])
    if not gates.any():
        return [Lack(_NO_GATE)]
    found = []
    legs = gates[:, ::2] & gates[:, 1::2]
    if not legs.any():
        found.append(Lack(_NO_LEG, ("dead_time_min", "overlap_count")))
    if absent := "".join(_LEGS[k] for k in np.flatnonzero(~sensors.any(axis=0))):
        found.append(Lack(_not_captured(absent), ("sensor_disturbances",)))
    if not (sensors.all(axis=1) & legs.any(axis=1)).any():
        held = np.concatenate([gates, sensors], axis=1)
        # Two sensors in common show the direction themselves.
        apart = [
            "" if (sensors[one] & sensors[other]).sum() > 1 else undirected((logs[one], logs[other]))
            for one in range(len(logs))
            for other in range(len(logs))
            if one != other and gates[one].all() and sensors[other].all() and (held[one] & held[other]).any()
        ]
        reason = _TWO_CAPTURES if apart else _NO_TABLE
        found.append(Lack(reason, tuple(name for name in _COMMUTATION if not apart or name != "controller_table")))
        if apart and all(apart):
            found.append(Lack(apart[0], ("controller_table",)))
    return found


def _not_captured(sensors: str) -> str:
    return f"sensor {', '.join(sensors)} was not captured"


def channels(log: Log) -> tuple[np.ndarray, np.ndarray]:
    """Return which gates ``(6,)`` and which sensors ``(3,)`` a capture holds."""
    seen = np.asarray(log["channels"]) > 0.5
    return seen[:6], seen[6:]


def whole_legs(log: Log) -> tuple[int, ...]:
    """Return the legs of which a capture holds both gates."""
    gates, _ = channels(log)
    return tuple(leg for leg in range(3) if gates[2 * leg : 2 * leg + 2].all())


def legs_captured(logs: Sequence[Log]) -> str:
    """Return the letters of the legs of which any capture holds both gates."""
    return "".join(_LEGS[leg] for leg in sorted({leg for log in logs for leg in whole_legs(log)}))


def legs_unseen(legs: str) -> str:
    """Return the letters of the legs other than these."""
    return "".join(leg for leg in _LEGS if leg not in legs)


def legs_title(legs: str) -> str:
    """Return "leg A" or "legs A and B"."""
    return f"leg{'s' * (len(legs) > 1)} {' and '.join(legs)}"


def gates_lacking(logs: Sequence[Log]) -> list[int]:
    """Return the numbers of the gates that no capture holds."""
    return np.flatnonzero(~np.any([channels(log)[0] for log in logs], axis=0)).tolist()


def sensors_lacking(logs: Sequence[Log]) -> str:
    """Return the letters of the sensors that no capture holds."""
    seen = np.any([channels(log)[1] for log in logs], axis=0)
    return "".join(letter for letter, there in zip(_LEGS, seen, strict=True) if not there)


def sampled(prefix: str, found: sampling.Shortest, fit: Fit) -> None:
    """Add a time read by a sample clock as its value and its rectangular errors of resolution."""
    edges = {f"{prefix}_edge_{n}": 0.0 for n in range(len(found.half_widths))}
    fit.exact(f"{prefix} time as read", **{f"{prefix}_read": found.value})
    variances = np.diag(np.array(found.half_widths) ** 2 / 3)
    fit.block("resolution of the sample clock", edges, variances, distribution="rectangular")


def interval(logs: Sequence[Log]) -> float:
    """Return the longest time between two samples, in s."""
    return max(float(log["sample_interval"][0]) for log in logs)


def pooled(logs: Sequence[Log], column: str) -> tuple[np.ndarray, np.ndarray]:
    """Return values of all captures and how often each was seen."""
    return tuple(np.concatenate([log[name] for log in logs]) for name in (column, f"{column}_count"))  # type: ignore[return-value]


def check_levels(logs: Sequence[Log]) -> None:
    """Raise ``FitError`` where a gate signal is upside down, none ever turned on, or none was captured."""
    if not any(channels(log)[0].any() for log in logs):
        raise FitError(_NO_GATE)
    for log in logs:
        share = log["leg_overlap_time"] / log["span"][0]
        leg = int(np.argmax(share))
        if share[leg] > 0.2:
            raise FitError(
                f"{log.label}: both gates of leg {'ABC'[leg]} read as on for {share[leg] * 100:.0f} % of the time, "
                "which no bridge survives; a gate signal is active-low, so set 'invert: true' for it in the layout"
            )
        if channels(log)[0].any() and not np.any(log["gate_on_time"] > 0):
            raise FitError(f"{log.label}: no gate ever turned on; capture while the controller drives the motor")


def dead_time(logs: Sequence[Log], fit: Fit) -> sampling.Shortest | None:
    """Find the shortest dead time over all captures and edges."""
    best: sampling.Shortest | None = None
    for log in logs:
        for group in np.unique(log["dead_time_group"]):
            mine = log["dead_time_group"] == group
            found = sampling.shortest(
                log["dead_time"][mine], log["dead_time_count"][mine], float(log["sample_interval"][0])
            )
            if best is None or found.value < best.value:
                best = found
    if not legs_captured(logs):
        fit.missing["dead_time_min"] = _NO_LEG
    elif best is None:
        fit.missing["dead_time_min"] = (
            "the switches of one leg never follow each other within 20 µs: the bridge is not switched complementary "
            "at this load, so there is no dead time to measure"
        )
    else:
        sampled("dead", best, fit)
    return best


def overlaps(logs: Sequence[Log], fit: Fit) -> None:
    """Count the overlaps of the legs captured; none in some of the legs says nothing of the bridge."""
    legs = legs_captured(logs)
    count = sum(float(log["overlap_total"][0]) for log in logs)
    if not legs:
        fit.missing["overlap_count"] = _NO_LEG
    elif count == 0 and (unseen := legs_unseen(legs)):
        fit.missing["overlap_count"] = (
            f"none was seen in {legs_title(legs)}, but {legs_title(unseen)} can short the supply as well; capture both "
            "gates of every leg"
        )
    else:
        fit.exact("count of overlaps", overlap_count=count)


def periods(logs: Sequence[Log]) -> tuple[np.ndarray, np.ndarray]:
    """Return the switching periods of all captures and how often each was seen."""
    found = []
    for log in logs:
        values, counts = log["pwm_period"], log["pwm_period_count"]
        if not channels(log)[1].all():
            values, counts = sampling.steady(values, counts, float(log["sample_interval"][0]))
        found.append((values, counts))
    return tuple(np.concatenate(parts) for parts in zip(*found, strict=True))  # type: ignore[return-value]


def pwm(logs: Sequence[Log], fit: Fit) -> sampling.Period | None:
    """Find the switching period and its jitter."""
    try:
        spread = sampling.period(*periods(logs), sum(float(log["span"][0]) for log in logs))
    except FitError as error:
        fit.lacking(("pwm_frequency", "pwm_jitter"), str(error))
        return None
    freedom = float(spread.count - 1)
    fit.block("scatter of the switching period", {"period": spread.mean}, spread.standard_error**2, freedom)
    found = sampling.jitter(spread, interval(logs))
    if found is None:
        fit.missing["pwm_jitter"] = (
            f"the period scatters by {spread.standard_deviation * 1e9:.3g} ns, no more than the sample clock of "
            f"{interval(logs) * 1e9:.3g} ns makes it; capture faster to see less"
        )
    else:
        fit.block("scatter of the switching jitter", {"pwm_jitter": found[0]}, found[1] ** 2, freedom)
    return spread


def commutation(
    logs: Sequence[Log], fit: Fit
) -> tuple[Judged | None, tuple[Mapping[int, int], tuple[int, ...]] | None]:
    """Judge the sectors by the six-step rule, and time the steps; else find at least the table."""
    lacking = sensors_lacking(logs)
    if lacking:
        fit.missing["sensor_disturbances"] = _not_captured(lacking)
    else:
        glitches = sum(float(log["glitch_total"][0]) for log in logs)
        fit.exact("count of disturbances", sensor_disturbances=glitches)
    complete = [log for log in logs if all(seen.all() for seen in channels(log))]
    try:
        judged = _by_states(complete) if complete else _by_legs(logs)
        if judged.found.judged < 12:
            raise FitError(
                f"only {judged.found.judged} whole sensor sectors with conduction were captured; capture at least two "
                "electrical turns under drive"
            )
    except FitError as reason:
        fit.lacking(_COMMUTATION, str(reason))
        return None, _by_shared_channel(logs, fit)
    errors = judged.found.errors + judged.dropouts
    if errors == 0 and (lacking := not_judged(judged)):
        fit.missing["commutation_errors"] = f"none was found in what was judged, but not judged are {lacking}"
    else:
        fit.exact("count of commutation errors", commutation_errors=float(errors))
    fit.exact("commutation table", controller_table=float(_code_of(judged.found.table)))
    values, counts = judged.delays, judged.delay_counts
    n = float(counts.sum())
    if n < 6:
        fit.missing["commutation_delay"] = "fewer than six steps from one state to its neighbour were captured"
        return judged, None
    mean = float(np.sum(values * counts) / n)
    variance = max(float(np.sum(counts * (values - mean) ** 2) / (n - 1)), interval(logs) ** 2 / 6)
    fit.block("scatter of the commutation delay", {"commutation_delay": mean}, variance / n, n - 1)
    return judged, None


def not_judged(judged: Judged) -> str:
    """Return which errors would not be counted, and what to do; "" if all are."""
    unseen = legs_unseen(judged.legs)
    return f"faults of {legs_title(unseen)} alone; capture it beside the sensors too" if unseen else ""


def _by_states(logs: Sequence[Log]) -> Judged:
    """Judge captures that hold all six gates and three sensors. Raises ``FitError`` for another kind of drive."""
    table = np.asarray(np.sum([log["state_table"] for log in logs], axis=0).reshape(8, 8))
    found = judge(table, np.sum([log["sensor_steps"] for log in logs], axis=0).reshape(8, 8))
    if found.all_legs > 0.5 * table.sum() and table.sum() > 0:
        raise FitError(
            "all three legs are switched at once (sine or space-vector drive), so there is no commutation table"
        )
    dropouts = sum(round(float(log["dropout_total"][0])) for log in logs)
    return Judged(found, table, dropouts, *pooled(logs, "commutation_delay"))


def _by_legs(logs: Sequence[Log]) -> Judged:
    """Judge captures that hold some legs beside all sensors. Raises ``FitError`` where they do not tell the table."""
    captures = [
        Sectors(
            log["sector_code"].astype(int),
            log["sector_share"].reshape(-1, 6),
            np.where(log["sector_delay"] >= 0, log["sector_delay"], np.nan).reshape(-1, 6),
            whole_legs(log),
            channels(log)[0],
            Later.of(log["sector_median"], log["later_sector"], log["later_sector_count"].astype(np.int64))
            if log["later_sector"].size
            else None,
        )
        for log in logs
        if channels(log)[1].all() and whole_legs(log)
    ]
    if not captures:
        raise FitError(_NO_TABLE)
    if not any(one.code.size for one in captures):
        raise FitError("no whole sensor sector was captured; capture at least two electrical turns under drive")
    found: LegCommutation = judge_legs([one for one in captures if one.code.size])
    legs = "".join(_LEGS[leg] for leg in sorted({leg for one in captures for leg in one.legs}))
    return Judged(found.found, found.table, found.dropouts, found.delays, np.ones(found.delays.size), legs)


def _apart(logs: Sequence[Log]) -> tuple[Log, Log, tuple[int, ...]] | None:
    """Return a capture of six gates, one of three sensors, and the channels that both hold; ``None`` without such."""
    best: tuple[Log, Log, tuple[int, ...]] | None = None
    for one in logs:
        for other in logs:
            both = np.concatenate(channels(one)) & np.concatenate(channels(other))
            if one is not other and channels(one)[0].all() and channels(other)[1].all() and both.any():
                shared = tuple(np.flatnonzero(both).tolist())
                # A sensor tells the turn more sharply than a gate.
                if best is None or shared[::-1] > best[2][::-1]:
                    best = one, other, shared
    return best


def _by_shared_channel(logs: Sequence[Log], fit: Fit) -> tuple[Mapping[int, int], tuple[int, ...]] | None:
    """Find the table from gates in one capture and sensors in another, and say what that cannot show."""
    apart = _apart(logs)
    if apart is None:
        return None
    gates, sensors, shared = apart
    fit.lacking(("commutation_errors", "commutation_delay"), _TWO_CAPTURES)
    try:
        states = turn_of_states(gates["slice_levels"].reshape(8, 10), gates["slice_steps"].reshape(8, 8))
        codes = turn_of_codes(sensors["sector_code"].astype(int), sensors["sector_share"].reshape(-1, 6))
        _check_direction((gates, sensors))
        table = table_through(states, codes, shared, why_undirected=undirected((gates, sensors)))
    except FitError as reason:
        fit.missing["controller_table"] = str(reason)
        return None
    fit.missing.pop("controller_table", None)
    fit.exact("commutation table", controller_table=float(_code_of(table)))
    return table, shared


def _check_direction(logs: Sequence[Log]) -> None:
    """Raise ``FitError`` where captures state two directions."""
    if len({log.conditions["driven_direction"] for log in logs if "driven_direction" in log.conditions}) > 1:
        raise FitError(
            "gates and sensors were captured in different directions, which are two tables; capture both the same way"
        )


def _code_of(table: Mapping[int, int]) -> int:
    return table_code({sensors: state - 1 for sensors, state in table.items()})


def duty(logs: Sequence[Log], fit: Fit) -> tuple[np.ndarray, np.ndarray, np.ndarray, Axis, Linearity] | None:
    """Find how far the duty ratio departs from a straight line over its command."""
    x, y, error, axis = _duty_points(logs)
    if x.size == 0 and not any(channels(log)[0].all() for log in logs):
        fit.missing["duty_linearity"] = (
            "of captures that do not hold all six gates only several show it, each with its condition "
            "'commanded_duty', with one gate in all of them that is chopped"
        )
    elif int(np.argmax(np.sum([log["scheme_count"] for log in logs], axis=0))) == _BIPOLAR:
        fit.missing["duty_linearity"] = (
            "both legs are chopped complementary, so the bridge is connected all the time and the gates' on-times "
            "show no duty ratio"
        )
    elif x.size == 0:
        fit.missing["duty_linearity"] = (
            "neither a throttle or duty channel nor the condition 'commanded_duty' of several captures says what was "
            "asked for; add one"
        )
    else:
        try:
            found = linearity(x, y, error)
        except FitError as reason:
            fit.missing["duty_linearity"] = str(reason)
            return None
        variance, freedom = found.standard_uncertainty**2, float(max(x.size - 2, 1))
        fit.block("scatter of the duty ratio", {"duty_linearity": found.value}, variance, freedom)
        return x, y, error, axis, found
    return None


def _duty_points(logs: Sequence[Log]) -> tuple[np.ndarray, np.ndarray, np.ndarray, Axis]:
    """Return command, duty ratio and its standard error, from channels in one capture or from several captures."""
    nothing = np.zeros(0)
    stated = [log for log in logs if "commanded_duty" in log.conditions]
    if len(stated) >= 5:
        x = np.array([log.conditions["commanded_duty"] for log in stated])
        y, spread = _mean_duty(stated)
        if y.size == 0:
            return nothing, nothing, nothing, Axis("Commanded duty ratio", "ratio", "percent")
        return x, y, spread, Axis("Commanded duty ratio", "ratio", "percent")
    for name, axis in (
        ("window_command", Axis("Commanded duty ratio", "ratio", "percent")),
        ("window_throttle", Axis("Throttle signal", "voltage", "V")),
    ):
        having = [log for log in logs if name in log]
        if not having:
            continue
        given = np.concatenate([log[name] for log in having])
        duty = np.concatenate([log["window_duty"] for log in having])
        inside = (duty > 0.02) & (duty < 0.98)  # the dead band and the stop are not part of the characteristic
        if inside.sum() < 15:
            return nothing, nothing, nothing, axis
        try:
            found = levels(given[inside], duty[inside])
        except FitError:
            return nothing, nothing, nothing, axis
        return found.input, found.output, found.error, axis
    return nothing, nothing, nothing, Axis("Command", "ratio", "percent")


def _mean_duty(logs: Sequence[Log]) -> tuple[np.ndarray, np.ndarray]:
    """Return the mean duty ratio of each capture and its standard error; nothing where they have no gate in common.

    Where not all gates were captured it is the share in which one gate was on while it was chopped: that is the duty
    ratio or a straight line of it, by the scheme, and the departure from a line over the span is the same.
    """
    if all(channels(log)[0].all() for log in logs):
        windows = [log["window_duty"] for log in logs]
        spread = [np.std(duty) / np.sqrt(max(duty.size, 1)) for duty in windows]
        return np.array([float(np.mean(duty)) for duty in windows]), np.array(spread)
    count, total, squares = np.moveaxis(np.array([log["pulse_share"].reshape(6, 3) for log in logs]), 2, 0)
    gate = int(np.argmax(count.min(axis=0)))
    n = count[:, gate]
    if n.min() < 10:
        return np.zeros(0), np.zeros(0)
    mean = total[:, gate] / n
    return mean, np.sqrt(np.maximum(squares[:, gate] / n - mean**2, 0.0) / n)

"""Supply window: the voltages between which a controller drives, and how cleanly it switches at their edges."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from ..errors import FitError
from ..physics.sweeps import EXTRAPOLATION, Switching, noise, switchings
from .assumption import Assumption
from .base import Axis, Log, Panel, Procedure, Quantity, Report, Series, drawn
from .fit import Fit

#: Outputs that show whether the controller drives, by preference: share of the largest reading that counts as on,
#: and the least change in SI that is a drive at all (common practice, no source).
_OUTPUTS = (("duty", 0.05, 0.02), ("supply_current", 0.2, 0.2), ("speed", 0.2, 1.0))
#: Switchings closer than this share of the swept range are one event.
_CLOSE = 0.06
_NAMES = {
    ("up", True): "start_voltage",
    ("down", False): "cutoff_voltage",
    ("up", False): "overvoltage_cutoff",
    ("down", True): "overvoltage_return",
}
_ASK = {
    "start_voltage": "start the sweep below the cut-off, with the throttle up",
    "cutoff_voltage": "sweep down until the controller cuts off",
    "overvoltage_cutoff": "sweep up, as far as the controller's maker allows",
    "overvoltage_return": "sweep down again after the overvoltage cut-off",
}


class SupplyWindow(Procedure):
    """The supply swept slowly up and down, several times, with the throttle held."""

    name = "supply-window"
    title = "Supply window"
    purpose = "Find the voltages at which the controller starts and cuts off, against those of the real pack."
    unit_kinds = ("controller", "drive")
    required_columns = ("time", "supply_voltage", ("duty", "supply_current", "speed"))
    assumptions = (
        Assumption(
            "response_delay",
            # Rectangular: both ends, and above all an answer at once, must lie within the 95 % of it, not at its edge.
            0.15,
            0.25,
            "the controller answers at once, or up to 0.4 s after its supply has passed a threshold, since it smooths "
            "the voltage that it watches (common practice, no source; taken wide enough that an answer at once lies "
            "well within); sweep more slowly where that counts",
            of_unit=True,
        ),
    )
    gives = (
        "start_voltage",
        "cutoff_voltage",
        "supply_hysteresis",
        "overvoltage_cutoff",
        "overvoltage_return",
        "supply_chatter",
    )
    # fmt: off
    quantities = (
        Quantity(
            "start_voltage", "Start voltage", "U_start", "voltage", "V",
            "rising supply voltage at which the controller begins to drive",
            "definition",
            least=0.0,
        ),
        Quantity(
            "cutoff_voltage", "Cut-off voltage", "U_off", "voltage", "V",
            "falling supply voltage at which the controller ceases to drive (undervoltage cut-off)",
            "definition",
            remedy="set the cut-off to the pack if the controller allows it, else use a pack that protects itself",
            least=0.0,
        ),
        Quantity(
            "supply_hysteresis", "Supply hysteresis", "dU_hys", "voltage", "V",
            "start voltage less cut-off voltage",
            "definition",
            least=0.0,
            impossible="supply swept too fast, or the output that shows it driving lags; sweep slower",
        ),
        Quantity(
            "overvoltage_cutoff", "Overvoltage cut-off", "U_ov", "voltage", "V",
            "rising supply voltage at which the controller ceases to drive",
            "definition",
            least=0.0,
        ),
        Quantity(
            "overvoltage_return", "Overvoltage return", "U_ov,ret", "voltage", "V",
            "falling supply voltage at which the controller drives again after an overvoltage cut-off",
            "definition",
            least=0.0,
        ),
        Quantity(
            "supply_chatter", "Supply chatter", "N_chat", "number", "1",
            "number of changes between driving and not driving beyond one at each threshold of each sweep",
            "definition",
            least=0.0,
            whole=True,
        ),
    )
    # fmt: on
    not_covered = ("No sweep of a real controller is compared; sweeps are drawn or simulated.",)
    cautions = (
        "Lift and guard the wheel: the controller starts by itself when the supply comes up with the throttle held.",
        "Do not sweep above the voltage rating of the controller's capacitors; discharge them before you touch "
        "terminals.",
        "A motor that slows down feeds back: use a supply that withstands it, or a diode.",
    )
    minimum_rows = 50
    combines = True
    order = 15
    minutes = 15

    def estimate(self, logs: Sequence[Log], given: Mapping[str, float], choice: None) -> Fit:
        """Find the switchings of all sweeps and average each kind."""
        fit = Fit()
        events: dict[str, list[tuple[Switching, float]]] = {name: [] for name in _NAMES.values()}
        chatter = 0
        for log in logs:
            span = float(np.ptp(log["supply_voltage"]))
            found, extra = switchings(log["time"], log["supply_voltage"], _driving(log), _CLOSE * span)
            chatter += extra
            reading = noise(log["supply_voltage"])
            for event in found:
                events[_NAMES[event.direction, event.on]].append((event, reading))
        _plausible(events)
        for name, seen in events.items():
            if seen:
                _threshold(name, seen, fit)
            else:
                fit.missing[name] = _absent(name, logs)
        if not (events["start_voltage"] and events["cutoff_voltage"]):
            fit.missing["supply_hysteresis"] = "start and cut-off voltage were not both seen; sweep up and down"
        fit.exact("count of changes", supply_chatter=float(chatter))
        fit.seen = events
        return fit

    def report(self, logs: Sequence[Log], given: Mapping[str, float], choice: None, fit: Fit) -> Report:
        """Show the sweeps, and the thresholds against those of the pack."""
        report = Report(panels=[_panel(log, _driving(log)) for log in logs])
        delay = given["response_delay"]
        for name, seen in fit.seen.items():
            title, values = name.replace("_", " "), [event.value for event, _ in seen]
            if not values:
                continue
            if len(values) < 3:
                report.notes.append(f"{title}: fewer than three sweeps, so whether it repeats is not known.")
            rate = float(np.mean([abs(event.rate) for event, _ in seen]))
            report.notes.append(
                f"{title}: {len(values)} time{'s' if len(values) > 1 else ''}, {min(values):.2f} V to "
                f"{max(values):.2f} V, swept at {rate:.2g} V/s (the response delay of {delay:g} s that "
                f"is allowed for shifts it by {delay * rate:.2g} V)."
            )
        if chatter := int(fit.parameters["supply_chatter"]):
            report.warn(
                f"the controller switched {chatter} times more than once per threshold: its hysteresis is too "
                "small for this supply's leads, or it retries"
            )
        means = {name: float(np.mean([e.value for e, _ in seen])) for name, seen in fit.seen.items() if seen}
        report.quantity_notes = _against_pack(means, given)
        return report

    def derive(self, parameters: Mapping[str, float], given: Mapping[str, float]) -> dict[str, float]:
        """Return the thresholds, each with its error of resolution, and their difference."""
        result = {
            # The supply goes on while the controller takes its time: up at the start, down at the cut-off.
            name: parameters[f"{name}/mean"]
            + parameters[f"{name}/resolution"]
            - parameters[f"{name}/rate"] * given["response_delay"]
            for name in _NAMES.values()
            if f"{name}/mean" in parameters
        }
        if "start_voltage" in result and "cutoff_voltage" in result:
            result["supply_hysteresis"] = result["start_voltage"] - result["cutoff_voltage"]
        result["supply_chatter"] = parameters["supply_chatter"]
        return result


def _driving(log: Log) -> np.ndarray:
    for name, share, least in _OUTPUTS:
        if name not in log:
            continue
        output = log[name]
        low, high = float(np.min(output)), float(np.max(output))
        # The idle current is no drive: on is above a share of the way from idle to the largest.
        idle = low if name == "supply_current" else 0.0
        if high - idle < least:
            raise FitError(f"{log.label}: {_never(log)}")
        return output > idle + share * (high - idle)
    raise FitError("the log has neither duty nor supply current nor speed")


def _never(log: Log) -> str:
    top = float(np.max(log["supply_voltage"]))
    return (
        f"the controller did not drive up to {top:.1f} V, the highest voltage of this supply in the log. It needs more "
        "than that to start: use a supply with a higher voltage, or check throttle, brake and sensors"
    )


def _plausible(events: Mapping[str, Sequence[tuple[Switching, float]]]) -> None:
    starts = [event.value for event, _ in events["start_voltage"]]
    over = [event.value for event, _ in events["overvoltage_cutoff"]]
    if starts and over and min(over) < max(starts):
        raise FitError(
            "the controller ceases to drive on the way up below the voltage at which it starts in another sweep; "
            "it was switched by something else than its supply: hold throttle and brake still"
        )


def _threshold(name: str, seen: Sequence[tuple[Switching, float]], fit: Fit) -> None:
    values = np.array([event.value for event, _ in seen])
    n, title = values.size, name.replace("_", " ")
    gap = float(np.mean([event.half_gap for event, _ in seen]))
    reading = float(np.mean([noise_ for _, noise_ in seen]))
    variance, dof = reading**2 * EXTRAPOLATION / n, np.inf
    # Too few sweeps do not show the scatter of the threshold: what is known then is the reading and the gap.
    if n >= 3:
        variance, dof = max(float(values.var(ddof=1)) / n, variance), n - 1.0
    fit.block(f"scatter of the {title}", {f"{name}/mean": float(values.mean())}, variance, dof)
    # Where each sweep is read at other voltages, the gap is an error of each; a supply that is set to the same voltages
    # in every sweep makes the same error every time, and the values then agree far better than the gap lets them.
    alike = n < 3 or float(values.var(ddof=1)) < 0.05 * gap**2 / 3
    label = f"voltage between two readings at the {title}"
    fit.exact(
        f"rate of the sweep at the {title}", **{f"{name}/rate": float(np.mean([event.rate for event, _ in seen]))}
    )
    fit.block(label, {f"{name}/resolution": 0.0}, gap**2 / 3 / (1 if alike else n), distribution="rectangular")


def _absent(name: str, logs: Sequence[Log]) -> str:
    top = max(float(np.max(log["supply_voltage"])) for log in logs)
    low = min(float(np.min(log["supply_voltage"])) for log in logs)
    return f"not seen between {low:.1f} V and {top:.1f} V; {_ASK[name]}"


def _against_pack(values: Mapping[str, float], given: Mapping[str, float]) -> dict[str, list[str]]:
    notes: dict[str, list[str]] = {}
    empty, full = given.get("pack_voltage_empty"), given.get("pack_voltage_full")
    start, cutoff, over = (values.get(n) for n in ("start_voltage", "cutoff_voltage", "overvoltage_cutoff"))
    if full is not None and start is not None and start > full:
        notes["start_voltage"] = [f"Above the full pack's {full:.1f} V: this controller will not start on this pack."]
    elif empty is not None and start is not None:
        word = "above" if start > empty else "below"
        notes["start_voltage"] = [f"{abs(start - empty):.1f} V {word} the empty pack's {empty:.1f} V."]
    if empty is not None and cutoff is not None:
        margin = cutoff - empty
        text = (
            f"{margin:.1f} V above the empty pack's {empty:.1f} V."
            if margin >= 0
            else f"{-margin:.1f} V below the empty pack's {empty:.1f} V: the pack's own protection must cut off first."
        )
        notes["cutoff_voltage"] = [text]
    if full is not None and over is not None:
        margin = over - full
        text = (
            f"{margin:.1f} V above the full pack's {full:.1f} V."
            if margin > 0
            else f"{-margin:.1f} V below the full pack's {full:.1f} V: this controller will not drive on a full pack."
        )
        notes["overvoltage_cutoff"] = [text]
    return notes


def _panel(log: Log, on: np.ndarray) -> Panel:
    time, voltage = log["time"], log["supply_voltage"]
    keep = drawn(time.size)
    driving, idle = keep[on[keep]], keep[~on[keep]]
    return Panel(
        f"sweep-{log.label}",
        "Supply voltage, driving or not",
        Axis("Time", "time", "s"),
        Axis("Supply voltage", "voltage", "V"),
        [
            Series("driving", time[driving], voltage[driving]),
            Series("not driving", time[idle], voltage[idle], "left out"),
        ],
        "The change of colour marks the thresholds; each should be a single one.",
    )


PROCEDURE = SupplyWindow()

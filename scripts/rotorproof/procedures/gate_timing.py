"""Gate signals against the position sensors: dead time, overlap, switching frequency, commutation."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

import numpy as np

from ..physics import sampling
from ..physics.gate_stream import GATES, HALLS, REDUCED, GateStream
from . import _gate_views as views
from ._gate_timing import Seen, check_levels, commutation, dead_time, duty, interval, lacks, overlaps, pwm, sampled
from ._hall_joined import DRIVEN_DIRECTION
from .base import Condition, Lack, Log, Procedure, Quantity, Reducer, Report
from .fit import Fit


class GateTiming(Procedure):
    """Logic captures of gate signals and sensors while the controller drives: all nine, or what an analyser takes."""

    name = "gate-timing"
    title = "Gate timing"
    purpose = "See whether the bridge can ever short its supply, and whether it commutates as the sensors ask."
    unit_kinds = ("controller", "drive")
    required_columns = ("time", (*GATES, *HALLS))
    optional_columns = ("throttle", "duty")
    conditions = (
        Condition(
            "sample_rate",
            "frequency",
            "sample rate of the logic analyser, for example 24 MHz (its clock error belongs into the instrument's "
            "accuracy for time)",
            required=True,
            exact=True,
        ),
        Condition("commanded_duty", "ratio", "duty ratio the controller was asked for during this capture", exact=True),
        DRIVEN_DIRECTION,
    )
    gives = (
        "dead_time_min",
        "overlap_count",
        "pwm_frequency",
        "pwm_jitter",
        "pulse_width_min",
        "commutation_errors",
        "controller_table",
        "commutation_delay",
        "sensor_disturbances",
        "duty_linearity",
    )
    # fmt: off
    quantities = (
        Quantity(
            "dead_time_min", "Shortest dead time", "t_dead", "time", "ns",
            "shortest time between the turn-off command of one switch of a leg and the turn-on command of the other, "
            "over all legs and both directions",
            "dead time (interlock time) of a half-bridge as gate-driver makers define it, at the gate signals; "
            "IEC 60747-9 defines the switching times of the devices it must cover",
            basis="memory",
            key=8,
            remedy="lengthen the dead time where the controller allows it, else replace the controller",
            no_bound="below zero both switches of a leg are on together: the fault that it looks for",
        ),
        Quantity(
            "overlap_count", "Overlaps", "N_overlap", "number", "1",
            "number of times both gate signals of one leg were on together (shoot-through command)",
            "definition; overlaps shorter than one sample can escape",
            least=0.0,
            whole=True,
        ),
        Quantity(
            "pwm_frequency", "Switching frequency", "f_PWM", "frequency", "kHz",
            "reciprocal of the mean time between consecutive turn-ons of a chopped gate within one sensor sector",
            "definition",
            least=0.0,
        ),
        Quantity(
            "pwm_jitter", "Switching period jitter", "s_PWM", "time", "ns",
            "standard deviation of the time between consecutive turn-ons, the sample clock's share removed",
            "definition; resolution of a counter after JCGM 100:2008, 4.3.7",
            least=0.0,
        ),
        Quantity(
            "pulse_width_min", "Shortest gate pulse", "t_on,min", "time", "ns",
            "shortest time that any gate signal was on",
            "definition",
            least=0.0,
        ),
        Quantity(
            "commutation_errors", "Commutation errors", "N_comm", "number", "1",
            "number of sensor sectors with a conduction state other than the commutation table's, without conduction "
            "between driven ones, after a skipped sensor step, or with a sensor code that cannot be",
            "six-step commutation: one of six states per 60 electrical degrees",
            least=0.0,
            whole=True,
        ),
        Quantity(
            "controller_table", "Commutation table of the controller", "C_ctrl", "number", "1",
            "for the sensor states in rising order, a digit 1 to 6 for the conduction state: 1 A+ B-, 2 A+ C-, 3 "
            "B+ C-, 4 B+ A-, 5 C+ A-, 6 C+ B-; to be compared with the table that the motor's sensors ask for",
            "definition",
            tabled=True,
            no_bound="digits of a table",
        ),
        Quantity(
            "commutation_delay", "Commutation delay", "t_comm", "time", "us",
            "mean time from a sensor edge to the first turn-on of the gate that the new conduction state adds",
            "definition",
            least=0.0,
        ),
        Quantity(
            "sensor_disturbances", "Sensor disturbances", "N_dist", "number", "1",
            "number of sensor codes that stood shorter than 50 µs",
            "definition; the limit is usual",
            basis="practice",
            least=0.0,
            whole=True,
        ),
        Quantity(
            "duty_linearity", "Duty linearity", "delta_duty", "ratio", "percent",
            "largest deviation of the measured duty ratio from its line of least squares over the command, by its span",
            "independent linearity as in IEC 61298-2; duty ratio: share of time in which the bridge "
            "connects two legs to the two supply lines",
            basis="memory",
            least=0.0,
        ),
    )
    # fmt: on
    not_covered = (
        "No capture of a real controller is compared; captures are drawn sample by sample or simulated.",
        "Times shorter than one sample of the analyser cannot be seen, so an overlap that short is not counted.",
    )
    cautions = (
        "High-side gates float at motor voltage: use an isolated or differential probe, or tap the logic side of the "
        "gate drivers. Clipping a grounded probe to a high-side gate shorts the bridge through the bench's earth.",
        "The wheel turns during this test: clamp the frame, guard the spokes, keep hands and cables clear.",
        "Use a current-limited supply or a fuse until the capture has shown that the legs never overlap.",
    )
    minimum_rows = 10
    combines = True
    order = 20
    minutes = 30
    reduced_columns = REDUCED

    def reducer(self, conditions: Mapping[str, float]) -> Reducer | None:
        """Return a reducer that follows the gates at the stated sample rate."""
        return GateStream(conditions["sample_rate"])

    def lacks(self, logs: Sequence[Log], known: Collection[str]) -> Sequence[Lack]:
        """Return what needs gates and sensors that no capture holds, or holds together."""
        return lacks(logs)

    def estimate(self, logs: Sequence[Log], given: Mapping[str, float], choice: None) -> Fit:
        """Judge the reduced captures; several of them count as one record."""
        check_levels(logs)
        fit = Fit()
        dead = dead_time(logs, fit)
        overlaps(logs, fit)
        period = pwm(logs, fit)
        judged, joined = commutation(logs, fit)
        fit.seen = Seen(dead, period, judged, duty(logs, fit), joined)
        pulses = np.concatenate([log["pulse_shortest"] for log in logs])
        if (pulses > 0).any():
            shortest = sampling.shortest(pulses[pulses > 0], np.ones((pulses > 0).sum()), interval(logs))
            sampled("pulse", shortest, fit)
        else:
            fit.missing["pulse_width_min"] = "no gate turned on and off again; capture with the controller driving"
        return fit

    def report(self, logs: Sequence[Log], given: Mapping[str, float], choice: None, fit: Fit) -> Report:
        """Show dead times, overlaps, switching and commutation."""
        return views.report(logs, fit.seen)

    def derive(self, parameters: Mapping[str, float], given: Mapping[str, float]) -> dict[str, float]:
        """Return the quantities from the reduced counts and times."""
        result = {}
        for quantity, prefix in (("dead_time_min", "dead"), ("pulse_width_min", "pulse")):
            members = [value for name, value in parameters.items() if name.startswith(f"{prefix}_")]
            if members:
                result[quantity] = sum(members)
        if "period" in parameters:
            result["pwm_frequency"] = 1.0 / parameters["period"]
        for name in (
            "overlap_count",
            "pwm_jitter",
            "commutation_errors",
            "controller_table",
            "commutation_delay",
            "sensor_disturbances",
            "duty_linearity",
        ):
            if name in parameters:
                result[name] = parameters[name]
        return result


PROCEDURE = GateTiming()

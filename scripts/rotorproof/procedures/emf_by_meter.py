"""EMF by a meter: the constants of the driven machine from AC volts and a tachometer, where no wave was recorded."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ..errors import FitError
from ..physics import ac_meter
from ..physics.regression import Estimates, linear_fit
from . import _magnets
from ._emf_words import CONSTANTS
from .assumption import EMF_SHAPE, MAGNET_COEFFICIENT
from .base import Axis, Condition, Lack, Log, Need, Panel, Procedure, Report, Series, line_title
from .fit import Fit

_PAIRS = ("ab", "bc", "ca")
_METERS = ("true-rms", "mean-responding")
_FEWEST = 3
_NOT_ALL = "not all three lines were read; read A-B, B-C and C-A"


@dataclass(frozen=True)
class Seen:
    """What the report shows: speed without its sign, and each line's readings with their straight line."""

    speed: np.ndarray
    lines: Mapping[str, tuple[np.ndarray, Estimates]]


class EmfByMeter(Procedure):
    """AC volts between the lines of the driven machine at a few speeds, written down by hand."""

    name = "emf-by-meter"
    title = "EMF by a meter"
    purpose = (
        "Find volts per speed and torque per ampere by a multimeter and a tachometer, where nothing records waves."
    )
    unit_kinds = ("motor",)
    required_columns = ("speed", tuple(f"ac_voltage_{pair}" for pair in _PAIRS))
    conditions = (
        Condition(
            "meter",
            "number",
            "what the meter shows of a wave that is no sine: 'true-rms', or 'mean-responding' (one made for sines, "
            "that does not say true RMS)",
            required=True,
            choices=_METERS,
        ),
        _magnets.CONDITION,
    )
    needs = (
        Need("emf_harmonic_5", "the shape of the EMF, which the meter does not show"),
        Need("emf_harmonic_7", "as the fifth harmonic"),
    )
    assumptions = (MAGNET_COEFFICIENT, *EMF_SHAPE)
    gives = (*CONSTANTS, "emf_unbalance")
    not_covered = ("No meter's response to a real EMF is compared; form factors of known waves stand in.",)
    cautions = (
        "The open terminals of a driven machine carry voltage: insulate them, and do not touch them while it turns.",
        "Use leads and a meter made for the voltage at the highest speed; put the leads on before the rotor turns.",
        "Clamp the axle against torque and keep hands, hair and clothes away from wheel, spokes and drive.",
        "Disconnect the controller: its diodes load the machine and cut the crests of the wave.",
    )
    minimum_rows = _FEWEST
    order = 31
    minutes = 15
    time_ordered = False

    def lacks(self, logs: Sequence[Log], known: Collection[str]) -> Sequence[Lack]:
        """Return what needs all three lines where one was not read."""
        (log,) = logs
        read = all(f"ac_voltage_{pair}" in log for pair in _PAIRS)
        return [*super().lacks(logs, known), *([] if read else [Lack(_NOT_ALL, ("emf_unbalance",))])]

    def choose(self, logs: Sequence[Log], given: Mapping[str, float]) -> None:
        """Refuse speeds that say nothing."""
        speed = np.abs(logs[0]["speed"])
        if np.ptp(speed) < 0.2 * speed.max():
            raise FitError(
                "all speeds are alike, so an error of the zero shows as EMF; take readings from a third of the highest "
                "speed up"
            )

    def estimate(self, logs: Sequence[Log], given: Mapping[str, float], choice: None) -> Fit:
        """Fit each line's voltage in proportion to speed."""
        fit, log = Fit(), logs[0]
        speed, lines = np.abs(log["speed"]), {}
        for pair in _PAIRS:
            if (volts := log.get(f"ac_voltage_{pair}")) is None:
                continue
            found = linear_fit(speed[:, None], np.abs(volts))
            label = f"scatter of the AC voltage {line_title(pair)}"
            fit.estimates(label, (f"shown_{pair}",), found)
            fit.left(f"AC voltage {line_title(pair)}", "V", np.abs(volts), found, {"speed": speed}, blocks=(label,))
            lines[pair] = (np.abs(volts), found)
        if len(lines) < len(_PAIRS):
            fit.missing["emf_unbalance"] = _NOT_ALL
        fit.exact("kind of meter", mean_responding=log.conditions["meter"])
        stood = _magnets.magnets(log, given)
        fit.exact("temperature of the magnets", magnets=float(stood.temperature[0]))
        stood.doubt(fit)
        fit.seen = Seen(speed, lines)
        return fit

    def derive(self, parameters: Mapping[str, float], given: Mapping[str, float]) -> dict[str, float]:
        """Return the constants, by the shape that the wave has or may have."""
        p = parameters
        each = np.stack(np.broadcast_arrays(*(p[f"shown_{pair}"] for pair in _PAIRS if f"shown_{pair}" in p)))
        h5, h7 = given["emf_harmonic_5"], given["emf_harmonic_7"]
        warm = p["magnets"] + p["magnets/doubt"] - 20.0
        reading = each.mean(axis=0) / (1.0 + given["magnet_coefficient"] * warm)
        amplitude = reading / ac_meter.shown(h5, h7, p["mean_responding"])
        dc = 1.5 * amplitude * ac_meter.rectified_mean(h5, h7)
        result = {
            "emf_constant_peak": amplitude * ac_meter.peak(h5, h7),
            "emf_constant_rms": amplitude * ac_meter.rms(h5, h7),
            "emf_constant_dc": dc,
            "speed_constant": 1.0 / dc,
            "torque_constant": dc,
        }
        if len(each) == len(_PAIRS):
            result["emf_unbalance"] = np.max(np.abs(each / each.mean(axis=0) - 1.0), axis=0)
        return result

    def report(self, logs: Sequence[Log], given: Mapping[str, float], choice: None, fit: Fit) -> Report:
        """Say what the meter shows and what that leaves open, and draw the readings."""
        report, seen = Report(), fit.seen
        if logs[0].conditions["meter"]:
            report.notes.append(
                "The meter responds to the rectified mean and is calibrated for a sine. The DC constant is one and a "
                "half times that mean whatever the wave's shape; the RMS and the peak value rest on the shape."
            )
        else:
            report.notes.append(
                "The meter shows true RMS, so the RMS constant does not depend on the wave's shape; the DC constant "
                "and the peak value rest on it (form factor 1.111 for a sine; another for a trapezoid)."
            )
        report.notes.append(_magnets.magnets(logs[0], given).words)
        if len(seen.lines) < len(_PAIRS):
            named = ", ".join(line_title(pair) for pair in seen.lines)
            report.notes.append(f"Read was {named} alone: the lines are taken as alike.")
        if given.get("nameplate_gear_ratio", 1.0) != 1.0:
            report.notes.append("The constants refer to the speed of the output, where it was measured.")
        series, residuals = [], []
        for pair, (volts, found) in seen.lines.items():
            ends = np.array([0.0, seen.speed.max()])
            series += [
                Series(line_title(pair), seen.speed, volts),
                Series(f"{line_title(pair)}: fit", ends, found.values[0] * ends, "fit"),
            ]
            residuals.append(Series(line_title(pair), seen.speed, found.residuals))
        report.panels.append(
            Panel(
                "emf-by-meter",
                "AC voltage over speed",
                Axis("Speed", "speed", "rpm"),
                Axis("AC voltage", "voltage", "V"),
                series,
                "The voltage should rise in proportion to speed. Readings that bend away at high speed are those of a "
                "meter too slow for the frequency.",
                residuals=residuals,
                residual_axis=Axis("Residual", "voltage", "V"),
            )
        )
        return report


PROCEDURE = EmfByMeter()

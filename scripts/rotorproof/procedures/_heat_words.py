"""What the report says of a heat run's power, current, cooling and limit (the course: ``_heat_course``)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from ..physics import heating
from . import _heat_run as parts
from ._heat_resistance import NO_COLD_RESISTANCE
from .base import Axis, Log, Panel, Report, Series, stated
from .fit import Fit


def power_words(log: Log, fit: Fit, report: Report) -> None:
    """Say where the heat was taken from the supply, and that a stated loss is of no use without it."""
    conditions = log.conditions
    known = {"supply_voltage", "supply_current", "output_power"} <= {*log.columns, *conditions}
    if known and "heat_power" not in conditions:
        out = conditions["output_power"]
        report.notes.append(f"Heat: supply power over the last tenth of the run less {out:g} W of output.")
    if conditions.get("fixed_loss", 0.0) > 0 and "fixed_loss" not in fit.parameters:
        report.warn(
            "the stated 'fixed_loss' could not be used: which share of the heat it is needs the heat; state "
            "'heat_power', or log supply_voltage and supply_current and state 'output_power'"
        )


def current_words(log: Log, fit: Fit, report: Report) -> None:
    """Say which current that of the run is."""
    kind = parts.current_kind(log)
    if "test_current" in log.conditions:
        if "current_kind" not in log.conditions:
            report.warn(
                "'test_current' is taken for the direct current through two lines; of a sinusoidal drive the RMS or "
                "peak of the phase current is another number: state 'current_kind' as direct, rms or peak"
            )
        elif kind != "direct":
            report.notes.append(
                f"Current of the run: {kind} of the phase current as stated, times {parts.DIRECT[kind]:.4f} for the "
                "direct current through two lines that heats the winding alike (3 R I_rms² = 2 R I²)."
            )
    elif "current" in fit.parameters:
        report.notes.append(
            "Current of the run: the DC supply current, and so is the continuous current. For a motor this holds where "
            "the supply feeds two of its lines directly; behind a controller state 'test_current'."
        )


def show_cooling(cooling: parts.Cooling | None, given: Mapping[str, float], report: Report, *, alone: bool) -> None:
    """Show the winding after switch-off."""
    if cooling is None:
        report.warn(NO_COLD_RESISTANCE)
        return
    if alone:
        report.notes.append("Without a course of temperature nothing shows that the rise at switch-off was steady.")
    time, values = cooling.time, cooling.found.values
    fine = np.linspace(0.0, float(time[-1]), 60)
    report.panels.append(
        Panel(
            "cooling",
            "Winding temperature by resistance after switch-off",
            Axis("Time since switch-off", "time", "s"),
            Axis("Temperature by resistance", "temperature", "degC"),
            [
                Series("readings", time, cooling.temperature),
                Series("fit", fine, heating.cooling_curve(fine, values), "fit"),
            ],
            "The value at time 0 is the winding temperature at switch-off.",
        )
    )
    report.notes.append(
        f"Winding at switch-off {values[0]:.1f} °C by resistance, extrapolated over the first "
        f"{time[0]:.0f} s by the {cooling.curve} through {time.size} "
        f"readings; k = {given['winding_constant']:g} (IEC 60034-1 prints 235 for copper)."
    )
    if time[0] > 60:
        report.warn(
            f"the first resistance was read {time[0]:.0f} s after switch-off; within 30 s is asked for "
            "in machines of this size (IEC 60034-1, 8.6.2.3.3)",
            "time",
        )


def limit_words(logs: Sequence[Log], given: Mapping[str, float], moved: str, fit: Fit, report: Report) -> None:
    """Say what the continuous current is for; ``moved`` is the ``movement`` of the run."""
    p, conditions = fit.parameters, stated(logs)
    if "limit" not in p:
        return
    source = "as stated"
    if "temperature_limit" not in conditions:
        source = (
            f"thermal class of {given['nameplate_insulation_limit']:g} °C (IEC 60085) less "
            f"{given['nameplate_hot_spot_allowance']:g} K for the hot spot (IEC 60034-1)"
        )
    power = f"1 (a fan) to {1 + parts.MOST_EXPONENT:g} (free convection and radiation)"
    if "surface_exponent" in conditions:
        power = f"{1 + conditions['surface_exponent']:g}"
    fixed = f", but for the stated fixed loss of {p['fixed_loss']:.4g} W" if "fixed_loss" in p else ""
    if "fixed_share" in p:
        fixed = (
            f", but for iron loss and friction, which are not known: none to {parts.MOST_FIXED:.0%} of it, since a "
            f"motor is most efficient where they are half; {_to_narrow(moved)}"
        )
    report.notes.append(
        f"Continuous current for {p['limit']:g} °C ({source}) in air of {p['design_ambient']:g} °C, with all heat "
        f"in proportion to the square of the current{' and to the resistance' if parts.by_winding(fit) else ''}"
        f"{fixed}; the surface gives off heat as its rise "
        f"to the power of {power}."
    )


def _to_narrow(moved: str) -> str:
    """Return what to state so that less of the heat is in doubt."""
    loss = "state 'fixed_loss' with the heat to narrow the interval"
    if moved == parts.TURNED:
        return loss
    return f"nothing says whether the motor turned: state 'output_power: 0 W' if it stood, or {loss[6:]}"

"""Winding resistance by direct current: line pairs by regression, corrected to 20 degC."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from ..errors import FitError
from ..physics import winding
from .base import Axis, Block, Condition, Fit, Log, Panel, Procedure, Quantity, Series

_PAIRS = ("ab", "bc", "ca")
_AT_20 = (("temperature", "20 degC"),)


class WindingResistance(Procedure):
    """DC current steps through each line pair; the slope of voltage over current is the resistance."""

    name = "winding-resistance"
    title = "Winding resistance"
    purpose = "Find the resistance of the winding at 20 degC and whether the three phases are alike."
    unit_kinds = ("motor", "drive")
    required_columns = (
        tuple(f"voltage_{pair}" for pair in _PAIRS),
        tuple(f"current_{pair}" for pair in _PAIRS),
    )
    optional_columns = ("temperature_winding",)
    conditions = (Condition("winding_temperature", "temperature", "winding temperature during the test"),)
    gives = ("resistance_ab", "resistance_bc", "resistance_ca", "phase_resistance", "resistance_unbalance")
    quantities = (
        *(
            Quantity(
                f"resistance_{pair}",
                f"Resistance {pair[0].upper()}-{pair[1].upper()}",
                f"R_{pair}",
                "resistance",
                "ohm",
                f"DC resistance between the lines {pair[0].upper()} and {pair[1].upper()}, at 20 degC",
                "IEC 60034-1 and IEC 60034-4-1, resistance by voltage and current",
                reference=_AT_20,
            )
            for pair in _PAIRS
        ),
        Quantity(
            "phase_resistance",
            "Phase resistance",
            "R_ph",
            "resistance",
            "ohm",
            "half the mean line-to-line DC resistance, at 20 degC (star equivalent)",
            "definition; temperature after IEC 60034-1",
            reference=_AT_20,
        ),
        Quantity(
            "resistance_unbalance",
            "Resistance unbalance",
            "d_R",
            "ratio",
            "percent",
            "largest deviation of a line-to-line resistance from the mean of the three, over that mean",
            "in the manner of NEMA MG 1, 14.36 (voltage unbalance), applied to resistance",
        ),
    )
    cautions = (
        "Keep the test current low enough not to heat the winding: a current of 10 % to 15 % of rated current "
        "for a few seconds is common practice.",
        "Interrupting direct current in a winding gives a voltage peak: turn the current down before you "
        "disconnect, and keep hands off bare terminals.",
        "The rotor may jerk when current is applied: keep clear of wheel and spokes.",
    )
    minimum_rows = 4
    order = 10
    time_ordered = False

    def fit(self, logs: Sequence[Log], given: Mapping[str, float], near: Fit | None = None) -> Fit:
        """Fit voltage = offset + R current for each line pair present."""
        del near
        log = logs[0]
        if "temperature_winding" in log:
            temperature = float(np.mean(log["temperature_winding"]))
        elif "winding_temperature" in log.conditions:
            temperature = log.conditions["winding_temperature"]
        else:
            raise FitError(
                "the winding temperature is not stated; give it as the condition 'winding_temperature' or as a "
                "column, since resistance changes by 0.4 % per kelvin"
            )
        blocks, series, residuals, missing, notes = [], [], [], {}, []
        for pair in _PAIRS:
            if f"voltage_{pair}" not in log or f"current_{pair}" not in log:
                missing[f"resistance_{pair}"] = (
                    f"the log has no voltage_{pair} and current_{pair}; measure this line pair too"
                )
                continue
            current, voltage = log[f"current_{pair}"], log[f"voltage_{pair}"]
            # A log that steps one pair after the other holds zeros for the others: those rows say nothing.
            used = winding.driven(current)
            fitted = winding.resistance_from_steps(current[used], voltage[used])
            label = f"scatter of the readings {pair[0].upper()}-{pair[1].upper()}"
            k = winding.temperature_factor(temperature, given["winding_constant"])
            blocks.append(
                Block(
                    label,
                    {f"r_{pair}": fitted.values[1] / k},
                    fitted.covariance[1:, 1:] / k**2,
                    fitted.degrees_of_freedom,
                )
            )
            name = f"{pair[0].upper()}-{pair[1].upper()}"
            line = np.array([current[used].min(), current[used].max()])
            series.append(
                Series(name, current[used], voltage[used], "measured", np.full(used.sum(), fitted.residual_sd))
            )
            series.append(Series(f"fit {name}", line, fitted.values[0] + fitted.values[1] * line, "fit"))
            residuals.append(Series(name, current[used], fitted.residuals, "measured"))
            notes.append(
                f"{name}: offset {fitted.values[0] * 1e3:.2f} mV removed (thermal EMF, meter zero); "
                f"{int(used.sum())} readings at {temperature:.1f} degC."
            )
        if missing:
            for name in ("phase_resistance", "resistance_unbalance"):
                missing[name] = "not all three line pairs were measured"
        material = "copper" if given["winding_constant"] > 230 else "aluminium"
        notes.append(
            f"Corrected to 20 degC with R(T) = R(20) (k + T)/(k + 20), k = {given['winding_constant']:g} ({material})."
        )
        panel = Panel(
            "voltage-current",
            "Voltage against current",
            Axis("Current", "current", "A"),
            Axis("Voltage", "voltage", "V"),
            series,
            "The slope is the line-to-line resistance; a bend or a trend in the residuals means heating.",
            residuals=residuals,
            residual_axis=Axis("Residual", "voltage", "mV"),
        )
        return Fit(blocks, panels=[panel], notes=notes, missing=missing)

    def derive(self, parameters: Mapping[str, float], given: Mapping[str, float]) -> dict[str, float]:
        """Return line-to-line and phase resistances and their unbalance at 20 degC."""
        del given
        result = {f"resistance_{name[2:]}": value for name, value in parameters.items()}
        if len(parameters) == len(_PAIRS):
            result["phase_resistance"] = winding.phase_resistance(*parameters.values())
            result["resistance_unbalance"] = winding.unbalance(np.array(list(parameters.values())))
        return result


PROCEDURE = WindingResistance()

"""Winding resistance by direct current: line pairs by regression, corrected to 20 degC."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from ..errors import FitError
from ..physics import winding
from ._unsplit import Fit, Procedure
from .base import Axis, Condition, Log, Panel, Quantity, Series, Suspect
from .fit import Block

_PAIRS = ("ab", "bc", "ca")
#: Of one pair, so many readings far off the line are named.
_NAMED = 5
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
    not_covered = (
        "No standard resistor with a certificate is compared; wire tables stand in.",
        "The warming of the winding by the test current is compared with a simulation only.",
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

    def suspects(self, columns: Mapping[str, np.ndarray]) -> Sequence[Suspect]:
        """Return the readings that lie far off the line of the others of their pair."""
        found = []
        for pair in _PAIRS:
            voltage, current = columns.get(f"voltage_{pair}"), columns.get(f"current_{pair}")
            if voltage is None or current is None:
                continue
            rows, expected = winding.far_off(current, voltage)
            found += [
                Suspect(
                    int(row),
                    f"voltage_{pair}",
                    f"{voltage[row]:.4g} V at {current[row]:.4g} A, where the other readings lead to "
                    f"{expected[row]:.4g} V: more than ten robust standard deviations and 20 % off their line. Correct "
                    "the voltage or the current if it is a slip",
                )
                for row in np.flatnonzero(rows)[:_NAMED]
            ]
        return found

    def fit(self, logs: Sequence[Log], given: Mapping[str, float], near: Fit | None = None) -> Fit:
        """Fit voltage = offset + R current for the line pairs present, with the warming of the winding."""
        try:
            # Judged once, on the readings as they are, not on each shift of them.
            return self._fitted(logs[0], given, judge=near is None)
        except FitError:
            if not self.suspects(logs[0].columns):
                raise
            raise FitError(
                "a reading lies far off the line of the others, as a warning on the log says; correct it and run again"
            ) from None

    def _fitted(self, log: Log, given: Mapping[str, float], *, judge: bool) -> Fit:
        if "temperature_winding" in log:
            temperature = log["temperature_winding"]
        elif "winding_temperature" in log.conditions:
            temperature = np.array([log.conditions["winding_temperature"]])
        else:
            raise FitError(
                "the winding temperature is not stated; give it as the condition 'winding_temperature' or as a "
                "column, since resistance changes by 0.4 % per kelvin"
            )
        pairs = [pair for pair in _PAIRS if f"voltage_{pair}" in log and f"current_{pair}" in log]
        if not pairs:
            raise FitError(
                "no line pair has both its voltage and its current; log both, for example voltage_ab and current_ab"
            )
        factor = winding.temperature_factor(temperature, given["winding_constant"])
        current = np.column_stack([log[f"current_{pair}"] for pair in pairs])
        # Voltages are brought to 20 degC row by row where the temperature was logged row by row.
        voltage = np.column_stack([log[f"voltage_{pair}"] for pair in pairs]) / np.reshape(factor, (-1, 1))
        # A log that steps one pair after the other holds zeros for the others: those rows say nothing.
        used = np.column_stack([winding.driven(column) for column in current.T])
        count = len(pairs)
        if "temperature_winding" in log:
            fits = [winding.resistance_from_steps(current[used[:, i], i], voltage[used[:, i], i]) for i in range(count)]
            offsets, slopes = [fit.values[0] for fit in fits], [fit.values[1] for fit in fits]
            blocks = [
                Block(
                    f"scatter of the readings {_name(pair)}",
                    {f"r_{pair}": fit.values[1]},
                    fit.covariance[1:, 1:],
                    fit.degrees_of_freedom,
                )
                for pair, fit in zip(pairs, fits, strict=True)
            ]
            residuals = [fit.residuals for fit in fits]
            spread = [fit.residual_sd for fit in fits]
            how = "brought to 20 degC reading by reading with the logged winding temperature"
        else:
            fit = winding.resistances_from_steps(current, voltage, used, log.columns.get("time"))
            offsets, slopes = list(fit.values[:count]), list(fit.values[count : 2 * count])
            blocks = [
                Block(
                    "scatter of the readings, with the warming fitted",
                    {f"r_{pair}": slope for pair, slope in zip(pairs, slopes, strict=True)},
                    fit.covariance[count : 2 * count, count : 2 * count],
                    fit.degrees_of_freedom,
                )
            ]
            parts = np.split(fit.residuals, np.cumsum(used.sum(axis=0))[:-1])
            residuals, spread = parts, [fit.residual_sd] * count
            rise = fit.values[-1]
            how = (
                f"winding at {temperature[0]:.1f} degC at the start; warming by the test current changed the "
                f"resistance by {100 * rise:.2f} % +/- {200 * np.sqrt(fit.covariance[-1, -1]):.2f} % by the end and "
                "is allowed for"
            )
        wrong = [f"{_name(pair)} ({slope:.4g} ohm)" for pair, slope in zip(pairs, slopes, strict=True) if slope < 0]
        if judge and wrong:
            raise FitError(
                f"the resistance comes out negative for {', '.join(wrong)}: the voltage or the current has the wrong "
                "sign; exchange the leads of one meter, or set 'invert' for that column in the layout"
            )
        notes = [
            f"{_name(pair)}: offset {1e3 * offset * float(np.mean(factor)):.2f} mV removed (thermal EMF, meter zero); "
            f"{int(rows.sum())} readings."
            for pair, offset, rows in zip(pairs, offsets, used.T, strict=True)
        ]
        notes.append(f"Temperature: {how}.")
        notes.append(f"R(T) = R(20 degC) (k + T)/(k + 20) with k = {given['winding_constant']:g} degC.")
        missing = {
            f"resistance_{pair}": f"the log has no {_lacking(log, pair)}; measure this line pair too"
            for pair in _PAIRS
            if pair not in pairs
        }
        if missing:
            missing |= dict.fromkeys(
                ("phase_resistance", "resistance_unbalance"), "not all three line pairs were measured"
            )
        series, rest = [], []
        for i, pair in enumerate(pairs):
            amperes, volts = current[used[:, i], i], voltage[used[:, i], i]
            line = np.array([amperes.min(), amperes.max()])
            series.append(Series(_name(pair), amperes, volts, "measured", np.full(amperes.shape, spread[i])))
            series.append(Series(f"fit {_name(pair)}", line, offsets[i] + slopes[i] * line, "fit"))
            rest.append(Series(_name(pair), amperes, residuals[i], "measured"))
        panel = Panel(
            "voltage-current",
            "Voltage against current, at 20 degC",
            Axis("Current", "current", "A"),
            Axis("Voltage", "voltage", "V"),
            series,
            "The slope is the line-to-line resistance; a bend or a trend in the residuals means heating.",
            residuals=rest,
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


def _lacking(log: Log, pair: str) -> str:
    return " and ".join(name for name in (f"voltage_{pair}", f"current_{pair}") if name not in log)


def _name(pair: str) -> str:
    return f"{pair[0].upper()}-{pair[1].upper()}"


PROCEDURE = WindingResistance()

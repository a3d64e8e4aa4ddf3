"""Winding resistance by direct current: line pairs by regression, corrected to 20 degC."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ..errors import FitError
from ..physics import winding
from ..physics.regression import Estimates
from ..signs import number_text
from .base import (
    Axis,
    Condition,
    Lack,
    Log,
    Panel,
    Procedure,
    Quantity,
    Report,
    Series,
    Suspect,
    line_title,
    not_stated,
)
from .fit import Fit

_PAIRS = ("ab", "bc", "ca")
#: Of one pair, so many readings far off the line are named.
_NAMED = 5
_AT_20 = (("temperature", "20 degC"),)


_TEMPERATURE = Condition(
    "winding_temperature", "temperature", "winding temperature during the test", or_column="temperature_winding"
)
_NO_PAIR = "no line pair has both its voltage and its current; log both, for example voltage_ab and current_ab"
_NOT_ALL = ("phase_resistance", "resistance_unbalance")


class WindingResistance(Procedure):
    """DC current steps through each line pair; the slope of voltage over current is the resistance."""

    name = "winding-resistance"
    title = "Winding resistance"
    purpose = "Find the resistance of the winding at 20 °C and whether the three phases are alike."
    unit_kinds = ("motor", "drive")
    required_columns = (tuple(f"voltage_{pair}" for pair in _PAIRS), tuple(f"current_{pair}" for pair in _PAIRS))
    optional_columns = ("temperature_winding",)
    conditions = (_TEMPERATURE,)
    gives = ("resistance_ab", "resistance_bc", "resistance_ca", "phase_resistance", "resistance_unbalance")
    # fmt: off
    quantities = (
        *(
            Quantity(
                f"resistance_{pair}",
                f"Resistance {line_title(pair)}",
                f"R_{pair}",
                "resistance",
                "ohm",
                f"DC resistance between the lines {pair[0].upper()} and {pair[1].upper()}, at 20 °C",
                "IEC 60034-1 and IEC 60034-4-1, resistance by voltage and current",
                reference=_AT_20,
                least=0.0,
                impossible="the leads of one meter exchanged",
            )
            for pair in _PAIRS
        ),
        Quantity(
            "phase_resistance", "Phase resistance", "R_ph", "resistance", "ohm",
            "half the mean line-to-line DC resistance, at 20 °C (star equivalent)",
            "definition; temperature after IEC 60034-1",
            reference=_AT_20,
            key=1,
            least=0.0,
            impossible="the leads of one meter exchanged",
        ),
        Quantity(
            "resistance_unbalance", "Resistance unbalance", "d_R", "ratio", "percent",
            "largest deviation of a line-to-line resistance from the mean of the three, over that mean",
            "in the manner of NEMA MG 1, 14.36 (voltage unbalance), applied to resistance",
            remedy="measure each line at its solder joint and behind its connector; remake the bad joint",
            least=0.0,
            largest_of=3,
        ),
    )
    # fmt: on
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
    no_ohms = (
        "readings in ohms are not taken by this test: send a current through the line pair, read the voltage at its "
        "terminals with leads of their own (four wires), and log both at several currents"
    )
    order = 10
    minutes = 15
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
                    f"reading {row + 1} of voltage or current {pair[0].upper()}-{pair[1].upper()}",
                )
                for row in np.flatnonzero(rows)[:_NAMED]
            ]
        return found

    def lacks(self, logs: Sequence[Log], known: Collection[str]) -> Sequence[Lack]:
        """Return the line pairs that were not measured whole, and what rests on all three."""
        (log,) = logs
        absent = [pair for pair in _PAIRS if _lacking(log, pair)]
        if len(absent) == len(_PAIRS):
            return [*super().lacks(logs, known), Lack(_NO_PAIR)]
        pairs = [
            Lack(_unmeasured(log, pair), (f"resistance_{pair}", *_NOT_ALL), _lacking(log, pair)[0]) for pair in absent
        ]
        return [*super().lacks(logs, known), *pairs]

    def choose(self, logs: Sequence[Log], given: Mapping[str, float]) -> None:
        """Refuse, on the readings as they are, what is a slip or a wrong sign."""
        try:
            found = _lines(logs[0], given)
        except FitError:
            if not self.suspects(logs[0].columns):
                raise
            raise FitError(
                "a reading lies far off the line of the others, as a warning on the log says; correct it and run again"
            ) from None
        wrong = [f"{line_title(line.pair)} ({number_text(line.slope, '.4g')} Ω)" for line in found if line.slope < 0]
        if wrong:
            raise FitError(
                f"the resistance comes out negative for {', '.join(wrong)}: the voltage or the current has the wrong "
                "sign; exchange the leads of one meter, or set 'invert' for that column in the layout"
            )

    def estimate(self, logs: Sequence[Log], given: Mapping[str, float], choice: None) -> Fit:
        """Fit voltage = offset + R current for the line pairs present, with the warming of the winding."""
        log, fit = logs[0], Fit()
        found = _lines(log, given)
        if "temperature_winding" in log:
            for line in found:
                name, current = line_title(line.pair), {"current": line.current}
                label = f"scatter of the readings {name}"
                fit.estimates(label, (f"r_{line.pair}",), line.fitted, (1,))
                fit.left(f"voltage over current {name}", "V", line.voltage, line.fitted, current, blocks=(label,))
        else:
            places, names = range(len(found), 2 * len(found)), [f"r_{line.pair}" for line in found]
            label = "scatter of the readings, with the warming fitted"
            fit.estimates(label, names, found[0].fitted, places)
            together = {
                "current": np.concatenate([line.current for line in found]),
                "pair": np.concatenate([np.full(line.current.size, float(i)) for i, line in enumerate(found)]),
            }
            voltage = np.concatenate([line.voltage for line in found])
            fit.left("voltage over current", "V", voltage, found[0].fitted, together, blocks=(label,))
        absent = [pair for pair in _PAIRS if pair not in {line.pair for line in found}]
        for pair in absent:
            fit.missing[f"resistance_{pair}"] = _unmeasured(log, pair)
        if absent:
            why = "not all three line pairs were measured"
            fit.lacking(_NOT_ALL, why)
        fit.seen = found
        return fit

    def report(self, logs: Sequence[Log], given: Mapping[str, float], choice: None, fit: Fit) -> Report:
        """Show voltage over current and say which temperature was allowed for."""
        log, report = logs[0], Report()
        factor = float(np.mean(_factor(log, given)))
        series, rest = [], []
        for line in fit.seen:
            name, current = line_title(line.pair), line.current
            report.notes.append(
                f"{name}: offset {number_text(1e3 * line.offset * factor, '.2f')} mV removed (thermal EMF, "
                f"meter zero); {current.size} readings."
            )
            ends = np.array([current.min(), current.max()])
            spread = np.full(current.shape, line.fitted.residual_sd)
            series.append(Series(name, current, line.voltage, "measured", spread))
            series.append(Series(f"fit {name}", ends, line.offset + line.slope * ends, "fit"))
            rest.append(Series(name, current, line.residuals, "measured"))
        how = "brought to 20 °C reading by reading with the logged winding temperature"
        if "temperature_winding" not in log:
            fitted = fit.seen[0].fitted
            how = (
                f"winding at {log.conditions['winding_temperature']:.1f} °C at the start; warming by the test "
                f"current changed the resistance by {100 * fitted.values[-1]:.2f} % ± "
                f"{200 * np.sqrt(fitted.covariance[-1, -1]):.2f} % by the end and is allowed for"
            )
        report.notes.append(f"Temperature: {how}.")
        report.notes.append(f"R(T) = R(20 °C) (k + T)/(k + 20) with k = {given['winding_constant']:g} °C.")
        report.panels.append(
            Panel(
                "voltage-current",
                "Voltage against current, at 20 °C",
                Axis("Current", "current", "A"),
                Axis("Voltage", "voltage", "V"),
                series,
                "The slope is the line-to-line resistance; a bend or a trend in the residuals means heating.",
                residuals=rest,
                residual_axis=Axis("Residual", "voltage", "mV"),
            )
        )
        return report

    def derive(self, parameters: Mapping[str, float], given: Mapping[str, float]) -> dict[str, float]:
        """Return line-to-line and phase resistances and their unbalance at 20 degC."""
        result = {f"resistance_{name[2:]}": value for name, value in parameters.items()}
        if len(parameters) == len(_PAIRS):
            result["phase_resistance"] = winding.phase_resistance(*parameters.values())
            result["resistance_unbalance"] = winding.unbalance(np.array(list(parameters.values())))
        return result


@dataclass(frozen=True)
class _Line:
    """Voltage at 20 degC over current of one line pair ``(n,)``; with the warming, ``fitted`` is that of all pairs."""

    pair: str
    current: np.ndarray
    voltage: np.ndarray
    offset: float
    slope: float
    residuals: np.ndarray
    fitted: Estimates


def _factor(log: Log, given: Mapping[str, float]) -> np.ndarray:
    """Return the resistance over that at 20 degC, for each reading or for all ``(1,)``."""
    if "temperature_winding" in log:
        temperature = log["temperature_winding"]
    elif "winding_temperature" in log.conditions:
        temperature = np.array([log.conditions["winding_temperature"]])
    else:
        raise FitError(f"{not_stated(_TEMPERATURE)}, since resistance changes by 0.4 % per kelvin")
    return winding.temperature_factor(temperature, given["winding_constant"])


def _lines(log: Log, given: Mapping[str, float]) -> list[_Line]:
    """Fit the lines of all pairs in the log."""
    factor = _factor(log, given)
    pairs = [pair for pair in _PAIRS if not _lacking(log, pair)]
    if not pairs:
        raise FitError(_NO_PAIR)
    current = np.column_stack([log[f"current_{pair}"] for pair in pairs])
    # Voltages are brought to 20 degC row by row where the temperature was logged row by row.
    voltage = np.column_stack([log[f"voltage_{pair}"] for pair in pairs]) / np.reshape(factor, (-1, 1))
    # A log that steps one pair after the other holds zeros for the others: those rows say nothing.
    used = np.column_stack([winding.driven(column) for column in current.T])
    count = len(pairs)
    own = [(current[used[:, i], i], voltage[used[:, i], i]) for i in range(count)]
    if "temperature_winding" in log:
        fits = [winding.resistance_from_steps(*readings) for readings in own]
        values, rest = [fit.values for fit in fits], [fit.residuals for fit in fits]
    else:
        fits = [winding.resistances_from_steps(current, voltage, used, log.columns.get("time"))] * count
        values = list(fits[0].values[: 2 * count].reshape(2, count).T)
        rest = np.split(fits[0].residuals, np.cumsum(used.sum(axis=0))[:-1])
    return [
        _Line(pair, *own[i], float(values[i][0]), float(values[i][1]), rest[i], fits[i]) for i, pair in enumerate(pairs)
    ]


def _lacking(log: Log, pair: str) -> list[str]:
    return [name for name in (f"voltage_{pair}", f"current_{pair}") if name not in log]


def _unmeasured(log: Log, pair: str) -> str:
    return f"the log has no {' and '.join(_lacking(log, pair))}; measure this line pair too"


PROCEDURE = WindingResistance()

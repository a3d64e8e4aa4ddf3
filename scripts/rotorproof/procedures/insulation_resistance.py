"""Insulation resistance of the winding to the frame: the value at one minute and the polarization index."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ..errors import FitError
from ..physics import insulation
from ..physics.regression import Estimates
from .base import Axis, Condition, Log, Panel, Procedure, Quantity, Report, Series
from .fit import Fit

_ONE_MINUTE, _TEN_MINUTES = 60.0, 600.0
#: Readings that say something of the curve near one and ten minutes, in s.
_NEAR_ONE, _NEAR_TEN = (20.0, 180.0), (280.0, 660.0)
#: IEEE 43-2013, 12.2.2 (from memory): above this the polarization index says little.
_INDEX_MEANS_LITTLE = 5e9
_KINDS = ("thermoplastic", "thermoset")
_FACTORS = {"thermoplastic": insulation.halving_factor, "thermoset": insulation.thermoset_factor}
#: Share of the value by which an unknown kind of insulation may move it without a warning.
_DOUBTFUL = 0.05
_AT_40 = (("temperature", "40 degC"),)


@dataclass(frozen=True)
class Choice:
    """Which readings ``(n,)`` are over the tester's range, and the resistance at one minute (ohm, 0: not known)."""

    over: np.ndarray
    about: float


class InsulationResistance(Procedure):
    """Readings in time at a constant test voltage between all phases together and the frame."""

    name = "insulation-resistance"
    title = "Insulation resistance"
    purpose = "Find whether the winding is insulated from the frame, dry and clean, before any power is applied."
    unit_kinds = ("motor", "drive")
    required_columns = ("time", "insulation_resistance")
    optional_columns = ("temperature_winding",)
    conditions = (
        Condition("test_voltage", "voltage", "DC voltage between winding and frame", required=True),
        Condition("winding_temperature", "temperature", "winding temperature during the test"),
        Condition(
            "insulation_kind",
            "number",
            "what the winding's enamel and varnish are, which fixes the correction to 40 °C: thermosets such as "
            "today's enamels and epoxies, or thermoplastics such as asphalt and PVC",
            choices=_KINDS,
        ),
        Condition(
            "halving_interval",
            "temperature_difference",
            "rise of temperature that halves this insulation's resistance, where tests at two temperatures told it",
        ),
        Condition("range_limit", "resistance", "highest reading of the tester's range; at or above it is over-range"),
        Condition("start_time", "time", "time in the log at which the voltage was applied (time 0 if not stated)"),
    )
    gives = ("insulation_resistance", "insulation_resistance_at_least", "polarization_index")
    # fmt: off
    quantities = (
        Quantity(
            "insulation_resistance", "Insulation resistance", "R_i", "resistance", "Mohm",
            "resistance between winding and frame one minute after the test voltage was applied, corrected to 40 °C "
            "by the coefficient of the winding's kind (where that is not stated, by either: both values are held)",
            "IEEE 43-2013: halving per 10 K for thermoplastics; its coefficient for thermosets",
            reference=_AT_40,
            basis="memory",
            key=11,
            least=0.0,
        ),
        Quantity(
            "insulation_resistance_at_least", "Insulation resistance, proven", "R_i,min", "resistance", "Mohm",
            "the insulation resistance where it was measured; where the tester was over its range, the "
            "range limit corrected to 40 °C by the smaller coefficient, which the insulation resistance "
            "exceeds: to be compared with a floor",
            "definition",
            reference=_AT_40,
            remedy="clean and dry the winding, then measure again; if it stays low, rewind or replace the motor",
            least=0.0,
        ),
        Quantity(
            "polarization_index", "Polarization index", "PI", "ratio", "1",
            "insulation resistance after ten minutes over that after one minute",
            "IEEE 43",
            least=0.0,
        ),
    )
    # fmt: on
    not_covered = (
        "The two coefficients to 40 °C are those of the standard; how a given insulation follows one is not checked.",
        "No readings of a certified insulation tester are compared.",
    )
    cautions = (
        "The tester applies hundreds of volts: test only with the motor disconnected from everything, "
        "keep hands off the leads, and let nobody touch the wheel or the frame.",
        "Disconnect the controller and the Hall sensors and temperature sensor of the motor first: the "
        "test voltage destroys low-voltage electronics that stay connected.",
        "500 V DC is usual for windings rated below 1000 V (IEEE 43, from memory); 250 V is common practice for "
        "motors of extra-low voltage. Follow the maker's figure where there is one, and local rules.",
        "Discharge the winding to the frame through the tester after the test, for at least four times "
        "as long as the voltage was on (IEEE 43, from memory), before anyone touches a lead.",
    )
    minimum_rows = 3
    order = 5
    minutes = 20

    def choose(self, logs: Sequence[Log], given: Mapping[str, float]) -> Choice:
        """Tell which readings are over the tester's range, and what the resistance is about."""
        readings, limit = logs[0]["insulation_resistance"], logs[0].conditions.get("range_limit")
        over = np.zeros(readings.shape, bool) if limit is None else readings >= 0.9999 * limit
        try:
            about = float(np.exp(insulation.value_at(_time(logs[0]), readings, _ONE_MINUTE, _NEAR_ONE).values[0]))
        except FitError:  # the estimate says so
            about = 0.0
        return Choice(over, about)

    def estimate(self, logs: Sequence[Log], given: Mapping[str, float], choice: Choice) -> Fit:
        """Fit the absorption curve near one and near ten minutes."""
        log, fit = logs[0], Fit()
        time, readings = _time(log), log["insulation_resistance"]
        temperature, _ = _temperature(log, given)
        factor, half_width, _ = _correction(log, temperature)
        if np.any(choice.over[(time >= _NEAR_ONE[0]) & (time <= _NEAR_ONE[1])]):
            limit = log.conditions["range_limit"]
            if not {"halving_interval", "insulation_kind"} & set(log.conditions):
                # What is proven holds for either kind of insulation.
                factor = min(law(temperature) for law in _FACTORS.values())
            fit.exact("range limit", bound=limit * factor)
            fit.missing["insulation_resistance"] = (
                f"the tester was over its range of {limit / 1e6:.4g} MΩ at one minute, so the insulation resistance is "
                f"at least {limit * factor / 1e6:.4g} MΩ at 40 °C; a lower bound is no value. Compare the insulation "
                "resistance, proven, with the floor, or measure with a higher range"
            )
            fit.missing["polarization_index"] = "the reading at one minute is over-range"
            return fit
        one = insulation.value_at(time, readings, _ONE_MINUTE, _NEAR_ONE)
        fit.estimates(_scatter("one minute"), ("ln_r_one",), one, (0,))
        _leave("one minute", time, readings, _NEAR_ONE, one, fit)
        label = "kind of the insulation, not stated: one coefficient to 40 °C or the other"
        fit.block(label, {"correction": factor}, half_width**2, distribution="two-point")
        fit.exact("larger coefficient to 40 °C", larger=factor + half_width, about=choice.about)
        try:
            if np.any(choice.over[time >= _NEAR_TEN[0]]):
                raise FitError("the tester was over its range at ten minutes; the index is higher than it could show")
            ten = insulation.value_at(time, readings, _TEN_MINUTES, _NEAR_TEN)
        except FitError as error:
            fit.missing["polarization_index"] = str(error)
        else:
            fit.estimates(_scatter("ten minutes"), ("ln_r_ten",), ten, (0,))
            _leave("ten minutes", time, readings, _NEAR_TEN, ten, fit)
        return fit

    def report(self, logs: Sequence[Log], given: Mapping[str, float], choice: Choice, fit: Fit) -> Report:
        """Show the readings, and say how they were corrected and what the standard asks for."""
        log, report = logs[0], Report()
        readings, conditions = log["insulation_resistance"], log.conditions
        temperature, taken = _temperature(log, given)
        if taken:
            report.notes.append(f"{taken[0].upper()}{taken[1:]}.")
            report.warn(taken, "insulation_resistance")
        factor, half_width, law = _correction(log, temperature)
        if half_width > _DOUBTFUL * factor:
            # The value lies between both kinds, so a rule that does not look at the interval may pass the lower kind.
            report.warn(
                "the kind of insulation is not stated, so the value at 40 °C may be off by "
                f"{100 * half_width / factor:.0f} % either way: state 'insulation_kind' as {_KINDS[0]} or {_KINDS[1]}, "
                "or test nearer to 40 °C",
                "insulation_resistance",
            )
        report.notes += [
            f"Measured with {conditions['test_voltage']:g} V DC at {temperature:.1f} °C; corrected to 40 °C by "
            f"the factor {factor:.3f}: {law}.",
            "IEEE 43 (from memory) asks for at least 5 MΩ at 40 °C for random-wound windings rated below "
            "1 kV, and a polarization index of at least 2 (1.5 for thermal class A). Small motors reach "
            "their end value within a minute or two, so an index near 1 with a high resistance is no fault.",
        ]
        report.notes.append(
            "No other test cross-checks this reading: compare the unit in the log (MΩ or GΩ) with the tester's display."
        )
        if "start_time" not in conditions:
            report.notes.append("The voltage is taken to have been applied at time 0 of the log.")
        p = fit.parameters
        if "bound" in p:
            report.notes.append(fit.missing["insulation_resistance"] + ".")
        elif "range_limit" not in conditions and _sticks_at_top(readings):
            report.warn(
                f"several readings stand at exactly {readings.max() / 1e6:.4g} MΩ, the highest of "
                "the log; if that is the end of the tester's range, state it as the condition 'range_limit'",
                "insulation_resistance",
            )
        if "bound" not in p and np.exp(p["ln_r_one"]) * p["correction"] > _INDEX_MEANS_LITTLE:
            report.quantity_notes["polarization_index"] = [
                "above 5000 MΩ at one minute the index says little of the insulation (IEEE 43-2013, from memory)"
            ]
        report.panels.append(
            Panel(
                "absorption",
                "Insulation resistance in time",
                Axis("Time since the voltage was applied", "time", "s"),
                Axis("Insulation resistance", "resistance", "Mohm"),
                [Series("readings, not corrected", _time(log), readings)],
                "A dry and clean winding rises and flattens; a flat, low or falling curve means moisture, dirt or a "
                "fault.",
            )
        )
        return report

    def derive(self, parameters: Mapping[str, float], given: Mapping[str, float]) -> dict[str, float]:
        """Return the insulation resistance at 40 degC and the polarization index."""
        if "bound" in parameters:
            return {"insulation_resistance_at_least": parameters["bound"]}
        # An error of the reading weighs most where the larger coefficient is the right one, and there it is to be held.
        less = parameters["larger"] - parameters["correction"]
        resistance = np.exp(parameters["ln_r_one"]) * parameters["larger"] - parameters["about"] * less
        result = {"insulation_resistance": resistance, "insulation_resistance_at_least": resistance}
        if "ln_r_ten" in parameters:
            result["polarization_index"] = np.exp(parameters["ln_r_ten"] - parameters["ln_r_one"])
        return result


def _scatter(near: str) -> str:
    """Return the label of the parameters of one time."""
    return f"scatter of the readings near {near}"


def _leave(
    near: str, time: np.ndarray, readings: np.ndarray, window: tuple[float, float], fitted: Estimates, fit: Fit
) -> None:
    inside = (time >= window[0]) & (time <= window[1]) & (time > 0)
    observed, at = np.log(readings[inside]), time[inside]
    fit.left(
        f"logarithm of the resistance near {near}",
        "1",
        observed,
        fitted,
        {"ln_time": np.log(at)},
        at,
        blocks=(_scatter(near),),
    )


def _time(log: Log) -> np.ndarray:
    """Return the time since the voltage was applied (s)."""
    return log["time"] - log.conditions.get("start_time", 0.0)


def _temperature(log: Log, given: Mapping[str, float]) -> tuple[float, str]:
    """Return the winding temperature (degC), and what was taken for it where it is not stated."""
    if "temperature_winding" in log:
        return float(np.mean(log["temperature_winding"])), ""
    if "winding_temperature" in log.conditions:
        return log.conditions["winding_temperature"], ""
    if "ambient_temperature" in given:
        ambient = given["ambient_temperature"]
        return ambient, (
            f"the winding temperature is not stated; the ambient temperature {ambient:.1f} °C is taken "
            "for it, which holds only for a motor that has rested for hours"
        )
    raise FitError(
        "the winding temperature is not stated; give it as the condition 'winding_temperature', since "
        "insulation resistance changes by up to one half per 10 K"
    )


def _correction(log: Log, temperature: float) -> tuple[float, float, str]:
    """Return the factor to 40 degC, the half-width that its law leaves in doubt, and the law in words."""
    step, kind = log.conditions.get("halving_interval"), log.conditions.get("insulation_kind")
    if step is not None:
        if step <= 0:
            raise FitError("'halving_interval' is the rise of temperature that halves the resistance: above 0 K")
        return insulation.halving_factor(temperature, step=step), 0.0, f"it halves per {step:.3g} K, as stated"
    if kind is not None:
        name = _KINDS[int(kind)]
        return _FACTORS[name](temperature), 0.0, f"the coefficient of IEEE 43-2013 for a {name}, as stated"
    return *insulation.unknown_kind(temperature), (
        "the middle between the coefficients of IEEE 43-2013 for thermoplastics (halving per 10 K) and for "
        f"thermosets (from memory), {_FACTORS[_KINDS[0]](temperature):.3f} and "
        f"{_FACTORS[_KINDS[1]](temperature):.3f}, both of which are in the interval; state "
        "'insulation_kind' or 'halving_interval', or test nearer to 40 °C, to narrow it"
    )


def _sticks_at_top(readings: np.ndarray) -> bool:
    """Tell whether at least three readings, and a third of all, equal the highest one."""
    count = int(np.sum(readings == readings.max()))
    return count >= 3 and 3 * count >= readings.size


PROCEDURE = InsulationResistance()

"""Telemetry of a field-oriented drive: winding, EMF, friction and inertia from the controller's own record."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..errors import FitError
from ..physics import two_axis
from ..physics.block_commutation import Winding
from ..physics.magnets import emf_share
from ..physics.two_axis import Electrical, Record, Terms, Windows
from ..physics.winding import temperature_factor
from ..signs import number_text
from . import _magnets, _telemetry_views
from ._friction_line import FrictionLine
from ._telemetry_views import Seen
from .assumption import MAGNET_COEFFICIENT, SIX_STEP, Assumption
from .base import Condition, Lack, Log, Need, Procedure, Report, electrical_turns, without_pole_pairs
from .fit import Fit

_TRANSFORMS = ("amplitude", "power", "rms")
#: What a reading is multiplied by to become the peak of a phase.
_TO_PEAK = {"amplitude": 1.0, "power": np.sqrt(2.0 / 3.0), "rms": np.sqrt(2.0)}
_KINDS = ("mechanical", "electrical")
#: A window of the voltage equations lasts so many electrical time constants, within these numbers of readings.
_WINDOW, _SHORTEST, _LONGEST = 2.0, 8, 64
#: Parts of the record that a window of the rotor's equation may take, the usual one first.
_PARTS = (40, 25, 80, 15, 160)
#: A constant whose standard uncertainty from scatter exceeds this share of it is not determined.
_LOOSE = 0.3
#: Up to this share of itself the resistance may become uncertain for the sake of the bridge's voltage.
_BRIDGE = 0.2
#: Shares of the largest current up to which the bridge's voltage may fade, beside the one used (common practice).
_FADES = (0.02, 0.15)
#: An EMF below this share of the largest voltage is not told from an offset of either.
_STANDS = 0.02
#: The rotor stands where the mean square of its speed in short windows is no more than so many times that of scatter.
_WITHIN = 4.0
#: Correlation of the d axis' voltage with speed times current from which on its sign is wrong.
_MIRRORED = 0.7
#: Readings within an electrical time constant from which on a change of current shows the inductance by itself.
_FAST = 3.0


@dataclass(frozen=True)
class Choice:
    """What stays while readings are shifted: unknowns and windows, and what the readings do not determine, and why."""

    terms: Terms
    rotor: Windows | None
    loose: Mapping[str, str]
    #: How far the resistance may be off for the way in which the bridge's voltage fades near no current, in ohm.
    doubt: float


#: A record stays near one point where the ends of its readings, without the outermost, differ by so little of them.
_ENDS, _NEAR = (0.02, 0.98), 0.05
_NO_PAIRS = (
    "the pole pairs are known neither from a test nor from the nameplate; add an open-circuit test, or pole_pairs to "
    "the nameplate"
)
_NO_D_AXIS = "no current in the d axis tells it apart; it is taken to be that of the q axis"
_NO_TEMPERATURE = "the winding's temperature is not known; state the condition 'winding_temperature', or log it"
_OF_TEMPERATURE = ("phase_resistance", "electrical_time_constant")


class Telemetry(Procedure):
    """The drive's own record of rotor-frame voltages and currents while its current is stepped."""

    name = "telemetry"
    title = "Telemetry of a field-oriented drive"
    purpose = "Find resistance, EMF, inductance, friction and inertia from what the controller itself records."
    unit_kinds = ("motor", "drive")
    required_columns = ("time", "voltage_q", "current_q", "speed")
    optional_columns = (
        "voltage_d",
        "current_d",
        "angle",
        "supply_voltage",
        "supply_current",
        "temperature_winding",
    )
    conditions = (
        Condition(
            "transform",
            "number",
            "scale of voltages and currents of the rotor frame: 'amplitude' (the peak of a phase), 'power' "
            "(power-invariant, √(3/2) of the peak) or 'rms' (the RMS of a phase); see the controller's manual",
            required=True,
            choices=_TRANSFORMS,
        ),
        Condition(
            "speed_kind",
            "number",
            "speed recorded: 'mechanical', or 'electrical' (pole pairs times as fast)",
            required=True,
            choices=_KINDS,
        ),
        Condition("winding_temperature", "temperature", "winding temperature during the record"),
        _magnets.CONDITION,
    )
    needs = (Need("pole_pairs", "electrical and mechanical speed"),)
    assumptions = (
        MAGNET_COEFFICIENT,
        *(item for item in SIX_STEP if item.name.startswith("emf_harmonic")),
        Assumption(
            "switch_resistance",
            0.005,
            0.005,
            "switches, leads and plugs between the controller's voltage and the winding have 0 to 10 mΩ a phase "
            "(common practice, no source)",
        ),
        Assumption(
            "bridge_share",
            0.01,
            0.01,
            "dead time and drops take up to 2 percent of the supply's voltage off what the controller asks for, where "
            "the currents of the record do not tell it from resistance (common practice, no source)",
        ),
    )
    gives = (
        "phase_resistance",
        "inductance_q",
        "inductance_d",
        "electrical_time_constant",
        "torque_constant_q",
        "emf_constant_dc",
        "speed_constant",
        "moment_of_inertia",
        "coulomb_friction",
        "viscous_friction",
    )
    not_covered = (
        "No recording of a real drive is compared; a published machine model and an invented drive stand in.",
        "Saturation, iron loss as a term of its own, and a filter in the drive's speed beyond a plain delay.",
    )
    cautions = (
        "The wheel gains speed at full current: fix the axle by its torque arms, lift the wheel, keep off the spokes.",
        "A limit of the controller's speed must stop the run: set it before the first step.",
        "Braking steps feed power back: the supply must take it, or use a pack.",
    )
    minimum_rows = 200
    order = 47
    minutes = 30
    lasts = (0.2, 7200.0)

    def lacks(self, logs: Sequence[Log], known: Collection[str]) -> Sequence[Lack]:
        """Return what needs the pole pairs, the d axis, and the winding's temperature."""
        (log,) = logs
        if without_pole_pairs(known):
            return [*super().lacks(logs, known), Lack(_NO_PAIRS)]
        found = [] if {"voltage_d", "current_d"} <= set(log.columns) else [Lack(_NO_D_AXIS, ("inductance_d",))]
        if "winding_temperature" not in log.conditions and "temperature_winding" not in log:
            found.append(Lack(_NO_TEMPERATURE, _OF_TEMPERATURE))
        return [*super().lacks(logs, known), *found]

    def choose(self, logs: Sequence[Log], given: Mapping[str, float]) -> Choice:
        """Find the unknowns that the readings determine, and the windows."""
        log = logs[0]
        record = _record(log, given)
        terms = Terms(_SHORTEST, _turns(record), record.voltage_d is not None and record.current_d is not None)
        lost = _bridge(log, given)
        try:
            first = two_axis.fit_voltages(record, terms, lost)
        except FitError:
            _refuse_one_point(record)
            raise
        _refuse_signs(record, first)
        constant = first.value("inductance_q") / first.value("resistance")
        # A record too slow to see the current rise cannot tell the inductance from a lag of the voltage.
        sure = first.variance("inductance_q") < (_LOOSE * first.value("inductance_q")) ** 2
        seen = (terms.d_axis and terms.turning) or (sure and record.step * _FAST <= constant)
        length = round(_WINDOW * constant / record.step) if seen else _SHORTEST
        terms = replace(terms, length=int(np.clip(length, _SHORTEST, _LONGEST)))
        terms = _told(record, terms, lost)
        if not terms.bridge and _telemetry_views.supply(log, given) is None:
            raise FitError(
                "what dead time and drops take off the voltage is not known: the currents do not tell it, and neither "
                "is the supply's voltage logged nor the rated one on the nameplate; log 'supply_voltage', or step "
                "through more levels of current"
            )
        fitted = two_axis.fit_voltages(record, terms, lost)
        shapes = [two_axis.fit_voltages(record, terms, lost, small).value("resistance") for small in _FADES]
        doubt = max(abs(one - fitted.value("resistance")) for one in shapes)
        loose = _loose(record, fitted, seen=seen)
        if terms.turning and _slight(record, fitted):
            loose["emf"] = "the rotor hardly turns: its EMF is less than 2 percent of the voltage; let it turn faster"
        if not terms.turning:
            return Choice(terms, None, {**loose, "rotor": "the rotor does not turn in this record"}, doubt)
        pull = _pull(record, fitted)
        lengths = [max(_SHORTEST, record.time.size // parts) for parts in _PARTS]
        rotor, why = two_axis.chosen_windows(record.time, pull, record.speed, lengths)
        if rotor is None:
            loose["rotor"] = why
        else:
            turned = two_axis.fit_rotor(rotor, record.time, pull, record.speed).estimates
            for place, name in enumerate(("inertia", "coulomb", "viscous")):
                if turned.covariance[place, place] > (_LOOSE * turned.values[place]) ** 2:
                    loose[name] = _STEPS[name]
        return Choice(terms, rotor, loose, doubt)

    def estimate(self, logs: Sequence[Log], given: Mapping[str, float], choice: Choice) -> Fit:
        """Fit the voltage equations, then the rotor's, over the chosen windows."""
        log, fit = logs[0], Fit()
        record = _record(log, given)
        fitted = two_axis.fit_voltages(record, choice.terms, _bridge(log, given))
        names = [_named(name, choice) for name in choice.terms.names]
        label = "scatter of the voltages over currents and speed"
        fit.estimates(label, names, fitted.estimates)
        fading = "shape of the bridge's voltage near no current"
        fit.block(fading, {"resistance/shape": 0.0}, choice.doubt**2 / 3.0, distribution="rectangular")
        for axis, which in (("q", fitted.is_q), ("d", ~fitted.is_q)):
            if which.any():
                fit.left(
                    f"voltage of the {axis} axis",
                    "V",
                    fitted.observed[which],
                    _Part(fitted, which),
                    {"current": fitted.current[which], "speed": fitted.speed[which]},
                    fitted.time[which],
                    blocks=[label],
                )
        turned = None
        if choice.rotor is not None:
            turned = two_axis.fit_rotor(choice.rotor, record.time, _pull(record, fitted), record.speed)
            names = [_named(name, choice) for name in ("inertia", "coulomb", "viscous", "delay")]
            label = "scatter of the current over speed and its slope"
            fit.estimates(label, names, turned.estimates)
            regressors = {"speed": turned.speed, "slope of the speed": turned.slope}
            fit.left("current that makes torque", "A", turned.observed, turned.estimates, regressors, turned.time,
                     blocks=[label])  # fmt: skip
        winding = _winding(log)
        stood = _magnets.magnets(log, given, winding)
        fit.exact("temperature of the magnets", magnets=float(stood.temperature[0]))
        stood.doubt(fit)
        if winding is not None:
            fit.exact("temperature of the winding", winding=winding)
        self._say_missing(fit, choice, winding)
        fit.seen = Seen(record, fitted, turned, _transform(log))
        return fit

    def derive(self, parameters: Mapping[str, float], given: Mapping[str, float]) -> dict[str, float]:
        """Return the constants at their reference temperatures from those of the run."""
        result = {}
        if "inductance_q" in parameters:
            result["inductance_q"] = parameters["inductance_q"]
        if "inductance_d" in parameters:
            result["inductance_d"] = parameters["inductance_d"]
        if "resistance" in parameters and "winding" in parameters:
            warm = temperature_factor(parameters["winding"], given["winding_constant"])
            seen = parameters["resistance"] + parameters["resistance/shape"]
            result["phase_resistance"] = (seen - given["switch_resistance"]) / warm
            if "inductance_q" in parameters:
                mean = 0.5 * (parameters["inductance_q"] + parameters.get("inductance_d", parameters["inductance_q"]))
                result["electrical_time_constant"] = mean / result["phase_resistance"]
        if "emf" not in parameters:
            return result
        emf = parameters["emf"]
        left = emf_share(parameters["magnets"] + parameters["magnets/doubt"], given["magnet_coefficient"])
        shape = Winding(0.0, 0.0, 1.0, 1.0, {5: given["emf_harmonic_5"], 7: given["emf_harmonic_7"]}).emf_dc()
        result["torque_constant_q"] = 1.5 * emf / left
        result["emf_constant_dc"] = np.sqrt(3.0) * emf / left * shape
        result["speed_constant"] = 1.0 / result["emf_constant_dc"]
        for name, key in _ROTOR.items():
            if key in parameters:
                result[name] = 1.5 * emf * parameters[key]
        return result

    def report(self, logs: Sequence[Log], given: Mapping[str, float], choice: Choice, fit: Fit) -> Report:
        """Say what was taken for what, compare with the supply's power, and show both fits."""
        found = _telemetry_views.report(logs[0], given, fit.seen, told_bridge=choice.terms.bridge)
        if "pole_pairs" not in given:
            resting = _BY_PAIRS[_KINDS[int(logs[0].conditions["speed_kind"])]]
            found.stated |= dict.fromkeys(resting, f"pole pairs {given['nameplate_pole_pairs']:.0f}")
        return found

    def friction_line(self, fit: Fit) -> FrictionLine | None:
        """Return where the line of the rotor's equation stands: the same fit of the torque of a unit of windage."""
        turned = fit.seen.turned
        if turned is None:
            return None
        coulomb, viscous = turned.of_square()
        return FrictionLine(coulomb, viscous, float(np.abs(turned.speed).max()))

    def reached(self, log: Log, column: str, given: Mapping[str, float]) -> float | None:
        """Return the largest reading; of the speed it is the mechanical one, whichever was recorded."""
        largest = super().reached(log, column, given)
        if largest is None or column != "speed" or _KINDS[int(log.conditions["speed_kind"])] == "mechanical":
            return largest
        turns = electrical_turns(given)
        return None if turns is None else largest / turns

    def _say_missing(self, fit: Fit, choice: Choice, winding: float | None) -> None:
        loose = choice.loose
        if winding is None:
            fit.lacking(_OF_TEMPERATURE, _NO_TEMPERATURE)
        if not choice.terms.turning:
            turn = "the rotor does not turn in this record; let it turn for its EMF"
            fit.lacking(["torque_constant_q", "emf_constant_dc", "speed_constant"], turn)
        if not choice.terms.both:
            fit.missing["inductance_d"] = _NO_D_AXIS
        for key, names in _OUTPUTS.items():
            if key in loose:
                fit.lacking(names, loose[key])


#: What scales with the pole pairs, by the kind of speed: from electrical speed that of the wheel, and the other way.
_BY_PAIRS = {
    "electrical": (
        "torque_constant_q",
        "emf_constant_dc",
        "speed_constant",
        "moment_of_inertia",
        "coulomb_friction",
        "viscous_friction",
    ),
    "mechanical": ("inductance_q", "inductance_d", "electrical_time_constant"),
}
_ROTOR = {"moment_of_inertia": "inertia", "coulomb_friction": "coulomb", "viscous_friction": "viscous"}
#: Fitted unknown -> the quantities that go with it.
_OUTPUTS = {
    "resistance": ("phase_resistance", "electrical_time_constant"),
    "inductance_q": ("inductance_q", "electrical_time_constant"),
    "emf": ("torque_constant_q", "emf_constant_dc", "speed_constant", *_ROTOR),
    "rotor": tuple(_ROTOR),
    "inertia": ("moment_of_inertia",),
    "coulomb": ("coulomb_friction",),
    "viscous": ("viscous_friction",),
}
_STEPS = {
    "resistance": "current and speed move together, or the current hardly changes: step the current at several speeds",
    "inductance_q": "the readings show no voltage of the inductance beyond their scatter: record faster, or log the d "
    "axis too",
    "emf": "the speed hardly changes beside the current: run at several speeds",
    "inertia": "the speed hardly changes: step the current, so that the rotor gains and loses speed",
    "coulomb": "friction is small beside the scatter of the current, or one speed alone was held: run at several "
    "steady speeds",
    "viscous": "friction hardly changes with speed beyond the scatter of the current: run at several steady speeds",
}


@dataclass(frozen=True)
class _Part:
    """The residuals of one axis."""

    fitted: Electrical
    which: np.ndarray

    @property
    def residuals(self) -> np.ndarray:
        """Return the residuals of the axis in V."""
        return self.fitted.estimates.residuals[self.which]

    @property
    def residual_sd(self) -> float:
        """Return their spread in V."""
        return float(np.sqrt(np.mean(self.residuals**2)))

    @property
    def degrees_of_freedom(self) -> float:
        """Return those of the whole fit in the share of the axis."""
        return self.fitted.estimates.degrees_of_freedom * float(np.mean(self.which))


def _transform(log: Log) -> str:
    return _TRANSFORMS[int(log.conditions["transform"])]


def _record(log: Log, given: Mapping[str, float]) -> Record:
    """Return the readings as peaks of a phase, with both speeds. Raises ``FitError`` without the pole pairs."""
    turns = electrical_turns(given)
    if turns is None:
        raise FitError(_NO_PAIRS)
    peak = _TO_PEAK[_transform(log)]
    speed = log["speed"]
    if _KINDS[int(log.conditions["speed_kind"])] == "electrical":
        speed = speed / turns
    d_axis = {name: peak * log[name] for name in ("voltage_d", "current_d") if name in log}
    return Record(log["time"], peak * log["voltage_q"], peak * log["current_q"], speed, turns, **d_axis)


def _turns(record: Record) -> bool:
    """Tell whether the rotor turns: whether its speed is more than scatter, be it steady or not."""
    found = two_axis.windows(record.time, _SHORTEST)
    noise = two_axis.scatter(record.speed) * float(np.mean(np.sum(found.mean**2, axis=1)))
    return float(np.mean(found.means(record.speed) ** 2)) > _WITHIN * noise


def _slight(record: Record, fitted: Electrical) -> bool:
    """Tell whether the EMF is too small beside the voltage to be more than an offset of speed or voltage."""
    largest = float(np.abs(fitted.speed).max()) * abs(fitted.value("emf"))
    return largest < _STANDS * float(np.abs(record.voltage_q).max())


def _winding(log: Log) -> float | None:
    """Return the winding's mean temperature in degC, ``None`` where it is neither logged nor stated."""
    if "temperature_winding" in log:
        return float(np.mean(log["temperature_winding"]))
    return log.conditions.get("winding_temperature")


def _bridge(log: Log, given: Mapping[str, float]) -> float:
    """Return the voltage in V that the bridge takes off by assumption, as the amplitude of its fundamental.

    Nothing where the supply's voltage is not known: then the currents must tell it.
    """
    return given["bridge_share"] * (_telemetry_views.supply(log, given) or 0.0)


def _refuse_one_point(record: Record) -> None:
    """Raise ``FitError`` where current and speed stay near one value each: all unknowns stand in one number then."""
    ends = []
    for values in (record.current_q, record.speed):
        low, high = (float(end) for end in np.quantile(values, _ENDS))
        if high - low > _NEAR * max(abs(low), abs(high)):
            return
        ends.append((low, high))
    (low, high), (slow, fast) = ends
    raise FitError(
        f"the record stays near one current ({number_text(low, '.3g')} A to {number_text(high, '.3g')} A, peak of a "
        f"phase) and one speed ({number_text(slow, '.3g')} rad/s to {number_text(fast, '.3g')} rad/s, as recorded): "
        "the voltage is then one sum of resistance and EMF, the torque is friction at that speed, and nothing "
        "accelerates, so neither resistance, EMF, inductance, friction nor inertia can be told. Log again: step the "
        "current between two levels or more (such as a fifth and four fifths of what the wheel bears), let the speed "
        "follow from near standstill to the highest, and hold two or three speeds for some seconds each"
    )


def _refuse_signs(record: Record, first: Electrical) -> None:
    """Raise ``FitError`` where a sign is not that of a motor in its rotor's frame."""

    def surely_negative(name: str) -> bool:
        return first.value(name) < -4.0 * np.sqrt(first.variance(name))

    if surely_negative("resistance"):
        raise FitError(
            "the voltage falls as the current rises, as in a generator's counting; the current is to count positive "
            "where it drives the motor: invert it in the layout"
        )
    turning = first.terms.turning and not _slight(record, first)
    if turning and surely_negative("emf"):
        raise FitError("speed and q-axis voltage have opposite signs; invert one of them in the layout")
    if first.terms.d_axis and turning and _mirrored(record):
        raise FitError(
            "the d-axis voltage has the wrong sign for this current and speed: motoring it lies below zero; invert the "
            "d axis in the layout, or check that the speed is the kind that is stated"
        )


def _mirrored(record: Record) -> bool:
    """Tell whether the d-axis voltage rises where speed and current of the q axis make it fall: -w_e L_q i_q."""
    if record.voltage_d is None:
        return False
    found = two_axis.windows(record.time, _SHORTEST)
    reaction, voltage = found.means(record.turns * record.speed * record.current_q), found.means(record.voltage_d)
    return float(np.std(reaction)) > 0 and float(np.corrcoef(reaction, voltage)[0, 1]) > _MIRRORED


def _told(record: Record, plain: Terms, lost: float) -> Terms:
    """Return the unknowns that the readings tell apart beside those in ``plain``."""
    terms = plain
    if plain.d_axis:
        try:
            found = two_axis.fit_voltages(record, replace(plain, both=True), lost)
            sizes = [found.variance(name) / found.value(name) ** 2 for name in ("inductance_d", "inductance_q")]
            if max(sizes) < (0.5 * _LOOSE) ** 2 and found.value("inductance_d") > 0:
                terms = replace(plain, both=True)
        except FitError:
            terms = plain
    wider = replace(terms, bridge=True)
    try:
        found = two_axis.fit_voltages(record, wider, lost)
    except FitError:
        return terms
    return wider if found.variance("resistance") < (_BRIDGE * found.value("resistance")) ** 2 else terms


def _loose(record: Record, fitted: Electrical, *, seen: bool) -> dict[str, str]:
    """Return which unknowns of the voltages are not determined, and why."""
    loose: dict[str, str] = {
        name: _STEPS[name]
        for name in ("resistance", "inductance_q", "emf")
        if name in fitted.terms.names and fitted.variance(name) > (_LOOSE * fitted.value(name)) ** 2
    }
    if not seen:
        loose["inductance_q"] = (
            f"one reading in {number_text(1e3 * record.step, '.2g')} ms is too slow to see the current rise; record "
            "faster, or log voltage_d and current_d while the rotor turns"
        )
    return loose


def _pull(record: Record, fitted: Electrical) -> np.ndarray:
    """Return the current ``(n,)`` in A that makes torque: that of the q axis, and what unlike inductances add."""
    if not fitted.terms.both or record.current_d is None:
        return record.current_q
    unlike = (fitted.value("inductance_d") - fitted.value("inductance_q")) * record.turns / fitted.value("emf")
    return record.current_q * (1.0 + unlike * record.current_d)


def _named(name: str, choice: Choice) -> str:
    """Return the name of a fitted unknown; one that is not determined bears another, by which no formula takes it."""
    return f"{name}/loose" if name in choice.loose else name


PROCEDURE = Telemetry()

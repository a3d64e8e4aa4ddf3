"""Load run: efficiency, torque constant and losses from operating points under load."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

import numpy as np

from ..errors import FitError
from ..physics import load_points
from ..physics.magnets import emf_share
from . import _bridge_cost, _magnets, _winding_state
from . import _load_parts as parts
from . import _load_views as views
from ._friction_line import FrictionLine
from .assumption import GEAR_LOSS, MAGNET_COEFFICIENT, STANDBY_GROWTH, Assumption
from .base import Condition, Lack, Log, Procedure, Quantity, Report, Suspect
from .fit import Fit

_NO_POWER = "no electrical power is logged; add supply_voltage and supply_current"
_AT_PEAK = "at the measured point of greatest shaft power"
_LOSSES = "after the summation of losses, IEC 60034-2-1"

#: A reading put right lies on the line of the others within this share of how far off it lay (common practice).
_ON_THE_LINE = 0.05


class Load(Procedure):
    """The unit is braked at points of torque and speed while power in and out are read."""

    name = "load"
    title = "Load run"
    purpose = "Find efficiency over torque and speed, the torque constant, and where the losses arise."
    unit_kinds = ("motor", "drive")
    required_columns = (
        "torque",
        "speed",
        ("supply_current", "phase_power", "phase_power_a", "wattmeter_1", "current_q"),
    )
    optional_columns = (
        "supply_voltage",
        "current_d",
        "duty",
        "brake",
        "temperature_winding",
        "phase_power_b",
        "phase_power_c",
        "wattmeter_2",
    )
    conditions = (
        *_winding_state.CONDITIONS,
        _magnets.CONDITION,
        _bridge_cost.CONDITION,
        Condition("standby_power", "power", "power the controller takes with the motor standing"),
    )
    needs = (_winding_state.NEED, *_bridge_cost.NEEDS)
    assumptions = (
        MAGNET_COEFFICIENT,
        *_bridge_cost.ASSUMPTIONS,
        STANDBY_GROWTH,
        Assumption(
            "torque_saturation",
            0.015,
            0.015,
            "the slope of torque over current under load is up to 3 percent below that at small current, where its "
            "readings show no bend, since the iron begins to saturate (common practice, no source)",
        ),
        GEAR_LOSS,
    )
    gives = (
        "efficiency_max",
        "motor_efficiency_max",
        "rated_torque",
        "torque_constant_q",
        "torque_constant",
        "coulomb_friction",
        "viscous_friction",
        "winding_loss",
        "friction_iron_loss",
        "additional_loss",
    )
    # fmt: off
    quantities = (
        Quantity(
            "efficiency_max", "Greatest efficiency, supply to shaft", "eta_max", "ratio", "percent",
            "greatest efficiency at a measured point: shaft power over DC supply power, controller included, with the "
            "losses smoothed over all points",
            "input-output method, IEC 60034-2-1",
            key=5,
            least=0.0,
            most=1.0,
            impossible="more comes out than goes in: torque or speed in a wrong unit, columns of different "
            "points, or a meter's scale",
        ),
        Quantity(
            "motor_efficiency_max", "Greatest efficiency of the motor alone", "eta_m", "ratio", "percent",
            "greatest efficiency at a measured point: shaft power over the power of the three phases, with the losses "
            "smoothed over all points",
            "input-output method, IEC 60034-2-1",
            least=0.0,
            most=1.0,
            impossible="more comes out than goes in: torque or speed in a wrong unit, columns of different "
            "points, or a meter's scale",
        ),
        Quantity(
            "rated_torque", "Torque at rated power", "T_N", "torque", "N m",
            "shaft torque at which the unit gives its rated power, on its characteristic at the supply voltage of "
            "the run",
            "definition; rated output after IEC 60034-1",
            least=0.0,
        ),
        Quantity(
            "torque_constant_q", "Torque per ampere of q-axis current", "K_q", "torque_constant", "N m/A",
            "slope of shaft torque over q-axis current, the peak of the phase current, at small current where it bends "
            "(for sinusoidal waves √3/2 of the peak line-to-line back-EMF constant)",
            "power balance of the two-axis model",
            least=0.0,
        ),
        Quantity(
            "winding_loss", "Winding loss", "P_w", "power", "W",
            f"loss in the winding at its temperature, {_AT_PEAK}",
            _LOSSES,
            least=0.0,
        ),
        Quantity(
            "friction_iron_loss", "Friction and iron loss", "P_c", "power", "W",
            f"friction and iron loss taken from the points without brake, {_AT_PEAK}",
            _LOSSES,
            least=0.0,
            impossible="a current, voltage or torque read too small, standby power stated too large, or "
            "readings taken before the speed stood still",
        ),
        Quantity(
            "additional_loss", "Additional loss", "P_LL", "power", "W",
            f"what winding, friction, iron and standby leave of the total loss, {_AT_PEAK}; where only DC power was "
            "read it holds the controller's loss",
            _LOSSES,
            no_bound="a remainder: below zero the parts that are named hold too much",
        ),
    )
    # fmt: on
    not_covered = (
        "The one table of a real motor at hand has no certified efficiency; it is compared with arithmetic by "
        "hand, not kept with the project.",
        "How the additional loss splits between controller, eddy currents and harmonics is not told apart, so not "
        "checked.",
    )
    cautions = (
        "Brake, coupling and torque arm carry the full torque: check bolts and guards before power, and run up slowly.",
        "Winding and controller heat up within minutes at high load: watch their temperatures and pause between "
        "points.",
        "Keep clear of the plane of rotation; a wheel that comes loose leaves the bench at speed.",
    )
    minimum_rows = 8
    order = 60
    minutes = 90
    time_ordered = False

    def lacks(self, logs: Sequence[Log], known: Collection[str]) -> Sequence[Lack]:
        """Return what needs an electrical power, and what needs the rated one."""
        (log,) = logs
        powered = {"supply_voltage", "supply_current"} <= set(log.columns) or parts.logs_phase_power(log)
        found = [] if powered else [Lack(_NO_POWER, ("efficiency_max",))]
        if "nameplate_rated_power" not in known:
            found.append(Lack(parts.NO_RATED_POWER, ("rated_torque",)))
        return [*super().lacks(logs, known), *found]

    def choose(self, logs: Sequence[Log], given: Mapping[str, float]) -> parts.Choice:
        """Find the points that can be right, those without brake, and those at which results are stated."""
        parts.refuse_more_than_goes_in(logs[0])
        return parts.choose(logs[0], given)

    def estimate(self, logs: Sequence[Log], given: Mapping[str, float], choice: parts.Choice) -> Fit:
        """Fit torque over current, the losses over torque and speed, and friction from the points without brake."""
        log, fit = logs[0], Fit()
        at = parts.points(log)
        per_ampere = parts.torque_per_ampere(log, at, given, choice, fit)
        surfaces = {name: parts.efficiency(at, name, title, choice, fit) for name, title in views.TITLES.items()}
        if at.supply is None and at.phases is None:
            fit.missing["efficiency_max"] = _NO_POWER
        split = parts.split(log, given, at, surfaces[at.fed_by], choice, fit)
        rated = parts.rated(at, given, fit)
        if not fit.blocks:
            raise FitError("the readings give no quantity; log supply power or current beside torque and speed")
        fit.seen = views.Seen(at, per_ampere, surfaces, split, rated)
        return fit

    def report(self, logs: Sequence[Log], given: Mapping[str, float], choice: parts.Choice, fit: Fit) -> Report:
        """Show torque over current, efficiency and the losses."""
        return views.report(logs[0], given, choice, fit)

    def suspects(self, columns: Mapping[str, np.ndarray]) -> Sequence[Suspect]:
        """Return the supply voltages that lie off the line of all the others over current."""
        if "supply_voltage" not in columns or "supply_current" not in columns:
            return ()
        voltage, current = columns["supply_voltage"], columns["supply_current"]
        rows, expected = load_points.suspect_supply(voltage, current)
        return [
            Suspect(
                int(row),
                "supply_voltage",
                f"{voltage[row]:.2f} V where the other rows lead to {expected[row]:.2f} V: more than six robust "
                "standard deviations and 0.5 % off their line over current. The row is left out of the power balance: "
                "correct it if it is a slip",
                _tenfold(voltage, current, expected, int(row)),
            )
            for row in np.flatnonzero(rows)
        ]

    def friction_line(self, fit: Fit) -> FrictionLine | None:
        """Return where the line through the points without brake stands."""
        return None if fit.seen.split is None else fit.seen.split.line

    def with_controller_loss(self, log: Log) -> frozenset[str]:
        """Return friction, where it comes from the power of the supply and not from that of the phases."""
        held = {"coulomb_friction", "viscous_friction", "friction_iron_loss"}
        return frozenset() if parts.phase_power(log) is not None else frozenset(held)

    def derive(self, parameters: Mapping[str, float], given: Mapping[str, float]) -> dict[str, float]:
        """Return efficiencies, the torque constant and the remainder of the losses from the fitted parameters."""
        result = super().derive(parameters, given)
        for name in ("efficiency_max", "motor_efficiency_max"):
            if f"{name}/loss" in parameters:
                out = parameters[f"{name}/shaft"]
                result[name] = out / (out + parameters[f"{name}/loss"])
        if "characteristic/slope" in parameters:
            # What friction loses as speed falls along the characteristic is no torque of the current.
            result["torque_constant"] = (
                parameters["characteristic/slope"]
                + parameters["characteristic/viscous"] * parameters["characteristic/lean"]
            )
        for name in ("torque_constant", "torque_constant_q"):
            if name in result:
                result[name] = result[name] + parameters.get("torque/bend", 0.0)
                warmer = emf_share(20.0 + parameters["magnets/doubt"], given["magnet_coefficient"])
                result[name] = result[name] / warmer
        if "torque_constant" in result:
            # It is that of the air gap at small current; that of the q axis is the slope at the shaft.
            left = 1.0 if "torque/bend" in parameters else 1.0 - given["torque_saturation"]
            if np.any(given.get("nameplate_gear_ratio", 1.0) != 1.0):
                left = left * (1.0 - given["gear_loss"])
            result["torque_constant"] = result["torque_constant"] * (1.0 + parameters.get("torque/ripple", 0.0)) / left
        for name in ("coulomb_friction", "viscous_friction", "friction_iron_loss"):
            if name in result:
                result[name] = result[name] * (1.0 + parameters.get("friction/ripple", 0.0))
        if "total/loss" in parameters:
            known = parameters["winding_loss"] + result["friction_iron_loss"] + parameters["standby/loss"]
            result["additional_loss"] = parameters["total/loss"] - known
        return result


def _tenfold(voltage: np.ndarray, current: np.ndarray, expected: np.ndarray, row: int) -> str | None:
    """Return which reading of a row is off by ten, if one is: with it put right the row lies on the others' line."""
    slope, start = np.polyfit(current, expected, 1)
    away = abs(float(voltage[row] - expected[row]))
    for factor in (0.1, 10.0):
        if abs(factor * float(voltage[row]) - float(expected[row])) < _ON_THE_LINE * away:
            return f"reading {row + 1} of supply voltage"
        if abs(float(voltage[row]) - float(start + slope * factor * current[row])) < _ON_THE_LINE * away:
            return f"reading {row + 1} of supply current"
    return None


PROCEDURE = Load()

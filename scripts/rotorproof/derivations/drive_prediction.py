"""What motor and controller do together on the real battery: the pack's prediction with limits and losses measured.

The motor's constants, the controller's limits and losses come from the drive's own tests where it has any, else from
those of its parts.

Friction from a power balance of the supply holds what the bench's controller lost beyond standby (a run without load,
or under load with the supply's power alone); friction from a coast-down, or from the power of the phases, does not and
is taken first. Where there is only the former, the loss of the pair's controller at no load is taken off it by a share
of 0 to 1, so that the interval covers both a bench whose controller lost nothing and one that lost the same.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any, ClassVar

import numpy as np

from ..physics.friction import bridge_loss_in_friction
from ..procedures.base import Need, Quantity, UnitKind, electrical_turns
from ..procedures.derivation import Assumption, Shown, needs_words
from .pack_prediction import CONSTANTS, UNMEASURED, PackPrediction, cruise_current, full_pack_speed

_LOSSES = ("controller_loss", "controller_efficiency", "standby_power")
_LIMITS = ("supply_current_limit", "phase_current_limit")
#: What the controller's limits bound; the no-load speed and the lasting torque are left.
_BOUND = ("pack_road_speed", "pack_top_torque", "pack_max_grade", "energy_per_distance")
_CUTOFF = ("cutoff_voltage", "vehicle_cruise_speed", "pack_internal_resistance")
_SWITCHING = ("pwm_frequency", "pole_pairs")
_HOLDS = "coulomb_friction_holds_controller_loss"
_FRICTION = ("coulomb_friction", "viscous_friction")
#: Set where a nameplate may stand in and no test gave the controller's losses.
_NOT_MEASURED = "controller_efficiency_not_measured"
_ASSUMED = "controller losses, assumed"


class DrivePrediction(PackPrediction):
    """The pair on its pack with the controller's limits and losses as they were measured."""

    name = "drive-prediction"
    title = "Motor and controller together on the real battery"
    unit_kinds: ClassVar[tuple[UnitKind, ...]] = ("drive",)
    needs: ClassVar[tuple[Need, ...]] = (
        *(replace(need, apart_from_controller=need.quantity in _FRICTION) for need in PackPrediction.needs),
        *(Need(name, "the controller's losses", part="controller", required=True) for name in _LOSSES),
        *(Need(name, "the controller's limits", part="controller", required=True) for name in _LIMITS),
        Need("pwm_frequency", "switching against commutation", part="controller"),
        Need("cutoff_voltage", "where it stops on this pack", part="controller"),
    )
    gives: ClassVar[tuple[str, ...]] = (*PackPrediction.gives, "pack_cutoff_voltage", "pwm_ratio")
    quantities: ClassVar[tuple[Quantity, ...]] = (
        Quantity(
            "pack_cutoff_voltage",
            "Pack voltage at the cut-off",
            "U_0,off",
            "voltage",
            "V",
            "voltage of the pack without load at which the controller cuts off at the stated cruise: its cut-off "
            "voltage and what the pack's resistance takes",
            "Ohm's law",
            least=0.0,
        ),
        Quantity(
            "pwm_ratio",
            "Switching over commutation frequency",
            "k_f",
            "ratio",
            "1",
            "switching frequency over the number of commutations a second (6 times pole pairs times turns a second) at "
            "no load on the full pack",
            "definition; six commutations in an electrical turn",
            least=0.0,
        ),
    )
    assumptions: ClassVar[tuple[Assumption, ...]] = (
        *(item for item in PackPrediction.assumptions if item.name != UNMEASURED),
        Assumption(
            "controller_bench_duty",
            0.8,
            0.2,
            "the controller's loss was measured at a duty ratio between 0.6 and 1, so that its current follows from "
            "the output power; the log does not say (common practice, no source)",
        ),
        Assumption(
            "controller_loss_square",
            0.5,
            0.5,
            "of the controller's loss beyond standby any share grows with the square of the current and the rest with "
            "the current",
        ),
        Assumption(
            "controller_loss_with_voltage",
            0.5,
            0.5,
            "of the controller's standby and of its loss that grows with the current any share grows with the supply's "
            "voltage, from the bench's to the pack's, as at switching edges, and the rest does not, as in diodes",
        ),
        Assumption(
            "controller_chopping",
            0.0015,
            0.0015,
            "below full duty the controller loses up to 0.3 percent of supply voltage times motor current more than "
            "its test showed, at switching edges, of which a test at full duty has none (edges of up to 0.2 µs, "
            "15,000 pulses a second; common practice, no source)",
        ),
        Assumption(
            "friction_controller_share",
            0.5,
            0.53,  # a twentieth more than one half, so that none and all lie within the middle 95 %
            "of the controller's loss at no load beyond standby any share, from none to all, already stands in the "
            "motor's friction, which was found from the power of a supply with a controller behind it, and is not "
            "counted again",
            when=_HOLDS,
        ),
        *(
            Assumption(f"unmeasured_{part}", most / 2, most / 2, why, when=_NOT_MEASURED, stands_for=_ASSUMED)
            for part, most, why in (
                ("standing", 2.0, "the controller, whose losses nobody measured, takes up to 2 W at standby"),
                ("drop", 0.8, "the controller, whose losses nobody measured, takes a voltage of up to 0.8 V"),
                ("resistance", 0.04, "the controller, whose losses nobody measured, has up to 40 mΩ in two phases"),
            )
        ),
        Assumption(
            "stated_current_peak",
            0.5 * (1.0 + math.sqrt(2.0)),
            0.5 * (math.sqrt(2.0) - 1.0),
            "a nameplate does not say whether its phase current is the peak or the RMS of a sine",
            when="phase_current_limit_stated",
        ),
    )
    order = 110

    def derive(self, given: Mapping[str, float]) -> dict[str, float]:
        """Return what the measured numbers determine; nothing without the controller's losses."""
        if _without_losses(given) is not None:
            return {}
        pair = _pair(given)
        result = super().derive(pair)
        if _lacking(given, _LIMITS):
            result = {name: value for name, value in result.items() if name not in _BOUND}
        if "pack_no_load_speed" in result and not _lacking(given, _SWITCHING):
            turns: Any = full_pack_speed(pair) / (2 * math.pi)
            result["pwm_ratio"] = given["pwm_frequency"] / (6 * electrical_turns(given) * turns)
        if "energy_per_distance" in result and not _lacking(given, _CUTOFF):
            current: Any = cruise_current(pair, given["cutoff_voltage"])
            result["pack_cutoff_voltage"] = given["cutoff_voltage"] + given["pack_internal_resistance"] * current
        return {name: value for name, value in result.items() if np.ndim(value) or np.isfinite(value)}

    def show(self, given: Mapping[str, float], result: Mapping[str, float]) -> Shown:
        """Return the figures and the table of the prediction, which limits hold, and why numbers are missing."""
        if not any(need.quantity in given for need in self.needs):
            return Shown()
        lacking = _lacking(given, ("pack_voltage_nominal", *CONSTANTS, *_LIMITS))
        reasons = [needs_words(lacking)] if lacking else []
        reasons += filter(None, [_without_losses(given)])
        shown = Shown() if reasons else super().show(_pair(given), result)
        missing = dict(shown.missing)
        if reasons:
            missing |= {name: "; ".join(reasons) for name in PackPrediction.gives if name not in result}
        for name, needed in (("pack_cutoff_voltage", _CUTOFF), ("pwm_ratio", _SWITCHING)):
            if name not in result:
                without = _lacking(given, needed)
                missing[name] = needs_words(without) if without else "needs the prediction, which is missing"
        return Shown(shown.panels, shown.tables, [*_limit_notes(given), *_friction_notes(given), *shown.notes], missing)


def _lacking(given: Mapping[str, float], names: tuple[str, ...]) -> list[str]:
    return [name for name in names if name not in given]


def _pair(given: Mapping[str, float]) -> dict[str, float]:
    """Return the scalars with the controller's measured limits and losses in the places the prediction reads."""
    pair = dict(given)
    if "supply_current_limit" in given:
        stated: Any = given.get("pack_current_limit", math.inf)
        pair["pack_current_limit"] = np.minimum(given["supply_current_limit"], stated)
    if "phase_current_limit" in given:
        # It was found as the mean of the two largest phase currents: of sines that is 3 sqrt(3)/(2 pi) of the peak.
        # A nameplate's is taken for anything from the peak to the RMS of a sine.
        of_sine = given.get("stated_current_peak", 2 * math.pi / math.sqrt(27))
        peak = of_sine if np.any(given.get("drive_field_oriented", 0.0)) else 1.0
        pair["pack_motor_current_limit"] = given["phase_current_limit"] * peak
    if _without_losses(given) is None and "pack_voltage_nominal" in given:
        pair |= _losses(given)
        pair |= _friction_alone(pair)
    if given.get(_HOLDS) == 0 and "bench_speed_max_apart" in given:
        pair["bench_speed_max"] = given["bench_speed_max_apart"]
    return pair


def _friction_alone(pair: Mapping[str, float]) -> dict[str, float]:
    """Return friction less the assumed share of the controller's loss in it; nothing where it holds none."""
    if not pair.get(_HOLDS) or _lacking(pair, CONSTANTS):
        return {}
    emf, share = pair["emf_constant_dc"], pair["friction_controller_share"]
    speed = pair.get("bench_speed_max", pair["pack_voltage_nominal"] / emf)
    coulomb, viscous = pair["coulomb_friction"], pair["viscous_friction"]
    doubled = bridge_loss_in_friction(
        coulomb, viscous, emf, pair["controller_drop"], pair["controller_resistance"], speed
    )
    return {"coulomb_friction": coulomb - share * doubled[0], "viscous_friction": viscous - share * doubled[1]}


def _without_losses(given: Mapping[str, float]) -> str | None:
    """Return why the controller's losses are not known, ``None`` if they are."""
    if np.any(given.get(_NOT_MEASURED, 0.0)):
        return None
    lacking = _lacking(given, _LOSSES)
    if lacking:
        return needs_words(lacking)
    if np.all(given["controller_loss"] <= given["standby_power"]):
        return "the controller's loss under load lies below its standby power; repeat both measurements"
    return None


def _losses(given: Mapping[str, float]) -> dict[str, float]:
    """Return standing loss, drop and resistance on the pack from the loss at one output and at standby.

    The output is loss times eta / (1 - eta), its current that output over duty ratio and supply voltage of the bench. A
    share of what does not grow with the square of the current grows with the voltage: what switching edges take.
    Below full duty a pulse loses V I (t_on + t_off)/2 at its two edges beside what was measured (N. Mohan, T. M.
    Undeland, W. P. Robbins, Power Electronics, chapter on switches; from memory), ``controller_chopping`` V I.
    """
    if np.any(given.get(_NOT_MEASURED, 0.0)):
        return {f"controller_{part}": given[f"unmeasured_{part}"] for part in ("standing", "drop", "resistance")}
    efficiency, loss, standing = given["controller_efficiency"], given["controller_loss"], given["standby_power"]
    output = loss * efficiency / (1 - efficiency)
    pack = given["pack_voltage_nominal"]
    bench = given.get("bench_supply_voltage_max", pack)
    current = output / (given["controller_bench_duty"] * bench)
    square = given["controller_loss_square"]
    grown = 1 + given["controller_loss_with_voltage"] * (pack / bench - 1)
    return {
        "controller_standing": standing * grown,
        "controller_drop": (1 - square) * (loss - standing) / current * grown,
        "controller_resistance": square * (loss - standing) / current**2,
        "controller_edges": given.get("controller_chopping", 0.0) * pack,
    }


def _friction_notes(given: Mapping[str, float]) -> list[str]:
    """Return where the friction comes from, as far as the controller's loss is concerned."""
    if _HOLDS not in given:
        return []
    if given[_HOLDS]:
        return [
            "The motor's friction comes from the power of a supply with a controller behind it, so it may hold part of "
            "the loss that is added here for the controller. That part is taken off by a share between none and all, "
            "whose uncertainty is in the intervals. A coast-down with a known inertia gives friction without it."
        ]
    return ["The motor's friction is that of a test without a controller's loss in it (see its report)."]


def _known(name: str, given: Mapping[str, float]) -> str:
    return "as its nameplate states, not measured" if given.get(f"{name}_stated") else "as measured"


def _limit_notes(given: Mapping[str, float]) -> list[str]:
    notes = []
    stated, found = given.get("pack_current_limit"), given.get("supply_current_limit")
    if found is not None:
        known = _known("supply_current_limit", given)
        beside = f" {known}" if stated is None else f" {known}, by the pack at {stated:.1f} A as stated in config.yaml"
        notes.append(f"The supply current is limited by the controller at {found:.1f} A{beside}; the smaller holds.")
    if "phase_current_limit" in given:
        notes.append(
            f"The motor current is limited by the controller at {given['phase_current_limit']:.1f} A "
            f"{_known('phase_current_limit', given)}, whatever 'motor_current_limit' in config.yaml says."
        )
    return notes


DERIVATION = DrivePrediction()

"""The controller's loss is counted once, whether or not the motor's friction holds part of it.

The truth is computed at the terminals of the supply by bisection, not from our formulae: a bench whose controller loses
what the pair's does, and one whose controller loses nothing. Friction alone is what a coast-down gives (IEC 60034-2-2).
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import brentq

from rotorproof.derivations.drive_prediction import DERIVATION as PREDICTION
from rotorproof.fitting.engine import Outcome
from rotorproof.fitting.parts import Part, part
from rotorproof.fitting.store import load_fit, save_fit
from rotorproof.fitting.unit_fit import UnitFit, fit_unit
from rotorproof.physics.friction import bridge_loss_in_friction
from rotorproof.procedures.base import Log
from rotorproof.procedures.coast_down import PROCEDURE as COAST_DOWN
from rotorproof.procedures.fit import Fit
from rotorproof.procedures.load import PROCEDURE as LOAD
from rotorproof.procedures.no_load import PROCEDURE as NO_LOAD
from rotorproof.settings.run import RunSettings
from rotorproof.settings.unit import UnitFile
from rotorproof.uncertainty.coverage import interval
from rotorproof.uncertainty.forms import Form, Influence, propagate
from tests.derivations.test_drive import GIVEN, drive, true_energy
from tests.procedures.runs import outcome

KE, R_LINE, COULOMB, VISCOUS, STANDING = 1.35, 0.24, 0.4, 0.01, 3.2
#: A poor controller, so that what it adds can be seen: 1.2 V and 0.05 ohm.
DROP, R_ON = 1.2, 0.05
SPEEDS = 36 / KE

pytestmark = pytest.mark.usefixtures("smooth_drive")


def no_load_friction(drop: float, r_on: float) -> dict[str, float]:
    """Return what our no-load fit makes of a motor behind a bridge, its currents solved at the terminals."""
    rows = []
    for voltage in np.linspace(12, 36, 9):

        def current(w: float, v: float = float(voltage)) -> float:
            return (v - drop - KE * w) / (R_LINE + r_on)

        w = brentq(lambda w: KE * current(w) - COULOMB - VISCOUS * w, 0.0, voltage / KE)
        rows.append((voltage, current(w) + STANDING / voltage, w))
    voltage, supply, speed = np.array(rows).T
    columns = {"supply_voltage": voltage, "supply_current": supply, "speed": speed}
    found = outcome(
        NO_LOAD, [(columns, {"winding_temperature": 20.0, "standby_power": STANDING})], phase_resistance=R_LINE / 2
    )
    return {name: found.forms[name].value for name in ("coulomb_friction", "viscous_friction")}


def scalars(friction: dict[str, float], **more: float) -> dict[str, float]:
    """Return the pair with a controller whose loss at 9 A is that of the bridge, and limits out of the way."""
    current = 9.0
    loss = STANDING + DROP * current + R_ON * current**2
    output = 0.8 * 36.0 * current
    return {
        **GIVEN,
        "phase_resistance": R_LINE / 2,
        "standby_power": STANDING,
        "controller_loss": loss,
        "controller_efficiency": output / (output + loss),
        "controller_loss_square": R_ON * current**2 / (loss - STANDING),
        "bench_speed_max": SPEEDS,
        "pack_internal_resistance": 0.0,
        **friction,
        **more,
    }


HOLDS = {"coulomb_friction_holds_controller_loss": 1.0}


def energy(**given: float) -> float:
    return PREDICTION.derive(given)["energy_per_distance"]


def truth() -> float:
    pair = {"ke": KE, "r": R_LINE, "coulomb": COULOMB, "viscous": VISCOUS, "drop": DROP, "r_on": R_ON, "pack": 0.0}
    load = {"mass": 110.0, "rolling": 0.009, "area": 0.55, "around": 2.1, "standing": STANDING}
    return true_energy({**pair, **load}, GIVEN["vehicle_cruise_speed"])


def test_what_a_power_balance_takes_for_friction_is_the_loss_of_the_bridge() -> None:
    seen = no_load_friction(DROP, R_ON)
    coulomb, viscous = bridge_loss_in_friction(*seen.values(), KE, DROP, R_ON, SPEEDS)
    # At half and at full speed, where the vehicle runs: within a tenth of what was doubled.
    for speed in (0.5 * SPEEDS, SPEEDS):
        doubled = seen["coulomb_friction"] - COULOMB + (seen["viscous_friction"] - VISCOUS) * speed
        assert doubled > 0.01
        assert coulomb + viscous * speed == pytest.approx(doubled, rel=0.1)


def test_the_loss_is_not_counted_twice_and_the_interval_covers_both_benches() -> None:
    friction = no_load_friction(DROP, R_ON)
    true = truth()
    twice = energy(**scalars(friction))
    once = energy(**scalars(friction, **HOLDS, friction_controller_share=1.0))
    assert twice > true * 1.003
    assert once == pytest.approx(true, rel=1e-3)
    share = Influence("share", "share", "rectangular")
    for bench in (friction, no_load_friction(0.0, 0.0)):
        inputs = {name: Form(value) for name, value in scalars(bench, **HOLDS).items()}
        (assumed,) = (one for one in PREDICTION.assumptions if one.name == "friction_controller_share")
        inputs["friction_controller_share"] = Form(assumed.value, {share: assumed.half_width / math.sqrt(3)})
        form = propagate(PREDICTION.derive, inputs)["energy_per_distance"]
        cover = interval(form)
        assert cover.low * 0.9999 <= true <= cover.high * 1.0001


def test_friction_of_the_phases_power_or_of_a_coast_down_holds_none() -> None:
    supply = {"supply_voltage": np.ones(3), "supply_current": np.ones(3)}
    assert "coulomb_friction" in NO_LOAD.with_controller_loss(Log("L", supply))
    assert "coulomb_friction" in LOAD.with_controller_loss(Log("L", supply))
    assert not LOAD.with_controller_loss(Log("L", {**supply, "phase_power": np.ones(3)}))
    assert not COAST_DOWN.with_controller_loss(Log("L", {"time": np.ones(3), "speed": np.ones(3)}))


SETTINGS = RunSettings.model_validate(
    {
        "config_version": 1,
        "pack": {"voltage_full": "42 V", "voltage_nominal": "36 V", "voltage_empty": "30 V"},
        "vehicle": {
            "mass": "110 kg",
            "rolling_resistance": 0.009,
            "drag_area": "0.55 m^2",
            "rolling_circumference": "2.1 m",
        },
    }
)


def motor(tmp_path: Path, *, coast_down: bool) -> Part:
    """Return a motor whose friction came from a no-load run and, perhaps, from a coast-down too."""

    def run(procedure: str, friction: tuple[float, float], holds: tuple[str, ...], **more: float) -> Outcome:
        names = ("coulomb_friction", "viscous_friction")
        values = {**dict(zip(names, friction, strict=True)), **more}
        forms = {name: Form(value) for name, value in values.items()}
        return Outcome(procedure, procedure, forms, Fit(), with_controller_loss=holds)

    constants = {"emf_constant_dc": KE, "phase_resistance": R_LINE / 2, "pole_pairs": 20.0}
    runs = [run("no-load", (0.46, 0.009), ("coulomb_friction", "viscous_friction"), **constants)]
    if coast_down:
        runs.append(run("coast-down", (COULOMB, VISCOUS), ()))
    stated = {"winding_constant": Form(234.5), "bench_speed_max": Form(26.0), "bench_speed_max_apart": Form(24.0)}
    fit = UnitFit(runs, stated=stated)
    save_fit(tmp_path / "M.json", tmp_path / "M.npz", fit)
    return part("motor", "M", load_fit(tmp_path / "M.json"))


def controller(tmp_path: Path) -> Part:
    values = {"controller_loss": 11.0, "controller_efficiency": 0.966, "standby_power": 3.2}
    values |= {"supply_current_limit": 14.0, "phase_current_limit": 30.0}
    forms = {name: Form(value) for name, value in values.items()}
    save_fit(tmp_path / "C.json", tmp_path / "C.npz", UnitFit([Outcome("controller-loss", "c", forms, Fit())]))
    return part("controller", "C", load_fit(tmp_path / "C.json"))


@pytest.mark.parametrize("coast_down", [True, False])
def test_friction_without_the_controllers_loss_is_taken_first(tmp_path: Path, coast_down: bool) -> None:
    unit: UnitFile = drive()
    parts = [motor(tmp_path, coast_down=coast_down), controller(tmp_path)]
    found = fit_unit(unit, [], SETTINGS, "D/unit.yaml", parts)
    (predicted,) = (one for one in found.derived if one.name == "drive-prediction")
    sources = {influence.source for influence in predicted.forms["pack_no_load_speed"].terms}
    words = " ".join(predicted.shown.notes)
    assert ("assumed friction controller share" in sources) is not coast_down
    assert ("may hold part of the loss" in words) is not coast_down
    assert ("without a controller's loss" in words) is coast_down

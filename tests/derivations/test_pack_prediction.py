"""The prediction as a derivation: what it needs, what it assumes, and intervals that widen with extrapolation."""

from __future__ import annotations

import math

import pytest
from scipy.optimize import brentq

from rotorproof.derivations._duty import figures
from rotorproof.derivations.drive_prediction import DERIVATION as DRIVE
from rotorproof.derivations.pack_prediction import DERIVATION
from rotorproof.fitting.assumed import assume
from rotorproof.physics import road
from rotorproof.uncertainty.forms import Form, Influence, propagate
from tests.outside import Outside

GIVEN = {
    "winding_constant": 234.5,
    "pole_pairs": 20.0,
    "saturation_at_limit": 0.0,
    "emf_constant_dc": 1.35,
    "phase_resistance": 0.12,
    "coulomb_friction": 0.4,
    "viscous_friction": 0.01,
    "pack_voltage_full": 42.0,
    "pack_voltage_nominal": 36.0,
    "pack_voltage_empty": 30.0,
    "pack_current_limit": 15.0,
    "vehicle_mass": 110.0,
    "vehicle_rolling_resistance": 0.009,
    "vehicle_drag_area": 0.55,
    "vehicle_rolling_circumference": 2.1,
    "vehicle_air_density": 1.2,
    "drag_beyond_bench": 0.0,
    "bench_speed_max": 10.0,
    "bench_voltage_max": 15.0,
}

pytestmark = pytest.mark.usefixtures("smooth_drive")


def test_no_load_speed_satisfies_the_voltage_equation() -> None:
    result = DERIVATION.derive(GIVEN)
    w = result["pack_no_load_speed"]
    current = (0.4 + 0.01 * w) / 1.35
    assert 1.35 * w + 2 * 0.12 * current == pytest.approx(36.0, rel=1e-9)


def test_without_a_pack_nothing_is_predicted() -> None:
    assert DERIVATION.derive({key: value for key, value in GIVEN.items() if not key.startswith("pack_")}) == {}


def test_without_a_vehicle_only_the_motor_is_predicted_and_the_rest_says_why() -> None:
    given = {key: value for key, value in GIVEN.items() if not key.startswith("vehicle_")}
    result = DERIVATION.derive(given)
    assert set(result) == {"pack_no_load_speed", "pack_top_torque"}
    missing = DERIVATION.show(given, result).missing
    assert {"pack_road_speed", "pack_max_grade", "energy_per_distance", "pack_continuous_torque"} == set(missing)


def test_a_missing_constant_is_named() -> None:
    given = {key: value for key, value in GIVEN.items() if key != "phase_resistance"}
    assert DERIVATION.derive(given) == {}
    assert "phase resistance" in DERIVATION.show(given, {}).missing["pack_road_speed"]


def test_a_motor_that_cannot_turn_says_why_each_number_is_missing() -> None:
    given = {**GIVEN, "coulomb_friction": 900.0, "continuous_current": 10.0}
    result = DERIVATION.derive(given)
    missing = DERIVATION.show(given, result).missing
    assert "pack_no_load_speed" not in result
    assert set(missing) | set(result) == set(DERIVATION.gives)
    assert missing["pack_no_load_speed"].startswith("no steady state was found")
    assert missing["pack_road_speed"] == "the drive cannot hold this vehicle on the stated grade"
    assert missing["energy_per_distance"] == "there is no steady road speed"


def test_a_search_that_failed_is_not_said_to_be_a_drive_too_weak(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(road, "road_speed", lambda *_: math.nan)
    monkeypatch.setattr(road, "no_load_speed", lambda *_: math.nan)
    given = {**GIVEN, "vehicle_cruise_speed": 5.0}
    result = DERIVATION.derive(given)
    missing = DERIVATION.show(given, result).missing
    for name in ("pack_no_load_speed", "pack_road_speed"):
        assert missing[name].startswith("no steady state was found")
    assert missing["energy_per_distance"] == "no steady road speed was found"


@pytest.mark.parametrize(("cruise", "why"), [(50.0, "the cruise speed lies above"), (3.0, "no steady state")])
def test_an_energy_that_is_missing_beside_a_road_speed_says_why(cruise: float, why: str) -> None:
    given = {**GIVEN, "vehicle_cruise_speed": cruise}
    result = {name: value for name, value in DERIVATION.derive(given).items() if name != "energy_per_distance"}
    assert DERIVATION.show(given, result).missing["energy_per_distance"].startswith(why)


def test_a_warm_winding_is_slower_and_weaker() -> None:
    cold, warm = DERIVATION.derive(GIVEN), DERIVATION.derive({**GIVEN, "pack_winding_temperature": 120.0})
    assert warm["pack_road_speed"] < cold["pack_road_speed"]
    assert warm["pack_top_torque"] < cold["pack_top_torque"]


def test_the_interval_widens_the_less_the_bench_reached() -> None:
    beyond = Influence("assumed", "assumed", "rectangular")

    def spread(reach: float) -> float:
        inputs = {key: Form(value) for key, value in {**GIVEN, "bench_speed_max": reach}.items()}
        inputs["drag_beyond_bench"] = Form(0.0, {beyond: 1 / math.sqrt(3)})
        return propagate(DERIVATION.derive, inputs)["pack_no_load_speed"].standard_uncertainty

    assert spread(5.0) > 1.5 * spread(15.0) > 0
    assert spread(40.0) == 0


def test_energy_at_the_cruise_speed_is_the_power_balance() -> None:
    result = DERIVATION.derive({**GIVEN, "vehicle_cruise_speed": 5.0, "bench_speed_max": 100.0})
    radius = 2.1 / (2 * math.pi)
    w = 5.0 / radius
    force = 110 * 9.80665 * 0.009 + 0.5 * 1.2 * 0.55 * 25.0
    current = (force * radius + 0.4 + 0.01 * w) / 1.35
    assert result["energy_per_distance"] == pytest.approx((1.35 * w * current + 0.24 * current**2) / 5.0, rel=1e-9)


def test_energy_of_a_motor_alone_holds_what_a_controller_takes() -> None:
    given = {**GIVEN, "vehicle_cruise_speed": 5.0, "bench_speed_max": 100.0}
    alone = DERIVATION.derive(given)["energy_per_distance"]
    fed = DERIVATION.derive({**given, "unmeasured_efficiency": 0.95})["energy_per_distance"]
    assert fed == pytest.approx(alone / 0.95, rel=1e-9)
    (item,) = (one for one in DERIVATION.assumptions if one.name == "unmeasured_efficiency")
    # The same controller for all motors that are compared: their order does not hang on it.
    made = [assume([item], {}, unit, "pack-prediction")[0][1] for unit in ("A", "B")]
    assert made[0].terms.keys() == made[1].terms.keys()
    assert all(one.name != "unmeasured_efficiency" for one in DRIVE.assumptions)


@pytest.mark.parametrize("grade", [-0.06, 0.02])
def test_a_controller_takes_of_what_flows_back_too(outside: Outside, grade: float) -> None:
    """On 6 % down at 5 m/s the motor gives 195.4 W back: 185.6 W pass the controller, the cells get 4.89 A."""
    given = {**GIVEN, "vehicle_cruise_speed": 5.0, "bench_speed_max": 100.0, "vehicle_grade": grade}
    given |= {"pack_internal_resistance": 0.4, "unmeasured_efficiency": 0.95}
    radius, slope = 2.1 / (2 * math.pi), math.atan(grade)
    force = 110.0 * 9.80665 * (math.sin(slope) + 0.009 * math.cos(slope)) + 0.5 * 1.2 * 0.55 * 25.0
    w = 5.0 / radius
    current = (force * radius + 0.4 + 0.01 * w) / 1.35
    power = 1.35 * w * current + 0.24 * current**2
    power = power / 0.95 if grade > 0 else power * 0.95
    cells = 36.0 * brentq(lambda i: (36.0 - 0.4 * i) * i - power, -45.0, 45.0)
    outside(
        "energy_per_distance",
        f"110 kg at 5 m/s on {100 * grade:g} % with a controller that passes on 95 % either way",
        ours=DERIVATION.derive(given)["energy_per_distance"],
        published=cells / 5.0,
        allowance=1e-6 * abs(cells),
        unit="J/m",
        source="power balance of motor, controller and pack, solved by SciPy's brentq",
    )
    if grade < 0:
        assert power == pytest.approx(-185.6, abs=0.1)
        assert cells == pytest.approx(-36.0 * 4.89, rel=1e-3)  # 4.890 = (sqrt(36^2 + 4 x 0.4 x 185.6) - 36) / 0.8
    duty = {**given, "duty_climb_grade": 0.02, "duty_climb_speed": 3.0, "duty_start_grade": 0.02}
    assert figures(duty, paired=False)["energy"] == pytest.approx(cells / 5.0, rel=1e-9)


def test_a_gear_keeps_some_of_the_torque() -> None:
    direct = DERIVATION.derive(GIVEN)["pack_top_torque"]
    assert DERIVATION.derive({**GIVEN, "nameplate_gear_ratio": 1.0, "gear_loss": 0.02})["pack_top_torque"] == direct
    geared = DERIVATION.derive({**GIVEN, "nameplate_gear_ratio": 5.0, "gear_loss": 0.02})["pack_top_torque"]
    assert geared + 0.4 == pytest.approx(0.98 * (direct + 0.4), rel=1e-9)  # friction of 0.4 N m is the output's own


@pytest.mark.parametrize("known", [{"saturation_current": 40.0, "saturation_sharpness": 2.0}, {"torque_droop": 0.03}])
def test_torque_beyond_the_currents_of_the_test_is_the_less_known_the_further_it_lies(known: dict[str, float]) -> None:
    def spread(limit: float) -> float:
        given = {
            **GIVEN,
            **known,
            "droop_current": 20.0,
            "pack_motor_current_limit": limit,
            "pack_current_limit": 500.0,
        }
        low, high = (DERIVATION.derive({**given, "saturation_beyond": b})["pack_top_torque"] + 0.4 for b in (-0.5, 0.5))
        return (low - high) / low

    assert spread(19.0) == pytest.approx(0.0, abs=1e-12)
    assert 0 < spread(25.0) < 0.6 * spread(32.0)


def test_the_report_shows_states_figures_and_how_far_was_extrapolated() -> None:
    shown = DERIVATION.show(GIVEN, DERIVATION.derive(GIVEN))
    assert [row[0].split()[0] for row in shown.tables[0].rows] == ["full", "nominal", "empty"]
    assert [panel.name for panel in shown.panels] == ["force-at-wheel", "speed-on-grades"]
    assert any("extrapolated by a factor of" in note for note in shown.notes)

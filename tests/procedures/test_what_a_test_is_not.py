"""A test that is not what it is taken for is named: braked run-downs, loaded no-load runs, load points above 100 %."""

from __future__ import annotations

import re

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from rotorproof.errors import FitError
from rotorproof.fitting.engine import Outcome, run
from rotorproof.physics.friction import air_share
from rotorproof.procedures import procedures
from rotorproof.procedures.base import Log
from rotorproof.uncertainty.forms import Form, Influence
from tests.procedures.runs import outcome

COULOMB, VISCOUS, INERTIA = 0.3, 0.01, 0.12


def run_down(brake_torque: float = 0.0, *, fades: bool = True) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Solve the equation of motion in time (SciPy) with a torque of the drive besides friction.

    Returns time, speed and the share of the brake's torque that acts; it ends below a fifth of the speed.
    """
    top = 25.0

    def share(w: float) -> float:
        return 1.0 if w > 0.2 * top else 0.0 if fades else 1.0

    def slowing(_: float, w: np.ndarray) -> list[float]:
        return [-(COULOMB + VISCOUS * w[0] + brake_torque * share(float(w[0]))) / INERTIA]

    time = np.arange(0.0, 12.0, 0.02)
    solved = solve_ivp(slowing, (0.0, 12.0), [top], t_eval=time, max_step=0.02, rtol=1e-8)
    speed = np.maximum(solved.y[0], 0.0)
    return time, speed, np.array([share(float(w)) if w > 0 else 0.0 for w in speed])


def coasted(time: np.ndarray, speed: np.ndarray, current: np.ndarray, name: str = "supply_current") -> Outcome:
    rng = np.random.default_rng(1)
    lead = np.arange(-2.0, 0.0, 0.02)
    columns = {
        "time": np.concatenate([lead, time]),
        "speed": np.concatenate([np.full(lead.size, speed[0]), speed]) + rng.normal(0, 0.02, lead.size + time.size),
        name: np.concatenate([np.full(lead.size, 0.9), current]) + rng.normal(0, 0.02, lead.size + time.size),
    }
    friction = {"coulomb_friction": COULOMB, "viscous_friction": VISCOUS}
    return outcome(procedures()["coast-down"], [(columns, {})], **friction)


def test_a_free_run_down_gives_its_inertia() -> None:
    time, speed, _ = run_down()
    found = coasted(time, speed, np.full(time.size, 0.05))
    assert found.forms["moment_of_inertia"].value == pytest.approx(INERTIA, rel=0.02)


@pytest.mark.parametrize(
    ("torque", "ampere", "word"), [(8.0, -6.0, "braked"), (0.6, -0.3, "braked"), (-0.15, 0.3, "driven")]
)
def test_a_current_of_either_sign_shows_that_it_was_no_coast_down(torque: float, ampere: float, word: str) -> None:
    time, speed, share = run_down(torque)
    with pytest.raises(FitError, match=rf"braked or driven.*as if it were {word}"):
        coasted(time, speed, 0.05 + ampere * share)


def test_a_phase_current_shows_it_too() -> None:
    time, speed, share = run_down(2.0)
    with pytest.raises(FitError, match=r"current_a stands .* braked"):
        coasted(time, speed, 4.0 * share * np.sin(300 * time), "current_a")


def test_without_a_current_the_friction_of_the_other_tests_shows_it() -> None:
    """A strong brake makes the deceleration flat over speed; friction known from a no-load run is not."""
    time, speed, _ = run_down(8.0, fades=False)
    columns = {"time": time, "speed": speed + np.random.default_rng(2).normal(0, 0.02, time.size)}
    given = {
        name: Form(value, {Influence(name, name): 0.02 * value})
        for name, value in (("coulomb_friction", COULOMB), ("viscous_friction", VISCOUS))
    }
    found = run(
        procedures()["coast-down"],
        [Log("coast", columns)],
        label="coast",
        unit="U",
        given={**given, "winding_constant": Form(234.5)},
        instruments=[],
        uncertain_conditions={},
    )
    assert "moment_of_inertia" not in found.forms
    assert "braked or driven" in found.fit.missing["moment_of_inertia"]


def free_run(load: float = 0.0, drag: float = 0.0) -> dict[str, np.ndarray]:
    speed = np.linspace(6.0, 25.0, 10)
    torque = COULOMB + VISCOUS * speed + (drag + load) * speed**2
    current = torque / 1.2
    voltage = 1.2 * speed + 0.2 * current
    return {"supply_voltage": voltage, "supply_current": current + 0.04, "speed": speed}


def test_a_propeller_is_no_no_load_run() -> None:
    with pytest.raises(FitError, match="under load"):
        outcome(
            procedures()["no-load"],
            [(free_run(load=0.02), {"winding_temperature": 20.0})],
            phase_resistance=0.1,
        )


def test_the_air_drag_of_a_spoked_wheel_is_no_load() -> None:
    """Windage of a fifth of the torque at full speed passes (common practice, no source)."""
    top = COULOMB + VISCOUS * 25.0
    found = outcome(
        procedures()["no-load"],
        [(free_run(drag=0.2 * top / 25.0**2), {"winding_temperature": 20.0})],
        phase_resistance=0.1,
    )
    assert "no_load_current" in found.forms


@pytest.mark.parametrize("standby_known", [True, False])
def test_the_share_of_air_is_that_of_the_law(standby_known: bool) -> None:
    """Affinity laws: the power of a fan or propeller grows as the cube of its speed, its torque as the square."""
    speed = np.linspace(5, 25, 12)
    found = air_share(
        speed, (0.0 if standby_known else 3.0) + 0.3 * speed + 0.002 * speed**3, standby_known=standby_known
    )
    assert found is not None
    assert found[0] == pytest.approx(0.002 * 625 / (0.3 + 0.002 * 625), rel=1e-6)


def load_table(shaft_scale: np.ndarray) -> dict[str, np.ndarray]:
    torque = np.tile(np.linspace(2, 20, 13), 2)
    speed = 24.0 - 0.3 * torque
    return {
        "torque": torque * shaft_scale,
        "speed": speed,
        "supply_voltage": np.full(26, 36.0),
        "supply_current": torque * speed / 0.8 / 36.0,
    }


def test_nine_of_26_points_above_100_percent_leave_no_efficiency() -> None:
    scale = np.ones(26)
    scale[[3, 5, 7, 9, 11, 13, 16, 19, 22]] = 1.4
    with pytest.raises(FitError, match=r"9 of 26 points .*above 100 %.*4, 6, 8") as error:
        outcome(procedures()["load"], [(load_table(scale), {})])
    assert re.search("lever arm", str(error.value))

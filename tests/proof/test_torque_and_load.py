"""Outside values for torque, losses and efficiency: locked rotor and load.

Sources: IEC 60034-2-1 (summation of losses), from memory; statsmodels (HC3); examples worked by hand, whose figures
stand beside them.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import statsmodels.api

from rotorproof.physics import friction, load_points
from tests.outside import Outside
from tests.proof.cases import HAND, values

#: Averages over a step, magnets at the temperature that constants refer to.
AT_MEAN = {"rotor_position": 0.0, "magnet_temperature": 20.0}


@pytest.mark.parametrize(
    ("shape", "slope_allowance", "mark_allowance", "source"),
    [
        ("Froehlich", 1e-4, 0.01, "Froehlich's curve a I/(1 + b I) with b = 1/180 A; " + HAND),
        ("cubic", 0.02, 1.8, "I - 0.1 I^3/(20 A)^2, a shape unlike the fitted one; " + HAND),
    ],
)
def test_knee_of_the_torque(
    outside: Outside, shape: str, slope_allowance: float, mark_allowance: float, source: str
) -> None:
    current = np.repeat(np.linspace(1.0, 32.0, 24), 2)
    left = 1 / (1 + current / 180.0) if shape == "Froehlich" else 1 - 0.1 * (current / 20.0) ** 2
    found = values("locked-rotor", [({"torque": 0.8 * current * left, "current_ab": current}, AT_MEAN)])
    outside.each(
        found,
        (
            ("saturation_current", 20.0, mark_allowance, "A"),
            ("torque_constant", 0.8, slope_allowance, "N m/A"),
        ),
        what=f"torque of 0.8 N m/A that is 10 % lower at 20 A, {shape}",
        source=source,
    )


def test_fall_of_torque_per_ampere_along_froehlichs_curve(outside: Outside) -> None:
    current = np.repeat(np.linspace(1.0, 32.0, 24), 2)
    torque = 0.8 * current / (1 + current / 180.0)
    found = values("locked-rotor", [({"torque": torque, "current_ab": current}, {"rotor_position": 0.0})])
    # At 32 A: 1 - 1/(1 + 32/180) = 15.094 %. In the family of bends the curve is that of sharpness 1.
    outside.each(
        found,
        (
            ("torque_droop", 15.094, 0.01, "percent"),
            ("droop_current", 32.0, 1e-9, "A"),
            ("saturation_sharpness", 1.0, 0.01, "1"),
        ),
        what="torque of 0.8 N m/A that bends as Froehlich's curve",
        source="Froehlich's curve a I/(1 + b I) with b = 1/180 A; " + HAND,
    )


def test_fall_of_torque_per_ampere_lost_in_scatter(outside: Outside) -> None:
    current = np.repeat(np.linspace(1.0, 20.0, 20), 2)
    torque = 0.8 * current + np.random.default_rng(4).normal(0.0, 0.05, current.size)
    found = values("locked-rotor", [({"torque": torque, "current_ab": current}, {"rotor_position": 0.0})])
    assert "saturation_current" not in found
    design = np.column_stack([np.ones_like(current), current, current**3])
    other = statsmodels.api.OLS(torque, design).fit().params
    outside(
        "torque_droop",
        "straight torque of 0.8 N m/A with noise: cubic term over the linear one at 20 A",
        ours=100 * found["torque_droop"],
        published=100 * -other[2] * 20.0**2 / other[1],
        allowance=1e-6,
        unit="percent",
        source="statsmodels, OLS",
    )


def test_load_run_by_hand(outside: Outside) -> None:
    """A stand in round figures: 36 V; torque per ampere of q-axis current 1.0; drag 0.4 N m + 0.02 N m s/rad.

    Winding 0.1 ohm per phase: 1.5 x 0.1 I^2; the controller takes 2 W at rest and 3 W more at any load.
    """
    rows = []
    for speed in (5.0, 10.0, 15.0, 20.0, 25.0):
        drag = 0.4 + 0.02 * speed
        for brake, current in ((0.0, drag), (1.0, 3.0), (1.0, 6.0), (1.0, 9.0), (1.0, 12.0)):
            phases = current * speed + 0.15 * current**2
            rows.append((speed, current - drag, current, phases, (phases + 5.0) / 36.0, 36.0, brake))
    names = ("speed", "torque", "current_q", "phase_power", "supply_current", "supply_voltage", "brake")
    columns = {name: np.array(c) for name, c in zip(names, zip(*rows, strict=True), strict=True)}
    found = values(
        "load",
        [(columns, {"winding_temperature": 20.0, "standby_power": 2.0})],
        phase_resistance=0.1,
    )
    # Greatest shaft power: 12 A at 25 rad/s, 12 - 0.9 = 11.1 N m, 277.5 W. Winding 1.5 x 0.1 x 144 = 21.6 W; drag
    # 0.9 N m x 25 rad/s = 22.5 W. Into the motor 300 + 21.6 W, from the supply 326.6 W.
    # Best efficiency: 25 rad/s; at 6 A 127.5/(150 + 5.4 + 5) = 79.49 %, at 9 A 202.5/(225 + 12.15 + 5) = 83.63 %, at
    # 12 A 277.5/326.6 = 84.97 %; motor alone at 12 A 277.5/321.6 = 86.29 %.
    outside.each(
        found,
        (
            ("torque_constant_q", 1.0, 1e-6, "N m/A"),
            ("coulomb_friction", 0.4, 1e-4, "N m"),
            ("viscous_friction", 0.02, 1e-5, "N m s/rad"),
            ("winding_loss", 21.6, 1e-6, "W"),
            ("friction_iron_loss", 22.5, 1e-3, "W"),
            ("efficiency_max", 84.97, 0.05, "percent"),
            ("motor_efficiency_max", 86.29, 0.05, "percent"),
            ("additional_loss", 0.0, 0.05, "W"),
        ),
        what="brake stand in round figures, 12 A at 25 rad/s",
        source="summation of losses (IEC 60034-2-1, from memory), " + HAND,
    )


@pytest.mark.parametrize("more", [0.0, 40.0])
def test_remainder_of_the_losses_by_hand(outside: Outside, more: float) -> None:
    """The same stand without phase power, with a further loss in proportion to the shaft's power."""
    speed = np.repeat([5.0, 10.0, 15.0, 20.0, 25.0], 5)
    drag = 0.4 + 0.02 * speed
    braked = np.tile([0.0, 1.0, 1.0, 1.0, 1.0], 5)
    current = np.where(braked == 0, drag, np.tile([0.0, 3.0, 6.0, 9.0, 12.0], 5))
    shaft = (current - drag) * speed
    power = current * speed + 0.15 * current**2 + 7.0 + more * shaft / 277.5
    columns = {
        "speed": speed,
        "torque": current - drag,
        "current_q": current,
        "supply_voltage": np.full(25, 36.0),
        "supply_current": power / 36.0,
        "brake": braked,
    }
    found = values("load", [(columns, {"winding_temperature": 20.0, "standby_power": 7.0})], phase_resistance=0.1)
    outside(
        "additional_loss",
        f"supply {328.6 + more:g} W, shaft 277.5 W, winding 21.6 W, drag 22.5 W, standby 7 W",
        ours=found["additional_loss"],
        published=more,
        allowance=0.05,
        unit="W",
        source="summation of losses (IEC 60034-2-1, from memory), " + HAND,
    )


def test_rated_torque_by_hand(outside: Outside) -> None:
    # A commutator machine on 36 V: 1.2 N m/A, 0.24 ohm, no drag: w = (36 - 0.2 T)/1.2. 250 W: T (36 - 0.2 T) = 300, so
    # T = (36 - sqrt(1296 - 240))/0.4 = 8.7596 N m.
    torque = np.linspace(0.5, 20.0, 16)
    columns = {
        "torque": torque,
        "speed": (36.0 - 0.2 * torque) / 1.2,
        "supply_voltage": np.full(16, 36.0),
        "supply_current": torque / 1.2,
    }
    found = values(
        "load",
        [(columns, {"winding_temperature": 20.0})],
        nameplate_rated_power=250.0,
        nameplate_rated_voltage=36.0,
    )
    outside(
        "rated_torque",
        "torque at which 36 V, 1.2 V s/rad and 0.24 ohm give 250 W",
        ours=found["rated_torque"],
        published=8.7596,
        allowance=0.01,
        unit="N m",
        source="quadratic equation, " + HAND,
    )


def test_characteristic_of_a_motor_with_friction(outside: Outside) -> None:
    # 36 V = 1.2 w + 0.24 I; shaft torque 1.2 I - 0.4 - 0.02 w.
    current = np.linspace(1.5, 20.0, 16)
    speed = (36.0 - 0.24 * current) / 1.2
    columns = {
        "torque": 1.2 * current - 0.4 - 0.02 * speed,
        "speed": speed,
        "supply_voltage": np.full(16, 36.0),
        "supply_current": current,
    }
    found = values("load", [(columns, {"winding_temperature": 20.0})], torque_saturation=0.0)
    outside(
        "torque_constant",
        "characteristic at 36 V of 1.2 N m/A and 0.24 ohm with friction of 0.4 N m + 0.02 N m s/rad",
        ours=found["torque_constant"],
        published=1.2,
        # How much of the friction falls with the speed cannot be seen: half of it is taken.
        allowance=0.002,
        unit="N m/A",
        source=HAND,
    )


def test_which_points_lie_among_the_measured_ones(outside: Outside) -> None:
    # A diamond about 200 rad/s and 5 N m: (150, 5), (250, 5), (200, 1), (200, 9).
    corner_speed, corner_torque = np.array([150.0, 250.0, 200.0, 200.0]), np.array([5.0, 5.0, 1.0, 9.0])
    at = [(200, 5, 1), (150, 5, 1), (224, 6.9, 1), (226, 7.1, 0), (176, 3.1, 1), (174, 2.9, 0), (251, 5, 0), (0, 0, 0)]
    speed, torque, inside = (np.array(column, dtype=float) for column in zip(*at, strict=True))
    ours = load_points.inside_hull(corner_speed, corner_torque, speed, torque)
    for one, (w, t, published) in zip(ours, at, strict=True):
        outside(
            "efficiency_max",
            f"whether {w:g} rad/s and {t:g} N m lie within |w - 200|/50 + |T - 5|/4 <= 1",
            ours=float(one),
            published=published,
            allowance=0,
            source=HAND,
        )
    assert inside.size == ours.size


def test_covariance_of_readings_that_scatter_unevenly(outside: Outside) -> None:
    rng = np.random.default_rng(4)
    speed, torque = (g.ravel() for g in np.meshgrid(np.linspace(5, 25, 5), np.linspace(0, 12, 5)))
    loss = 5 + 0.4 * speed + 0.02 * speed**2 + 0.15 * torque**2 + 0.02 * speed * rng.standard_normal(25)
    surface = load_points.loss_surface(speed, torque, loss)
    design = surface.design(speed, torque)
    fitted = statsmodels.api.OLS(loss, design).fit(cov_type="HC3")
    at = surface.design(np.array([22.0]), np.array([9.0]))
    value, u = surface.loss(np.array([22.0]), np.array([9.0]))
    published = float((at @ fitted.params)[0]), math.sqrt(float((at @ fitted.cov_params() @ at.T)[0, 0]))
    share, u_share = surface.efficiency(np.array([22.0]), np.array([9.0]))
    for name, what, ours, theirs, unit in (
        ("additional_loss", "loss at 9 N m and 22 rad/s of a surface of second order", value[0], published[0], "W"),
        ("additional_loss", "its standard uncertainty, HC3", u[0], published[1], "W"),
        ("efficiency_max", "efficiency there", share[0], 198 / (198 + published[0]), "1"),
        # d eta / d loss = -out/(out + loss)^2
        ("efficiency_max", "its standard uncertainty", u_share[0], 198 * published[1] / (198 + published[0]) ** 2, "1"),
    ):
        outside(
            name,
            what,
            ours=float(ours),
            published=theirs,
            allowance=1e-6 * abs(theirs),
            unit=unit,
            source="statsmodels, OLS with HC3 (MacKinnon and White 1985)",
        )


def test_winding_loss_with_current_on_both_axes(outside: Outside) -> None:
    # 3 A and 4 A on the axes are a peak of 5 A, an RMS of 3.5355 A: 3 x 0.1 ohm x 12.5 A^2.
    outside(
        "winding_loss",
        "3 A on the q axis and 4 A on the d axis in 0.1 ohm per phase",
        ours=float(friction.rotor_frame_winding_loss(0.1, np.array([3.0]), np.array([4.0]))[0]),
        published=3.75,
        allowance=1e-12,
        unit="W",
        source="3 R I^2 with the RMS of the phases, " + HAND,
    )

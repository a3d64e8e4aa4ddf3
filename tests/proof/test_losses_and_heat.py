"""Outside values for friction, inertia, load and heat.

Sources: gym-electric-motor 3.0.3 and motulator (equations of motion and of the machine, integrated by SciPy); IEC
60034-1 (rise by resistance, from memory) and IEC 60085; examples worked by hand, whose figures stand beside them.
"""

from __future__ import annotations

import numpy as np
import pytest
from gym_electric_motor.physical_systems.electric_motors import DcPermanentlyExcitedMotor
from gym_electric_motor.physical_systems.mechanical_loads import PolynomialStaticLoad
from scipy.integrate import solve_ivp
from scipy.optimize import root

from rotorproof.procedures import procedures
from tests.outside import Outside
from tests.procedures.runs import outcome

GYM = "gym-electric-motor 3.0.3"
HAND = "worked by hand"
KE, R_LINE, COULOMB, VISCOUS = 0.9, 0.2, 0.35, 0.012


def values(name: str, logs: list, **given: float) -> dict[str, float]:
    return {key: form.value for key, form in outcome(procedures()[name], logs, **given).forms.items()}


def steady(voltage: float) -> tuple[float, float]:
    """Return speed and current at which the simulated machine with polynomial drag comes to rest."""
    machine = DcPermanentlyExcitedMotor(motor_parameter={"r_a": R_LINE, "l_a": 1e-3, "psi_e": KE, "j_rotor": 0.01})
    drag = PolynomialStaticLoad(load_parameter={"a": COULOMB, "b": VISCOUS, "c": 0.0, "j_load": 1e-6})
    drag.set_j_rotor(0.01)

    def slopes(state: np.ndarray) -> list[float]:
        speed, current = state
        return [
            float(drag.mechanical_ode(0.0, [speed], float(np.ravel(machine.torque([current]))[0]))[0]) * 0.01,
            float(np.ravel(machine.electrical_ode(np.array([current]), [voltage], speed))[0]) * 1e-3,
        ]

    found = root(slopes, [voltage / KE, 0.5], tol=1e-13).x
    return float(found[0]), float(found[1])


def test_no_load_run_of_a_simulated_machine(outside: Outside) -> None:
    voltage = np.linspace(10.0, 36.0, 7)
    speed, current = np.array([steady(v) for v in voltage]).T
    found = values(
        "no-load",
        [
            (
                {"supply_voltage": voltage, "supply_current": current, "speed": speed},
                {"winding_temperature": 20.0, "standby_power": 0.0},
            )
        ],
        phase_resistance=R_LINE / 2,
        nameplate_rated_voltage=36.0,
    )
    for name, published, unit in (
        ("coulomb_friction", COULOMB, "N m"),
        ("viscous_friction", VISCOUS, "N m s/rad"),
        ("emf_constant_dc", KE, "V s/rad"),
        ("no_load_current", steady(36.0)[1], "A"),
    ):
        outside(
            name,
            "steady states of a machine turning freely at 10 V to 36 V",
            ours=found[name],
            published=published,
            allowance=1e-5 * published,
            unit=unit,
            source=f"{GYM}, DcPermanentlyExcitedMotor with PolynomialStaticLoad",
        )


def coasting(inertia: float) -> dict[str, np.ndarray]:
    load = PolynomialStaticLoad(load_parameter={"a": COULOMB, "b": VISCOUS, "c": 0.0, "j_load": 1e-9})
    load.set_j_rotor(inertia)
    times = np.arange(0.0, 1.6, 2e-3)
    done = solve_ivp(
        lambda t, w: load.mechanical_ode(t, [w[0]], 0.0), (0, 1.6), [30.0], t_eval=times, rtol=1e-9, atol=1e-9
    )
    return {"time": times, "speed": np.maximum(done.y[0], 0.0)}


def test_inertia_from_two_simulated_coast_downs(outside: Outside) -> None:
    inertia, added = 0.020, 0.030
    logs = [(coasting(inertia), {}), (coasting(inertia + added), {"added_inertia": added})]
    found = values("coast-down", logs)
    for name, published, unit in (
        ("moment_of_inertia", inertia, "kg m^2"),
        ("coulomb_friction", COULOMB, "N m"),
        ("viscous_friction", VISCOUS, "N m s/rad"),
        ("coulomb_deceleration", COULOMB / inertia, "rad/s^2"),
        ("viscous_decay_rate", VISCOUS / inertia, "1/s"),
    ):
        outside(
            name,
            "two simulated coast-downs, one with 0.030 kg m^2 added to 0.020 kg m^2",
            ours=found[name],
            published=published,
            allowance=5e-3 * published,
            unit=unit,
            source=f"{GYM}, PolynomialStaticLoad",
        )


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
    found = values("locked-rotor", [({"torque": 0.8 * current * left, "current_ab": current}, {"rotor_position": 0.0})])
    for name, published, allowance, unit in (
        ("saturation_current", 20.0, mark_allowance, "A"),
        ("torque_constant", 0.8, slope_allowance, "N m/A"),
    ):
        outside(
            name,
            f"torque of 0.8 N m/A that is 10 % lower at 20 A, {shape}",
            ours=found[name],
            published=published,
            allowance=allowance,
            unit=unit,
            source=source,
        )


# ----- Load


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
    for name, published, allowance, unit, factor in (
        ("torque_constant_q", 1.0, 1e-6, "N m/A", 1.0),
        ("coulomb_friction", 0.4, 1e-4, "N m", 1.0),
        ("viscous_friction", 0.02, 1e-5, "N m s/rad", 1.0),
        ("winding_loss", 21.6, 1e-6, "W", 1.0),
        ("friction_iron_loss", 22.5, 1e-3, "W", 1.0),
        ("efficiency_max", 84.97, 0.05, "percent", 100.0),
        ("motor_efficiency_max", 86.29, 0.05, "percent", 100.0),
        ("additional_loss", 0.0, 0.05, "W", 1.0),
    ):
        outside(
            name,
            "brake stand in round figures, 12 A at 25 rad/s",
            ours=factor * found[name],
            published=published,
            allowance=allowance,
            unit=unit,
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


# ----- Heat


def warming(tau: float, rise: float, *, air: float = 25.0) -> dict[str, np.ndarray]:
    time = np.arange(0.0, 6 * tau, tau / 60)
    noise = 0.01 * np.random.default_rng(6).standard_normal(time.size)
    return {"time": time, "temperature_controller": air + rise * (1 - np.exp(-time / tau)) + noise}


def test_one_body_by_hand(outside: Outside) -> None:
    # 20 W through 1.5 K/W: 30 K; 600 J/K x 1.5 K/W: 900 s. At 85 degC in air of 40 degC: 45 K, so sqrt(45/30) x 10 A.
    conditions = {"ambient_temperature": 25.0, "heat_power": 20.0, "test_current": 10.0, "temperature_limit": 85.0}
    conditions["surface_exponent"] = 0.0  # heat given off in proportion to the rise
    conditions["surface_exponent"] = 0.0
    found = values("heat-run", [(warming(900.0, 30.0), conditions)])
    for name, published, allowance, unit in (
        ("temperature_rise", 30.0, 0.02, "K"),
        ("thermal_resistance", 1.5, 0.002, "K/W"),
        ("thermal_time_constant", 900.0, 3.0, "s"),
        ("thermal_capacity", 600.0, 2.0, "J/K"),
        ("continuous_current", 12.247, 0.01, "A"),
    ):
        outside(
            name,
            "controller of 600 J/K on 1.5 K/W, heated by 20 W at 10 A, limit 85 degC",
            ours=found[name],
            published=published,
            allowance=allowance,
            unit=unit,
            source="Newton's law of cooling, " + HAND,
        )


def test_rise_by_resistance_by_hand(outside: Outside) -> None:
    # 0.500 ohm at 20 degC. At switch-off 0.640 ohm, then falling: 0.640/0.500 x (235 + 20) - 235 = 91.4 degC, so
    # 66.4 K over air of 25 degC.
    time = np.linspace(10.0, 400.0, 40)
    columns = {"time": time, "resistance_ab": 0.545 + 0.095 * np.exp(-time / 300.0)}
    conditions = {"cold_resistance": 0.500, "cold_temperature": 20.0, "ambient_temperature": 25.0}
    found = values("heat-run", [(columns, conditions)], winding_constant=235.0)
    outside(
        "temperature_rise",
        "0.500 ohm at 20 degC, 0.640 ohm at switch-off, air of 25 degC",
        ours=found["temperature_rise"],
        published=66.4,
        allowance=0.05,
        unit="K",
        source="IEC 60034-1, 8.6.2, from memory; " + HAND,
    )


@pytest.mark.parametrize(("letter", "limit"), [("A", 60.0), ("E", 75.0), ("B", 80.0), ("F", 105.0), ("H", 125.0)])
def test_limits_of_the_rise(outside: Outside, letter: str, limit: float) -> None:
    from rotorproof.physics import thermal_class

    outside(
        "continuous_current",
        f"limit of the rise by resistance, thermal class {letter}, coolant of 40 degC",
        ours=thermal_class.rise_limit(letter),
        published=limit,
        allowance=0,
        unit="K",
        source="IEC 60034-1, table 8, as a secondary source prints it",
    )

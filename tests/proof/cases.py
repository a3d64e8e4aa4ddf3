"""What the checks of several topics share: machines, signals and captures, and how a procedure is run on them."""

from __future__ import annotations

import math

import numpy as np
from gym_electric_motor.physical_systems.electric_motors import DcPermanentlyExcitedMotor
from gym_electric_motor.physical_systems.mechanical_loads import PolynomialStaticLoad
from scipy.optimize import root

from rotorproof.physics.gate_stream import GateStream
from rotorproof.procedures import procedures
from rotorproof.procedures.base import Log
from tests.procedures.controller_runs import case
from tests.procedures.controller_runs import outcome as controller_outcome
from tests.procedures.runs import outcome

GYM = "gym-electric-motor 3.0.3"
HAND = "worked by hand"
DRAWN = "drawn and worked by hand"
IN_DEGREES = "drawn and worked by hand in electrical degrees"
BY_DRAWING = "signal drawn and worked by hand from the definition"

D_AXIS, Q_AXIS, PAIRS = 180e-6, 260e-6, 10
EMF_RATE = 8000.0
P, PSI, SPEED = 11, 0.0175, 18.0
STEP = 360 * P * SPEED / (2 * np.pi) / 20_000.0  # electrical degrees between two samples: 0.57
KE, R_LINE, COULOMB, VISCOUS = 0.9, 0.2, 0.35, 0.012
GATE_RATE = 10e6  # Hz: a sample each 100 ns
PERIOD = 500  # samples: 20 kHz
PERIODS = 100  # per sensor sector
#: Sensor code and the legs driven high and low, in the order of the published six-step table.
STEPS = (("101", "ab"), ("100", "ac"), ("110", "bc"), ("010", "ba"), ("011", "ca"), ("001", "cb"))
GATES = tuple(f"gate_{leg}{side}" for leg in "abc" for side in "hl")
#: 1.2 V s/rad, 0.12 ohm per phase, no drag, 36 V behind 0.06 ohm; limits 15 A of supply, 30 A of motor current; a
#: wheel of 0.35 m radius, 100 kg.
ON_A_PACK = {
    "winding_constant": 234.5,
    "pole_pairs": 20.0,
    "saturation_at_limit": 0.0,
    "emf_constant_dc": 1.2,
    "phase_resistance": 0.12,
    "coulomb_friction": 0.0,
    "viscous_friction": 0.0,
    "pack_voltage_full": 42.0,
    "pack_voltage_nominal": 36.0,
    "pack_voltage_empty": 30.0,
    "pack_internal_resistance": 0.06,
    "pack_current_limit": 15.0,
    "pack_motor_current_limit": 30.0,
    "vehicle_mass": 100.0,
    "vehicle_rolling_resistance": 0.01,
    "vehicle_drag_area": 0.5,
    "vehicle_rolling_circumference": 2 * math.pi * 0.35,
    "vehicle_air_density": 1.2,
    "drag_beyond_bench": 0.0,
    "continuous_current": 10.0,
}
#: The same with drag, which beyond the bench's 10 rad/s grows as ``drag`` says, on soft ground and without a limit of
#: the supply's current.
DRAGGED = {
    **{name: value for name, value in ON_A_PACK.items() if name != "pack_current_limit"},
    "coulomb_friction": 0.4,
    "viscous_friction": 0.02,
    "windage": 3e-4,
    "vehicle_rolling_resistance": 0.3,
    "drag_beyond_bench": 1.0,
    "bench_speed_max": 10.0,
}


def line_inductance(pair: str, angle: float) -> float:
    """Return the inductance that two lines of the simulated machine show at a rotor angle, by its own equations."""
    from gym_electric_motor.physical_systems.electric_motors import PermanentMagnetSynchronousMotor

    parameters = {"p": PAIRS, "l_d": D_AXIS, "l_q": Q_AXIS, "j_rotor": 0.01, "r_s": 0.1, "psi_p": 0.02}
    motor = PermanentMagnetSynchronousMotor(motor_parameter=parameters)
    places = dict(zip("abc", -PAIRS * angle + np.array([0, 2, 4]) * np.pi / 3, strict=True))
    x, y = (places[name] for name in pair)
    # The current rises by 1 A/s in one line and falls by as much in the other: these are its rates on the two axes.
    wanted = 2 / 3 * np.array([np.cos(x) - np.cos(y), np.sin(x) - np.sin(y)])
    still = np.array(motor.electrical_ode(np.zeros(3), [0.0, 0.0], 0.0))[:2]
    rates = [np.array(motor.electrical_ode(np.zeros(3), u, 0.0))[:2] - still for u in ([1.0, 0.0], [0.0, 1.0])]
    u = np.linalg.solve(np.column_stack(rates), wanted - still)
    return float(u @ (1.5 * wanted))


def driven(order: str = "abc") -> dict[str, np.ndarray]:
    """Return one second of sinusoidal phase EMFs; the phases peak in the given order."""
    time = np.arange(8000) / EMF_RATE
    angle = P * SPEED * time
    emf = {x: P * PSI * SPEED * np.cos(angle - k * 2 * np.pi / 3) for k, x in enumerate(order)}
    return {
        "time": time,
        "voltage_ab": emf["a"] - emf["b"],
        "voltage_bc": emf["b"] - emf["c"],
        "voltage_ca": emf["c"] - emf["a"],
    }


def sensed(
    rises: tuple[float, float, float], highs: tuple[float, float, float] = (180.0, 180.0, 180.0), unlike: float = 0.0
) -> dict[str, np.ndarray]:
    """Return line EMFs and levels; sensor k rises ``rises[k]`` degrees after the EMF A-B crosses zero upwards.

    It stays high for ``highs[k]``; every other electrical turn all edges come ``unlike`` degrees late, in the others
    as much early.
    """
    time = np.arange(40_000) / 20_000.0
    turns = P * SPEED * time / (2 * np.pi) + 0.1
    columns = {"time": time}
    for k, line in enumerate(("ab", "bc", "ca")):
        columns[f"voltage_{line}"] = 6.0 * np.sin(2 * np.pi * turns - k * 2 * np.pi / 3)
    for k, name in enumerate("abc"):
        # Turn numbers by the rise of this sensor, so that no edge lies where the shift changes.
        level = np.zeros(time.size, bool)
        for turn in range(int(turns[-1]) + 3):
            late = unlike if turn % 2 else -unlike
            start = turn - 1 + (rises[k] + late) / 360.0
            level |= (turns >= start) & (turns < start + highs[k] / 360.0)
        columns[f"hall_{name}"] = level.astype(float)
    return columns


def values(name: str, logs: list, **given: float) -> dict[str, float]:
    return {key: form.value for key, form in outcome(procedures()[name], logs, **given).forms.items()}


def single(name: str, columns: dict[str, np.ndarray], conditions: dict[str, float], **given: float) -> dict[str, float]:
    """Return what a procedure gives of a single log."""
    return values(name, [(columns, conditions)], **given)


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


def gates(
    duty: float = 0.4, dead: int = 5, turns: int = 3, early: int = 120, uneven: int = 0, wrong: int | None = None
) -> dict[str, np.ndarray]:
    """Return a capture, sample by sample: the high side is chopped, the low side complementary with ``dead`` samples.

    The sensors change ``early`` samples before the bridge; periods are ``uneven`` samples longer and shorter by turns;
    sector ``wrong`` drives the legs of its neighbour.
    """
    count = 6 * turns * PERIODS
    lengths = PERIOD + uneven * np.where(np.arange(count) % 2, 1, -1)
    start = np.concatenate([[0], np.cumsum(lengths)])
    n = np.arange(start[-1])
    period = np.searchsorted(start, n, side="right") - 1
    phase = n - start[period]
    on_until = round(duty * PERIOD)
    rows = {name: np.zeros(n.size, int) for name in GATES}
    for sector in range(6 * turns):
        here = (period // PERIODS) == sector
        plus, minus = STEPS[((sector + 1) if sector == wrong else sector) % 6][1]
        rows[f"gate_{plus}h"][here] = (phase >= dead)[here] & (phase < on_until)[here]
        if dead:
            rows[f"gate_{plus}l"][here] = (phase >= on_until + dead)[here]
        rows[f"gate_{minus}l"][here] = 1
    ahead = np.minimum(n + early, n.size - 1)
    code = np.array([[int(bit) for bit in STEPS[s % 6][0]] for s in range(6 * turns)])[period[ahead] // PERIODS]
    for k, name in enumerate("abc"):
        rows[f"hall_{name}"] = code[:, k]
    return {"time": n / GATE_RATE, **rows}


def captured(rows: dict[str, np.ndarray]) -> Log:
    stream = GateStream(GATE_RATE)
    stream.feed(rows)
    return Log("capture", stream.finish())


def timed(rows: dict[str, np.ndarray]) -> dict[str, float]:
    return {name: form.value for name, form in controller_outcome("gate-timing", [captured(rows)]).forms.items()}


def throttle_curve(signal: np.ndarray, duty: np.ndarray) -> dict[str, float]:
    columns = {"time": np.arange(signal.size) * 0.01, "throttle": signal, "duty": duty}
    log = Log("sweep", columns, {"case": case("throttle", "sweep", "case")})
    return {name: form.value for name, form in controller_outcome("throttle", [log]).forms.items()}


def drag(speed: float) -> float:
    """Return the motor's drag, whose growth beyond 10 rad/s is twice what the bench fitted."""
    fitted = 0.4 + 0.02 * speed + 3e-4 * speed**2
    return fitted + max(0.0, 0.02 * (speed - 10) + 3e-4 * (speed**2 - 100))

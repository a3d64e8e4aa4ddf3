"""Outside values for a motor that is driven: EMF constants and their identities, and the position sensors.

Sources: gym-electric-motor 3.0.3 (torque of its machine under six-step currents, its EMF); NEMA MG 1, 14.36; IEC
60034-8; published six-step tables; examples worked by hand in electrical degrees.
"""

from __future__ import annotations

import numpy as np
import pytest
from gym_electric_motor.physical_systems.electric_motors import (
    DcPermanentlyExcitedMotor,
    PermanentMagnetSynchronousMotor,
)

from rotorproof.procedures import procedures
from tests.outside import Outside
from tests.procedures.runs import outcome

GYM = "gym-electric-motor 3.0.3"
RATE = 8000.0
P, PSI, SPEED = 11, 0.0175, 18.0


def values(name: str, columns: dict[str, np.ndarray], conditions: dict[str, float], **given: float) -> dict[str, float]:
    found = outcome(procedures()[name], [(columns, conditions)], **given)
    return {key: form.value for key, form in found.forms.items()}


def driven(order: str = "abc") -> dict[str, np.ndarray]:
    """Return one second of sinusoidal phase EMFs; the phases peak in the given order."""
    time = np.arange(8000) / RATE
    angle = P * SPEED * time
    emf = {x: P * PSI * SPEED * np.cos(angle - k * 2 * np.pi / 3) for k, x in enumerate(order)}
    return {
        "time": time,
        "voltage_ab": emf["a"] - emf["b"],
        "voltage_bc": emf["b"] - emf["c"],
        "voltage_ca": emf["c"] - emf["a"],
    }


def six_step_torque_per_ampere() -> float:
    """Return the mean torque of the simulated machine for 1 A through two terminals over the best 60 degrees."""
    machine = PermanentMagnetSynchronousMotor(
        motor_parameter={"p": P, "l_d": 2e-4, "l_q": 2e-4, "j_rotor": 0.01, "r_s": 0.1, "psi_p": PSI}
    )
    angles = (np.arange(3600) + 0.5) * 2 * np.pi / 3600
    # Amplitude-invariant transformation of the currents (1, -1, 0) to the q axis of a rotor at each angle.
    q = -2 / 3 * (np.sin(angles) - np.sin(angles - 2 * np.pi / 3))
    torque = np.array([float(machine.torque([0.0, i, 0.0])) for i in q])
    best = int(np.argmax(torque))
    window = (best + np.arange(-300, 300)) % 3600
    return float(torque[window].mean())


def test_torque_per_ampere_of_six_step_currents(outside: Outside) -> None:
    found = values("open-circuit", driven(), {"speed": SPEED})
    published = six_step_torque_per_ampere()
    outside(
        "torque_constant",
        "from the EMF alone: torque per ampere of direct current under six-step currents",
        ours=found["torque_constant"],
        published=published,
        allowance=2e-5 * published,
        unit="N m/A",
        source=f"{GYM}, torque of a PermanentMagnetSynchronousMotor with six-step currents",
    )


def test_speed_per_volt(outside: Outside) -> None:
    found = values("open-circuit", driven(), {"speed": SPEED})
    # A commutator machine that makes the same torque per ampere: its speed per volt at no current.
    machine = DcPermanentlyExcitedMotor(
        motor_parameter={"r_a": 0.1, "l_a": 1e-3, "psi_e": six_step_torque_per_ampere(), "j_rotor": 0.01}
    )
    slope = [float(np.ravel(machine.electrical_ode(np.zeros(1), [1.0], w))[0]) for w in (0.0, 1.0)]
    balance = slope[0] / (slope[0] - slope[1])  # rad/s at which 1 V drives no current
    outside(
        "speed_constant",
        "revolutions per minute per volt without current",
        ours=found["speed_constant"] * 30 / np.pi,
        published=balance * 9.549296586,
        allowance=3e-5 * balance * 9.5493,
        unit="rpm/V",
        source=f"{GYM}, DcPermanentlyExcitedMotor; 60/(2 pi) = 9.549297",
    )


def test_ratio_of_the_speeds(outside: Outside) -> None:
    found = values("open-circuit", driven(), {"speed": SPEED})
    outside(
        "pole_pair_ratio",
        "31.513 Hz at 171.887 rpm",
        ours=found["pole_pair_ratio"],
        published=31.51268 * 60 / 171.88734,
        allowance=1e-4,
        source="n = f/p (IEC 60050-411); worked by hand",
    )


@pytest.mark.parametrize(("order", "sequence"), [("abc", 1), ("acb", -1)])
def test_order_of_the_phases(outside: Outside, order: str, sequence: int) -> None:
    outside(
        "phase_sequence",
        f"phases peak in the order {'-'.join(order.upper())}",
        ours=values("open-circuit", driven(order), {"speed": SPEED})["phase_sequence"],
        published=sequence,
        allowance=0,
        source="IEC 60034-8, direction of rotation by the order of the phases, from memory",
    )


def test_unbalance_of_the_worked_example(outside: Outside) -> None:
    # Three phasors of 460, 467 and 450 that close to a triangle, as line-to-line voltages do.
    ab, bc, ca = 460.0, 467.0, 450.0
    inner_b = np.arccos((ab**2 + bc**2 - ca**2) / (2 * ab * bc))
    phasors = np.array([ab, -bc * np.exp(1j * inner_b)])
    phasors = np.append(phasors, -phasors.sum())
    if np.imag(phasors[1] / phasors[0]) > 0:
        phasors = phasors.conj()
    time = np.arange(8000) / RATE
    waves = np.real(phasors[:, None] * np.exp(1j * P * SPEED * time)) / 40
    columns = {"time": time, **dict(zip(("voltage_ab", "voltage_bc", "voltage_ca"), waves, strict=True))}
    outside(
        "emf_unbalance",
        "line-to-line values of 460, 467 and 450: 9 from a mean of 459",
        ours=100 * values("open-circuit", columns, {"speed": SPEED})["emf_unbalance"],
        published=1.96,
        allowance=0.005,
        unit="percent",
        source="NEMA MG 1, 14.36, worked example, from memory",
    )


# ----- Position sensors: levels drawn by hand over electrical degrees


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


STEP = 360 * P * SPEED / (2 * np.pi) / 20_000.0  # electrical degrees between two samples: 0.57
HAND = "drawn and worked by hand in electrical degrees"


def found_of(columns: dict[str, np.ndarray]) -> dict[str, float]:
    return values("hall-sensors", columns, {})


@pytest.mark.parametrize(("rises", "spacing"), [((0.0, 120.0, 240.0), 120.0), ((0.0, 60.0, 120.0), 60.0)])
def test_kind_of_sensor_set(outside: Outside, rises: tuple[float, float, float], spacing: float) -> None:
    found = found_of(sensed(rises))
    outside(
        "hall_spacing",
        f"sensors that rise at {', '.join(f'{r:g}' for r in rises)} degrees",
        ours=np.degrees(found["hall_spacing"]),
        published=spacing,
        allowance=1e-9,
        unit="deg",
        source=HAND,
    )
    outside(
        "hall_sequence",
        "sensors that rise one after the other, A-B-C",
        ours=found["hall_sequence"],
        published=1,
        allowance=0,
        source=HAND,
    )


def test_sequence_backwards(outside: Outside) -> None:
    outside(
        "hall_sequence",
        "sensors that rise at 0, 240 and 120 degrees: A-C-B",
        ours=found_of(sensed((0.0, 240.0, 120.0)))["hall_sequence"],
        published=-1,
        allowance=0,
        source=HAND,
    )


def test_a_sensor_out_of_place(outside: Outside) -> None:
    # A comes 6 degrees late. The set that fits best lies 2 degrees late: errors of 4, -2 and -2, and 7 + 2 of the set.
    found = found_of(sensed((13.0, 127.0, 247.0)))
    for name, published in (
        ("hall_placement_a", 4.0),
        ("hall_placement_b", -2.0),
        ("hall_placement_c", -2.0),
        ("hall_placement_error", 4.0),
        ("hall_offset", 9.0),
    ):
        outside(
            name,
            "edges 13, 127 and 247 degrees after the zero crossing of the EMF A-B",
            ours=np.degrees(found[name]),
            published=published,
            allowance=0.2 * STEP,
            unit="deg",
            source=HAND,
        )


def test_share_of_high_level(outside: Outside) -> None:
    # Edges early and late alike, so that nothing moves but the share: 198 of 360 degrees are 5 % more than a half.
    found = found_of(sensed((-9.0, 120.0, 240.0), (198.0, 180.0, 180.0)))
    outside(
        "hall_duty_error",
        "sensor A high for 198 of 360 degrees",
        ours=100 * found["hall_duty_error"],
        published=5.0,
        allowance=0.1,
        unit="percent",
        source=HAND,
    )


def test_unlike_turns(outside: Outside) -> None:
    found = found_of(sensed((0.0, 120.0, 240.0), unlike=3.0))
    outside(
        "hall_jitter",
        "edges 3 degrees late and 3 degrees early by turns",
        ours=np.degrees(found["hall_jitter"]),
        published=3.0,
        allowance=0.1,
        unit="deg",
        source=HAND,
    )


# ----- Gear, wheel and identities


def test_pole_pairs_behind_a_gear(outside: Outside) -> None:
    # 11 periods per turn of the output shaft, as a motor of 2 pole pairs behind 5.5:1 shows them.
    found = values("open-circuit", driven(), {"speed": SPEED}, nameplate_gear_ratio=5.5)
    for name, what, published in (
        ("pole_pair_ratio", "periods per turn of the output shaft", 11.0),
        ("pole_pairs", "pole pairs of the motor itself", 2.0),
    ):
        outside(
            name,
            f"11 periods per output turn behind a gear of 5.5: {what}",
            ours=found[name],
            published=published,
            allowance=1e-4 if name == "pole_pair_ratio" else 0,
            source="pole pairs seen from the output are pole pairs times the ratio; " + HAND,
        )


def test_speed_constant_times_torque_constant(outside: Outside) -> None:
    found = values("open-circuit", driven(), {"speed": SPEED})
    outside(
        "speed_constant",
        "speed constant in rpm/V times torque constant in N m/A",
        ours=found["speed_constant"] * 30 / np.pi * found["torque_constant"],
        published=9.549296586,
        allowance=1e-8,
        source="identity 60/(2 pi), as handbooks print it: 9.549",
    )


@pytest.mark.parametrize(("shape", "rms", "dc"), [("sine", 0.70710678, 0.95492966), ("trapezoid", 0.74535599, 1.0)])
def test_shares_of_the_peak(outside: Outside, shape: str, rms: float, dc: float) -> None:
    # Phases flat over 120 degrees make lines that are flat over 60 and straight over 120 between: of the squared peak
    # 1/3 + 2/3 x 1/3 = 5/9. One line or its opposite is always at its flat top.
    time = np.arange(8000) / RATE
    turns = P * SPEED * time / (2 * np.pi)
    columns = {"time": time}
    phases = []
    for k in range(3):
        x = np.mod(turns - k / 3, 1.0) * 360
        flat = np.interp(x, [0, 30, 150, 210, 330, 360], [0, 1, 1, -1, -1, 0])
        phases.append(6.0 * (np.sin(np.radians(x)) if shape == "sine" else flat))
    for k, line in enumerate(("ab", "bc", "ca")):
        columns[f"voltage_{line}"] = phases[k] - phases[(k + 1) % 3]
    found = values("open-circuit", columns, {"speed": SPEED})
    for name, share in (("emf_constant_rms", rms), ("emf_constant_dc", dc)):
        outside(
            name,
            f"share of the peak from line to line, {shape}",
            ours=found[name] / found["emf_constant_peak"],
            published=share,
            allowance=2e-4 if shape == "sine" else 0.004,
            source="mathematics: 1/sqrt(2) and 3/pi" if shape == "sine" else "mathematics: sqrt(5)/3 and 1",
        )

"""Controller table against motor table: what every connection does, by published rules and by a rotor set free.

Sources
- "Determining the Wiring for a Brushless Motor", wiki of the Endless Sphere forum: of the 36 connections six are valid,
  three forward and three reverse.
- applied-ee.github.io, six-step commutation: the common table 101 A-B, 100 A-C, 110 B-C, 010 B-A, 011 C-A, 001 C-B.
- A rotor integrated with SciPy's solve_ivp: sinusoidal EMF, block currents by the controller's table, load and inertia.
"""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from rotorproof.physics import pairing
from tests.outside import Outside

WIKI = 'Endless Sphere wiki, "Determining the Wiring for a Brushless Motor"'
#: The published table written as a number, worked out by hand: states 001 to 110 drive C-B, B-A, C-A, A-C, A-B, B-C.
COMMON = 645213
#: A motor's table sixty degrees on (what sensors that switch where an EMF crosses zero ask for), by hand.
MOTOR = 534162
ORDERS = ["".join(p) for p in permutations("123")]
#: 1 A-B, 2 A-C, 3 B-C, 4 B-A, 5 C-A, 6 C-B
DRIVES = {"1": (0, 1), "2": (0, 2), "3": (1, 2), "4": (1, 0), "5": (2, 0), "6": (2, 1)}


def turned(motor: int, controller: int, phases: str, sensors: str, step: float = 0.02) -> float:
    """Return the mean speed over its lossless best of a rotor that ``controller`` drives for a while.

    The sensors are drawn from the motor's own table: in the sector of a drive its sine has its crest. The load is
    viscous, so the speed is in proportion to the mean torque; a rotor that finds a place to stand has none.
    """
    ask = dict(zip(range(1, 7), str(motor), strict=True))
    do = dict(zip(range(1, 7), str(controller), strict=True))
    state_of = {DRIVES[digit]: state for state, digit in ask.items()}

    def emf(angle: float) -> np.ndarray:
        return np.sin(angle + np.pi / 6 - np.array([0, 2, 4]) * np.pi / 3) / np.sqrt(3)

    def torque(angle: float) -> float:
        wave = emf(angle)
        best = max(state_of, key=lambda pair: wave[pair[0]] - wave[pair[1]])
        bits = [state_of[best] >> shift & 1 for shift in (2, 1, 0)]
        seen = sum(bits[int(wire) - 1] << (2 - place) for place, wire in enumerate(sensors))
        if seen in (0, 7):
            return 0.0
        high, low = (int(phases[terminal]) - 1 for terminal in DRIVES[do[seen]])
        return float(wave[high] - wave[low])

    end = solve_ivp(
        lambda _, y: [y[1], (torque(y[0]) - 0.02 * y[1]) / 0.05], (0, 20), [0.3, 0.0], max_step=step, rtol=1e-4
    )
    speed = float(np.mean(end.y[1][end.t > 16]))
    return speed / (0.955 / 0.02)


def test_six_of_the_36_connections_run_three_each_way(outside: Outside) -> None:
    for motor in (COMMON, MOTOR):
        every = pairing.pairing(motor, COMMON)
        assert every is not None and len(every) == 36
        for way, share in (("forward", 1.0), ("backward", -1.0)):
            found = [c for c in every if c.behaviour == way]
            outside(
                "commutation_match",
                f"number of connections that run {way} with full torque, motor table {motor}",
                ours=len(found),
                published=3,
                allowance=0,
                source=WIKI,
            )
            assert [c.torque for c in found] == pytest.approx([share] * 3, abs=1e-3)


@pytest.mark.parametrize(("phases", "sensors"), [("123", "123"), ("132", "132"), ("231", "123"), ("321", "132")])
def test_a_rotor_set_free_does_what_the_pairing_says(outside: Outside, phases: str, sensors: str) -> None:
    every = pairing.pairing(MOTOR, COMMON)
    assert every is not None
    said = pairing.connected(every, float(phases), float(sensors))
    mean = turned(MOTOR, COMMON, phases, sensors, step=0.003)
    outside(
        "commutation_match",
        f"mean speed under viscous load over that of the right connection, phases {phases}, sensors {sensors}",
        ours=said.torque,
        published=mean,
        allowance=0.02,
        source="SciPy solve_ivp: rotor with sinusoidal EMF and block currents",
    )


def test_a_connection_that_does_not_run_leaves_the_rotor_standing() -> None:
    every = pairing.pairing(MOTOR, COMMON)
    assert every is not None
    assert pairing.connected(every, 213.0, 123.0).behaviour == "does not run"
    assert abs(turned(MOTOR, COMMON, "213", "123")) < 0.05


def test_wires_to_move_is_the_least_of_all_that_run(outside: Outside) -> None:
    # Brute force over the connections that a rotor set free runs on.
    runs = [(p, s) for p in ORDERS for s in ORDERS if turned(MOTOR, COMMON, p, s) > 0.97]
    least = min(sum(a != b for a, b in zip("123123", p + s, strict=True)) for p, s in runs)
    every = pairing.pairing(MOTOR, COMMON)
    assert every is not None
    moved = pairing.wires_moved(pairing.connected(every, 123.0, 123.0), every)
    assert moved is not None
    outside(
        "wires_to_move",
        "fewest wires moved to a connection on which a rotor set free runs at full speed",
        ours=moved[0],
        published=least,
        allowance=0,
        source="SciPy solve_ivp on all 36 connections",
    )
    outside("wires_to_move", "connections that run forward", ours=len(runs), published=3, allowance=0, source=WIKI)


def test_equal_tables_match_as_they_are() -> None:
    every = pairing.pairing(COMMON, COMMON)
    assert every is not None
    own = pairing.connected(every, 123.0, 123.0)
    assert own.torque == pytest.approx(1.0, abs=1e-12)
    assert pairing.wires_moved(own, every) == (0, own)


def test_the_spacing_that_a_table_is_for(outside: Outside) -> None:
    # Sensors 60 degrees apart go 000 100 110 111 011 001; in rising order the drives are then 1 6 5 2 3 4.
    for code, degrees in ((COMMON, 120.0), (MOTOR, 120.0), (165234, 60.0)):
        found = pairing.spacing(code)
        assert found is not None
        outside(
            "sensor_spacing_mismatch",
            f"spacing of the sensors that table {code} is for",
            ours=np.degrees(found),
            published=degrees,
            allowance=1e-9,
            unit="deg",
            source="applied-ee.github.io, six-step commutation; sensor states of 60 degree sets, common practice",
        )


@pytest.mark.parametrize("code", [123456, 645212, 64521, 745213, 0])
def test_what_is_no_six_step_table_is_not_taken_for_one(code: int) -> None:
    assert pairing.spacing(code) is None
    assert pairing.pairing(COMMON, code) is None

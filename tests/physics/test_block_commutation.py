"""The six-step bridge in steady state, beside the three phase equations integrated step by step, and energy."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from rotorproof.errors import FitError
from rotorproof.physics import block_commutation as bridge

PAIRS = ((0, 1), (0, 2), (1, 2), (1, 0), (2, 0), (2, 1))


def integrated(winding: bridge.Winding, speed: float, voltage: float, sectors: int = 40) -> tuple[float, float, float]:
    """Return DC current, torque and copper loss of the last sector of a run, by an ODE solver and switching events."""
    R, L, omega = winding.resistance, winding.inductance, winding.pole_pairs * speed

    def line(angle):
        return winding.emf * speed * sum(a * np.cos(n * angle) for n, a in winding.orders())

    def phases(angle):
        ab, bc, ca = line(angle), line(angle - 2 * np.pi / 3), line(angle + 2 * np.pi / 3)
        return np.array([ab - ca, bc - ab, ca - bc]) / 3

    def slope(angle, state, high, low, idle, idle_line):
        i, e = state[:3], phases(angle)
        v = np.zeros(3)
        v[high] = voltage
        if idle_line is None:  # the idle terminal floats: its current stays zero
            di = np.zeros(3)
            di[high] = (voltage - R * (i[high] - i[low]) - (e[high] - e[low])) / (2 * L)
            di[low] = -di[high]
        else:
            v[idle] = idle_line
            di = (v - v.mean() + e.mean() - e - R * i) / L
        drawn = i[high] + (i[idle] if idle_line == voltage else 0.0)
        return np.array([*(di / omega), drawn, float(e @ i) / speed, R * float(i @ i)])

    current = np.zeros(3)
    for k in range(sectors):
        high, low = PAIRS[k % 6]
        idle = 3 - high - low
        begin = k * np.pi / 3 - np.pi / 6 + winding.advance
        end = begin + np.pi / 3
        state = np.array([*current, 0.0, 0.0, 0.0])
        if abs(current[idle]) > 1e-9:
            gone = lambda angle, s, *a: s[a[2]]  # noqa: E731
            gone.terminal = True
            at = voltage if current[idle] < 0 else 0.0
            run = solve_ivp(slope, (begin, end), state, args=(high, low, idle, at), events=gone, rtol=1e-9, atol=1e-11)
            begin, state = run.t[-1], run.y[:, -1]
            state[idle] = 0.0
        if begin < end:
            run = solve_ivp(slope, (begin, end), state, args=(high, low, idle, None), rtol=1e-9, atol=1e-11)
            state = run.y[:, -1]
        current = state[:3]
    return tuple(state[3:] / (np.pi / 3))


SINE = bridge.Winding(0.12, 2.1e-4, 1.4, 20, {})
TRAPEZOID = bridge.from_dc(0.9, 0.2, 4e-4, 16, {5: 0.04, 7: -0.02, 11: 0.004})
LATE = bridge.from_dc(1.1, 0.08, 1.5e-4, 23, {5: 0.03, 7: 0.01}, advance=-0.15)


@pytest.mark.parametrize(
    ("winding", "speed", "voltage"),
    [(SINE, 15.0, 36.0), (SINE, 25.0, 36.0), (SINE, 26.6, 36.0), (TRAPEZOID, 20.0, 24.0), (LATE, 18.0, 24.0)],
)
def test_means_agree_with_the_phase_equations_integrated(winding, speed, voltage, outside):
    ours = bridge.at_voltage(winding, speed, voltage)
    current, torque, copper = integrated(winding, speed, voltage)
    for name, value, published in (
        ("DC current", ours.current, current),
        ("torque", ours.torque, torque),
        ("copper loss", ours.copper, copper),
    ):
        outside(
            "pack-prediction",
            f"{name} of a six-step bridge",
            ours=float(value),
            published=float(published),
            allowance=2e-6 * abs(float(published)) + 1e-7,
            source="voltage equations of three phases (P. C. Krause et al., Analysis of Electric Machinery) "
            "integrated by SciPy's solve_ivp with switching events",
        )


def test_a_small_current_at_low_speed_is_found(outside):
    """Ripple many times the mean current: the search must stop short of where the divisor changes its sign."""
    winding = bridge.from_dc(1.57, 0.03, 2.8e-3 * 0.03, 15, {}, advance=0.094)
    ours = bridge.at_current(winding, 3.25, 0.47)
    published = integrated(winding, 3.25, float(ours.voltage))[0]
    outside(
        "pack-prediction",
        "small DC current of a six-step bridge with much ripple",
        ours=0.47,
        published=float(published),
        allowance=1e-5,
        source="voltage equations of three phases (P. C. Krause et al., Analysis of Electric Machinery) "
        "integrated by SciPy's solve_ivp with switching events",
    )


def test_what_the_supply_gives_is_torque_and_copper_loss():
    speed = np.linspace(2.0, 25.0, 12)
    for winding in (SINE, TRAPEZOID, LATE):
        point = bridge.at_current(winding, speed, 6.0)
        assert point.voltage * point.current == pytest.approx(point.torque * speed + point.copper, rel=1e-9)


def test_without_inductance_only_resistance_and_emf_are_left():
    """V = Ke w + 2 R I for a flat-topped wave and a smooth current."""
    winding = bridge.from_dc(1.0, 0.2, 1e-9, 10, {})
    flat = bridge.at_current(winding, 1e-3, 10.0)
    assert float(flat.voltage) == pytest.approx(2 * 0.2 * 10.0 + 1e-3, rel=1e-6)


def test_many_windings_are_solved_at_once():
    resistance, advance = np.array([0.1, 0.12]), np.array([0.0, 0.1])
    both = bridge.at_torque(
        bridge.from_dc(1.3, resistance, 2e-4, 20.0, {5: np.array([0.02, 0.0])}, advance), np.array([10.0, 20.0]), 5.0
    )
    for k in range(2):
        one = bridge.from_dc(1.3, resistance[k], 2e-4, 20.0, {5: (0.02, 0.0)[k]}, advance[k])
        assert both.voltage[k] == pytest.approx(float(bridge.at_torque(one, (10.0, 20.0)[k], 5.0).voltage), rel=1e-9)


def test_a_motor_that_stands_is_refused():
    with pytest.raises(FitError, match="above zero"):
        bridge.at_voltage(SINE, 0.0, 36.0)


RECTIFIER = (
    "line-commutated rectifier: the overlap takes (3/pi) omega L I of the direct voltage (N. Mohan, T. Undeland, W. "
    "Robbins, Power Electronics, chapter on line-frequency rectifiers; from memory)"
)
CARLSON = (
    "outgoing current of a brushless DC machine gone after 3 L I/(V + 2 E) (R. Carlson, M. Lajoie-Mazenc, J. "
    "Fagundes, IEEE Trans. Ind. Appl. 28 (1992) 632; from memory)"
)


@pytest.mark.parametrize("current", [3.0, 10.0])
def test_commutation_drop_is_that_of_rectifier_theory(current, outside):
    """Flat phases, no resistance, little overlap: the voltage beyond the EMF, by the current that leaves its phase."""
    orders = [n for n in range(1, 50, 2) if n % 3]
    # Fourier series of a trapezoid flat over 120 degrees; between lines a phase's harmonic n turns by n 30 degrees.
    flat = {n: np.sin(n * np.pi / 6) / n**2 * np.sin(n * np.pi / 3) * (-1) ** (n // 2) for n in orders}
    first = flat.pop(1)
    speed, inductance, pairs, flat_emf = 20.0, 1e-4, 10, 10.0
    line = 2 * flat_emf / speed * (24 / np.pi**2) * np.sin(np.pi / 6) * np.sin(np.pi / 3)
    winding = bridge.Winding(1e-4, inductance, line, pairs, {n: a / first for n, a in flat.items()})
    omega = pairs * speed
    found = bridge.at_current(winding, speed, current)
    lasts = float(found.overlap) / omega
    # The current that leaves, from how long it takes to leave.
    leaving = lasts * (float(found.voltage) + 2 * flat_emf) / (3 * inductance)
    drop = float(found.voltage) - float(winding.emf_dc()) * speed
    expected = 3 / np.pi * omega * inductance * leaving
    outside(
        "pack-prediction",
        f"voltage that commutating {current:g} A costs a six-step bridge",
        ours=drop,
        published=expected,
        allowance=0.04 * expected,  # the series ends at order 49, so the corners at the changes are round
        source=f"{RECTIFIER}; {CARLSON}",
        unit="V",
    )

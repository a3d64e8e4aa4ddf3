"""The three-leg bridge as states: which switches are on, which conduction state that is, how states follow.

A gate state is six bits, ``AH AL BH BL CH CL`` from bit 0 up; a sensor code is ``4 a + 2 b + c``. The six
conduction states of six-step operation are numbered 1 to 6 in the order in which they follow each other when
the field turns from A over B to C: the first named leg is at the positive supply line, the second at the negative.
"""

from __future__ import annotations

import numpy as np

from .six_step import PAIRS, PHASES

#: Names of the conduction states; 0: no two legs driven, 7: all three legs driven (sine or space-vector drive).
STATES = ("none", *(f"{PHASES[plus]}+ {PHASES[minus]}-" for plus, minus in PAIRS), "all legs")
_BY_LEGS = {pair: number for number, pair in enumerate(PAIRS, start=1)}
#: Leg at the positive and at the negative line in each state.
PLUS_LEG = np.array([-1, *(plus for plus, _ in PAIRS), -1])
MINUS_LEG = np.array([-1, *(minus for _, minus in PAIRS), -1])
#: Sensor codes in the order A leads B leads C, for sensors 120 and 60 electrical degrees apart.
RING_120 = (0b101, 0b100, 0b110, 0b010, 0b011, 0b001)
RING_60 = (0b000, 0b100, 0b110, 0b111, 0b011, 0b001)


def _powered() -> np.ndarray:
    table = np.zeros(64, dtype=bool)
    for state in range(64):
        high = [leg for leg in range(3) if state >> (2 * leg) & 1]
        low = [leg for leg in range(3) if state >> (2 * leg + 1) & 1]
        table[state] = any(h != l for h in high for l in low)
    return table


#: Whether a gate state connects two different legs to the two supply lines.
POWERED = _powered()


def conduction_states(high: np.ndarray, low: np.ndarray) -> np.ndarray:
    """Return the conduction state 0 to 7 of each sensor sector ``(n,)``.

    ``high`` and ``low`` ``(n, 3)`` are the shares of the sector's time in which the switches of the legs were on.
    The leg whose high switch works most is at the positive line; of the others the one whose low switch works
    most is at the negative line; the third floats. A sector is *none* where no high or no low switch was on for
    half a percent of it or both legs had the same mean potential, and *all legs* where the third leg was driven for
    more than half of it.
    """
    n = high.shape[0]
    rows = np.arange(n)
    plus = np.argmax(high, axis=1)
    others = low.copy()
    others[rows, plus] = -1.0
    minus = np.argmax(others, axis=1)
    third = 3 - plus - minus
    names = np.zeros((3, 3), dtype=np.int64)
    for (p, m), number in _BY_LEGS.items():
        names[p, m] = number
    state = names[plus, minus]
    driven = high[rows, third] + low[rows, third]
    state = np.where(driven > 0.5, 7, state)
    none = (high[rows, plus] < 0.005) | (others[rows, minus] < 0.005)
    potential = high - low
    none |= potential[rows, plus] - potential[rows, minus] < 0.02
    return np.where(none, 0, state)


def added_gate(before: np.ndarray, after: np.ndarray) -> np.ndarray:
    """Return the gate 0 to 5 that a step from one conduction state to a neighbour turns on; -1 for other steps."""
    neighbours = (before >= 1) & (before <= 6) & (after >= 1) & (after <= 6)
    step = (after - before) % 6
    neighbours &= (step == 1) | (step == 5)
    high = PLUS_LEG[before] != PLUS_LEG[after]
    gate = np.where(high, 2 * PLUS_LEG[after], 2 * MINUS_LEG[after] + 1)
    return np.where(neighbours, gate, -1)


#: How a leg pair is switched, by the chopped gates: plus high, plus low, minus high, minus low (bits 0 to 3).
SCHEMES = {
    0b0000: "not chopped (block commutation at full duty)",
    0b0001: "high side chopped, low side held",
    0b0011: "high side chopped, low side complementary",
    0b1000: "low side chopped, high side held",
    0b1100: "low side chopped, high side complementary",
    0b1001: "high and low side chopped together",
    0b1111: "both legs chopped complementary (bipolar)",
}

"""Outside values for a throttle: characteristics drawn by hand.

Sources: terms as in IEC 61298-2, from memory; standard deviations of seeded runs (JCGM 100:2008, 4.2); figures worked
by hand from the drawings.
"""

from __future__ import annotations

import numpy as np
import pytest

from rotorproof.physics import linearity
from rotorproof.procedures.base import Log
from tests.outside import Outside
from tests.procedures.controller_runs import case
from tests.procedures.controller_runs import outcome as controller_outcome
from tests.proof.cases import BY_DRAWING, HAND, throttle_curve


def test_characteristic_of_a_drawn_sweep(outside: Outside) -> None:
    # Released at 0.80 V, straight from 1.20 V to 3.70 V, up and down; down, the same output at 0.05 V less.
    up = np.concatenate([np.full(200, 0.8), np.linspace(0.8, 4.2, 3000)])
    signal = np.concatenate([up, up[::-1]])
    lag = np.where(np.arange(signal.size) < up.size, 0.0, 0.05)
    duty = np.clip((signal + lag - 1.2) / 2.5, 0.0, 1.0)
    found = throttle_curve(signal, duty)
    outside.each(
        found,
        (
            ("throttle_deadband", 0.40, 0.003, "V"),
            ("throttle_start", 1.20, 0.003, "V"),
            ("throttle_full", 3.70, 0.003, "V"),
            ("throttle_linearity", 0.0, 0.01, "percent"),
            ("throttle_hysteresis", 2.0, 0.05, "percent"),  # 0.05 V of 2.5 V
            ("throttle_reversal", 0.0, 0.0, "percent"),
            ("throttle_step", 3.4, 0.15, "percent"),  # a fortieth of 3.4 V is 0.085 V of 2.5 V
        ),
        what="drawn sweep: released 0.80 V, straight from 1.20 V to 3.70 V, 0.05 V apart up and down",
        source="terms as in IEC 61298-2, from memory; " + BY_DRAWING,
    )


def test_a_fall_and_a_jump_in_a_drawn_sweep(outside: Outside) -> None:
    # At 2.0 V the output jumps by 10 % of its span; at 3.0 V it falls by 6 %.
    signal = np.concatenate([np.full(200, 0.8), np.linspace(0.8, 4.2, 3000)])
    duty = np.clip((signal - 1.2) / 2.5 * 0.96, 0.0, 0.96) + 0.1 * (signal > 2.0) - 0.06 * (signal > 3.0)
    found = throttle_curve(signal, duty)
    # Noise is kept out by running means over 1/150 of the sweep, over which this straight rise is 0.9 % of the span.
    outside(
        "throttle_reversal",
        "output that falls by 6 % of its span while the signal rises",
        ours=100 * found["throttle_reversal"],
        published=6.0,
        allowance=1.0,
        unit="percent",
        source=BY_DRAWING,
    )
    # A jump within one fortieth adds to the slope there: 10 % + 0.085 V / 2.5 V x 96 %, less what the means of the two
    # neighbouring bins take from it, at most half a bin's slope each.
    outside(
        "throttle_step",
        "output that jumps by 10 % of its span",
        ours=100 * found["throttle_step"],
        published=11.6,
        allowance=1.7,
        unit="percent",
        source=BY_DRAWING,
    )


def test_how_uncertain_a_linearity_is(outside: Outside) -> None:
    """A bow of 5 % with noise of 1 % of the span on 12 levels, 400 times."""
    rng = np.random.default_rng(12)
    x = np.linspace(0.0, 20.0, 12)
    true = 30 * (x / 20 + 0.2 * (x / 20) * (1 - x / 20))
    found = [linearity.linearity(x, true + 0.3 * rng.standard_normal(12), np.full(12, 0.3)) for _ in range(400)]
    # The same place, since another one being largest is another question.
    place = int(np.argmax(np.bincount([f.place for f in found])))
    here = [f for f in found if f.place == place]
    spread = float(np.std([f.deviations[place] for f in found], ddof=1)) / 30
    outside(
        "throttle_linearity",
        "standard uncertainty of the largest deviation from the line, 12 levels known to 1 % of the span",
        ours=float(np.mean([f.standard_uncertainty for f in here])),
        published=spread,
        allowance=0.1 * spread,
        source="standard deviation of 400 seeded runs (JCGM 100:2008, 4.2)",
    )
    errors = [
        linearity.levels(np.linspace(0, 10, 600), 3 * np.linspace(0, 10, 600) + 0.2 * rng.standard_normal(600), 12)
        for _ in range(60)
    ]
    outside(
        "throttle_linearity",
        "standard error of a level: mean of 50 readings of noise 0.2 on a slope",
        ours=float(np.sqrt(np.mean([e.error**2 for e in errors]))),
        published=0.2 / np.sqrt(50),
        allowance=0.05 * 0.2 / np.sqrt(50),
        source="s/sqrt(n), JCGM 100:2008, 4.2.3",
    )


def swept(given: np.ndarray, speed: np.ndarray) -> dict[str, float]:
    log = Log("sweep", {"throttle": given, "speed": speed}, {"case": case("throttle", "sweep", "case")})
    return {name: form.value for name, form in controller_outcome("throttle", [log]).forms.items()}


@pytest.mark.parametrize("span", [25.0, 0.4])
def test_a_throttle_that_moves_a_speed(outside: Outside, span: float) -> None:
    """Shares of the output's span do not depend on its unit: speeds up to 25 rad/s and to 0.4 rad/s."""
    # Released at 0.80 V, from 1.20 V to 3.70 V; down, the same output at 0.05 V less.
    up = np.concatenate([np.full(200, 0.8), np.linspace(0.8, 4.2, 3000)])
    given = np.concatenate([up, up[::-1]])
    lag = np.where(np.arange(given.size) < up.size, 0.0, 0.05)
    share = np.clip((given + lag - 1.2) / 2.5, 0.0, 1.0)
    found = swept(given, span * share)
    outside.each(
        found,
        (
            ("throttle_deadband", 0.40, 0.003, "V"),
            ("throttle_start", 1.20, 0.003, "V"),
            ("throttle_full", 3.70, 0.003, "V"),
            ("throttle_hysteresis", 2.0, 0.05, "percent"),  # 0.05 V of 2.5 V
            ("throttle_step", 3.4, 0.15, "percent"),  # a fortieth of 3.4 V is 0.085 V of 2.5 V
        ),
        what=f"drawn sweep of a speed up to {span:g} rad/s: 1.20 V to 3.70 V, 0.05 V apart",
        source="terms as in IEC 61298-2, from memory; " + HAND,
    )
    rising = given[: up.size]
    # At 2.4 V the output falls by 6 % of its span; over the running mean of 21 readings it rises by 1.0 %.
    fallen = np.clip((rising - 1.2) / 2.5, 0.0, 1.0) * 1.06 - 0.06 * (rising > 2.4)
    outside(
        "throttle_reversal",
        f"speed up to {span:g} rad/s that falls by 6 % of its span while the signal rises",
        ours=100 * swept(rising, span * fallen)["throttle_reversal"],
        published=6.0,
        allowance=1.2,
        unit="percent",
        source=HAND,
    )
    # It bows: 4 x 4 % of the span above the straight line in the middle, in proportion to x (1 - x). The line of least
    # squares lies 2/3 of that up, so 1/3 of it is left in the middle and 2/3 at the ends.
    x = np.clip((rising - 1.2) / 2.5, 0.0, 1.0)
    outside(
        "throttle_linearity",
        f"speed up to {span:g} rad/s that bows by 4 % of its span in the middle",
        ours=100 * swept(rising, span * (x + 0.16 * x * (1 - x)))["throttle_linearity"],
        published=100 * 0.04 * 2 / 3,
        allowance=0.3,
        unit="percent",
        source="independent linearity as in IEC 61298-2, from memory; " + HAND,
    )


def test_a_start_with_a_jump(outside: Outside) -> None:
    signal_ = np.concatenate([np.full(200, 0.8), np.linspace(0.8, 4.2, 3000)])
    output = np.where(signal_ > 1.5, np.clip(0.2 + 0.8 * (signal_ - 1.5) / 2.2, 0.0, 1.0), 0.0)
    found = throttle_curve(signal_, output)
    outside.each(
        found,
        (
            ("throttle_start", 1.5, 0.0006, "V"),
            ("throttle_deadband", 0.7, 0.0006, "V"),
            ("throttle_full", 3.7, 0.0006, "V"),
        ),
        what="output that starts at 1.5 V with 20 % and is full at 3.7 V, released 0.8 V",
        source="signal drawn and worked by hand from the definition",
    )


def test_a_curve_that_bends(outside: Outside) -> None:
    # With u from 0 at 1.2 V to 1 at 3.7 V: 0.4 u + 0.6 u^2, a curve of second order throughout.
    signal_ = np.concatenate([np.full(200, 0.8), np.linspace(0.8, 4.2, 3000)])
    u = np.clip((signal_ - 1.2) / 2.5, 0.0, 1.0)
    found = throttle_curve(signal_, 0.4 * u + 0.6 * u**2)
    outside.each(
        found,
        (
            ("throttle_start", 1.2, 1e-4, "V"),
            ("throttle_deadband", 0.4, 1e-4, "V"),
            ("throttle_full", 3.7, 1e-4, "V"),
        ),
        what="output that rises by 0.4 u + 0.6 u^2 from 1.2 V to 3.7 V",
        source="signal drawn and worked by hand from the definition",
    )

"""Torque over angle: harmonics, their scatter and that of the friction, against what was put in and repeated runs.

Sources: Fourier series (mathematics); standard deviations of seeded runs (JCGM 100:2008, 4.2).
"""

from __future__ import annotations

import numpy as np
import pytest

from rotorproof.physics import cogging
from tests.outside import Outside

ORDERS = np.array([8, 36, 72])
COSINES, SINES = np.array([0.05, 0.15, 0.0]), np.array([0.0, 0.1, 0.04])


def swept(rng: np.random.Generator, points: int, white: float, walk: float, coloured: float = 0.0) -> cogging.Sweep:
    """Return a turn forth and one back with friction of 0.3 N m and a zero of 0.1 N m.

    ``walk`` is how far the zero wanders from reading to reading, ``coloured`` the noise of orders 16 to 56 alone.
    """
    turn = np.linspace(0, 2 * np.pi, points, endpoint=False)
    angle = np.concatenate([turn, turn[::-1]])
    direction = np.repeat([1.0, -1.0], points)
    torque = 0.1 + 0.3 * direction
    for k, c, s in zip(ORDERS, COSINES, SINES, strict=True):
        torque = torque + c * np.cos(k * angle) + s * np.sin(k * angle)
    torque = torque + white * rng.standard_normal(2 * points) + np.cumsum(walk * rng.standard_normal(2 * points))
    if coloured:
        for k in range(16, 57):
            a, b = coloured * rng.standard_normal((2, 2))
            for way, one in ((1.0, a), (-1.0, b)):
                torque = torque + (direction == way) * (one[0] * np.cos(k * angle) + one[1] * np.sin(k * angle))
    return cogging.Sweep(angle, torque, direction)


@pytest.mark.parametrize("size", [1, 4])
def test_harmonics_of_a_sweep(outside: Outside, size: int) -> None:
    """Means over four readings weaken order 72 by 2 %; what was put in must come out."""
    sweep = cogging.reduced(swept(np.random.default_rng(1), 1440, 0.0, 0.0), 1440 / size)
    found = cogging.fit_harmonics(sweep, ORDERS, scatter=False)
    spectrum = cogging.spectrum(sweep, 100)
    for number, (k, c, s) in enumerate(zip(ORDERS, COSINES, SINES, strict=True)):
        for what, ours, published, allowance in (
            ("cosine", found.cosines[number], c, 1e-5),
            ("sine", found.sines[number], s, 1e-5),
            ("amplitude", found.amplitudes[number], np.hypot(c, s), 1e-5),
            # Straight lines between readings take some of it.
            ("amplitude in the spectrum", spectrum[k], np.hypot(c, s), (0.02 if size == 1 else 0.2) * np.hypot(c, s)),
        ):
            outside(
                "cogging_torque",
                f"{what} of order {k}, means over {size} reading{'s' if size > 1 else ''}",
                ours=float(ours),
                published=float(published),
                allowance=float(allowance),
                unit="N m",
                source="Fourier series, mathematics",
            )
    for name, what, ours, published in (
        ("static_friction", "half the difference of both directions", float(found.friction or 0.0), 0.3),
        ("static_friction", "zero of the sensor", found.zero, 0.1),
        ("cogging_torque", "turns of the sweep", cogging.turns(sweep.angle[sweep.direction > 0]), 1.0),
    ):
        outside(name, what, ours=ours, published=published, allowance=1e-5, source="put in by hand")


def test_scatter_of_the_friction(outside: Outside) -> None:
    """Few parts of a run tell little of a walk, so the estimate may err to the safe side, up to twice."""
    rng = np.random.default_rng(2)
    found = [cogging.fit_harmonics(swept(rng, 360, 0.003, 1e-3), ORDERS) for _ in range(150)]
    spread = float(np.std([f.friction for f in found], ddof=1))
    outside(
        "static_friction",
        "standard uncertainty with a zero that wanders against the scatter of 150 repeated runs: 0.8 to 2 times it",
        ours=float(np.sqrt(np.mean([f.low for f in found]))),
        published=1.4 * spread,
        allowance=0.6 * spread,
        unit="N m",
        source="standard deviation of 150 seeded runs (JCGM 100:2008, 4.2)",
    )


@pytest.mark.parametrize(
    ("what", "white", "coloured"), [("white noise", 0.03, 0.0), ("noise about order 36 alone", 0.0005, 0.002)]
)
def test_scatter_of_the_harmonics(outside: Outside, what: str, white: float, coloured: float) -> None:
    rng = np.random.default_rng(3)
    found = [cogging.fit_harmonics(swept(rng, 360, white, 0.0, coloured), ORDERS) for _ in range(150)]
    for number, k in enumerate(ORDERS):
        if coloured and k != 36:
            continue
        for part, rows, place in (("cosine", [f.cosines for f in found], 0), ("sine", [f.sines for f in found], 1)):
            spread = float(np.std([row[number] for row in rows], ddof=1))
            variances = [f.covariance[2 * number + place, 2 * number + place] for f in found]
            outside(
                "cogging_torque",
                f"standard uncertainty of the {part} of order {k} against 150 repeated runs: {what}",
                ours=float(np.sqrt(np.mean(variances))),
                published=spread,
                allowance=0.2 * spread,
                unit="N m",
                source="standard deviation of 150 seeded runs (JCGM 100:2008, 4.2)",
            )

"""Outside values for torque over angle: cogging, its harmonics and their scatter, and static friction.

Sources: swat-em (winding library); Fourier series (mathematics); crests found by SciPy; standard deviations of seeded
runs (JCGM 100:2008, 4.2); worked examples by hand, whose figures stand beside them.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from rotorproof.physics import cogging
from tests.outside import Outside
from tests.proof.cases import single


def turned(slots: int, poles: int, *, friction: float = 0.1) -> dict[str, np.ndarray]:
    """Return a hand-drawn sweep forth and back: a wave of the ideal order with its third harmonic, and friction."""
    order = slots * poles // int(np.gcd(slots, poles))
    angle = np.linspace(0.0, 2 * np.pi, 40 * order + 1)
    wave = 0.3 * (np.sin(order * angle) + np.sin(3 * order * angle) / 3)
    noise = 1e-5 * np.random.default_rng(1).standard_normal((2, angle.size))
    return {
        "angle": np.concatenate([angle, angle[::-1]]),
        "torque": np.concatenate([wave + friction + noise[0], wave[::-1] - friction + noise[1]]) + 0.02,
    }


@pytest.mark.parametrize(("slots", "pole_pairs"), [(12, 5), (9, 4), (27, 10)])
def test_order_of_the_cogging(outside: Outside, slots: int, pole_pairs: int) -> None:
    from swat_em import datamodel

    winding = datamodel()
    winding.set_machinedata(Q=slots, p=pole_pairs, m=3)
    winding.genwdg(Q=slots, P=2 * pole_pairs, m=3, layers=2, w=1)
    found = single(
        "cogging",
        turned(slots, 2 * pole_pairs),
        {},
        nameplate_slots=float(slots),
        nameplate_pole_pairs=float(pole_pairs),
    )
    outside(
        "cogging_order",
        f"order found in the torque of {slots} slots and {2 * pole_pairs} poles",
        ours=found["cogging_order"],
        published=winding.get_lcmQP(),
        allowance=0,
        source="swat-em, datamodel.get_lcmQP",
    )


def test_height_of_the_cogging_and_friction(outside: Outside) -> None:
    found = single("cogging", turned(12, 10), {}, nameplate_slots=12.0, nameplate_pole_pairs=5.0)
    # sin x + sin(3x)/3 has its crest at 45 degrees: 0.9428.
    outside(
        "cogging_torque",
        "0.3 (sin x + sin 3x / 3), from crest to trough",
        ours=found["cogging_torque"],
        published=0.3 * 2 * 0.9428090,
        allowance=2e-4,
        unit="N m",
        source="mathematics: crest at 45 degrees, 4/3 of sin 45; worked by hand",
    )
    outside(
        "static_friction",
        "torque of 0.12 N m forth and -0.08 N m back in the mean",
        ours=found["static_friction"],
        published=0.1,
        allowance=1e-5,
        unit="N m",
        source="half the difference of the directions; worked by hand",
    )


def test_peak_to_peak_wherever_the_crest_lies(outside: Outside) -> None:
    """Crest and trough of 40 sums of two waves found by SciPy; the one that agrees worst."""
    rng = np.random.default_rng(17)
    orders = np.array([12, 84])
    worst = (0.0, 0.0)
    for _ in range(40):
        cosines, sines = rng.uniform(-1, 1, 2) * [1.0, 0.3], rng.uniform(-1, 1, 2) * [1.0, 0.3]

        def wave(x: float, sign: float, c: np.ndarray = cosines, s: np.ndarray = sines) -> float:
            return sign * float(c @ np.cos(orders * x) + s @ np.sin(orders * x))

        grid = np.linspace(0, 2 * np.pi / 12, 400)
        height = 0.0
        for sign in (1.0, -1.0):
            near = grid[int(np.argmax([wave(x, sign) for x in grid]))]
            best = minimize_scalar(lambda x, s=sign: -wave(x, s), bounds=(near - 2e-3, near + 2e-3), method="bounded")
            height += wave(best.x, sign)
        ours, slope = cogging.peak_to_peak(orders, cosines, sines)
        # The height is of first degree in its coefficients, so it is what their derivatives add up to (Euler).
        by_slope = float(slope @ np.column_stack([cosines, sines]).ravel())
        for one in (ours, by_slope):
            if abs(one / height - 1) > abs(worst[0] / max(worst[1], 1e-9) - 1) or worst[1] == 0:
                worst = (one, height)
    outside(
        "cogging_torque",
        "peak to peak of a sum of orders 12 and 84, the worst of 40",
        ours=worst[0],
        published=worst[1],
        allowance=2e-4 * worst[1],
        unit="N m",
        source="scipy.optimize.minimize_scalar",
    )


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

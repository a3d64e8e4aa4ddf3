"""A coast-down without a logger: a few speeds written down, or the moments of turns from a film.

Truth: the equation of motion with Coulomb and viscous friction, solved in closed form by hand (exponential decay
towards minus alpha over beta).
"""

from __future__ import annotations

import numpy as np
import pytest

from rotorproof.errors import FitError
from rotorproof.procedures import procedures
from rotorproof.uncertainty.coverage import interval
from tests.outside import Outside
from tests.procedures.runs import outcome

PROCEDURE = procedures()["coast-down"]
ALPHA, BETA, START = 0.5, 0.03, 32.0
STATED = {"moment_of_inertia": (0.1, 0.001)}


def _speed(time: np.ndarray) -> np.ndarray:
    return (START + ALPHA / BETA) * np.exp(-BETA * time) - ALPHA / BETA


def _angle(time: np.ndarray) -> np.ndarray:
    return (START + ALPHA / BETA) * -np.expm1(-BETA * time) / BETA - ALPHA / BETA * time


def test_five_speeds_written_down(outside: Outside) -> None:
    time = np.array([0.0, 7.0, 14.0, 21.0, 28.0])
    found = outcome(PROCEDURE, [({"time": time, "speed": _speed(time)}, STATED)], {"speed": "0.5 % + 0.05 rad/s"})
    for name, published in (("coulomb_friction", 0.1 * ALPHA), ("viscous_friction", 0.1 * BETA)):
        outside(
            name,
            "five exact speeds of a closed form",
            ours=found.forms[name].value,
            published=published,
            allowance=1e-6,
            source="solution of dw/dt = -(alpha + beta w) by hand",
        )


def test_five_rounded_speeds_give_a_wider_interval_and_not_a_refusal() -> None:
    rng = np.random.default_rng(5)
    time = np.array([0.0, 7.0, 14.0, 21.0, 28.0])
    held = 0
    for _ in range(40):
        speed = _speed(time + rng.normal(0, 0.1, 5)) * (1 + rng.normal(0, 0.003, 5))
        found = outcome(PROCEDURE, [({"time": time, "speed": np.round(speed, 1)}, STATED)])
        cover = interval(found.forms["viscous_friction"])
        held += cover.low < 0.1 * BETA < cover.high
    assert held >= 34  # of 40 intervals of 95 %, fewer come in less than one of a thousand such tests


def test_a_film_of_the_wheel(outside: Outside) -> None:
    """The moments of every fifth turn, exact: angle from the closed form, solved for time by interpolation."""
    fine = np.linspace(0.0, 34.0, 2_000_001)
    turns = np.arange(0.0, np.floor(_angle(fine)[-1] / (2 * np.pi)), 5.0)
    moments = np.interp(turns * 2 * np.pi, _angle(fine), fine)
    columns = {"time": moments, "angle": turns * 2 * np.pi}
    found = outcome(PROCEDURE, [(columns, STATED)])
    for name, published in (("coulomb_friction", 0.1 * ALPHA), ("viscous_friction", 0.1 * BETA)):
        outside(
            name,
            "moments of every fifth turn of a closed form",
            ours=found.forms[name].value,
            published=published,
            allowance=1e-6,
            source="solution of dw/dt = -(alpha + beta w) by hand",
        )
    assert "square of speed was left out" in " ".join(found.report.notes)


def test_a_film_of_thirty_frames_a_second() -> None:
    rng = np.random.default_rng(3)
    fine = np.linspace(0.0, 34.0, 200_001)
    turns = np.arange(0.0, np.floor(_angle(fine)[-1] / (2 * np.pi)), 2.0)
    exact = np.interp(turns * 2 * np.pi, _angle(fine), fine)
    held = 0
    for _ in range(40):
        moments = (np.floor(exact * 30 + rng.uniform()) + 0.5) / 30
        found = outcome(PROCEDURE, [({"time": moments, "angle": turns * 2 * np.pi}, STATED)], {"time": "0.01 %"})
        cover = interval(found.forms["coulomb_friction"])
        assert cover.expanded_uncertainty < 0.02 * 0.1 * ALPHA * 5
        held += cover.low < 0.1 * ALPHA < cover.high
    assert held >= 34


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ({"time": np.arange(5.0), "speed": np.array([30.0, 29, 28, 27, 26])}, "by a third"),
        ({"time": np.arange(6.0), "speed": np.array([30.0, 30, 30, 20, 10, 5])}, "3 readings lie"),
        ({"time": np.arange(8.0), "angle": np.array([0.0, 6, 0, 6, 0, 6, 0, 6])}, "does not grow"),
    ],
)
def test_what_is_refused(columns: dict[str, np.ndarray], words: str) -> None:
    with pytest.raises(FitError, match=words):
        outcome(PROCEDURE, [(columns, STATED)])

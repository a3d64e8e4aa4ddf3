"""Witnesses that bound a constant from one side, or speak of one kind of drive alone: sound units of every kind agree.

The readings are drawn or worked out here from the equations beside them; the shares of ordinary controllers and rigs
are common practice, no source.
"""

from __future__ import annotations

import math
from functools import partial

import numpy as np
import pytest

from rotorproof.fitting.points import Point, Run
from rotorproof.procedures import procedures
from rotorproof.procedures.base import Log
from rotorproof.witness.agreement import Agreement, Ahead, Spreads, agreement
from rotorproof.witness.crossed import full_share, inductance_by_load
from rotorproof.witness.expected import expected

#: The price from which on a pool is called odd: one value more than four spreads off.
ODD = 16.0
OUTPUT = np.linspace(20.0, 320.0, 13)


def judged(kind: str, tests: list[tuple[str, Log, Point]], **scalars: float) -> Agreement:
    runs = [Run(procedures()[name], name, (k,)) for k, (name, *_) in enumerate(tests)]
    logs = {k: log for k, (_, log, _) in enumerate(tests)}
    points = [point for *_, point in tests]
    return agreement(Ahead(partial(expected, kind), {}), runs, points, logs, scalars, Spreads({}))


def price(found: Agreement, pool: str) -> float:
    return next(one.price for one in found.pools if one.name == pool)


def losses(standby: float, base: float, scatter: float, rng: np.random.Generator) -> tuple[str, Log, Point]:
    """A controller that takes ``standby`` (W) at rest and ``base`` (W) besides its rising losses while it drives."""
    power = OUTPUT + base + 0.02 * OUTPUT + 4e-5 * OUTPUT**2
    into, out = (values * (1.0 + scatter * rng.standard_normal(OUTPUT.size)) for values in (power, OUTPUT))
    columns = {"supply_voltage": np.full(OUTPUT.size, 36.0), "supply_current": into / 36.0, "phase_power": out}
    driving = Log("driving", columns, {"state": 0.0})
    idle = standby / 36.0 * (1.0 + 0.001 * rng.standard_normal(10))
    resting = Log("standby", {"supply_voltage": np.full(10, 36.0), "supply_current": idle}, {"state": 1.0})
    fit = procedures()["controller-loss"].estimate([driving, resting], {}, None)
    return "controller-loss", driving, Point(fit=fit, values={"standby_power": fit.parameters["standby_power"]})


def window(awake: float) -> tuple[str, Log, Point]:
    """A supply swept through its window: 1.3 A within, and the current ``awake`` (A) while it is locked out."""
    volt = np.linspace(20.0, 40.0, 400)
    ampere = np.where(volt > 30.0, 1.3, awake)
    return "supply-window", Log("window", {"supply_voltage": volt, "supply_current": ampere}), Point(values={})


@pytest.mark.parametrize("scatter", [0.001, 0.003, 0.01])
@pytest.mark.parametrize(("standby", "base"), [(0.1, 2.0), (0.3, 0.6), (1.0, 1.5), (3.2, 3.3)])
def test_loss_towards_no_output_doubts_no_sound_standby(standby: float, base: float, scatter: float) -> None:
    """Scatter that makes the intercept uncertain, and a driving base far above standby, are no contradiction."""
    rng = np.random.default_rng(4)
    drawn = (judged("controller", [losses(standby, base, scatter, rng)]) for _ in range(300))
    assert [found for found in drawn if price(found, "standby_power") >= ODD] == []


@pytest.mark.parametrize("standby", [0.3, 1.0, 3.2])
def test_a_standby_far_above_the_loss_while_driving_is_odd(standby: float) -> None:
    rng = np.random.default_rng(4)
    found = judged("controller", [losses(10.0 * standby, 1.1 * standby, 1e-4, rng)])
    assert price(found, "standby_power") >= ODD


def test_a_controller_may_sleep_outside_its_window() -> None:
    rng = np.random.default_rng(4)
    asleep = judged("controller", [losses(3.22, 3.25, 0.001, rng), window(0.006)])
    assert price(asleep, "standby_power") < ODD
    beyond = judged("controller", [losses(0.3, 3.25, 0.001, rng), window(0.13)])
    assert price(beyond, "standby_power") >= ODD


def at_full_voltage() -> Log:
    """A sinusoidal machine with i_d = 0 and its line voltage as high as 36 V allow: (v_d² + v_q²) = (36 V)²/3.

    v_q = lambda w + R i_q, v_d = -p w L i_q (textbook d-q equations), p = 20, R = 0.12 ohm, L = 0.25 mH.
    """
    current, lam, ohms, henry = np.linspace(2.0, 25.0, 14), 1.0 / math.sqrt(3.0), 0.12, 0.25e-3
    a, b = lam**2 + (20 * henry * current) ** 2, lam * ohms * current
    speed = (-b + np.sqrt(b**2 - a * ((ohms * current) ** 2 - 36.0**2 / 3.0))) / a
    power = 1.5 * (lam * speed * current + ohms * current**2)
    n = current.size
    columns = {"supply_voltage": np.full(n, 36.0), "supply_current": power / 36.0, "speed": speed}
    return Log("load", columns | {"temperature_winding": np.full(n, 25.0), "duty": np.ones(n)})


def test_a_field_oriented_drive_tells_no_inductance_by_commutation() -> None:
    log = at_full_voltage()
    values = {"phase_resistance": 0.12, "pole_pairs": 20.0, "droop_current": 25.0, "torque_droop": 0.0}
    assert inductance_by_load(log, values, {}) is not None, "the readings are such as the look would take"
    for field_oriented in (1.0, 0.0):
        found = judged("motor", [("load", log, Point(values=values))], drive_field_oriented=field_oriented)
        assert any(pool.name == "phase_inductance" for pool in found.pools) == (field_oriented == 0.0)


def limited(share: float, speed: np.ndarray | None = None) -> tuple[str, Log, Point]:
    blocks = np.array([20.0, -20.0, 0.0] * 20)
    columns = {"current_a": blocks, "current_b": np.roll(blocks, 1), "supply_current": np.full(60, 20.0 * share)}
    return "current-limit", Log("limit", columns | ({} if speed is None else {"speed": speed})), Point(values={})


STILL, TURNING = np.full(60, 0.05), np.linspace(25.0, 15.0, 60)


@pytest.mark.parametrize(
    ("share", "speed", "odd"),
    [(0.12, None, False), (0.05, STILL, False), (0.06, TURNING, True), (2.5, None, True), (2.5, STILL, True)],
)
def test_a_rotor_that_stands_takes_a_small_part_of_the_phase_current(
    share: float, speed: np.ndarray | None, odd: bool
) -> None:
    """At standstill 25 A in 0.18 ohm take 4.5 V of 36 V: a share of 0.12."""
    found = judged("controller", [limited(share, speed)])
    assert (price(found, "full duty") >= ODD) == odd


def test_only_readings_of_a_rotor_that_turns_tell_full_duty() -> None:
    _, log, _ = limited(1.0)
    share = np.where(np.arange(60) < 20, 1.0, 0.1)
    log.columns["supply_current"] = 20.0 * share  # type: ignore[index]
    log.columns["speed"] = np.where(np.arange(60) < 20, 25.0, 0.0)  # type: ignore[index]
    found = full_share(log)
    assert found is not None
    assert found[0] == pytest.approx(1.0)
    assert found[1]


@pytest.mark.parametrize(("ratio", "odd"), [(0.1, False), (1.0, False), (3.5, False), (60 / (2 * math.pi), True)])
def test_a_coast_down_may_begin_from_another_speed_than_a_run_at_no_load(ratio: float, odd: bool) -> None:
    """A drill spins a wheel faster than a bench supply of low voltage does; 9.55 is rpm taken for rad/s."""
    runs = [(name, Log(name, {"speed": np.array([top, 0.5 * top])}), Point(values={})) for name, top in
            (("no-load", 10.0), ("coast-down", 10.0 * ratio))]  # fmt: skip
    assert (price(judged("motor", runs), "coasting begins") >= ODD) == odd

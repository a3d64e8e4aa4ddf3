"""How far the tests of a unit, its nameplate and its kind agree on the constants that they have in common.

Each constant is a pool of witnesses: what each test gives, as a logarithm with its spread, what the nameplate lets
expect, and what other units of the model do where the unit's file names them. The price of a pool is the least sum of
squared normalised distances from one common value, which grows as the distance itself beyond five spreads, so that one
wild value does not outweigh all others.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import chain

import numpy as np

from ..columns import COLUMNS
from ..fitting.points import Point, Run
from ..procedures._bridge_cost import field_oriented
from ..procedures.base import Log
from ..quantities import quantities
from .crossed import (
    fed,
    full_share,
    inductance_by_load,
    locked_out,
    volts_per_speed,
    volts_per_turn,
    while_driving,
)
from .expected import Expected

#: Spread of the logarithm that is left to what two tests mean by one constant, beside their stated uncertainty
#: (common practice, no source): commutation, warm magnets, unlike running-in.
_APART = {"constant": 0.04, "drag": 0.35, "line resistance": 0.06}
_ELSE_APART = 0.04
#: A slow turn in a cogging test shows other friction than a fast one, of the same order.
_STATIC = 0.45
_STRAIGHT = 5.0
#: To this side a value says nothing: a factor that no slip reaches (logarithm).
_ANY = math.log(1e6)
#: What the nameplate lets expect with less spread than this tells a slip from none.
_NARROW = 0.25
#: Price of a run, or of a value that was there before, which gives no result or one that cannot be.
NOTHING = 24.0
#: Spread of an inductance that the voltage under load tells: of the same order as what its own test gives (common
#: practice, no source).
_BY_LOAD = 0.35
#: Spread of a standby power that other tests bound: locked out of its supply a controller hardly takes more than at
#: standby, though it may sleep; driving it hardly has less loss, though gate drivers and edges may add many times that
#: (common practice, no source).
_BOUND = 0.4


@dataclass(frozen=True)
class Witness:
    """One value of a constant: who says so in words, the value in SI, the spread of its logarithm, its tests.

    A value below zero, or none where there was one, has no logarithm: it costs ``NOTHING`` and joins no pool. A value
    that only bounds the constant lets its logarithm lie ``below`` or ``above`` by so much at no price.
    """

    who: str
    value: float
    spread: float
    places: tuple[int, ...] = ()
    #: Kind of quantity, which fixes the unit of ``value``.
    kind: str = "number"
    below: float = 0.0
    above: float = 0.0

    def off(self, middle: float) -> float:
        """Return by how many spreads a common value (logarithm) lies beyond what this one lets it be."""
        own = math.log(self.value)
        return max(own - self.below - middle, middle - own - self.above, 0.0) / self.spread


@dataclass(frozen=True)
class Pool:
    """The witnesses of one constant, what is expected of it, the best common value (logarithm), and the price."""

    name: str
    witnesses: Sequence[Witness]
    ahead: Sequence[Expected]
    middle: float
    price: float


@dataclass
class Agreement:
    """All pools, and the price of the whole."""

    pools: list[Pool] = field(default_factory=list)
    price: float = 0.0
    #: Keys of witnesses and runs that gave something.
    gave: frozenset[tuple[str, ...]] = frozenset()


@dataclass(frozen=True)
class Spreads:
    """The relative standard uncertainty of each quantity of each run, as the full fit found it."""

    known: Mapping[tuple[str, str, str], float]

    def of(self, run: Run, quantity: str) -> float:
        """Return it, at most 1; 5 % where the full fit had no result."""
        return min(1.0, self.known.get((run.procedure.name, run.label, quantity), 0.05))


@dataclass(frozen=True)
class Ahead:
    """What is expected of each quantity: by the kind of unit and what a nameplate holds, and by its model."""

    of_plate: Callable[[Mapping[str, float]], Mapping[str, Expected]]
    of_model: Mapping[str, Expected]


def agreement(
    ahead: Ahead,
    runs: Sequence[Run],
    points: Sequence[Point],
    logs: Mapping[int, Log],
    scalars: Mapping[str, float],
    spreads: Spreads,
    before: frozenset[tuple[str, ...]] = frozenset(),
) -> Agreement:
    """Return how well everything agrees. ``before`` is what was there with the readings as they stand."""
    plate = {k.removeprefix("nameplate_"): v for k, v in scalars.items() if k.startswith("nameplate_")}
    by_plate = ahead.of_plate(plate)

    def ranges(pool: str) -> list[Expected]:
        own = _range_name(pool)
        return [known[own] for known in (by_plate, ahead.of_model) if own in known]

    pools: dict[str, list[Witness]] = {}
    price = 0.0
    pools |= dict(_start(runs, logs))
    gave: set[tuple[str, ...]] = set()
    known: dict[str, float] = {}
    for point in points:
        known = {**(point.values or {}), **known}
    for run, point in zip(runs, points, strict=True):
        for pool, witness in _reaches(run, logs):
            pools[pool] = [witness]
        if point.values is None:
            price += NOTHING
            continue
        gave.add((run.procedure.name, run.label))
        crossed = _crossed(run, point, known, logs, plate, scalars)
        for pool, witness in chain(_witnesses(run, point.values, logs, plate, spreads, ahead.of_model), crossed):
            key = (run.procedure.name, run.label, pool, witness.who)
            if witness.value > 0 and math.isfinite(witness.value):
                gave.add(key)
                pools.setdefault(pool, []).append(witness)
            elif witness.spread < 0.5:
                price += NOTHING
    price += NOTHING * len({key for key in before if key not in gave and key[:2] in gave})
    # A run that gives something at last says nothing for the slip unless another test, or the nameplate, bears it out.
    borne_out = {
        one.places
        for name, pool in pools.items()
        for one in pool
        if len(pool) > 1 or any(expected.spread < _NARROW for expected in ranges(name))
    }
    price += NOTHING * sum(
        bool(before) and (run.procedure.name, run.label) in gave - before and run.places not in borne_out
        for run in runs
    )
    found = Agreement(gave=frozenset(gave))
    for name, witnesses in pools.items():
        priced = _pool(name, witnesses, ranges(name))
        price += priced.price
        found.pools.append(priced)
    found.price = price
    return found


def _range_name(pool: str) -> str:
    """Return the name under which the range of a pool is expected."""
    if pool.startswith("reach/"):
        return pool.rpartition("/")[0]
    return {"constant": "emf_constant_dc", "line resistance": "phase_resistance"}.get(pool, pool)


def _witnesses(
    run: Run,
    values: Mapping[str, float],
    logs: Mapping[int, Log],
    plate: Mapping[str, float],
    spreads: Spreads,
    model: Mapping[str, Expected],
) -> Iterator[tuple[str, Witness]]:
    """Yield the pools that a run has a say in."""
    name = run.procedure.name

    def witness(quantity: str, value: float, apart: float) -> Witness:
        spread = math.hypot(spreads.of(run, quantity), apart)
        return Witness(
            f"{quantity.replace('_', ' ')} by {run.label}", value, spread, run.places, quantities()[quantity].kind
        )

    constants = [q for q in ("emf_constant_dc", "torque_constant") if q in values]
    if constants:
        # Of an open-circuit test both are one number.
        yield "constant", witness(constants[-1], values[constants[-1]], _APART["constant"])
    if name == "load" and "torque_constant" in values and (own := volts_per_speed(logs[run.places[0]])) is not None:
        yield "constant", Witness(f"voltage over speed of {run.label}", own, 0.12, run.places, "emf_constant")
    if name == "hall-sensors" and (own := volts_per_turn(logs[run.places[0]], plate)) is not None:
        yield "constant", Witness(f"EMF over speed of {run.label}", own, 0.15, run.places, "emf_constant")
    if "phase_resistance" in values:
        yield "line resistance", witness("phase_resistance", values["phase_resistance"], _APART["line resistance"])
    if name == "heat-run" and (own := fed(logs, run.places, plate)) is not None:
        yield "line resistance", Witness(f"voltage over current of {run.label}", own, 0.2, run.places, "resistance")
    speed = plate.get("rated_speed")
    if speed and "coulomb_friction" in values:
        middle = 0.5 * speed
        drag = values["coulomb_friction"] + values.get("viscous_friction", 0.0) * middle
        drag += values.get("windage", 0.0) * middle**2
        spread = math.hypot(_APART["drag"], min(0.5, spreads.of(run, "coulomb_friction")))
        yield "drag", Witness(f"drag at half the rated speed by {run.label}", drag, spread, run.places, "torque")
    if speed and "static_friction" in values:
        yield "drag", Witness(f"friction of {run.label}", values["static_friction"], _STATIC, run.places, "torque")
    supply, phase = (values.get(f"{side}_current_limit") for side in ("supply", "phase"))
    # A ratio with a limit of zero in it is neither a number nor has it a logarithm; each limit is a witness of its own.
    if supply is not None and phase is not None and supply > 0 and phase > 0:
        who = f"limit of the supply current over that of a phase by {run.label}"
        yield "limit ratio", Witness(who, supply / phase, 0.1, run.places)
    # What no nameplate speaks of, other units of the model may.
    for quantity in dict.fromkeys((*_SINGLE, *model)):
        if quantity in values and quantity not in _POOLED:
            yield quantity, witness(quantity, values[quantity], _ELSE_APART)


#: Pools in which the readings of one run are taken together with what other runs give.
CROSSED = ("phase_inductance",)


def _crossed(
    run: Run,
    point: Point,
    known: Mapping[str, float],
    logs: Mapping[int, Log],
    plate: Mapping[str, float],
    scalars: Mapping[str, float],
) -> Iterator[tuple[str, Witness]]:
    """Yield what the readings of a run say of constants that another run gives; ``known`` are those of all runs."""
    name, log = run.procedure.name, logs[run.places[0]]
    if name == "load" and not field_oriented(log, scalars) and (told := inductance_by_load(log, known, plate)):
        who = f"inductance by the voltage under load of {run.label}"
        yield "phase_inductance", Witness(who, told[0], math.hypot(_BY_LOAD, told[1]), run.places, "inductance")
    if name == "supply-window" and (told := locked_out(log)) is not None:
        who = f"power while it does not drive, by {run.label}"
        spread = math.hypot(_BOUND, told[1])
        yield "standby_power", Witness(who, told[0], spread, run.places, "power", above=_ANY)
    if name == "controller-loss" and point.fit is not None and (told := while_driving(log, point.fit)) is not None:
        who, spread = f"loss towards no output by {run.label}", math.hypot(_BOUND, told[1])
        yield "standby_power", Witness(who, told[0], spread, run.places, "power", below=_ANY)
    if name == "current-limit" and (told := full_share(log)) is not None and told[0] > 0:
        who = f"supply current over phase current at most by {run.label}"
        # A rotor that stands takes little voltage, so that its share is far below what full duty would give.
        yield "full duty", Witness(who, told[0], 0.1, run.places, above=0.0 if told[1] else _ANY)


#: Columns whose largest reading the nameplate lets expect, by procedure.
_REACH = {
    "no-load": ("supply_voltage", "speed"),
    "load": ("supply_voltage", "speed", "supply_current", "torque"),
    "locked-rotor": ("supply_current", "torque"),
    "coast-down": ("speed",),
    "cogging": ("angle",),
    "supply-window": ("supply_voltage",),
    "controller-loss": ("supply_voltage",),
    "throttle": ("throttle", "time"),
}


def _reaches(run: Run, logs: Mapping[int, Log]) -> Iterator[tuple[str, Witness]]:
    """Yield the largest readings of a run, which say something even where it gives nothing."""
    for name in _REACH.get(run.procedure.name, ()):
        own = [logs[place].columns[name] for place in run.places if name in logs[place]]
        largest = max((float(np.max(np.abs(values), initial=0.0)) for values in own), default=0.0)
        if largest > 0:
            who = f"largest {COLUMNS[name].title} of {run.label}"
            yield f"reach/{name}/{run.label}", Witness(who, largest, 0.05, run.places, COLUMNS[name].kind)


def _start(runs: Sequence[Run], logs: Mapping[int, Log]) -> Iterator[tuple[str, list[Witness]]]:
    """Yield the speed that a motor coasts down from over the highest at which it ran free."""
    tops: dict[str, float] = {}
    places: list[int] = []
    for run in runs:
        if run.procedure.name in ("no-load", "coast-down"):
            own = [logs[place]["speed"] for place in run.places if "speed" in logs[place]]
            top = max((float(np.max(np.abs(values), initial=0.0)) for values in own), default=0.0)
            tops[run.procedure.name] = max(top, tops.get(run.procedure.name, 0.0))
            places += run.places
    if len(tops) == 2 and min(tops.values()) > 0:
        who = "speed at which coasting begins over the highest at no load"
        yield "coasting begins", [Witness(who, tops["coast-down"] / tops["no-load"], 0.05, tuple(places))]


#: Quantities that several tests give, or that follow from such a one alone: they have no pool of their own.
_POOLED = ("emf_constant_dc", "torque_constant", "speed_constant", "phase_resistance")
#: Quantities that are a pool of their own.
_SINGLE = (
    "emf_constant_peak",
    "torque_constant_q",
    "pole_pair_ratio",
    "no_load_current",
    "moment_of_inertia",
    "saturation_current",
    "phase_inductance",
    "electrical_time_constant",
    "thermal_time_constant",
    "thermal_capacity",
    "thermal_resistance",
    "continuous_current",
    "efficiency_max",
    "motor_efficiency_max",
    "cogging_torque",
    "pwm_frequency",
    "dead_time_min",
    "controller_efficiency",
    "controller_loss",
    "standby_power",
    "throttle_start",
    "throttle_full",
    "start_voltage",
    "cutoff_voltage",
    "overvoltage_cutoff",
    "supply_current_limit",
    "phase_current_limit",
)


def _pool(name: str, witnesses: Sequence[Witness], ahead: Sequence[Expected]) -> Pool:
    x = [*(math.log(one.value) for one in witnesses), *(one.middle for one in ahead)]
    s = [*(one.spread for one in witnesses), *(one.spread for one in ahead)]
    none = [0.0] * len(ahead)
    at, spread = np.array(x), np.array(s)
    low = at - np.array([*(one.below for one in witnesses), *none])
    high = at + np.array([*(one.above for one in witnesses), *none])
    weight = spread**-2
    # The least price lies at a witness, or at the mean of some of them: every mean of two is tried, and that of all. Of
    # a value that only bounds the constant it is the bound that counts.
    ends, twice = np.concatenate([low, high]), np.concatenate([weight, weight])
    pairs = (twice[:, None] * ends[:, None] + twice * ends) / (twice[:, None] + twice)
    tried = np.insert(pairs.ravel(), 0, np.average(at, weights=weight))
    far = np.maximum(np.maximum(low - tried[:, None], tried[:, None] - high), 0.0) / spread
    prices = np.sum(np.where(far <= _STRAIGHT, far**2, _STRAIGHT * (2 * far - _STRAIGHT)), axis=1)
    best = int(np.argmin(prices))
    return Pool(name, witnesses, ahead, float(tried[best]), float(prices[best]))

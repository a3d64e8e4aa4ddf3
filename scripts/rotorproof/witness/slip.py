"""Single slips of the hand, each with how to undo it: what may be tried on the readings of a unit.

A slip names the factor by which the readings are multiplied to undo it. Its ``cost`` says how rare it is, as twice the
logarithm of the odds against it: a guess from the trade (common practice, no source), which orders slips that explain
the readings equally well.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from ..columns import COLUMNS
from ..procedures import procedures
from ..procedures.base import Log, in_rpm
from ..settings.unit import Test
from .padded import unpadded

_RPM = in_rpm(1.0)
#: The least cost of a slip of a log, and that of a rarer one.
COMMON, _RARE = 11.0, 15.0
#: Undo: factor, words, cost. By the kind of a column or condition.
_DECIMAL = [
    (10.0, "ten times too small (a ×10 probe, a shunt or a decimal)", COMMON),
    (0.1, "ten times too large (a ×10 probe, a shunt or a decimal)", COMMON),
]
_MILLI = [
    (1000.0, "1000 times too small (m for milli too much)", COMMON),
    (0.001, "1000 times too large (m for milli left out)", COMMON),
]
_WAVE = [
    (math.sqrt(2), "RMS written as peak (sqrt 2)", _RARE),
    (1 / math.sqrt(2), "peak written as RMS (sqrt 2)", _RARE),
    (math.sqrt(3), "of a phase, written as of a line (sqrt 3)", _RARE),
    (1 / math.sqrt(3), "of a line, written as of a phase (sqrt 3)", _RARE),
    (2.0, "half of what it should be (amplitude for peak to peak, one turn for two)", _RARE),
    (0.5, "twice what it should be (peak to peak for amplitude, two turns for one)", _RARE),
]
_FACTORS: dict[str, list[tuple[float, str, float]]] = {
    "voltage": [*_DECIMAL, *_MILLI, *_WAVE],
    "current": [*_DECIMAL, *_MILLI, *_WAVE],
    "power": [*_DECIMAL, *_MILLI],
    "speed": [
        (1 / _RPM, "rpm written as rad/s", COMMON),
        (_RPM, "rad/s written as rpm", COMMON),
        (60.0, "revolutions per second written as rpm", _RARE),
        *_DECIMAL,
        *_WAVE[4:],
    ],
    "torque": [
        (9.80665, "kg on a metre of lever (kgf m) written as N m (9.81)", COMMON),
        (1 / 9.80665, "9.81 times too large (N m written as kgf m)", COMMON),
        *_DECIMAL,
        (0.01, "N cm written as N m", COMMON),
        (100.0, "N m written as N cm", COMMON),
        *_MILLI,
        (1.3558, "lbf ft written as N m (1.36)", _RARE),
        *_WAVE[4:],
    ],
    "force": [
        (9.80665, "kg written as N (9.81)", COMMON),
        (1 / 9.80665, "N written as kg (9.81)", COMMON),
        *_DECIMAL,
        *_MILLI,
        (4.4482, "lbf written as N (4.45)", _RARE),
        *_WAVE[4:],
    ],
    "time": [*_MILLI, (60.0, "min written as s", COMMON), (1 / 60, "s written as min", COMMON)],
    "angle": [
        (math.radians(1), "degrees written as rad", COMMON),
        (math.degrees(1), "rad written as degrees", COMMON),
    ],
    "inductance": [*_DECIMAL, *_MILLI, *_WAVE[4:]],
    "resistance": [*_DECIMAL, *_MILLI, *_WAVE[4:]],
    "length": [*_DECIMAL, (0.01, "cm written as m", COMMON), (100.0, "m written as cm", COMMON), *_MILLI, *_WAVE[4:]],
    "moment_of_inertia": [
        *_DECIMAL,
        *_MILLI,
        (1e-4, "kg cm² written as kg m²", COMMON),
        (4.0, "a quarter of what it should be (radius taken for diameter)", _RARE),
        (0.25, "four times what it should be (diameter taken for radius)", _RARE),
    ],
}
#: Undo of a temperature in degC: factor, offset, words.
_DEGREES = [(1 / 1.8, -32 / 1.8, "°F written as °C"), (1.8, 32.0, "°C written as °F")]
#: A direct current or voltage has no wave.
_DIRECT = ("supply_voltage", "supply_current", "voltage_ab", "voltage_bc", "voltage_ca", "current_ab", "current_bc",
           "current_ca")  # fmt: skip
#: What is typed on the nameplate, by its name there.
_PLATE = {
    "rated_speed": [*_FACTORS["speed"][:2], *_DECIMAL],
    "rated_voltage": _DECIMAL,
    "rated_power": [*_DECIMAL, *_MILLI],
    "rated_current": _DECIMAL,
    "supply_current_limit": _DECIMAL,
    "phase_current_limit": _DECIMAL,
    "pole_pairs": [(0.5, "poles written as pole pairs", COMMON), (2.0, "pole pairs halved", _RARE)],
}
#: Columns that are exchanged for one another, and the factors by which their units may differ besides.
_EXCHANGED = [(f"voltage_{pair}", f"current_{pair}") for pair in ("ab", "bc", "ca")]
_SUPPLY = ("supply_voltage", "supply_current")


@dataclass(frozen=True)
class Slip:
    """One slip: the tests it lies in (places in the unit file), what slipped in words, and the readings without it.

    ``column`` is the column or condition; ``scalars`` are those of the nameplate that change with it.
    """

    places: tuple[int, ...]
    column: str
    what: str
    cost: float
    logs: Mapping[int, Log]
    scalars: Mapping[str, float]


def slips(tests: Sequence[Test], logs: Mapping[int, Log], together: Sequence[tuple[int, ...]]) -> Iterator[Slip]:
    """Yield the slips in columns and conditions of ``logs`` (by place). ``together``: places that one run fits."""
    for places in together:
        groups = [places, *([place] for place in places)] if len(places) > 1 else [places]
        for rank, group in enumerate(groups):
            yield from _of(tests, {place: logs[place] for place in group}, 0.0 if rank == 0 else 1.0)


def plate_slips(scalars: Mapping[str, float]) -> Iterator[Slip]:
    """Yield the slips in what the nameplate states. ``scalars`` are those of a fit, with ``nameplate_`` before each."""
    for name, factors in _PLATE.items():
        key = f"nameplate_{name}"
        if scalars.get(key):
            for factor, words, cost in factors:
                said = f"the nameplate's {name.replace('_', ' ')} is {words}"
                yield Slip((), name, said, cost + 2.0, {}, {key: scalars[key] * factor})


def _of(tests: Sequence[Test], logs: Mapping[int, Log], more: float) -> Iterator[Slip]:
    """Yield the slips that these logs share; ``more`` is what it costs that others of their run do not share them."""
    names = [name for name in next(iter(logs.values())).columns if name in COLUMNS]
    families: dict[str, list[str]] = {}
    for name in names:
        families.setdefault(_family(name), []).append(name)
    for family, members in families.items():
        kind = COLUMNS[members[0]].kind
        title = COLUMNS[members[0]].title if len(members) == 1 else f"{family} (every column)"
        direct = _direct(tests, logs, members[0])
        factors = [one for one in _FACTORS.get(kind, ()) if not (direct and one in _WAVE[:4])]
        # What one log of several has alone is a common slip, or is not looked for.
        factors = [one for one in factors if not more or one[2] == COMMON]
        yield from _scaled(logs, members, factors, title, more)
        if len(members) > 1 and not more:
            for name in members:
                yield from _scaled(logs, [name], _DECIMAL, COLUMNS[name].title, 1.0)
    yield from _degrees(logs, [name for name in names if COLUMNS[name].kind == "temperature"], more)
    yield from _conditions(tests, logs, more)
    yield from _exchanges(logs, names, more)
    if cut := unpadded(logs):
        said = "rows of zeros that a logger filled in are taken for readings"
        yield Slip(tuple(logs), "", said, COMMON + more, cut, {})


def _family(name: str) -> str:
    stem = name.rpartition("_")[0]
    return stem if name.rpartition("_")[2] in ("a", "b", "c", "ab", "bc", "ca") else name


def _direct(tests: Sequence[Test], logs: Mapping[int, Log], name: str) -> bool:
    """Tell whether a column holds direct current or voltage, which has neither peak nor RMS."""
    waves = {"open-circuit", "hall-sensors"}
    return name in _DIRECT and tests[next(iter(logs))].procedure not in waves


def _scaled(
    logs: Mapping[int, Log], names: Sequence[str], factors: Sequence[tuple[float, str, float]], title: str, more: float
) -> Iterator[Slip]:
    for factor, words, cost in factors:
        undone = {p: _with(log, {n: factor * log.columns[n] for n in names if n in log}) for p, log in logs.items()}
        yield Slip(tuple(logs), names[0], f"{title} is {words}", cost + more, undone, {})


def _degrees(logs: Mapping[int, Log], names: Sequence[str], more: float) -> Iterator[Slip]:
    """Yield the temperatures of a log, each and all of them, as degF written as degC and the other way round."""
    groups = [names] if len(names) > 1 else []
    for group in [*groups, *([name] for name in names)]:
        title = COLUMNS[group[0]].title if len(group) == 1 else "temperature (every column)"
        for factor, offset, words in _DEGREES:
            undone = {
                p: _with(log, {n: factor * log.columns[n] + offset for n in group if n in log})
                for p, log in logs.items()
            }
            yield Slip(tuple(logs), group[0], f"{title} is {words}", COMMON + more, undone, {})


def _conditions(tests: Sequence[Test], logs: Mapping[int, Log], more: float) -> Iterator[Slip]:
    known = {condition.name: condition for condition in procedures()[tests[next(iter(logs))].procedure].conditions}
    for name, condition in known.items():
        having = [place for place, log in logs.items() if log.conditions.get(name)]
        if not having or condition.choices:
            continue
        said = name.replace("_", " ")
        if condition.kind == "temperature":
            for factor, offset, words in _DEGREES:
                read = {p: _stated(logs[p], name, factor * logs[p].conditions[name] + offset) for p in having}
                yield Slip(tuple(having), name, f"the condition {said} is {words}", COMMON + more, read, {})
        for factor, words, cost in _FACTORS.get(condition.kind, ()):
            if (factor, words, cost) in _WAVE[:4]:
                continue
            undone = {p: _stated(logs[p], name, factor * logs[p].conditions[name]) for p in having}
            yield Slip(tuple(having), name, f"the condition {said} is {words}", cost + more, undone, {})


def _exchanges(logs: Mapping[int, Log], names: Sequence[str], more: float) -> Iterator[Slip]:
    pairs = [pair for pair in _EXCHANGED if set(pair) <= set(names)]
    found = [(pairs, "voltage and current")] if pairs else []
    if set(_SUPPLY) <= set(names):
        found.append(([_SUPPLY], "supply voltage and supply current"))
    for exchanged, said in found:
        for factor, words in ((1.0, ""), (1e3, ", mV under the header of A")):
            undone = {
                p: _with(
                    log,
                    {
                        n: values
                        for volt, ampere in exchanged
                        for n, values in ((volt, log[ampere] / factor), (ampere, factor * log[volt]))
                    },
                )
                for p, log in logs.items()
            }
            cost = (COMMON if factor == 1.0 else _RARE) + more
            yield Slip(tuple(logs), exchanged[0][0], f"the columns of {said} are exchanged{words}", cost, undone, {})


def _with(log: Log, columns: Mapping[str, object]) -> Log:
    return replace(log, columns={**log.columns, **columns})  # type: ignore[dict-item]


def _stated(log: Log, name: str, value: float) -> Log:
    return replace(log, conditions={**log.conditions, name: value})

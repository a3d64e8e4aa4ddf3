"""Sensors and lines captured a few channels at a time, joined through the channels that captures have in common.

A level and a line stand at the same electrical angle in every capture, whenever and at whatever speed it was taken, if
the rotor turned the same way: so a sensor or a line that two captures hold brings both onto one angle, and a chain of
such pairs all of them.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ..errors import FitError
from ..physics import hall, line_checks
from ..physics.phase import Track
from ._hall_capture import Capture, Part, all_lines, capture, check_alive, part
from .base import Condition, Log, line_title

DRIVEN_DIRECTION = Condition(
    "driven_direction",
    "number",
    "'forward' or 'reverse': which way the rotor was turned, the same word for the same way; needed of captures that "
    "are joined",
    choices=("forward", "reverse"),
)
#: Stretches of a capture by which the phase of a line or a level is judged.
_STRETCHES = 8
#: Channels in common that put two captures further apart than this are not what they are called.
_AGREE = np.radians(20.0)
#: Step by which the lines are turned to see what their crossings make of it.
_SMALL = 1e-4
_UNDIRECTED = (
    "whether the rotor turned the same way in all captures shows in none of them; state the condition "
    "'driven_direction' (forward or reverse) of each"
)


@dataclass(frozen=True)
class Link:
    """A capture brought onto the angle of another: ``angle`` (rad) to add to its own, its doubt, and through what."""

    one: int
    other: int
    angle: float
    doubt: float
    through: tuple[str, ...]


def channels(log: Log) -> list[str]:
    """Return the sensors (``a``) and the lines (``ab``) that a log gives, by the names of its columns."""
    try:
        lines = line_checks.line_voltages(log.columns)[0]
    except FitError:
        lines = []
    return [*(s for s in hall.SENSORS if f"hall_{s}" in log), *lines]


def why_not_joined(held: Sequence[Collection[str]]) -> str:
    """Say why captures with these ``channels`` do not make one of all sensors, "" where they do."""
    if lacking := [s.upper() for s in hall.SENSORS if not any(s in one for one in held)]:
        return (
            f"sensor {', '.join(lacking)} was not captured; where an instrument has too few channels, list several "
            "captures as tests of the same label (or of none), each with a sensor or a line that another one holds too"
        )
    reached, rest = set(held[0]), list(range(1, len(held)))
    while near := next((place for place in rest if reached & set(held[place])), None):
        reached |= set(held[near])
        rest.remove(near)
    if not rest:
        return ""
    return (
        f"{_captures(rest)} {'has' if len(rest) == 1 else 'have'} no sensor and no line in common with the first that "
        "would join them; capture one channel again, for example line A-B or sensor A, beside each"
    )


def undirected(logs: Sequence[Log]) -> str:
    """Say why captures may be of two directions, "" for a single one and where all state theirs."""
    alike = len(logs) == 1 or all("driven_direction" in log.conditions for log in logs)
    return "" if alike else _UNDIRECTED


def joined(logs: Sequence[Log]) -> Capture:
    """Return the captures of one run as one. Raises ``FitError`` where they have no channel in common."""
    if why := why_not_joined([channels(log) for log in logs]):
        raise FitError(why)
    if len(logs) == 1:
        return capture(logs[0])
    if len({log.conditions["driven_direction"] for log in logs if "driven_direction" in log.conditions}) > 1:
        raise FitError(
            "the captures were taken in both directions, which are two runs; give those of each direction a label of "
            "its own"
        )
    parts = [part(log) for log in logs]
    check_alive([s for one in parts for s in one.alive])
    links = _tree(parts)
    angle = np.zeros(len(parts))
    path = np.zeros((len(parts), len(links)))
    for number, link in enumerate(links):
        angle[link.other] = angle[link.one] + link.angle
        path[link.other] = path[link.one]
        path[link.other, number] = 1.0
    return _together(parts, links, angle, path, undirected(logs))


def _tree(parts: Sequence[Part]) -> list[Link]:
    """Return the links by which every capture comes onto the angle of one, the least doubtful first.

    Raises ``FitError`` where a capture has nothing in common with the others.
    """
    places = range(len(parts))
    root = max(places, key=lambda place: (len(parts[place].waves), len(parts[place].alive), -place))
    known, links = [root], list[Link]()
    phases = [_phases(one) for one in parts]
    while len(known) < len(parts):
        found = [
            link
            for one in known
            for other in places
            if other not in known and (link := _link(phases, one, other)) is not None
        ]
        if not found:
            apart = _captures([place for place in places if place not in known])
            raise FitError(
                f"what {apart} and the others have in common does not change in all of them; mend it and capture again"
            )
        best = min(found, key=lambda link: link.doubt)
        links.append(best)
        known.append(best.other)
    return links


def _captures(places: Sequence[int]) -> str:
    numbers = " and ".join(str(place + 1) for place in places)
    return f"capture{'s' * (len(places) > 1)} {numbers}"


def _link(phases: Sequence[Mapping[str, tuple[float, float]]], one: int, other: int) -> Link | None:
    """Return how a capture comes onto the angle of another, ``None`` where they hold no channel in common."""
    shared = [name for name in phases[one] if name in phases[other]]
    if not shared:
        return None
    between = np.array([phases[one][name][0] - phases[other][name][0] for name in shared])
    doubt = np.array([np.hypot(phases[one][name][1], phases[other][name][1]) for name in shared])
    between = hall.near(between, between[np.argmin(doubt)])
    weight = 1 / doubt**2
    angle = float(np.sum(weight * between) / weight.sum())
    if np.ptp(between) > _AGREE:
        raise FitError(
            f"captures {one + 1} and {other + 1} agree in the angle of {' and of '.join(shared)} only within "
            f"{np.degrees(np.ptp(between)):.0f} electrical degrees: a channel is another one in one of them, or upside "
            "down (correct 'column' or 'invert' in the layout), or the rotor turned the other way"
        )
    # What channels in common disagree beyond their doubt counts, as a factor on it.
    excess = np.sum(weight * (between - angle) ** 2) / (len(shared) - 1) if len(shared) > 1 else 1.0
    return Link(one, other, angle, float(np.sqrt(max(excess, 1.0) / weight.sum())), tuple(shared))


def _phases(one: Part) -> dict[str, tuple[float, float]]:
    """Return the electrical angle (rad) of each channel of a capture, and its standard uncertainty."""
    found = {
        f"line {line_title(name)}": (-float(np.angle(wave[0])), _line_doubt(one.track, one.volts[name]))
        for name, wave in one.waves.items()
    }
    for s in one.alive:
        rising = one.edges[s].rising
        edges = [one.angles[s][rising], one.angles[s][~rising]]
        if min(edge.size for edge in edges) < 3:
            continue
        means = [hall.circular_mean(edge) for edge in edges]
        high = float(np.mod(means[1] - means[0], hall.TURN))
        first, second = (_edge_doubt(hall.near(e, m) - m, one.step) for e, m in zip(edges, means, strict=True))
        # The middle of the high level: where a threshold lies moves rise and fall against each other, not it.
        within = 0.5 * sum(one.within[s]) / np.sqrt(3)
        found[f"sensor {s.upper()}"] = (means[0] + 0.5 * high, float(np.hypot(0.5 * np.hypot(first, second), within)))
    return found


def _edge_doubt(deviation: np.ndarray, step: float) -> float:
    """Return the standard uncertainty (rad) of the mean angle of edges ``(n,)``, by the edges and by stretches.

    At least that of as many readings ``step`` apart: a few edges may agree by chance.
    """
    n = deviation.size
    stretches = min(_STRETCHES, n)
    means = [float(piece.mean()) for piece in np.array_split(deviation, stretches)]
    by_stretches = np.std(means, ddof=1) / np.sqrt(stretches)
    least = max(step / np.sqrt(12), np.finfo(float).eps)
    return float(max(by_stretches, max(np.std(deviation, ddof=1), least) / np.sqrt(n)))


def _line_doubt(turn: Track, volts: np.ndarray) -> float:
    """Return the standard uncertainty (rad) of where the fundamental of a line passes zero, by stretches of turns."""
    number = np.floor(turn.angle / hall.TURN - np.ceil(turn.angle[0] / hall.TURN)).astype(int)
    # Whole turns alone: in a part of one the offset and the harmonics would look like a phase.
    whole = (number >= 0) & (number < int(number[-1]))
    stretches = min(_STRETCHES, int(number[-1]))
    if stretches < 2:
        raise FitError("a capture holds fewer than two whole electrical turns; capture at least one turn of the wheel")
    wave = volts * np.exp(-1j * turn.angle) * turn.speed
    phases = []
    for piece in np.array_split(np.arange(int(number[-1])), stretches):
        here = whole & (number >= piece[0]) & (number <= piece[-1])
        phases.append(float(np.angle(1j * np.sum(wave[here]))))
    least = float(np.finfo(float).eps)
    return max(float(np.std(np.unwrap(phases), ddof=1) / np.sqrt(stretches)), least)


def _together(
    parts: Sequence[Part], links: Sequence[Link], angle: np.ndarray, path: np.ndarray, why_undirected: str
) -> Capture:
    """Return the capture that parts make, ``angle`` ``(k,)`` added to their own."""
    places = range(len(parts))
    # Of a sensor that several hold, the capture with the most sensors: they stand to each other as they were seen.
    home = {
        s: max((p for p in places if s in parts[p].alive), key=lambda p: (len(parts[p].alive), -p))
        for s in hall.SENSORS
        if any(s in one.alive for one in parts)
    }
    line_home: dict[str, int] = {}
    for place in sorted(places, key=lambda p: -len(parts[p].waves)):
        for name in parts[place].waves:
            line_home.setdefault(name, place)
    waves = {name: _turned(parts[place].waves[name], angle[place]) for name, place in line_home.items()}
    _check_lines(waves, line_home)
    used = sorted(set(home.values()))
    by_part = {s: parts[place] for s, place in home.items()}
    moves = {f"joined_{s}": path[place] for s, place in home.items()}
    if len(waves) > 1:
        moves["joined_crossings"] = _crossings_moved(parts, line_home, angle, path)
    doubtful = tuple(name for name, move in moves.items() if np.any(move))
    moved = np.array([moves[name] for name in doubtful]).reshape(len(doubtful), len(links))
    doubt = moved @ np.diag([link.doubt**2 for link in links]) @ moved.T
    said = "; ".join(
        f"{_captures((link.one, link.other))} through {' and '.join(link.through)}, within "
        f"{np.degrees(link.doubt):.2g} electrical degrees"
        for link in links
    )
    return Capture(
        {s: one.edges[s] for s, one in by_part.items()},
        {s: by_part[s].angles[s] + angle[place] for s, place in home.items()},
        {s: (one.angles[s] - one.track.angle[0]) / hall.TURN for s, one in by_part.items()},
        {s: one.track.turns for s, one in by_part.items()},
        {s: one.glitches[s] for s, one in by_part.items()},
        waves,
        {s: one.step for s, one in by_part.items()},
        {s: one.within[s] for s, one in by_part.items()},
        any(one.doubtful for one in by_part.values()),
        sum(parts[place].windows for place in used),
        tuple(warning for one in parts for warning in one.warnings),
        f"{len(parts)} captures were joined: {said} (standard uncertainty of the angle).",
        doubtful,
        doubt,
        why_undirected,
        len(used),
    )


def _turned(wave: np.ndarray, angle: float) -> np.ndarray:
    """Return harmonics ``(H,)`` over an angle that is larger by ``angle`` (rad)."""
    return np.asarray(wave * np.exp(-1j * angle * np.arange(1, len(wave) + 1)))


def _check_lines(waves: Mapping[str, np.ndarray], home: Mapping[str, int]) -> None:
    """Raise ``FitError`` where two lines of different captures do not stand a third of a turn apart."""
    if len(waves) != 2 or len(set(home.values())) == 1:
        return
    (one, first), (other, second) = waves.items()
    between = abs(float(hall.near(np.angle(first[0]) - np.angle(second[0]), 0.0)))
    if abs(between - hall.TURN / 3) > np.radians(30):
        raise FitError(
            f"joined, the lines {line_title(one)} and {line_title(other)} stand {np.degrees(between):.0f} electrical "
            "degrees apart instead of 120: one of them has the opposite polarity (set 'invert' in its layout), or the "
            "rotor turned the other way in one of the captures"
        )


def _crossings_moved(parts: Sequence[Part], home: Mapping[str, int], angle: np.ndarray, path: np.ndarray) -> np.ndarray:
    """Return by how much the mean crossing of the lines moves for each radian of a link ``(links,)``."""

    def crossing(at: np.ndarray) -> float:
        lines = all_lines({name: _turned(parts[place].waves[name], at[place]) for name, place in home.items()})
        assert lines is not None
        return hall.mean_crossing(lines[0])

    now = crossing(angle)
    return np.array([(crossing(angle + _SMALL * column) - now) / _SMALL for column in path.T])

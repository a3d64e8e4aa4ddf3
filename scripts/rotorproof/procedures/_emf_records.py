"""From an open-circuit log to lines that can be fitted, and the speed beside them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from ..errors import FitError
from ..physics import line_checks, thinning, waveform
from ..physics.line_checks import line_of
from .base import Log, line_title
from .fit import Residuals

#: Label of the harmonics, which the waves alone give.
WAVE_SCATTER = "scatter of the EMF readings"


@dataclass(frozen=True)
class Record:
    """One log made ready: rows of lines ``(k, n)`` in V, their names, and the electrical angle and speed ``(n,)``.

    A row is a reading, the mean of ``averaged`` neighbours (long records), or the mean of a bin of a block of turns
    (reduced ones), which then stands for ``weight`` ``(n,)`` averages with ``spread`` ``(k, n)`` in V among them.
    """

    label: str
    names: tuple[str, ...]
    lines: np.ndarray
    angle: np.ndarray
    electrical: np.ndarray
    #: Electrical turns, readings, and least and largest electrical speed in rad/s.
    turns: float
    readings: float
    extremes: tuple[float, float]
    #: +1: the lines come as A-B-C, -1: as A-C-B, 0: one line cannot tell.
    rotation: int
    #: Electrical and mechanical mean speed of stretches, rad/s, each times its share of the record; one if the speed
    #: is stated; none: not known.
    stretches: tuple[tuple[float, float], ...]
    #: Mean mechanical speed with its sign, rad/s; ``None``: not known.
    speed: float | None
    #: Relative standard uncertainty of that speed as its instrument or writer states it.
    stated: float | None
    findings: tuple[str, ...]
    averaged: float = 1
    weight: np.ndarray | None = None
    spread: np.ndarray | None = None
    #: Block of each row, and the share that averaging left of each harmonic (see ``waveform.Folded``).
    block: np.ndarray | None = None
    kept: Callable[[int], np.ndarray] | None = None

    @property
    def electrical_speed(self) -> float:
        """Return the mean electrical speed in rad/s."""
        return float(np.average(self.electrical, weights=self.weight))

    @property
    def per_turn(self) -> float:
        """Return the number of readings per electrical turn."""
        return self.readings / self.turns

    @property
    def sequence(self) -> int:
        """Return +1 for A-B-C in positive rotation, -1 for A-C-B, 0 if one line cannot tell."""
        return -self.rotation if self.speed is not None and self.speed < 0 else self.rotation

    def folded(self) -> waveform.Folded:
        """Return the record folded into bins of angle by blocks of turns."""
        if self.block is None or self.weight is None:
            return waveform.fold(self.angle, self.electrical, self.lines, int(self.averaged))
        return waveform.Folded(self.block, self.angle, self.electrical, self.lines.T, self.weight, self.kept)


def prepare(log: Log, given: Mapping[str, float]) -> Record:
    """Pick the lines of a log, mend what can be mended and follow the angle. Raises ``FitError``."""
    names, raw = lines_of(log)
    findings: list[str] = []
    reduced = "bin_block" in log
    shares = log["clipped_share"] if reduced else [line_checks.clipped_share(readings) for readings in raw.values()]
    for name, share in zip(raw, shares, strict=True):
        if share:
            findings.append(
                f"{100 * share:.1f} % of the readings of {name} stand at one and the same extreme: the wave looks "
                "clipped, which makes the constants too small. Record again on a larger range"
            )
    lines = np.stack([line_of(raw, name) for name in names])
    moments = _moments(log, len(names)) if reduced else line_checks.moments(lines)
    checked = line_checks.check_moments(names, moments)
    findings.extend(checked.findings)
    kept = [names.index(name) for name in checked.names]
    lines = lines[kept] * np.asarray(checked.signs)[:, None]
    speed, stated = _speed(log, findings)
    count = float(log["reading_count"][0]) if reduced else float(log["time"].size)
    rate = (count - 1) / float(log["time"][-1] - log["time"][0])
    if speed is not None and "nameplate_pole_pairs" in given:
        hertz = abs(float(np.mean(speed))) * given["nameplate_pole_pairs"] * given.get("nameplate_gear_ratio", 1.0)
        if rate < 2.2 * hertz / (2 * np.pi):
            raise FitError(
                f"{log.label}: at this speed {given['nameplate_pole_pairs']:.0f} pole pairs give "
                f"{hertz / (2 * np.pi):.0f} Hz, but the log holds only {rate:.0f} readings per second: what is seen is "
                "an alias. Sample at least 20 times per electrical turn"
            )
    record = (_of_bins if reduced else _of_readings)(log, checked.names, lines, speed, stated)
    if reduced:
        spread = log["line_spread"].reshape(len(names), -1)[kept]
        record = replace(record, spread=spread)
    if record.per_turn < 10:
        findings.append(
            f"only {record.per_turn:.1f} readings per electrical turn: harmonics above order "
            f"{0.45 * record.per_turn:.0f} are not seen, and a still faster wave would show as an alias. "
            "Sample at least 20 times per turn"
        )
    return replace(record, findings=tuple(findings))


def _of_readings(
    log: Log, names: tuple[str, ...], lines: np.ndarray, speed: np.ndarray | float | None, stated: float | None
) -> Record:
    """Follow the angle through the readings themselves."""
    turn, m = thinning.follow(log["time"], lines)
    lines = thinning.thinned(lines, m)
    stretches: tuple[tuple[float, float], ...] = ()
    if isinstance(speed, float):
        stretches = ((float(turn.speed.mean()), abs(speed)),)
    elif speed is not None:
        speed = thinning.thinned(speed, m)
        edges = np.linspace(0, speed.size, int(np.clip(turn.turns, 3, 24)) + 1).astype(int)
        stretches = tuple((float(turn.speed[i:j].mean()), abs(float(speed[i:j].mean()))) for i, j in pairwise(edges))
    return Record(
        log.label,
        names,
        lines,
        turn.angle,
        turn.speed,
        turn.turns,
        turn.angle.size * m,
        (float(turn.speed.min()), float(turn.speed.max())),
        turn.sequence,
        stretches,
        None if speed is None else float(np.mean(speed)),
        stated,
        (),
        m,
    )


def _of_bins(
    log: Log, names: tuple[str, ...], lines: np.ndarray, speed: np.ndarray | float | None, stated: float | None
) -> Record:
    """Take a log that was reduced while it was read (``physics.wave_stream``)."""
    span = float(log["time"][-1] - log["time"][0])
    block, weight, averaging = log["bin_block"].astype(int), log["bin_readings"], log["bin_averaging"]
    electrical = log["bin_advance"] / span
    held = np.bincount(block, weight)
    level = float(np.average(electrical, weights=weight))
    stretches: tuple[tuple[float, float], ...] = ()
    if isinstance(speed, float):
        stretches = ((level, abs(speed)),)
    elif speed is not None:
        # Blocks of equal turns last longer where the machine is slower: each counts by its time.
        share = held / held.mean()
        turned = np.bincount(block, weight * electrical) / held.mean()
        stretches = tuple(zip(turned.tolist(), np.abs(speed * share).tolist(), strict=True))
        speed = float(np.average(speed, weights=held))
    slowest, fastest = (float(ratio) * level for ratio in log["speed_range"])
    count = float(log["reading_count"][0])
    return Record(
        log.label,
        names,
        lines,
        log["bin_angle"],
        electrical,
        float(log["turn_count"][0]),
        count,
        (slowest, fastest),
        int(log["rotation"][0]),
        stretches,
        speed,
        stated,
        (),
        count / float(weight.sum()),
        weight=weight,
        block=block,
        kept=lambda orders: thinning.attenuation_of_spread(orders, averaging),
    )


def _moments(log: Log, lines: int) -> line_checks.Moments:
    return line_checks.Moments(
        log["line_products"].reshape(lines, lines), log["line_step_products"].reshape(lines, lines)
    )


def lines_of(log: Log) -> tuple[list[str], dict[str, np.ndarray]]:
    """Return the line names that the log gives, and its raw voltage columns.

    Raises ``FitError`` if the log holds no line voltage and fewer than two phase voltages.
    """
    try:
        names, raw = line_checks.line_voltages(log.columns)
    except FitError as error:
        raise FitError(f"{log.label}: {error}") from None
    return names, {name: log[name] for name in raw}


def _speed(log: Log, findings: list[str]) -> tuple[np.ndarray | float | None, float | None]:
    """Return the speed (column before condition) and its relative stated uncertainty."""
    speed: np.ndarray | float
    if "speed" in log:
        speed = log["speed"]
    elif "speed" in log.conditions:
        speed = float(log.conditions["speed"])
    else:
        return None, None
    level = abs(float(np.mean(speed)))
    if level < 1e-3:
        findings.append("the speed reads zero while the machine gives a voltage: it was left out; check the tachometer")
        return None, None
    return speed, (log.stated["speed"] / level if "speed" in log.stated else None)


def wave_left(record: Record, line: str, volts: np.ndarray, c: np.ndarray) -> Residuals:
    """Return what the harmonics ``c`` ``(H,)`` leave of a line less its offset, over the electrical speed."""
    orders = np.arange(1, c.size + 1)
    rest = volts / record.electrical
    fitted = np.zeros(rest.size)
    for order, harmonic in zip(orders, c, strict=True):
        fitted += np.real(harmonic * np.exp(1j * order * record.angle))
    rest = rest - fitted
    scatter, freedom = float(np.std(rest)), float(rest.size - 2 * c.size)
    regressors = {"electrical_angle": record.angle, "electrical_speed": record.electrical}
    name = f"EMF over speed, line {line_title(line)}, {record.label}"
    return Residuals(name, "V s/rad", fitted, rest, scatter, regressors, freedom, covered=True, blocks=(WAVE_SCATTER,))

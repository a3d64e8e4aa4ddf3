"""Looks at an alternating waveform: period, sampling, clipping, offset. Pure functions on arrays.

Thresholds are common practice, no source; where a formula sets one, the formula stands beside it.
"""

from __future__ import annotations

import math

import numpy as np

#: Samples per electrical turn below which a peak or a crossing is no longer where the record shows it.
FEWEST_SAMPLES_PER_TURN = 20
#: Electrical turns below which means over whole turns scatter too much.
FEWEST_TURNS = 5


def crossings(wave: np.ndarray) -> np.ndarray:
    """Return where ``wave`` ``(n,)`` rises through its mean, as indices; a tenth of the amplitude is hysteresis."""
    centred = wave - 0.5 * (float(wave.max()) + float(wave.min()))
    band = 0.05 * float(np.ptp(wave))
    if band == 0:
        return np.empty(0, dtype=int)
    state = np.where(centred > band, 1, np.where(centred < -band, -1, 0))
    known = np.flatnonzero(state)
    levels = state[known]
    return known[1:][(levels[1:] == 1) & (levels[:-1] == -1)]


def samples_per_turn(wave: np.ndarray) -> float | None:
    """Return the median number of samples between rises; ``None`` below three rises (no alternation seen)."""
    rises = crossings(wave)
    return float(np.median(np.diff(rises))) if len(rises) >= 3 else None


def clipped_share(wave: np.ndarray) -> float:
    """Return the share of samples that sit flat at an extreme beyond what the resolution explains, 0 if none.

    A sine of amplitude A read in steps q stays within one step of its top for the share arccos(1 - q/A)/pi of a
    turn. More than three times that, exactly level over five samples or more, is a converter at its end (or a
    truly flat top, which the warning says).
    """
    low, high = float(wave.min()), float(wave.max())
    amplitude = 0.5 * (high - low)
    if amplitude == 0 or len(wave) < 50:
        return 0.0
    flat_shares = []
    for extreme in (low, high):
        flat = wave == extreme
        edges = np.flatnonzero(np.diff(np.concatenate(([0], flat.view(np.int8), [0]))))
        runs = edges[1::2] - edges[::2]
        flat_shares.append(float(runs[runs >= 5].sum()) / len(wave))
    worst = max(flat_shares)
    if worst <= 0.02:  # before the levels are sorted, which takes most of the time
        return 0.0
    levels = np.unique(wave)
    step = float(np.diff(levels).min()) if len(levels) > 1 else amplitude
    step = max(step, 1e-9 * amplitude)
    expected = math.acos(max(-1.0, 1 - step / amplitude)) / math.pi
    return worst if worst > 3 * expected else 0.0


def offset_share(wave: np.ndarray) -> float | None:
    """Return the mean over whole turns as a share of the RMS of the alternating part; ``None`` without turns."""
    rises = crossings(wave)
    if len(rises) < 3:
        return None
    whole = wave[rises[0] : rises[-1]]
    mean = float(whole.mean())
    spread = float(whole.std())
    return mean / spread if spread > 0 else None


def share_near_half_rate(wave: np.ndarray) -> float:
    """Return the share of the alternating power above 0.8 of half the sample rate, where aliases gather."""
    piece = wave[: 1 << 15]
    spectrum = np.abs(np.fft.rfft((piece - piece.mean()) * np.hanning(len(piece)))) ** 2
    total = float(spectrum.sum())
    return float(spectrum[int(0.8 * len(spectrum)) :].sum()) / total if total > 0 else 0.0


def odd_one(waves: dict[str, np.ndarray]) -> str | None:
    """Say what is wrong with three waves that must sum to zero (line voltages, currents of three wires).

    Tries the slips of the bench: one channel inverted, one channel ten times too large or too small, two channels
    exchanged is not seen in the sum. Returns ``None`` where the sum is small or no single slip explains it.
    """
    names = list(waves)
    total = np.sum(list(waves.values()), axis=0)
    size = math.sqrt(sum(float(np.mean(wave**2)) for wave in waves.values()))
    if size == 0 or _rms(total) < 0.15 * size:
        return None
    slips = [(-1.0, "inverted; swap its leads or set 'invert' in the layout"), (0.1, "ten times too large"),
             (10.0, "ten times too small")]  # fmt: skip
    for name in names:
        for factor, words in slips:
            repaired = total + (factor - 1) * waves[name]
            others = [waves[other] for other in names if other != name]
            new_size = math.sqrt(
                float(np.mean((factor * waves[name]) ** 2)) + sum(float(np.mean(o**2)) for o in others)
            )
            if _rms(repaired) < 0.1 * new_size:
                tail = "; check the probe's switch" if factor != -1.0 else ""
                return f"{name} seems {words}{tail}"
    return "one of them is missing, exchanged with another signal or has another factor"


def _rms(wave: np.ndarray) -> float:
    return math.sqrt(float(np.mean(wave**2)))

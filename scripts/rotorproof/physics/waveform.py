"""The back-EMF as a function of electrical angle: harmonics per unit of electrical speed, and what follows.

The voltage of a line at angle x and electrical speed w is ``offset + w sum_h (a_h cos h x + b_h sin h x)``: the
coefficients are flux linkages (V s/rad, electrical) and do not depend on speed, so records of several or
drifting speeds are fitted together.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from ..errors import FitError
from .phase import Track
from .thinning import attenuation

BINS = 1024  # per electrical turn: long records are averaged within them before the fit
HIGHEST_ORDER = 40  # as far as IEC 61000-4-7 takes the distortion of a voltage
_POINTS = 1440  # of the synthesized wave
_MOST_BLOCKS = 24


@dataclass(frozen=True)
class Blocks:
    """Normal equations of one record in blocks of equal angle, each at least one electrical turn.

    ``normal`` is ``(m, 2 H, 2 H)``, ``right`` ``(m, 2 H, k)``; offsets ``(k,)`` in V are already taken out.
    """

    normal: np.ndarray
    right: np.ndarray
    offset: np.ndarray


def highest_order(per_turn: float) -> int:
    """Return the highest harmonic order that the readings of one electrical turn allow, at most 40."""
    return int(np.clip(np.floor(0.45 * per_turn), 1, HIGHEST_ORDER))


@dataclass(frozen=True)
class Folded:
    """A record folded by blocks of turns and bins of angle: what the fit needs of it, however long it was.

    A row is a bin of a block: its block ``(n,)`` in rising order, mean electrical angle and speed ``(n,)``, mean
    lines ``(n, k)`` in V, and the number of readings ``(n,)``. ``kept`` gives the share ``(H,)`` or ``(n, H)`` of the
    first H harmonics that averaging neighbours before has left of them (see ``thinning``).
    """

    block: np.ndarray
    angle: np.ndarray
    speed: np.ndarray
    mean: np.ndarray
    count: np.ndarray
    kept: Callable[[int], np.ndarray] | None = None


def fold(angle: np.ndarray, speed: np.ndarray, lines: np.ndarray, averaged: int = 1) -> Folded:
    """Average ``lines`` ``(k, n)`` into bins of angle, in 3 to 24 blocks of at least one turn each.

    Within a bin the mean angle is kept, so that a bin with one reading is exact; with many, order 40 loses
    0.3 % and order 1 nothing that counts. ``averaged``: neighbouring readings that were averaged into each of
    ``lines``.
    """
    turns = float(angle[-1] - angle[0]) / (2 * np.pi)
    blocks = int(np.clip(np.floor(turns + 1e-6), 3, _MOST_BLOCKS))
    progress = (angle - angle[0]) / (angle[-1] - angle[0])
    block = np.minimum((progress * blocks).astype(int), blocks - 1)
    bin_of = (np.floor(angle * (BINS / (2 * np.pi)))).astype(np.int64)
    key = block * BINS + bin_of % BINS
    size = blocks * BINS
    count = np.bincount(key, minlength=size)
    used = np.flatnonzero(count)
    count = count[used].astype(float)
    # The angle is averaged relative to its bin, since angles of different turns differ by whole turns.
    within = np.bincount(key, angle * (BINS / (2 * np.pi)) - bin_of, size)[used] / count
    mean = np.stack([np.bincount(key, line, size)[used] for line in lines], axis=1) / count[:, None]
    kept = None
    if averaged > 1:
        step = float((angle[-1] - angle[0]) / ((angle.size - 1) * averaged))
        kept = lambda orders: attenuation(orders, averaged, step)  # noqa: E731
    return Folded(
        used // BINS,
        (used % BINS + within) * (2 * np.pi / BINS),
        np.bincount(key, speed, size)[used] / count,
        mean,
        count,
        kept,
    )


def reduce(turn: Track, lines: np.ndarray, orders: int, averaged: int = 1) -> Blocks:
    """Return the normal equations of a record: ``lines`` ``(k, n)`` along ``turn`` (see ``fold``)."""
    return equations(fold(turn.angle, turn.speed, lines, averaged), orders)


def equations(record: Folded, orders: int) -> Blocks:
    """Form the normal equations of each block; what averaging took from each harmonic is given back."""
    # One row for each function of the angle: rows are written and multiplied in one piece.
    design = np.empty((2 * orders + 1, record.angle.size))
    design[0] = 1.0
    unit = np.exp(1j * record.angle)
    power = record.speed.astype(complex)
    for h in range(orders):
        power *= unit
        design[1 + 2 * h], design[2 + 2 * h] = power.real, power.imag
    scale = float(record.speed.mean())
    design[1:] /= scale
    if record.kept is not None:
        kept = np.atleast_2d(record.kept(orders)).T
        design[1::2] *= kept
        design[2::2] *= kept
    blocks = int(record.block[-1]) + 1
    starts = np.searchsorted(record.block, np.arange(blocks))
    ends = np.append(starts[1:], record.block.size)
    lines = record.mean.shape[1]
    normal = np.empty((blocks, 2 * orders + 1, 2 * orders + 1))
    right = np.empty((blocks, 2 * orders + 1, lines))
    # The root of the weight on both sides: a product of a matrix with itself takes half the time.
    weight = np.sqrt(record.count)
    design *= weight
    mean = record.mean * weight[:, None]
    for m, (start, end) in enumerate(zip(starts, ends, strict=True)):
        part = design[:, start:end]
        normal[m] = part @ part.T
        right[m] = part @ mean[start:end]
    offset = _solve(normal.sum(axis=0), right.sum(axis=0))[0]
    right = right - normal[:, :, :1] * offset[None, None, :]
    return Blocks(normal[:, 1:, 1:] * scale**2, right[:, 1:, :] * scale, offset)


def _solve(normal: np.ndarray, right: np.ndarray) -> np.ndarray:
    scale = np.sqrt(np.einsum("...ii->...i", normal))
    if not np.all(scale > 0):
        raise FitError("there are too few readings per electrical turn; sample faster or turn more slowly")
    try:
        solved = np.linalg.solve(normal / (scale[..., :, None] * scale[..., None, :]), right / scale[..., :, None])
    except np.linalg.LinAlgError as error:
        raise FitError("the readings do not cover the electrical turn; sample faster or record longer") from error
    return solved / scale[..., :, None]


@dataclass(frozen=True)
class Coefficients:
    """Complex harmonics ``(H, k)`` in V s/rad (electrical), line = Re(c_h exp(j h x)), and leave-one-out sets.

    ``without`` ``(M, H, k)``: the same from all blocks but one, for the jackknife.
    """

    best: np.ndarray
    without: np.ndarray

    def variance(self) -> np.ndarray:
        """Return the variance ``(H, k)`` of the complex harmonics (both components together)."""
        m = len(self.without)
        spread = np.abs(self.without - self.without.mean(axis=0)) ** 2
        return np.asarray(spread.sum(axis=0) * ((m - 1) / m))


def coefficients(records: Sequence[Blocks], *, jackknife: bool = True) -> Coefficients:
    """Solve the pooled normal equations of all records (same orders and lines)."""
    normal = np.concatenate([record.normal for record in records])
    right = np.concatenate([record.right for record in records])
    total, side = normal.sum(axis=0), right.sum(axis=0)
    best = _complex(_solve(total, side))
    if not jackknife:
        return Coefficients(best, best[None])
    return Coefficients(best, _complex(_solve(total - normal, side - right)))


def _complex(solved: np.ndarray) -> np.ndarray:
    return solved[..., 0::2, :] - 1j * solved[..., 1::2, :]


def complete(c: np.ndarray, sequence: int) -> np.ndarray:
    """Return harmonics ``(..., H, 3)`` of all three lines from ``(..., H, k)``.

    Two lines give the third exactly, since the three sum to zero; one line gives the others only if the
    winding is symmetrical (shifted by a third of a turn, A-B-C assumed).
    """
    if c.shape[-1] == 3:
        return c
    if c.shape[-1] == 2:
        return np.concatenate([c, -(c[..., :1] + c[..., 1:])], axis=-1)
    order = np.arange(1, c.shape[-2] + 1)[:, None]
    turn = np.exp(-2j * np.pi / 3 * order * (sequence or 1))
    return np.concatenate([c, c * turn, c * turn**2], axis=-1)


@cache
def _synthesis(orders: int) -> tuple[np.ndarray, np.ndarray]:
    x = np.arange(_POINTS) * (2 * np.pi / _POINTS)
    h = np.arange(1, orders + 1)
    return np.cos(np.outer(x, h)), np.sin(np.outer(x, h))


def waves(c: np.ndarray) -> np.ndarray:
    """Return the waves ``(..., 1440, k)`` over one electrical turn of harmonics ``(..., H, k)``."""
    cosine, sine = _synthesis(c.shape[-2])
    return np.asarray(cosine @ c.real - sine @ c.imag)


def peak_rms_dc(c: np.ndarray, top: int = 0) -> np.ndarray:
    """Return ``(..., 3)``: peak, RMS and DC linkage of three lines' harmonics ``(..., H, 3)``.

    Peak: half the height from trough to crest; RMS: of the wave; both as mean of the three lines. DC: mean over
    one electrical turn of the largest of the six line-to-line voltages.

    A wave with corners overshoots them when its series ends at order H, by a share that falls as 1/H; with ``top``
    (from ``corner_end``) its peak is extrapolated from the crests with fewer and with all orders to a series
    without end. With 0 the crest of the series stands as it is.
    """
    wave = waves(c)
    peak = _crest(wave)
    few = 6 * round(top / 9) + 1
    if top:
        high, low = _crest(waves(c[..., :top, :])), _crest(waves(c[..., :few, :]))
        peak = high - (low - high) * (few + 2) / (top - few)
    rms = np.sqrt(0.5 * np.sum(np.abs(c) ** 2, axis=-2)).mean(axis=-1)
    dc = np.abs(wave).max(axis=-1).mean(axis=-1)
    return np.stack([peak, rms, dc], axis=-1)


def cut_off(c: np.ndarray, top: int) -> float:
    """Return by how much the extrapolation lowered the crest of the plain series (V s/rad)."""
    return float(_crest(waves(c)) - peak_rms_dc(c, top)[0])


def crest_bias(c: Coefficients, kept: np.ndarray, top: int) -> float:
    """Return by which share noise lifts the peak on average: on a flat top the highest of many noisy points is read.

    Noise of the covariance seen by the jackknife is added to the fitted wave in 64 fixed patterns of signs
    (bootstrap estimate of bias, Efron 1979).
    """
    m = len(c.without)
    deviation = (c.without - c.without.mean(axis=0)) * np.sqrt((m - 1) / m)
    signs = np.random.default_rng(0).choice([-1.0, 1.0], (64, m))
    noise = np.tensordot(signs, deviation, axes=1)
    lifted = peak_rms_dc((c.best + noise) * kept[:, None], top)[:, 0]
    plain = peak_rms_dc(c.best * kept[:, None], top)[0]
    return float(lifted.mean() / plain - 1.0)


def _crest(wave: np.ndarray) -> np.ndarray:
    return np.asarray(0.5 * (wave.max(axis=-2) - wave.min(axis=-2)).mean(axis=-1))


def corner_end(c: np.ndarray, kept: np.ndarray) -> int:
    """Return the order ``top`` that ends the series of a wave with corners, 0 for a smooth wave.

    Orders between lines come in pairs 6 k - 1, 6 k + 1; half a pair tips the crest to one side, so only whole
    pairs count, as far as all are ``kept``. Corners show as amplitudes that fall as 1/h^2 to the end (from order
    19 on, else nothing can be said); a slot harmonic stands above that.
    """
    size = np.sqrt(np.mean(np.abs(c) ** 2, axis=-1))
    steep = size * np.arange(1, size.size + 1) ** 2 / size[0]
    top = 1
    while top + 6 <= size.size and kept[top + 3] and kept[top + 5]:
        top += 6
    if top < 19:
        return 0
    few = 6 * round(top / 9) + 1
    return top if 0.2 < steep[few:].max() < 2.0 else 0


def distortion_squared(c: np.ndarray) -> np.ndarray:
    """Return the square of the total harmonic distortion: power above order 1 over that of order 1.

    sum_(h>1) |c_h|^2 / |c_1|^2, each the sum over the lines.
    """
    power = np.sum(np.abs(c) ** 2, axis=-1)
    return np.asarray(power[..., 1:].sum(axis=-1) / power[..., 0])


def in_phase(c: np.ndarray, order: int) -> np.ndarray:
    """Return the part of harmonic ``order`` in phase with the crest of the fundamental, over it: mean of the lines.

    About its crest a line is sum_h a_h cos(h y) + b_h sin(h y): this is a_h / a_1, negative where the harmonic lowers
    the crest.
    """
    first = c[..., 0, :]
    turned = c[..., order - 1, :] * (np.conj(first) / np.abs(first)) ** order
    return np.asarray((turned.real / np.abs(first)).mean(axis=-1))


def unbalance(c: np.ndarray) -> np.ndarray:
    """Return the largest deviation of a line's RMS from the mean of the three, over that mean.

    max_k |U_k - mean|/mean with U_k = sqrt(sum_h |c_hk|^2/2).
    """
    rms = np.sqrt(0.5 * np.sum(np.abs(c) ** 2, axis=-2))
    mean = rms.mean(axis=-1, keepdims=True)
    return np.asarray(np.abs(rms - mean).max(axis=-1) / mean[..., 0])


def significant(c: Coefficients) -> np.ndarray:
    """Return which orders ``(H,)`` stand out of the noise: power above 4 times its variance; order 1 always.

    Only these build the wave whose crest is read, or its noise would make the crest too high.
    """
    keep = np.sum(np.abs(c.best) ** 2, axis=1) > 4.0 * np.sum(c.variance(), axis=1)
    keep[0] = True
    return np.asarray(keep)

"""Is what was recorded the three line voltages of one machine? Polarity, dead lines, clipping, sampling."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..errors import FitError

_DEAD = 0.05  # of the largest line's RMS
_SUM = 0.03  # of the lines' RMS: beyond it the sum of three line voltages needs an explanation
_CLOSED = 0.15  # a hypothesis that mends the sum must leave less than this


@dataclass(frozen=True)
class Checked:
    """Lines that can be fitted: which of the recorded ones ``(names)``, their sign, and what was found."""

    names: tuple[str, ...]
    signs: tuple[float, ...]
    findings: tuple[str, ...]


def check_lines(names: Sequence[str], lines: np.ndarray) -> Checked:
    """Check recorded line voltages ``(k, n)`` against each other; ``names`` such as ``ab``.

    Three line voltages of one machine sum to zero at every instant, and two stand a third of a turn apart.
    A line without signal is dropped and a line of opposite polarity is turned round; both are told. Raises
    ``FitError`` where no such step makes sense of the readings.
    """
    centred = lines - lines.mean(axis=1, keepdims=True)
    gram = centred @ centred.T / lines.shape[1]
    rms = np.sqrt(np.diag(gram))
    if rms.max() == 0:
        raise FitError("all line voltages are constant; turn the rotor while recording, and check the probes")
    findings: list[str] = []
    alive = np.flatnonzero(rms > _DEAD * rms.max())
    for i in range(len(names)):
        if i not in alive:
            findings.append(
                f"voltage_{names[i]} carries no signal ({rms[i] / rms.max():.1%} of the largest): a dead probe or a "
                "broken lead. It was left out; check the connection"
            )
    kept = [names[int(i)] for i in alive]
    signs = np.ones(len(kept))
    gram = gram[np.ix_(alive, alive)]
    if len(kept) == 3:
        signs = _close_the_sum(kept, centred[alive], gram, findings)
    elif len(kept) == 2:
        cosine = gram[0, 1] / np.sqrt(gram[0, 0] * gram[1, 1])
        if 0.25 < cosine < 0.75:
            signs[1] = -1.0
            findings.append(
                f"voltage_{kept[0]} and voltage_{kept[1]} are 60 electrical degrees apart instead of 120: one of "
                f"them was recorded with opposite polarity (such as C-B for B-C). voltage_{kept[1]} was turned "
                "round; correct the layout (invert)"
            )
        elif not -0.75 < cosine < -0.25:
            raise FitError(
                f"voltage_{kept[0]} and voltage_{kept[1]} are not a third of a turn apart (correlation "
                f"{cosine:.2f} instead of -0.50): two probes on the same pair, or a broken lead; check the connections"
            )
    return Checked(tuple(kept), tuple(float(s) for s in signs), tuple(findings))


def _close_the_sum(kept: Sequence[str], lines: np.ndarray, gram: np.ndarray, findings: list[str]) -> np.ndarray:
    def remainder(weights: np.ndarray) -> float:
        total = weights @ lines
        # Noise is not what is looked for: it changes from reading to reading, a wrong sum only with the wave.
        noise = 0.5 * float(np.mean(np.diff(total) ** 2))
        return float(np.sqrt(max(float(np.mean(total**2)) - noise, 0.0) / np.trace(gram)))

    signs = np.ones(3)
    left = remainder(signs)
    if left <= _SUM:
        return signs
    for i in range(3):
        trial = np.ones(3)
        trial[i] = -1.0
        if left > 0.5 and remainder(trial) < _CLOSED:
            findings.append(
                f"the three line voltages sum to zero only with voltage_{kept[i]} turned round: it was recorded with "
                "opposite polarity. It was turned round here; correct the layout (invert) or swap the probe"
            )
            return trial
    rms = np.sqrt(np.diag(gram))
    if left < _CLOSED:
        findings.append(
            f"the three line voltages do not sum to zero: {left:.1%} of their size is left. The gains of the probes "
            f"differ (RMS {', '.join(f'{n} {r:.4g} V' for n, r in zip(kept, rms, strict=True))}) or the channels were "
            "not sampled together; emf_unbalance then tells of the probes"
        )
        return signs
    raise FitError(
        f"the three line voltages do not sum to zero ({left:.0%} of their size is left, RMS "
        f"{', '.join(f'{n} {r:.4g} V' for n, r in zip(kept, rms, strict=True))}): check probe factors in the layout "
        "and that each channel is on its own pair"
    )


def clipped_share(readings: np.ndarray) -> float:
    """Return the share of readings ``(n,)`` that stand at the end of the converter's range, 0 if none seem to.

    A clipped wave holds one extreme value many times over: far more often than the next lower step of the
    converter, and in unbroken runs.
    """
    worst = 0.0
    for signed in (readings, -readings):
        top = float(signed.max())
        at_top = signed >= top - 1e-9 * max(abs(top), 1e-12)
        share = float(at_top.mean())
        if share < 0.015:
            continue
        below = signed[~at_top]
        if below.size == 0:
            continue
        following = float(below.max())
        next_share = float(np.mean((signed >= following - 1e-9 * abs(following)) & ~at_top))
        runs = at_top[1:] & at_top[:-1]
        if share > 4 * next_share and runs.mean() > 0.6 * share:
            worst = max(worst, share)
    return worst

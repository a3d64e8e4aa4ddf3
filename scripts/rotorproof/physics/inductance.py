"""Line-to-line inductance: from a current step at standstill, and over the rotor's angle to d and q.

Two lines of a star carry i and -i, the third none: the current vector has the length 2 i/sqrt(3) and stands
still at the pair's axis. With gamma the electrical angle from the d axis to it, the energy (3/2) (1/2) (L_d
i_d^2 + L_q i_q^2) = (1/2) L_line i^2 gives ``L_line = (L_d + L_q) + (L_d - L_q) cos(2 gamma)``. The axes of
A-B, B-C and C-A lie 120 electrical degrees apart. A delta winding is seen as its star equivalent.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..errors import FitError
from .regression import correlation_time

#: Phase of cos(2 gamma) of each pair, the d axis on the axis of phase A at angle 0 and phases in the
#: sequence A-B-C.
PAIR_PHASE = {"ab": np.pi / 3, "bc": np.pi, "ca": -np.pi / 3}


_IN_THE_MIDDLE = "the log starts in the middle of the step; let it begin before the voltage is switched"


@dataclass(frozen=True)
class Step:
    """A current step through one line pair: inductance (H) and resistance (ohm) with their ``(2, 2)`` covariance."""

    inductance: float
    resistance: float
    covariance: np.ndarray
    degrees_of_freedom: float
    current: float
    steady_from: int


def from_step(time: np.ndarray, voltage: np.ndarray, current: np.ndarray) -> Step:
    """Return inductance and resistance of a line pair from a step of its voltage; all ``(n,)`` in s, V and A.

    The flux linkage that the step brings is the integral of ``voltage - resistance * current``; over the
    change of current it is the inductance (the flux integration test). Steady values before and after the
    step give the resistance and take the zero errors of both meters off. Currents induced in iron or magnets
    die away and leave the integral unchanged. Raises ``FitError`` where the log holds no such step.
    """
    n = time.size
    if n < 60:
        raise FitError(f"{n} samples are too few for a current step; sample at least 20 times in a time constant")
    tail = max(10, n // 10)
    after = slice(n - tail, n)
    jump = float(np.mean(current[after]) - np.median(current[: max(3, n // 100)]))
    if jump == 0 or abs(jump) < 4 * float(np.std(current[after])):
        raise FitError("the current does not step; log the moment in which a DC voltage is switched to two lines")
    far = np.abs(current - current[: max(3, n // 100)].mean()) > 0.02 * abs(jump)
    noise = float(np.std(current[after]))
    far &= np.abs(current - current[: max(3, n // 100)].mean()) > 5 * noise
    begin = int(np.argmax(far))
    before = slice(0, int(0.8 * begin))
    rest = before.stop >= 10
    if not rest and abs(float(np.mean(current[: max(3, n // 100)]))) > 0.05 * abs(jump):
        raise FitError(_IN_THE_MIDDLE)
    _steady(time, current, after, jump)
    weight = np.gradient(time)
    i1, v1 = (float(np.mean(current[before])), float(np.mean(voltage[before]))) if rest else (0.0, 0.0)
    i2, v2 = float(np.mean(current[after])), float(np.mean(voltage[after]))
    step_i, step_v = i2 - i1, v2 - v1
    resistance = step_v / step_i
    # At rest before the step all voltage was that of the resistance; a current on its way says otherwise.
    if abs(v1 - resistance * i1) > 0.2 * max(abs(v1), abs(v2)):
        raise FitError(_IN_THE_MIDDLE)
    # From the end of the rest on; earlier samples would only add noise.
    span = np.zeros(n)
    span[(before.stop if rest else 0) :] = weight[(before.stop if rest else 0) :]
    charge = float(span @ (current - i1))
    linkage = float(span @ (voltage - v1)) - resistance * charge
    inductance = linkage / step_i
    # Sensitivity of both results to every sample; the noise is white within its correlation time.
    parts = {"before": before if rest else None, "after": after}
    d_l = {"v": span / step_i, "i": -resistance * span / step_i}
    d_r = {"v": np.zeros(n), "i": np.zeros(n)}
    total = float(span.sum())
    slope_r = -charge / step_i  # of the inductance by the resistance
    for name, sign in (("after", 1.0), ("before", -1.0)):
        place = parts[name]
        if place is None:
            continue
        share = sign / (place.stop - place.start)
        d_r["v"][place] += share / step_i
        d_r["i"][place] += -share * resistance / step_i
        d_l["i"][place] += -share * inductance / step_i
    d_l["v"] = d_l["v"] + slope_r * d_r["v"]
    d_l["i"] = d_l["i"] + slope_r * d_r["i"]
    if rest:
        share = 1 / (before.stop - before.start)
        d_l["v"][before] -= total * share / step_i
        d_l["i"][before] += resistance * total * share / step_i
    covariance = np.zeros((2, 2))
    for key, readings in (("v", voltage), ("i", current)):
        quiet = readings[after] - readings[after].mean()
        power = float(np.mean(quiet**2)) * correlation_time(quiet)
        rows = np.vstack([d_l[key], d_r[key]])
        covariance += power * rows @ rows.T
    return Step(inductance, resistance, covariance, float(tail - 1), step_i, after.start)


def _steady(time: np.ndarray, current: np.ndarray, after: slice, jump: float) -> None:
    """Raise ``FitError`` if the current has not settled at the end of the log."""
    length = after.stop - after.start
    earlier = slice(after.start - length, after.start)
    change = float(np.mean(current[after]) - np.mean(current[earlier]))
    noise = float(np.std(current[after])) * np.sqrt(2 / length)
    if abs(change) > max(0.004 * abs(jump), 4 * noise):
        raise FitError(
            f"the current still changes by {100 * abs(change / jump):.1f} % over the last tenth of the log; "
            f"record for at least twice as long ({2 * (time[-1] - time[0]):.3g} s), or limit heating and "
            "battery sag"
        )


def saliency_design(angle: np.ndarray, pairs: list[str], turns: float, *, one_level: bool) -> np.ndarray:
    """Return the design ``(n, k + 2)``: a level per pair (or one), then cos and sin of twice the electrical angle.

    ``turns`` are the electrical turns in one turn of ``angle``: the pole pairs, behind a gear times its ratio.
    With ``phi`` the coefficients of the last two, ``(L_d - L_q)`` is their length up to its sign.
    """
    names = sorted(set(pairs))
    phase = 2 * turns * angle + np.array([PAIR_PHASE[pair] for pair in pairs])
    levels = (
        np.ones((angle.size, 1))
        if one_level
        else np.column_stack([[float(pair == name) for pair in pairs] for name in names])
    )
    return np.column_stack([levels, np.cos(phase), np.sin(phase)])

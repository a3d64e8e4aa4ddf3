"""Power into and out of a bridge from sampled waveforms and from tables, and its loss as a curve."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..errors import FitError


@dataclass(frozen=True)
class Averages:
    """Mean powers of each electrical period ``(k,)`` in W, with the periods' lengths ``(k,)`` in s."""

    input: np.ndarray
    output: np.ndarray
    length: np.ndarray


def whole_periods(current: np.ndarray) -> np.ndarray:
    """Return the indices ``(k + 1,)`` at which electrical periods begin, from a phase current ``(n,)``.

    The current is averaged with a raised-cosine weight one period long, which takes out the switching and nearly all
    harmonics; a period begins at each rising zero of what is left. Raises ``FitError`` for fewer than three periods.
    """
    from scipy.signal import fftconvolve

    n = current.size
    centred = current - current.mean()
    spectrum = np.abs(np.fft.rfft(centred * np.hanning(n)))
    strongest = int(np.argmax(spectrum[1:])) + 1
    length = n // strongest
    if strongest < 4 or length < 16:
        raise FitError("fewer than four electrical periods were recorded, or too few samples; record longer or faster")
    weight = np.hanning(length + 2)[1:-1]
    smooth = fftconvolve(centred, weight / weight.sum(), mode="valid")
    rising = np.flatnonzero((smooth[:-1] < 0) & (smooth[1:] >= 0)) + 1 + length // 2
    begins = rising[np.append(True, np.diff(rising) > length // 2)] if rising.size else rising
    if begins.size < 4:
        raise FitError("fewer than four electrical periods were recorded; record longer or run faster")
    return begins


def averages(time: np.ndarray, input_power: np.ndarray, output_power: np.ndarray, begins: np.ndarray) -> Averages:
    """Average sampled powers ``(n,)`` over electrical periods that begin at the indices ``begins`` ``(k + 1,)``.

    The product of voltage and current is averaged, never their means multiplied, and over whole periods: what the
    switching frequency contributes is then counted however the edges fall.
    """
    step = np.gradient(time)
    edges = begins[:-1]
    span = slice(begins[0], begins[-1])
    local = edges - begins[0]

    def total(values: np.ndarray) -> np.ndarray:
        return np.add.reduceat(values[span] * step[span], local)

    length = np.add.reduceat(step[span], local)
    return Averages(total(input_power) / length, total(output_power) / length, length)


def three_phase_power(voltages: dict[str, np.ndarray], currents: dict[str, np.ndarray]) -> np.ndarray:
    """Return the instantaneous power of a three-wire load by two wattmeters (Aron, Blondel), ``(n,)`` in W.

    ``voltages`` holds two or three of the line voltages ``ab``, ``bc``, ``ca``, ``currents`` two or three of the line
    currents ``a``, ``b``, ``c``, each ``(n,)``. Raises ``FitError`` for fewer.
    """
    if len(voltages) < 2 or len(currents) < 2:
        raise FitError("two line voltages and two line currents at least are needed for the power of three phases")
    v = dict(voltages)
    for name in ("ab", "bc", "ca"):
        if name not in v:
            v[name] = -sum(values for other, values in voltages.items() if other != name)  # type: ignore[assignment]
    i = dict(currents)
    for name in ("a", "b", "c"):
        if name not in i:
            i[name] = -sum(values for other, values in currents.items() if other != name)  # type: ignore[assignment]
    # With line b as the common one: v_ab i_a + v_cb i_c; averaged over the three choices of the common line, so that
    # all measured channels count alike.
    by_b = v["ab"] * i["a"] - v["bc"] * i["c"]
    by_c = v["bc"] * i["b"] - v["ca"] * i["a"]
    by_a = v["ca"] * i["c"] - v["ab"] * i["b"]
    return (by_a + by_b + by_c) / 3.0


def samples_per_edge(voltage: np.ndarray) -> float:
    """Return the mean number of samples between the switching edges of a line voltage ``(n,)``."""
    high = voltage > 0.5 * float(np.max(voltage))
    low = voltage < 0.5 * float(np.min(voltage))
    edges = int(np.count_nonzero(high[1:] != high[:-1]) + np.count_nonzero(low[1:] != low[:-1]))
    return voltage.size / max(edges, 1)

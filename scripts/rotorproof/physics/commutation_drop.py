"""The inductance of a winding from the voltage that the change of current from phase to phase takes under load."""

from __future__ import annotations

import numpy as np

#: A six-step bridge at full voltage takes this times p w L I beyond ``Ke w + 2 R I``, p electrical turns in one of the
#: shaft. Found with ``block_commutation`` for L/R of 0.2 ms to 4 ms and loads up to a third of the stall current, where
#: it is 1.05 to 1.6 (1.8 where the inductance takes a third of the voltage).
SHARE = 1.25


def emf_and_inductance(
    voltage: np.ndarray,
    current: np.ndarray,
    speed: np.ndarray,
    resistance: np.ndarray | float,
    turns: float,
    left: np.ndarray | float = 1.0,
) -> tuple[float, float, float]:
    """Return EMF constant (V s/rad), inductance of a phase (H) and its standard error (H), from points ``(n,)``.

    ``voltage`` (V) and mean DC ``current`` (A) of a six-step bridge at full duty, ``speed`` (rad/s, above zero),
    ``resistance`` of a phase (ohm) at its temperature, ``turns`` electrical turns in one of the shaft, ``left`` the
    share of the EMF that the current leaves (saturation). Least squares of

        (V - 2 R I)/w = Ke left(I) + 1.25 turns L I.

    The inductance may come out below zero. Raises ``ValueError`` for fewer than four points.
    """
    if voltage.size < 4:
        raise ValueError("four points at least tell two constants and their scatter")
    design = np.column_stack([np.broadcast_to(left, voltage.shape), SHARE * turns * current])
    aside = (voltage - 2.0 * resistance * current) / speed
    scale = np.linalg.norm(design, axis=0)
    found, *_ = np.linalg.lstsq(design / scale, aside, rcond=None)
    rest = aside - design / scale @ found
    inverse = np.linalg.pinv((design / scale).T @ (design / scale))
    error = np.sqrt(float(rest @ rest) / (voltage.size - 2) * inverse[1, 1])
    return float(found[0] / scale[0]), float(found[1] / scale[1]), float(error / scale[1])

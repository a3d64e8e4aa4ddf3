"""Insulation resistance in time: local values on the absorption curve, temperature, polarization."""

from __future__ import annotations

import numpy as np

from ..errors import FitError
from .regression import Estimates, linear_fit


def halving_factor(temperature: float, reference: float = 40.0, step: float = 10.0) -> float:
    """Return R(reference)/R(temperature) if the resistance halves per ``step`` kelvin; temperatures in degC.

    IEEE 43, temperature coefficient K_T = 0.5^((40 - T)/10) (from memory: K_T 0.25 at 20 degC, 1 at 40 degC).
    Below 40 degC the rule is on the safe side for thermosetting insulation, which changes less.
    """
    return float(0.5 ** ((reference - temperature) / step))


def thermoset_factor(temperature: float) -> float:
    """Return R(40 degC)/R(temperature) for thermosetting insulation; ``temperature`` in degC.

    IEEE 43-2013: K_T = exp(-B (1/(T + 273) - 1/313)) with B = 1245 K from 10 to 40 degC and 4230 K from 40 to 85 degC
    (from memory, which agrees with its rounded table: 0.7 at 10 degC, 0.8 at 20, 0.9 at 30, 1.5 at 50, 2.3 at 60).
    """
    slope = 1245.0 if temperature < 40.0 else 4230.0
    return float(np.exp(-slope * (1.0 / (temperature + 273.0) - 1.0 / 313.0)))


def unknown_kind(temperature: float) -> tuple[float, float]:
    """Return R(40 degC)/R(temperature), and its half-width, for insulation of an unknown kind; degC.

    Either coefficient of IEEE 43-2013 may be the right one, with equal probability: their middle is given, and half
    their difference, which grows with the distance from 40 degC and is the standard uncertainty of such a law.
    """
    one, other = halving_factor(temperature), thermoset_factor(temperature)
    return 0.5 * (one + other), 0.5 * abs(one - other)


def value_at(time: np.ndarray, resistance: np.ndarray, moment: float, window: tuple[float, float]) -> Estimates:
    """Return ln R at ``moment`` by a local fit of ln R over ln t; ``values[0]`` is ln(R/ohm).

    ``time`` (s, from the moment the voltage was applied) and ``resistance`` (ohm) are ``(n,)``; readings
    within ``window`` (s) are used. The absorption curve is smooth in ln t: a cubic is fitted where at least
    ten readings lie in the window, a parabola for five or more, else a straight line. Raises ``FitError`` if
    the readings do not enclose ``moment`` or are too few for their scatter.
    """
    inside = (time >= window[0]) & (time <= window[1]) & (time > 0)
    t, r = time[inside], resistance[inside]
    if np.any(r <= 0):
        raise FitError("an insulation resistance of zero or less stands in the log; correct it or measure again")
    if t.size < 3:
        raise FitError(
            f"only {t.size} readings lie between {window[0]:g} s and {window[1]:g} s; write one down at "
            "least every 15 s in the first three minutes and every minute later"
        )
    if t.min() > 1.02 * moment or t.max() < 0.98 * moment:
        raise FitError(
            f"the readings from {t.min():g} s to {t.max():g} s do not enclose {moment:g} s; keep the "
            "voltage on for longer"
        )
    x = np.log(t / moment)
    degree = 3 if t.size >= 10 else 2 if t.size >= 5 else 1
    return linear_fit(np.column_stack([x**power for power in range(degree + 1)]), np.log(r), ordered=t.size >= 30)

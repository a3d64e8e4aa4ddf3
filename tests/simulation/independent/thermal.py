"""Two bodies that warm: winding and housing, heated by current, iron and friction, cooled by the air.

Heat balance of two lumps (Incropera and DeWitt, "Fundamentals of Heat and Mass Transfer", lumped capacitance, from
memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from tests.simulation.independent import definitions
from tests.simulation.independent.machine import WINDING_CONSTANT, Motor

Floats = NDArray[np.float64]


def series_heat(motor: Motor, current: float, winding: float) -> float:
    """Heat in W of a direct current through lines A and B at a winding temperature in degC."""
    ohms = motor.resistances(winding)
    return float(current**2 * (ohms[0] + ohms[1]))


def warming(motor: Motor, current: float, ambient: Floats, interval: float, off_after: int | None = None) -> Floats:
    """Temperatures (2, n) of winding and housing, each `interval` s, at rest under direct current through A and B.

    ambient: (n,) degC; off_after: reading at which the current ends. Runge-Kutta steps of at most 10 s.
    """
    body = motor.body
    inner = max(1, int(np.ceil(interval / 10.0)))
    h = interval / inner
    state = np.array([ambient[0], ambient[0]])
    out = np.empty((2, len(ambient)))

    def slope(at: Floats, air: float, amperes: float) -> Floats:
        flow = (at[0] - at[1]) / body.winding_to_housing
        away = (at[1] - air) / float(body.to_air(at[1] - air))
        return np.array(
            [
                (series_heat(motor, amperes, float(at[0])) - flow) / body.winding_capacity,
                (flow - away) / body.housing_capacity,
            ]
        )

    for reading, air in enumerate(ambient):
        out[:, reading] = state
        amperes = 0.0 if off_after is not None and reading >= off_after else current
        for _ in range(inner):
            k1 = slope(state, float(air), amperes)
            k2 = slope(state + h / 2 * k1, float(air), amperes)
            k3 = slope(state + h / 2 * k2, float(air), amperes)
            k4 = slope(state + h * k3, float(air), amperes)
            state = state + h / 6 * (k1 + 2 * k2 + 2 * k3 + k4)
    return out


def steady_rise(motor: Motor, current: float, ambient: float) -> tuple[float, float, float]:
    """Final rise of winding and housing over the air in K, and the heat in W, under direct current at rest.

    Raises ArithmeticError where the winding runs away (heat grows faster with temperature than it leaves).
    """
    body = motor.body

    def housing(heat: float) -> float:
        return float(brentq(lambda rise: rise / float(body.to_air(rise)) - heat, 1e-9, 3000.0))

    def gap(rise: float) -> float:
        heat = series_heat(motor, current, ambient + rise)
        return housing(heat) + heat * body.winding_to_housing - rise

    if gap(400.0) > 0:
        raise ArithmeticError(f"{current:.3g} A heat the winding beyond 400 K")
    rise = float(brentq(gap, 0.0, 400.0, xtol=1e-10))
    heat = series_heat(motor, current, ambient + rise)
    return rise, housing(heat), heat


def slowest_time(motor: Motor, current: float, ambient: float) -> float:
    """Time constant in s of the slowest exponential about the final state."""
    body = motor.body
    rise, shell, heat = steady_rise(motor, current, ambient)
    gain = heat / (WINDING_CONSTANT[motor.material] + ambient + rise)
    # d/drise of rise/R(rise) where R falls as rise^-n is (1 + n)/R.
    leave = (1 + body.convection * (shell > 1.0)) / float(body.to_air(shell))
    between = 1 / body.winding_to_housing
    matrix = np.array(
        [
            [(gain - between) / body.winding_capacity, between / body.winding_capacity],
            [between / body.housing_capacity, -(between + leave) / body.housing_capacity],
        ]
    )
    return float(-1 / np.linalg.eigvals(matrix).real.max())


def current_for(motor: Motor, limit: float, ambient: float) -> float:
    """Direct current through two lines in A at which the winding settles at `limit` degC in air of `ambient` degC."""
    body = motor.body
    rise = limit - ambient

    def gap(heat: float) -> float:
        shell = rise - heat * body.winding_to_housing
        return shell / float(body.to_air(shell)) - heat

    heat = float(brentq(gap, 0.0, rise / body.winding_to_housing))
    return float(np.sqrt(heat / series_heat(motor, 1.0, limit)))


def continuous_current(motor: Motor) -> float:
    """Direct current through two lines in A at which the winding's rise is that of its thermal class."""
    limit = definitions.REFERENCE_AIR + definitions.RISE_LIMIT[motor.insulation_class]
    return current_for(motor, limit, definitions.REFERENCE_AIR)

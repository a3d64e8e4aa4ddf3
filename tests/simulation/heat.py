"""An invented motor that heats up: four bodies, convection that grows with the rise, air that drifts.

The winding loses its heat to the stator iron, that to the hub shell and over the air gap to the magnets;
only shell and magnets meet the air. The copper loss grows with the winding's own temperature. The equations
are integrated as they stand; nothing of the fitted curves is assumed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import fsolve

_K = 234.5


def _solved(flow: Callable[[np.ndarray], np.ndarray], guess: np.ndarray) -> np.ndarray:
    """Return where a heat flow (W) is nothing; judged by what is left of it, since near the last digit steps stall."""
    found = np.asarray(fsolve(flow, guess, xtol=1e-10, full_output=True)[0])
    assert np.abs(flow(found)).max() < 1e-6
    return found


@dataclass(frozen=True)
class HeatTruth:
    """A motor: heat capacities (J/K), conductances (W/K), the line-to-line resistance at 20 degC and fixed losses.

    Shell and magnets give off heat as the rise to the power of one plus ``exponent`` (0 in a fan's draught, 1/4 by
    free convection, 0.2 to 0.4 by radiation), or by ``convection`` more at 40 K than at no rise.

    Faults: ``cooling`` scales every path to the air (0.5: a mud-packed or boxed-in hub), ``potting`` the
    path from winding to iron (0.4: a loose winding).
    """

    resistance: float = 0.24
    capacities: tuple[float, float, float, float] = (250.0, 900.0, 1400.0, 500.0)
    winding_iron: float = 5.0
    iron_shell: float = 5.0
    iron_magnets: float = 1.0
    shell_air: float = 1.6
    magnets_air: float = 0.3
    convection: float = 0.0
    exponent: float = 0.0
    fixed_loss: float = 0.0
    cooling: float = 1.0
    potting: float = 1.0

    @cached_property
    def _conductances(self) -> np.ndarray:
        g = np.zeros((4, 4))
        for i, j, value in (
            (0, 1, self.winding_iron * self.potting),
            (1, 2, self.iron_shell),
            (1, 3, self.iron_magnets),
        ):
            g[i, j] = g[j, i] = value
        return g

    def heat(self, current: float, winding: float) -> float:
        """Return the heat (W) of a direct current through two of the lines plus the fixed losses."""
        return current**2 * self.resistance * (_K + winding) / (_K + 20) + self.fixed_loss

    def flow(self, temperatures: np.ndarray, current: float, air: float) -> np.ndarray:
        """Return the net heat (W) into winding, iron, shell and magnets ``(4,)``."""
        g = self._conductances
        net = g @ temperatures - g.sum(axis=1) * temperatures
        net[0] += self.heat(current, temperatures[0]) - self.fixed_loss
        net[1] += self.fixed_loss
        for node, to_air in ((2, self.shell_air), (3, self.magnets_air)):
            over = temperatures[node] - air
            grown = (abs(over) / 40.0) ** self.exponent if self.exponent else 1.0
            net[node] -= self.cooling * to_air * over * grown * (1 + self.convection * abs(over) / 40.0)
        return net

    def steady(self, current: float, air: float) -> np.ndarray:
        """Return the temperatures ``(4,)`` in degC at which heat in and heat out agree."""
        return _solved(lambda t: self.flow(t, current, air), np.full(4, air + 40.0))

    def current_for(self, winding: float, air: float) -> float:
        """Return the current (A) at which the winding settles at ``winding`` degC in air of ``air`` degC."""
        guess = np.array([12.0, winding - 10, winding - 20, winding - 40])
        return float(_solved(lambda x: self.flow(np.array([winding, *x[1:]]), x[0], air), guess)[0])

    def slowest(self, current: float, air: float) -> float:
        """Return the longest time constant (s) near the steady state, from the eigenvalues of the equations."""
        point = self.steady(current, air)
        jacobian = np.empty((4, 4))
        for k in range(4):
            step = np.zeros(4)
            step[k] = 1e-3
            jacobian[:, k] = (self.flow(point + step, current, air) - self.flow(point - step, current, air)) / 2e-3
        rates = np.linalg.eigvals(jacobian / np.array(self.capacities)[:, None]).real
        return float(-1 / rates.max())

    def integrate(self, start: np.ndarray, moments: np.ndarray, current: float, air: tuple[float, float]) -> np.ndarray:
        """Return the temperatures ``(4, n)`` at ``moments`` (s); ``air`` is its start (degC) and drift (K/s)."""
        found = solve_ivp(
            lambda t, y: self.flow(y, current, air[0] + air[1] * t) / np.array(self.capacities),
            (0.0, float(moments[-1])),
            start,
            method="LSODA",
            t_eval=moments,
            rtol=1e-6,
            atol=1e-5,
        )
        return np.asarray(found.y)


@dataclass(frozen=True)
class HeatRun:
    """The logs of one run: the course of temperatures, the resistance after switch-off, and the true values."""

    course: dict[str, np.ndarray]
    cooling: dict[str, np.ndarray]
    ambient_end: float
    winding_end: float


def heat_run(
    truth: HeatTruth,
    rng: np.random.Generator,
    *,
    current: float = 12.0,
    duration: float = 9000.0,
    interval: float = 20.0,
    air: float = 22.0,
    drift: float = 0.0,
    noise: float = 0.1,
    resistance_noise: float = 2e-4,
    first_reading: float = 20.0,
) -> HeatRun:
    """Return the logs of a run with a direct current through the lines A and B, then cooling without it.

    ``noise`` (K) is that of the sensors, ``drift`` the ambient's in K/s, ``resistance_noise`` relative.
    """
    moments = np.arange(0.0, duration + 0.5 * interval, interval)
    found = truth.integrate(np.full(4, air), moments, current, (air, drift))

    def read(values: np.ndarray) -> np.ndarray:
        return np.round(values + noise * rng.standard_normal(values.size), 2)

    # The workshop's heating cycles: a small wave on the air that no parabola follows.
    wave = 0.15 * np.sin(2 * np.pi * moments / 900.0 + rng.uniform(0, 6.28))
    hot = truth.resistance * (_K + found[0]) / (_K + 20)
    course = {
        "time": moments,
        "temperature_winding": read(found[0]),
        "temperature_case": read(found[2]),
        "temperature_ambient": read(air + drift * moments + wave),
        "supply_voltage": current * hot * (1 + 1e-3 * rng.standard_normal(moments.size)),
        "supply_current": current * (1 + 1e-3 * rng.standard_normal(moments.size)),
    }
    end_air = air + drift * duration
    after = np.arange(first_reading, first_reading + 241.0, 10.0)
    cold_rotor = replace(truth, fixed_loss=0.0)
    cooled = cold_rotor.integrate(found[:, -1], np.concatenate([[0.0], after]), 0.0, (end_air, drift))[0, 1:]
    shown = truth.resistance * (_K + cooled) / (_K + 20)
    cooling = {"time": after, "resistance_ab": shown * (1 + resistance_noise * rng.standard_normal(after.size))}
    return HeatRun(course, cooling, end_air, float(found[0, -1]))

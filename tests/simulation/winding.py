"""Direct current through the line pairs of an invented star-connected winding that warms up while it is measured."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.simulation.instruments import BenchInstrument

#: Tabulated resistivity of annealed copper, relative to 20 degC (IEC 60028: alpha20 = 3.93e-3 per kelvin).
_ALPHA = 3.93e-3


@dataclass(frozen=True)
class Winding:
    """Three phases (ohm at 20 degC), the heat capacity of the copper (J/K), and the pair's thermal EMF (V)."""

    phases: tuple[float, float, float] = (0.120, 0.120, 0.120)
    heat_capacity: float = 350.0
    thermal_emf: float = 60e-6

    def line(self, pair: int, temperature: float) -> float:
        """Return the resistance of line pair 0 (A-B), 1 (B-C) or 2 (C-A) at ``temperature`` (degC)."""
        cold = self.phases[pair] + self.phases[(pair + 1) % 3]
        return cold * (1 + _ALPHA * (temperature - 20.0))


def resistance_log(
    winding: Winding,
    rng: np.random.Generator,
    voltmeter: BenchInstrument,
    ammeter: BenchInstrument,
    *,
    temperature: float = 21.8,
    currents: np.ndarray | None = None,
    seconds_per_step: float = 4.0,
) -> dict[str, np.ndarray]:
    """Return columns ``voltage_ab``, ``current_ab`` and so on: one row per step, the pairs one after the other.

    Only the driven pair carries current; for the others the meters show their zero. The copper warms by the
    energy put into it. The noise of each reading is the instrument's own.
    """
    steps = np.linspace(0.4, 3.2, 8) if currents is None else np.asarray(currents, dtype=float)
    columns: dict[str, list[float]] = {f"{q}_{p}": [] for p in ("ab", "bc", "ca") for q in ("voltage", "current")}
    warm = temperature
    for driven in range(3):
        for wanted in steps:
            current = wanted * (1 + 0.01 * rng.uniform(-1, 1))  # a supply is set by hand
            for pair, name in enumerate(("ab", "bc", "ca")):
                amperes = current if pair == driven else 0.0
                volts = winding.line(pair, warm) * amperes + winding.thermal_emf if pair == driven else 0.0
                columns[f"current_{name}"].append(float(ammeter.read(np.array([amperes]), rng)[0]) if amperes else 0.0)
                columns[f"voltage_{name}"].append(float(voltmeter.read(np.array([volts]), rng)[0]) if amperes else 0.0)
            warm += current**2 * winding.line(driven, warm) * seconds_per_step / winding.heat_capacity
    return {name: np.array(values) for name, values in columns.items()}

"""The insulation of an invented winding under a DC test voltage: charging, absorption and conduction
currents.

The current is the sum of the four parts that the textbooks on dielectrics name: the geometric capacitance
charged through the tester's own resistance, the absorption current of Curie and von Schweidler (t^-n),
conduction through the bulk, and leakage over the surface. Conduction follows an Arrhenius law, not the
halving rule of the standard.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

_BOLTZMANN_EV = 8.617333e-5


@dataclass(frozen=True)
class InsulationTruth:
    """An insulation system.

    ``bulk`` (ohm at 40 degC), ``absorption`` (A/V at one second), ``exponent`` n, ``capacitance`` (F),
    ``activation`` energy of conduction (eV), which absorption and leakage follow too where ``one_law``.
    Fault: ``surface_leakage`` (S), 0 for a clean dry winding, about
    1e-6 for a wet one.
    """

    bulk: float = 2e9
    absorption: float = 2e-8
    exponent: float = 0.8
    capacitance: float = 3e-9
    activation: float = 0.65
    one_law: bool = False
    surface_leakage: float = 0.0
    tester_resistance: float = 1e6

    def resistance(self, time: np.ndarray, temperature: float) -> np.ndarray:
        """Return the true apparent resistance ``(n,)`` (ohm) at ``time`` (s > 0), ``temperature`` in degC."""
        arrhenius = np.exp(self.activation / _BOLTZMANN_EV * (1 / (temperature + 273.15) - 1 / 313.15))
        tau = self.tester_resistance * self.capacitance
        conductance = (
            1 / (self.bulk * arrhenius)
            + (self.absorption * time**-self.exponent + self.surface_leakage) / (arrhenius if self.one_law else 1.0)
            + np.exp(-time / tau) / self.tester_resistance
        )
        return 1 / conductance


def insulation_log(
    truth: InsulationTruth,
    rng: np.random.Generator,
    *,
    duration: float = 610.0,
    interval: float = 10.0,
    temperature: float = 22.0,
    noise: float = 0.01,
    gain_error: float = 0.0,
    range_limit: float | None = None,
) -> dict[str, np.ndarray]:
    """Return a log ``time`` (s) and ``insulation_resistance`` (ohm), read to three figures.

    ``noise`` and ``gain_error`` are relative; readings above ``range_limit`` show the limit.
    """
    time = np.arange(interval, duration + 0.5 * interval, interval)
    shown = truth.resistance(time, temperature) * (1 + gain_error) * (1 + noise * rng.standard_normal(time.size))
    digit = 10 ** (np.floor(np.log10(shown)) - 2)
    shown = np.round(shown / digit) * digit
    if range_limit is not None:
        shown = np.minimum(shown, range_limit)
    return {"time": time, "insulation_resistance": shown}

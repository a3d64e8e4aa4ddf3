"""A measured quantity as the rest of the program asks it: its interval and the probability of its values."""

from __future__ import annotations

from dataclasses import dataclass

from .coverage import Interval, interval, law
from .forms import Form, effective_degrees_of_freedom
from .monte_carlo import Simulation


@dataclass(frozen=True)
class Result:
    """A linear form and, where that does not describe the quantity, its simulated distribution."""

    form: Form
    simulation: Simulation | None = None

    @property
    def value(self) -> float:
        """Return the best estimate in SI."""
        return self.form.value

    @property
    def standard_uncertainty(self) -> float:
        """Return the standard uncertainty."""
        return self.simulation.standard_uncertainty if self.simulation else self.form.standard_uncertainty

    def interval(self, probability: float) -> Interval:
        """Return the coverage interval; of one that is not symmetric, U is the longer side.

        A simulated interval belongs to the probability it was simulated for.
        """
        if self.simulation is None:
            return interval(self.form, probability)
        found = self.simulation
        half = max(found.high - self.value, self.value - found.low)
        u = found.standard_uncertainty
        dof = effective_degrees_of_freedom(self.form)
        return Interval(u, dof, half / u if u > 0 else 0.0, half, found.low, found.high)

    def probability_at_most(self, value: float) -> float:
        """Return the probability that the true value is at most ``value``."""
        if self.simulation is not None:
            return self.simulation.cumulative(value)
        if self.form.standard_uncertainty == 0:
            return float(self.value <= value)
        return law(self.form).cumulative(value - self.value)

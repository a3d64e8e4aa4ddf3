"""The EMF over the temperature of the magnets."""

from __future__ import annotations

from typing import Any


def emf_share(temperature: Any, coefficient: Any, reference: float = 20.0) -> Any:
    """Return the EMF over that at the ``reference`` temperature: 1 + coefficient (T - reference), in degC and 1/K.

    The reversible loss of remanence over temperature is stated so in the trade (IEC 60404-8-1, temperature coefficient
    of the remanent flux density; from memory; values by material: Modelica.Magnetic.FluxTubes.Material.HardMagnetic of
    the Modelica Standard Library 4.0.0).
    """
    return 1.0 + coefficient * (temperature - reference)

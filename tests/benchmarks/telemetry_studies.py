"""Coverage studies of a field-oriented drive's telemetry."""

from __future__ import annotations

import math

import numpy as np

from tests.simulation.field_oriented_drive import LEVELS, Truth, steps, telemetry
from tests.simulation.study import Case, Reader, study


def drawn(rng: np.random.Generator, kind: str) -> Case:
    """Return a random drive with its record: ``fast`` (each period), ``slow`` (5 ms) or ``q`` (5 ms, no d axis)."""
    truth = Truth(
        resistance=rng.uniform(0.08, 0.25),
        inductance_q=rng.uniform(0.15e-3, 0.4e-3),
        inductance_d=rng.uniform(0.15e-3, 0.4e-3),
        emf=rng.uniform(0.35, 0.7),
        inertia=rng.uniform(0.05, 0.12),
        coulomb=rng.uniform(0.2, 0.5),
        viscous=rng.uniform(0.006, 0.02),
        switches=rng.uniform(0.0, 0.010),
        bridge=rng.uniform(0.0, 0.5),
        ripple=rng.uniform(0.1, 0.6),
        rate=1000.0,
        every=1 if kind == "fast" else 5,
    )
    top = 8.0
    columns = telemetry(truth, steps([top * one for one in LEVELS], 0.5), 4.0, rng)
    gains = {name: 1 + rng.uniform(-1, 1) * share for name, share in (("voltage", 0.005), ("current", 0.01))}
    offset = rng.uniform(-0.02, 0.02)
    shown = {
        name: values * gains.get(name.partition("_")[0], 1.0) + (offset if name.startswith("current") else 0.0)
        for name, values in columns.items()
        if not (kind == "q" and name.endswith("_d"))
    }
    harmonics = rng.uniform(-0.05, 0.05), rng.uniform(-0.025, 0.025)
    magnets, coefficient = 20.0 + rng.uniform(-10, 10), -rng.uniform(0.0007, 0.0013)
    share = 1.0 + coefficient * (magnets - 20.0)
    line = math.sqrt(3.0) * truth.emf / share
    # The mean of a wave over the 60 degrees about its crest: (3/pi) sum a_n (2/n) sin(n pi/6).
    dc = (
        line
        * 6
        / math.pi
        * sum(a * math.sin(n * math.pi / 6) / n for n, a in zip((1, 5, 7), (1.0, *harmonics), strict=True))
    )
    found = {
        "phase_resistance": truth.resistance,
        "torque_constant_q": 1.5 * truth.emf / share,
        "emf_constant_dc": dc,
        "speed_constant": 1.0 / dc,
        "moment_of_inertia": truth.inertia,
        "coulomb_friction": truth.coulomb,
        "viscous_friction": truth.viscous,
    }
    return Case(
        [(shown, {"transform": 0.0, "speed_kind": 0.0, "winding_temperature": (20.0, 0.5)})],
        found,
        (
            Reader("voltage", "0.5 %", ("voltage_q", "voltage_d")),
            Reader("current", "1 % + 20 mA", ("current_q", "current_d")),
        ),
        {"pole_pairs": float(truth.pole_pairs), "winding_constant": 234.5, "nameplate_rated_voltage": 60.0},
    )


TELEMETRY = tuple(study(f"telemetry, {kind}", "telemetry", drawn, kind=kind) for kind in ("fast", "slow", "q"))

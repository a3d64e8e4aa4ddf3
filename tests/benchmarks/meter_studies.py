"""Coverage studies of a bench with hand meters alone: AC volts against a tachometer."""

from __future__ import annotations

import numpy as np

from tests.simulation.ac_meter import Wave, meter_log
from tests.simulation.instruments import BenchInstrument
from tests.simulation.study import Case, Reader, study


def emf_by_meter(rng: np.random.Generator, mean_responding: bool) -> Case:
    wave = Wave(
        linkage=rng.uniform(0.3, 0.8),
        flat=rng.uniform(60, 130),
        round_=rng.uniform(5, 40),
        unlike=tuple(rng.uniform(0.99, 1.01, 3)),  # type: ignore[arg-type]
    )
    meter = BenchInstrument.drawn(rng, 0.01, 0.05, noise=0.03, step=0.01)
    tachometer = BenchInstrument.drawn(rng, 0.001, 0.02, noise=0.02, step=0.01)
    columns = meter_log(
        wave, rng, meter, tachometer, mean_responding=mean_responding, speeds=np.linspace(9.0, 30.0, rng.integers(4, 8))
    )
    volts = ("ac_voltage_ab", "ac_voltage_bc", "ac_voltage_ca")
    return Case(
        [(columns, {"meter": float(mean_responding), "magnet_temperature": 20.0})],
        wave.truth(),
        (Reader("voltage", "1 % + 0.05 V", volts), Reader("speed", "0.1 % + 0.02 rad/s", ("speed",))),
    )


METERS = (
    study("emf-by-meter, true RMS", "emf-by-meter", emf_by_meter, mean_responding=False),
    study("emf-by-meter, mean-responding", "emf-by-meter", emf_by_meter, mean_responding=True),
)

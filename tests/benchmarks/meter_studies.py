"""Coverage studies of a bench with hand meters: AC volts against a tachometer, a resistance every five minutes."""

from __future__ import annotations

import numpy as np

from tests.simulation.ac_meter import Wave, meter_log
from tests.simulation.heat import HeatTruth
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


def heat_by_resistance(rng: np.random.Generator, delay: float) -> Case:
    """Draw a run with nothing but the resistance A-B every five minutes, ``delay`` s after the load is cut."""
    truth = HeatTruth(
        resistance=rng.uniform(0.15, 0.35),
        winding_iron=rng.uniform(3.5, 7),
        shell_air=rng.uniform(1.2, 2.2),
        capacities=tuple(np.array((250.0, 900.0, 1400.0, 500.0)) * rng.uniform(0.7, 1.4, 4)),
        exponent=rng.uniform(0, 0.3),
    )
    current, air = rng.uniform(9, 14), 22.0
    tau = truth.slowest(current, air)
    moments = np.arange(0.0, rng.uniform(3, 4.5) * tau, 300.0)
    found = truth.integrate(np.full(4, air), moments, current, (air, 0.0))
    winding = found[0]
    if delay:
        winding = np.array(
            [truth.integrate(state, np.array([0.0, delay]), 0.0, (air, 0.0))[0, -1] for state in found.T]
        )
    ohms = truth.resistance * (234.5 + winding) / 254.5
    meter = BenchInstrument.drawn(rng, 0.005, 0.0, noise=3e-4 * truth.resistance, step=1e-5)
    steady = truth.steady(current, air)
    rise = float(steady[0] - air)
    cold = float(meter.read(np.full(1, truth.resistance * 256.5 / 254.5), rng)[0])
    conditions = {
        "cold_resistance": cold,
        "cold_temperature": air,
        "ambient_temperature": air,
        "reading_delay": delay,
        "heat_power": float(truth.heat(current, winding[-1])),
        "test_current": current,
    }
    return Case(
        [({"time": moments, "resistance_ab": meter.read(ohms, rng)}, conditions)],
        {
            "temperature_rise": rise,
            "thermal_resistance": rise / truth.heat(current, steady[0]),
            "thermal_time_constant": tau,
            "continuous_current": truth.current_for(145.0, 40.0),
        },
        (Reader("resistance", "0.5 %", ("resistance_ab",), ("cold_resistance",)),),
        {"winding_constant": 234.5, "nameplate_insulation_limit": 155.0, "nameplate_hot_spot_allowance": 10.0},
    )


METERS = (
    study("heat-run by resistance under load, every five minutes", "heat-run", heat_by_resistance, delay=0.0),
    study("heat-run by resistance 20 s after each cut", "heat-run", heat_by_resistance, delay=20.0),
    study("emf-by-meter, true RMS", "emf-by-meter", emf_by_meter, mean_responding=False),
    study("emf-by-meter, mean-responding", "emf-by-meter", emf_by_meter, mean_responding=True),
)

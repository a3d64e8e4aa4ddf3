"""Coverage study of gate timing: sound captures by a logic analyser whose clock lies within its statement."""

from __future__ import annotations

import numpy as np

from rotorproof.physics.gate_stream import GateStream
from rotorproof.procedures import procedures
from tests.simulation.gate_capture import CHANNELS, GateBench, GateFaults
from tests.simulation.study import Case, Reader, study


def gate_timing(rng: np.random.Generator) -> Case:
    longer = {(leg, side): rng.uniform(0, 300e-9) for leg in "abc" for side in ("low", "high")}
    dead, frequency = rng.uniform(300e-9, 1200e-9), rng.uniform(8e3, 25e3)
    bench = GateBench(
        pwm_frequency=frequency,
        dead_time=dead,
        period_jitter=rng.uniform(0, 30e-9),
        scheme=str(rng.choice(["high complementary", "low complementary", "bipolar"])),
        duty=rng.uniform(0.3, 0.7),
        electrical_frequency=rng.uniform(40, 120),
        faults=GateFaults(dead_time_error=longer),
    )
    capture = bench.capture(0.15, float(rng.choice([16e6, 24e6])), rng, clock_error=50e-6 * rng.uniform(-1, 1))
    times, levels = capture.rows()
    stream = GateStream(capture.sample_rate)
    stream.feed({"time": times, **{name: levels[:, k] for k, name in enumerate(CHANNELS)}})
    procedure = procedures()["gate-timing"]
    timed = tuple(name for name in procedure.reduced_columns if procedure.source_column(name) == "time")
    return Case(
        [(stream.finish(), {"sample_rate": capture.sample_rate})],
        {"dead_time_min": dead + min(longer.values()), "pwm_frequency": frequency},
        (Reader("time", "50 ppm", timed),),
    )


GATES = (study("gate-timing", "gate-timing", gate_timing),)

"""Position sensors by a scope of two channels: one sensor or line at a time beside line A-B, joined by it.

Truth: the seats that the invented sensors were given (``tests/simulation/hall.py``), in captures taken one after the
other at other speeds and other moments.
"""

from __future__ import annotations

import numpy as np
import pytest

from rotorproof.errors import FitError
from rotorproof.fitting.engine import Outcome
from rotorproof.procedures import procedures
from rotorproof.uncertainty.coverage import interval
from tests.procedures.runs import outcome
from tests.simulation.hall import Sensors, hall_log
from tests.simulation.open_circuit import Machine, Scope

PROCEDURE = procedures()["hall-sensors"]
PLACES = (58.0, 185.0, 300.0)  # 60, 180 and 300 degrees behind A-B, out of place by -2, 5 and 0


def _captures(pairs: list[tuple[str, ...]], seed: int = 1) -> list[dict[str, np.ndarray]]:
    rng = np.random.default_rng(seed)
    sensors, machine = Sensors(PLACES, jitter=0.3), Machine()
    made = []
    for number, names in enumerate(pairs):
        log = hall_log(sensors, machine, Scope(), rng, speed_rpm=60.0 + 7.0 * number, seconds=1.0)
        made.append({name: log[name] for name in ("time", *names)})
    return made


def _run(pairs: list[tuple[str, ...]], seed: int = 1) -> Outcome:
    return outcome(PROCEDURE, [(columns, {}) for columns in _captures(pairs, seed)])


TWO_CHANNELS = [
    ("voltage_ab", "hall_a"),
    ("voltage_ab", "hall_b"),
    ("voltage_ab", "hall_c"),
    ("voltage_ab", "voltage_bc"),
]


def test_four_captures_of_two_channels_give_the_table_of_one_of_six() -> None:
    whole = _run([("voltage_ab", "voltage_bc", "voltage_ca", "hall_a", "hall_b", "hall_c")])
    found = _run(TWO_CHANNELS)
    for name in ("commutation_table", "hall_sequence", "hall_spacing"):
        assert found.forms[name].value == whole.forms[name].value
    mean = np.mean(np.array(PLACES) - (60, 180, 300))
    for sensor, place, ideal in zip("abc", PLACES, (60.0, 180.0, 300.0), strict=True):
        cover = interval(found.forms[f"hall_placement_{sensor}"])
        assert np.degrees(cover.low) - 0.2 < place - ideal - mean < np.degrees(cover.high) + 0.2
    # Behind the place at which a six-step drive should commutate, by as much as the seats are on the mean.
    cover = interval(found.forms["hall_offset"])
    assert np.degrees(cover.low) - 0.2 < mean < np.degrees(cover.high) + 0.2
    assert "4 captures were joined through line A-B" in " ".join(found.report.notes)


def test_what_cannot_be_joined() -> None:
    with pytest.raises(FitError, match="no line voltage in common"):
        _run([("voltage_ab", "hall_a"), ("voltage_bc", "hall_b")])
    with pytest.raises(FitError, match="no capture holds sensor C"):
        _run([("voltage_ab", "hall_a"), ("voltage_ab", "hall_b")])

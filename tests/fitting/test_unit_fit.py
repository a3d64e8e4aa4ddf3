"""A unit as a whole: what its own file states is its own, how far its drag was measured, what cannot be predicted.

No outside values: the wave, the drag and the speeds are chosen, and only how they are put together is checked.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from rotorproof.fitting.grouping import TestLog
from rotorproof.fitting.unit_fit import UnitFit, fit_unit
from rotorproof.procedures.base import Log
from rotorproof.settings.load import conditions_of
from rotorproof.settings.run import RunSettings
from rotorproof.settings.unit import UnitFile

PACK = {"voltage_full": "42 V", "voltage_nominal": "36 V", "voltage_empty": "30 V"}
EMF, RESISTANCE = 1.2, 0.1  # V s/rad (DC), ohm of a phase


def steps() -> dict[str, np.ndarray]:
    current = np.linspace(1.0, 6.0, 8)
    noise = 1e-5 * np.tile([1.0, -1.0], 4)
    columns = {f"current_{pair}": current for pair in ("ab", "bc", "ca")}
    return columns | {f"voltage_{pair}": 2 * RESISTANCE * current + noise for pair in ("ab", "bc", "ca")}


def free_run(top: float) -> dict[str, np.ndarray]:
    speed = np.concatenate([[0.0, 0.0], np.linspace(0.2 * top, top, 8)])
    current = np.where(speed > 0, (0.4 + 0.01 * speed) / EMF, 0.05) + 1e-4 * np.tile([1.0, -1.0], 5)
    voltage = np.where(speed > 0, EMF * speed + 2 * RESISTANCE * current, 20.0)
    return {"supply_voltage": voltage, "supply_current": current, "speed": speed}


def driven(speed: float) -> dict[str, np.ndarray]:
    time = np.arange(4000) / 20_000.0
    angle = 10 * speed * time
    lines = {
        pair: EMF * np.pi / 3 * speed * np.sin(angle - k * 2 * np.pi / 3) for k, pair in enumerate(("ab", "bc", "ca"))
    }
    return {"time": time, "speed": np.full(time.size, speed)} | {
        f"voltage_{pair}": line for pair, line in lines.items()
    }


def fitted(name: str = "U-1", vehicle: dict[str, Any] | None = None, **logs: dict[str, np.ndarray]) -> UnitFit:
    conditions = {"winding_temperature": "20 degC"}
    unit = UnitFile.model_validate(
        {
            "unit": name,
            "kind": "motor",
            "nameplate": {"rolling_circumference": "2.1 +/- 0.01 m", "pole_pairs": 10},
            "tests": [
                {
                    "procedure": key.replace("_", "-"),
                    "log": key,
                    "conditions": {} if key == "open_circuit" else conditions,
                }
                for key in logs
            ],
        }
    )
    entries = []
    for test, columns in zip(unit.tests, logs.values(), strict=True):
        written = conditions_of(test)
        values = {key: measured.value for key, measured in written.items()}
        entries.append(TestLog(test, Log(test.procedure, columns, values), written))
    settings = RunSettings.model_validate({"config_version": 1, "pack": PACK, "vehicle": vehicle})
    return fit_unit(unit, entries, settings, f"{name}/unit.yaml")


VEHICLE = {"mass": "110 kg", "rolling_resistance": "0.008", "drag_area": "0.5 m^2", "air_density": "1.2 kg/m^3"}


def test_a_fast_open_circuit_run_does_not_narrow_what_is_said_of_drag_at_speed() -> None:
    slow = fitted(winding_resistance=steps(), no_load=free_run(8.0))
    beside = fitted(winding_resistance=steps(), no_load=free_run(8.0), open_circuit=driven(40.0))
    for found in (slow, beside):
        (part,) = found.derived
        sources = {i.source: abs(c) for i, c in part.forms["pack_no_load_speed"].terms.items()}
        assert sources["assumed drag beyond bench"] > 0
        assert any("The drag was measured up to 76 rpm" in note for note in part.shown.notes)


@pytest.mark.usefixtures("smooth_drive")
def test_what_one_units_nameplate_states_is_no_error_of_another() -> None:
    names = []
    for name in ("U-1", "U-2"):
        (part,) = fitted(name, VEHICLE, winding_resistance=steps(), no_load=free_run(25.0)).derived
        names.append({i.name for i in part.forms["pack_road_speed"].terms if "circumference" in i.name})
    assert names[0] and names[1] and not names[0] & names[1]


@pytest.mark.usefixtures("smooth_drive")
def test_what_cannot_be_predicted_is_a_problem_that_says_why() -> None:
    found = fitted(winding_resistance=steps(), no_load=free_run(25.0))
    messages = [problem.message for problem in found.problems if problem.procedure == "pack-prediction"]
    assert (
        "Road speed on the pack, Steepest grade, Energy per distance: needs the vehicle in config.yaml" in messages[1]
    )
    assert messages[0] == "Continuous torque on the pack: needs continuous current (Heat run)"


def test_a_unit_without_any_of_the_needs_is_not_asked_for_predictions() -> None:
    found = fitted()
    assert not [problem for problem in found.problems if problem.procedure == "pack-prediction"]

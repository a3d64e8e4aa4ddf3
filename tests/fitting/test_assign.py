"""Which errors a run carries: ranges, channels, probes, rounding, shared serial numbers, calibration dates."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from rotorproof.fitting.assign import Assigned, assign
from rotorproof.fitting.calibration import instrument_problems
from rotorproof.procedures import procedures
from rotorproof.procedures.base import Log
from rotorproof.settings.unit import UnitFile
from rotorproof.units import parse

PROCEDURE = procedures()["winding-resistance"]


def unit(name: str = "U-1", **instrument: Any) -> UnitFile:
    meter = {"accuracy": {"voltage": "0.5 % + 1 mV", "current": "0.5 %", "temperature": "1 degC"}, **instrument}
    return UnitFile.model_validate(
        {
            "unit": name,
            "kind": "motor",
            "instruments": {"meter": meter},
            "tests": [{"procedure": "winding-resistance", "log": "r.csv"}],
        }
    )


def assigned(file: UnitFile, scale: float = 1.0) -> Assigned:
    current = np.repeat(np.arange(1.0, 7.0), 2)
    columns = {}
    for pair in ("ab", "bc", "ca"):
        columns[f"current_{pair}"] = current
        columns[f"voltage_{pair}"] = 0.2 * current * scale
    written = {"winding_temperature": parse("21 degC", "temperature")}
    log = Log("r", columns, {"winding_temperature": 21.0})
    return assign(file, PROCEDURE, file.tests, [log], [written], "U-1/unit.yaml")


def names(found: Assigned, kind: str) -> list[str]:
    return sorted(e.influence.name for e in found.instruments if f"/{kind}" in e.influence.name)


def test_a_plain_statement_is_one_error_for_all_columns_of_its_kind() -> None:
    found = assigned(unit())
    assert names(found, "voltage") == ["instrument/U-1/meter/voltage"]
    (voltage,) = [e for e in found.instruments if e.influence.name.endswith("voltage")]
    assert len(voltage.columns) == 3
    (temperature,) = [e for e in found.instruments if e.influence.name.endswith("temperature")]
    assert temperature.conditions == ((0, "winding_temperature"),)
    assert found.problems == []


def test_independent_channels_are_independent_errors() -> None:
    found = assigned(unit(channels="independent"))
    assert names(found, "voltage") == [f"instrument/U-1/meter/voltage/voltage_{p}" for p in ("ab", "bc", "ca")]


def test_a_probe_belongs_to_its_channel_a_shunt_to_the_instrument() -> None:
    accuracy = {"voltage": {"accuracy": "1 %", "probe": "2 %"}, "current": {"accuracy": "1 %", "shunt": "0.5 %"}}
    found = assigned(unit(accuracy=accuracy))
    probes = [f"instrument/U-1/meter/voltage/probe/voltage_{p}" for p in ("ab", "bc", "ca")]
    assert names(found, "voltage") == ["instrument/U-1/meter/voltage", *probes]
    assert names(found, "current") == ["instrument/U-1/meter/current", "instrument/U-1/meter/current/shunt"]


def test_two_entries_of_one_serial_number_each_keep_their_accuracy() -> None:
    low = {"serial": "7", "accuracy": {"voltage": "0.1 %", "current": "0.2 %", "temperature": "1 degC"}}
    file = UnitFile.model_validate(
        {
            "unit": "U-1",
            "kind": "motor",
            "instruments": {"low": low, "high": {"serial": "7", "accuracy": {"voltage": "2 %"}}},
            "tests": [
                {
                    "procedure": "winding-resistance",
                    "log": "r.csv",
                    "instruments": {"voltage_ab": "low", "voltage_bc": "high", "voltage_ca": "high"},
                }
            ],
        }
    )
    found = {
        column: error.accuracy.relative
        for error in assigned(file).instruments
        for _, column in error.columns
        if column.startswith("voltage")
    }
    assert found == pytest.approx({"voltage_ab": 0.001, "voltage_bc": 0.02, "voltage_ca": 0.02})


def test_range_by_the_largest_reading_and_a_reading_beyond_is_named() -> None:
    ranges = [{"range": "2 V", "accuracy": "0.1 %"}, {"range": "20 V", "accuracy": "0.2 %"}]
    file = unit(accuracy={"voltage": ranges, "current": "1 %"})
    assert names(assigned(file), "voltage") == ["instrument/U-1/meter/voltage/2"]
    assert names(assigned(file, 10), "voltage") == ["instrument/U-1/meter/voltage/20"]
    beyond = assigned(file, 100)
    assert any("beyond the largest range" in problem.message for problem in beyond.problems)
    assert names(beyond, "voltage") == ["instrument/U-1/meter/voltage/20"]


def test_rounding_counts_where_readings_do_not_move() -> None:
    accuracy = {"voltage": {"accuracy": "1 %", "resolution": "1 mV"}, "current": "1 %", "temperature": "1 degC"}
    assert not any("resolution" in n for n in names(assigned(unit(accuracy=accuracy)), "voltage"))
    flat = assigned(unit(accuracy=accuracy), 1e-4)
    assert names(flat, "voltage/resolution") == [
        f"instrument/U-1/meter/voltage/resolution/U-1/r.csv/voltage_{p}" for p in ("ab", "bc", "ca")
    ]


def test_a_serial_number_ties_units_until_the_next_calibration() -> None:
    def name(**instrument: Any) -> str:
        return names(assigned(unit(**instrument)), "voltage")[0]

    one = name(serial="123", calibrated_on="2026-01-10")
    assert one == names(assigned(unit("U-2", serial="123", calibrated_on="2026-01-10")), "voltage")[0]
    assert one != name(serial="123", calibrated_on="2025-01-10")
    assert name() != names(assigned(unit("U-2")), "voltage")[0]


def test_temperature_coefficient_asks_for_the_ambient_temperature() -> None:
    accuracy = {"voltage": {"accuracy": "1 %", "temperature_coefficient": "0.1 %"}, "current": "1 %"}
    found = assigned(unit(accuracy=accuracy))
    assert any("ambient temperature, which is not stated" in p.message for p in found.problems)
    file = unit(accuracy=accuracy)
    warm = UnitFile.model_validate(
        {
            **file.model_dump(by_alias=True, exclude={"instruments", "ambient"}, exclude_none=True),
            "instruments": {"meter": {"accuracy": accuracy}},
            "ambient": {"temperature": "35 degC"},
        }
    )
    assert "instrument/U-1/meter/voltage/temperature" in names(assigned(warm), "voltage")


def test_calibration_is_checked_against_the_day_of_the_test() -> None:
    def messages(tested_on: str | None, **instrument: Any) -> list[str]:
        data = {"unit": "U", "kind": "motor", "instruments": {"meter": instrument}}
        file = UnitFile.model_validate(data | ({"tested_on": tested_on} if tested_on else {}))
        return [problem.message for problem in instrument_problems(file, "U/unit.yaml")]

    assert messages("2026-05-02", calibration_due="2026-05-02") == []
    (late,) = messages("2026-05-03", calibration_due="2026-05-02")
    assert "was due on 2026-05-02, before the test on 2026-05-03" in late
    (undated,) = messages(None, calibration_due="2026-05-02")
    assert "add 'tested_on'" in undated
    (future,) = messages("2026-05-02", calibrated_on="2026-06-01")
    assert "after the test" in future
    (typical,) = messages("2026-05-02", like="handheld-multimeter", typical=["voltage"])
    # Of one whose every accuracy is its own nothing is typical.
    assert messages("2026-05-02", like="handheld-multimeter") == []
    assert "typical of a handheld multimeter" in typical

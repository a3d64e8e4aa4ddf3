"""What the columns and conditions of a test alone tell that it cannot give, procedure by procedure."""

from __future__ import annotations

import numpy as np
import pytest

from rotorproof.procedures import procedures
from rotorproof.procedures.base import Log
from rotorproof.procedures.throttle import FAULTS

GIVES = {name: set(procedure.gives) for name, procedure in procedures().items()}
CASES = list(next(c for c in procedures()["throttle"].conditions if c.name == "case").choices)
OF_FAULTS = set(procedures()["throttle"].gives[7:])
TELEMETRY = "time voltage_q current_q speed"
ALL = "everything"


def lacking(name: str, logs: list[tuple[str, dict[str, float]]], known: set[str]) -> set[str]:
    made = [Log(name, {column: np.ones(1) for column in columns.split()}, stated) for columns, stated in logs]
    found: set[str] = set()
    for lack in procedures()[name].lacks(made, known):
        assert lack.why
        assert set(lack.quantities) <= GIVES[name]
        found |= set(lack.quantities or GIVES[name])
    return found


@pytest.mark.parametrize(
    ("name", "logs", "lacks"),
    [
        ("controller-loss", [("supply_voltage supply_current", {"state": 0.0})], {"standby_power"}),
        (
            "controller-loss",
            [("supply_voltage supply_current", {"state": 1.0})],
            {"controller_efficiency", "controller_loss"},
        ),
        ("controller-loss", [("supply_voltage", {"state": 0.0}), ("supply_voltage", {"state": 1.0})], set()),
        ("current-limit", [("time supply_current", {})], {"phase_current_limit"}),
        (
            "current-limit",
            [("time current_a current_b", {})],
            {"supply_current_limit", "supply_current_overshoot"},
        ),
        ("current-limit", [("time current_a", {})], ALL),
        ("current-limit", [("time supply_current current_a current_b", {})], set()),
        (
            "emf-by-meter",
            [("speed ac_voltage_ab ac_voltage_bc", {"meter": 0.0, "magnet_temperature": 20.0})],
            {"emf_unbalance"},
        ),
        ("open-circuit", [("time voltage_ab speed", {})], {"phase_sequence", "emf_unbalance"}),
        ("open-circuit", [("time voltage_a voltage_b", {"speed": 9.0})], {"phase_sequence", "emf_unbalance"}),
        ("open-circuit", [("time voltage_a voltage_b voltage_c", {})], {"pole_pairs", "pole_pair_ratio"}),
        ("open-circuit", [("time voltage_ab voltage_bc", {"speed": 9.0})], set()),
        ("telemetry", [(TELEMETRY, {"winding_temperature": 24.0})], {"inductance_d"}),
        ("telemetry", [(TELEMETRY + " voltage_d current_d", {})], {"phase_resistance", "electrical_time_constant"}),
        ("telemetry", [(TELEMETRY + " voltage_d current_d temperature_winding", {})], set()),
        ("throttle", [("time duty", {"case": float(k)}) for k in range(len(CASES))], set()),
        ("throttle", [("time duty", {"case": float(CASES.index("sweep"))})], OF_FAULTS),
        (
            "throttle",
            [("time duty", {"case": float(k)}) for k, case in enumerate(CASES) if case != "sensor lost"],
            {FAULTS["sensor lost"][0], "fault_response_time"},
        ),
        ("winding-inductance", [("inductance_ab", {})], {"electrical_time_constant"}),
        ("winding-inductance", [("current_ab", {})], ALL),
        ("winding-inductance", [("time current_ab voltage_ab", {})], set()),
        ("load", [("torque speed current_q", {})], {"efficiency_max"}),
        ("load", [("torque speed wattmeter_1 wattmeter_2", {})], set()),
        ("load", [("torque speed supply_voltage supply_current", {})], set()),
        (
            "heat-run",
            [("time temperature_winding", {"test_current": 5.0})],
            {"thermal_resistance", "thermal_capacity"},
        ),
        ("heat-run", [("time temperature_winding", {"heat_power": 5.0})], {"continuous_current"}),
        ("heat-run", [("time temperature_winding supply_voltage supply_current", {"output_power": 0.0})], set()),
    ],
)  # fmt: skip
def test_what_names_alone_tell(name: str, logs: list[tuple[str, dict[str, float]]], lacks: set[str] | str) -> None:
    assert lacking(name, logs, set()) == (GIVES[name] if lacks == ALL else lacks)


def test_a_time_constant_needs_no_resistance_of_its_own_where_another_test_gives_it() -> None:
    assert lacking("winding-inductance", [("inductance_ab", {})], {"phase_resistance"}) == set()

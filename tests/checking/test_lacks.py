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
NO_LOAD = "supply_voltage supply_current speed"
CONSTANTS = {"emf_constant_peak", "emf_constant_rms", "emf_constant_dc", "speed_constant", "torque_constant"}
HEAT_RUN = "time temperature_winding supply_voltage supply_current output_power"
BY_MACHINE = {"coulomb_friction", "viscous_friction", "emf_constant_dc"}
#: What a unit's file states of a motor whose nameplate can be read.
STATED = {"ambient_temperature", "nameplate_rated_power", "nameplate_pole_pairs", "nameplate_insulation_limit"}


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
    assert lacking(name, logs, STATED) == (GIVES[name] if lacks == ALL else lacks)


@pytest.mark.parametrize(
    ("name", "log", "known", "lacks"),
    [
        ("load", ("torque speed supply_voltage supply_current", {}), "", {"rated_torque"}),
        ("load", ("torque speed supply_voltage supply_current", {}), "nameplate_rated_power", set()),
        ("telemetry", (TELEMETRY + " voltage_d current_d temperature_winding", {}), "nameplate_rated_power", ALL),
        ("telemetry", (TELEMETRY + " voltage_d current_d temperature_winding", {}), "nameplate_pole_pairs", set()),
        ("telemetry", (TELEMETRY + " voltage_d current_d temperature_winding", {}), "pole_pairs", set()),
        ("coast-down", ("time voltage_ab", {"moment_of_inertia": 0.1}), "", ALL),
        ("coast-down", ("time voltage_ab", {"moment_of_inertia": 0.1}), "pole_pairs", set()),
        ("coast-down", ("time speed", {"moment_of_inertia": 0.1}), "", set()),
        ("coast-down", ("time angle", {"moment_of_inertia": 0.1}), "", set()),
        ("open-circuit", ("time voltage_ab voltage_bc", {}), "", {"pole_pairs", "pole_pair_ratio", *CONSTANTS}),
        ("open-circuit", ("time voltage_ab voltage_bc speed", {}), "", set()),
        ("no-load", (NO_LOAD, {"winding_temperature": 20.0}), "", BY_MACHINE),
        ("no-load", (NO_LOAD, {"winding_temperature": 20.0}), "phase_resistance", set()),
        ("no-load", (NO_LOAD, {}), "phase_resistance", BY_MACHINE),
        ("no-load", (NO_LOAD + " temperature_winding", {"line_resistance": 0.2}), "", set()),
        ("no-load", (NO_LOAD, {"resistance_from": 0.0}), "nameplate_rated_power", BY_MACHINE),
        ("no-load", (NO_LOAD, {"resistance_from": 0.0}), "nameplate_rated_voltage", BY_MACHINE),
        ("no-load", (NO_LOAD, {"resistance_from": 0.0}), "nameplate_rated_power nameplate_rated_voltage", set()),
        ("no-load", (NO_LOAD, {"resistance_from": 0.0}), "nameplate_rated_power nameplate_rated_current", set()),
        ("heat-run", (HEAT_RUN, {"test_current": 5.0}), "ambient_temperature", {"continuous_current"}),
        ("heat-run", (HEAT_RUN, {"test_current": 5.0}), "ambient_temperature nameplate_insulation_limit", set()),
        ("heat-run", (HEAT_RUN, {"test_current": 5.0, "temperature_limit": 110.0}), "ambient_temperature", set()),
        ("heat-run", (HEAT_RUN + " temperature_ambient", {"test_current": 5.0}), "nameplate_insulation_limit", set()),
        ("heat-run", (HEAT_RUN, {"test_current": 5.0}), "nameplate_insulation_limit", ALL),
        (
            "heat-run",
            (HEAT_RUN.replace("winding", "case"), {"test_current": 5.0}),
            "ambient_temperature nameplate_insulation_limit",
            {"continuous_current"},
        ),
    ],
)
def test_what_the_units_file_does_not_state(
    name: str, log: tuple[str, dict[str, float]], known: str, lacks: set[str] | str
) -> None:
    assert lacking(name, [log], set(known.split())) == (GIVES[name] if lacks == ALL else lacks)


def test_a_time_constant_needs_no_resistance_of_its_own_where_another_test_gives_it() -> None:
    assert lacking("winding-inductance", [("inductance_ab", {})], {"phase_resistance"}) == set()

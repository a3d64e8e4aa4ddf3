"""From the files of a kitchen-table bench to intervals, with the layouts that `layout` proposes and a person completes.

Truth is that of `tests/simulation/kitchen` (machine and bridge solved in time, by the definitions of
`tests/simulation/independent/definitions.py`); whoever wrote it had not read the fits.
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import openpyxl
import pytest
import yaml

from rotorproof.__main__ import main
from rotorproof.commands import _project, layout
from rotorproof.workflow import RunPlan
from tests.benchmarks import independent_coverage
from tests.simulation.independent.logs import write_unit
from tests.simulation.kitchen.bench import write

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parents[2]
SEED = 1
"""Set before this test first ran, and not chosen by what it gives."""

PAIRS = ("ab", "bc", "ca")
LEVELS = {"legs-ab": "ab", "legs-bc": "bc"}
INSTRUMENTS: dict[str, Any] = {
    "dmm": {"like": "handheld-multimeter"},
    "ac": {
        "model": "the same meter on AC (invented)",
        "accuracy": {
            "voltage": [
                {"range": "6 V", "accuracy": "1.2 % + 5 digits", "resolution": "1 mV"},
                {"range": "60 V", "accuracy": "1.2 % + 5 digits", "resolution": "10 mV"},
            ]
        },
    },
    "supply": {
        "model": "display of the supply (invented)",
        "accuracy": {"voltage": "0.5 % + 20 mV", "current": "0.5 % + 10 mA"},
    },
    "by-resistance": {"model": "winding, by its resistance", "accuracy": {"temperature": "0.5 degC"}},
    "clock": {"model": "clock on the wall (invented)", "accuracy": {"time": "0.1 %"}},
    "scope": {"like": "8-bit-oscilloscope"},
    "tachometer": {"like": "contactless-tachometer"},
    "scale": {"like": "spring-scale-with-lever"},
    "film": {"model": "film of the tachometer (invented)", "accuracy": {"time": "0.05 s"}},
    "analyser": {"model": "eight channels, 24 MHz (invented)", "accuracy": {"time": "50 ppm"}},
}


def levels(names: list[str]) -> dict[str, dict[str, Any]]:
    return {name: {"column": f"D{k}", "unit": "1"} for k, name in enumerate(names)}


SENSORS = ["hall_a", "hall_b", "hall_c"]
#: Layout -> file, the sheet, and what a person answers where the proposal asks.
ANSWERS: dict[str, tuple[str, str | None, dict[str, dict[str, Any]]]] = {
    "resistance": ("KT-M1/bench-book.xlsx", "Resistance", {}),
    "emf": ("KT-M1/bench-book.xlsx", "EMF", {}),
    "free": (
        "KT-M1/bench-book.xlsx",
        "No load",
        {
            "supply_voltage": {"column": "U (V)", "unit": "V"},
            "supply_current": {"column": "I (A)", "unit": "A"},
        },
    ),
    "locked": ("KT-M1/bench-book.xlsx", "Locked", {"current_ab": {"column": "I (A)", "unit": "A"}}),
    "meter": ("KT-M1/METER01.CSV", None, {"temperature_case": {"column": "Reading", "unit": "degC"}}),
    "typed": ("KT-M1/coast.csv", None, {}),
    "scope": (
        "KT-M1/scope-70.csv",
        None,
        {
            "voltage_ab": {"column": 2, "unit": "V"},
            "voltage_bc": {"column": 3, "unit": "V", "invert": True},
        },
    ),
    "halls": ("KT-M1/halls.vcd", None, levels(SENSORS)),
    **{
        f"level-{pair}": (
            f"KT-M1/scope-a-{pair}.csv",
            None,
            {
                f"voltage_{pair}": {"column": 2, "unit": "V", "invert": pair == "bc"},
                "hall_a": {"column": 3, "unit": "V", "threshold": 2.5},
            },
        )
        for pair in ("ab", "bc")
    },
    "window": (
        "KT-C1/window.csv",
        None,
        {
            "supply_voltage": {"column": 2, "unit": "V"},
            "supply_current": {"column": 3, "unit": "A"},
        },
    ),
    "standby": (
        "KT-C1/standby.csv",
        None,
        {
            "supply_voltage": {"column": "U (V)", "unit": "V"},
            "supply_current": {"column": "I (mA)", "unit": "mA"},
        },
    ),
    **{
        name: (f"KT-C1/{name}.vcd", None, levels([f"gate_{leg}{side}" for leg in legs for side in "hl"] + SENSORS))
        for name, legs in LEVELS.items()
    },
}


def case(procedure: str, log: str, of: str, read_by: dict[str, str], **more: Any) -> dict[str, Any]:
    return {"procedure": procedure, "log": log, "layout": of, "instruments": read_by, **more}


def motor_tests(speeds: dict[str, float]) -> list[dict[str, Any]]:
    book = "bench-book.xlsx"
    by_hand = {f"voltage_{pair}": "dmm" for pair in PAIRS} | {f"current_{pair}": "supply" for pair in PAIRS}
    wave = dict.fromkeys(("voltage_ab", "voltage_bc", "time"), "scope")
    plate = {"added_inertia": "0.0620 +/- 0.0010 kg m^2"}
    ahead = {"driven_direction": "forward"}
    lever = {"lever_arm": "0.300 +/- 0.002 m", "rotor_position": "peak"}
    return [
        case("winding-resistance", book, "resistance", by_hand, conditions={"winding_temperature": "21.6 degC"}),
        *(
            case(
                "open-circuit",
                f"scope-{rpm}.csv",
                "scope",
                wave,
                label=f"{rpm}rpm",
                conditions={"speed": f"{speeds[f'speed_{rpm}']} rpm"},
            )
            for rpm in (70, 140)
        ),
        case("emf-by-meter", book, "emf", {f"ac_voltage_{p}": "ac" for p in PAIRS}, conditions={"meter": "true-rms"}),
        case("hall-sensors", "halls.vcd", "halls", {"time": "analyser"}, conditions=ahead),
        *(
            case(
                "hall-sensors",
                f"scope-a-{pair}.csv",
                f"level-{pair}",
                {f"voltage_{pair}": "scope", "time": "scope"},
                conditions=ahead,
            )
            for pair in ("ab", "bc")
        ),
        case(
            "no-load",
            book,
            "free",
            {"supply_voltage": "dmm", "supply_current": "supply"},
            conditions={"winding_temperature": "23.6 degC", "drive": "six-step"},
        ),
        case("coast-down", "coast.csv", "typed", {"time": "film"}, label="bare"),
        case("coast-down", "coast-plate.csv", "typed", {"time": "film"}, label="plate", conditions=plate),
        case("locked-rotor", book, "locked", {"current_ab": "supply", "force": "scale"}, conditions=lever),
    ]


def heat_run(root: Path, name: str) -> dict[str, Any]:
    """Return the heat run of a motor: of KT-M2 by the meter's own log at the axle, of KT-M1 by its resistance.

    A resistance read while the current flows becomes a temperature by scale and offset of its layout, from the cold
    reading: copper, IEC 60034-1, 234.5 K.
    """
    rows = list(openpyxl.load_workbook(root / "raw" / name / "bench-book.xlsx")["Warm"].iter_rows(values_only=True))
    cold, last = (float(row[1]) for row in (rows[3], rows[-1]))
    given = {
        "ambient_temperature": "21.6 degC",
        "test_current": "5.00 +/- 0.03 A",
        "current_kind": "direct",
        "heat_power": f"{25e-3 * last:.2f} +/- {0.3e-3 * last:.2f} W",
    }
    if name == "KT-M2":
        return case("heat-run", "METER01.CSV", "meter", {"temperature_case": "dmm", "time": "clock"}, conditions=given)
    winding = {"column": "R A-B (mOhm)", "unit": "degC", "scale": (234.5 + 21.6) / cold, "offset": -234.5}
    columns = {"time": {"column": "Clock", "unit": "clock"}, "temperature_winding": winding}
    own = {"sheet": "Warm", "header_row": 3, "columns": columns}
    (root / "config/layouts/warm.yaml").write_text(yaml.safe_dump(own), encoding="utf-8")
    read_by = {"temperature_winding": "by-resistance", "time": "clock"}
    return case("heat-run", "bench-book.xlsx", "warm", read_by, conditions=given)


def controller_tests() -> list[dict[str, Any]]:
    rate = {"sample_rate": "24 MHz"}
    seen = dict.fromkeys(("supply_voltage", "supply_current", "time"), "scope")
    shown = {"supply_voltage": "dmm", "supply_current": "supply"}
    return [
        *(case("gate-timing", f"{n}.vcd", n, {"time": "analyser"}, label=n, conditions=rate) for n in LEVELS),
        case("supply-window", "window.csv", "window", seen),
        case("controller-loss", "standby.csv", "standby", shown, conditions={"state": "standby"}),
    ]


def described(name: str, tests: list[dict[str, Any]], **nameplate: Any) -> dict[str, Any]:
    return {
        "unit": name,
        "kind": "motor" if "M" in name else "controller",
        "nameplate": {"rated_voltage": "36 V", **nameplate},
        "ambient": {"temperature": "21.6 degC"},
        "operator": "K. Table (invented)",
        "tested_on": "2026-11-21",
        "instruments": INSTRUMENTS,
        "tests": tests,
    }


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, Any], dict[str, dict[str, float]]]:
    """Return the results of the three units and what is true of them."""
    root = tmp_path_factory.mktemp("kitchen")
    shutil.copytree(ROOT / "config", root / "config")
    # Without pack and vehicle nothing is predicted: what is compared here are measurements.
    (root / "config/config.yaml").write_text("config_version: 1\n", encoding="utf-8")
    noted, truth = write(root / "raw", SEED)
    with pytest.MonkeyPatch.context() as patch:
        for module in (_project, layout):
            patch.setattr(module, "ROOT", root)
        for name, (log, sheet, answers) in ANSWERS.items():
            more = ["--sheet", sheet] if sheet else []
            assert main(["layout", str(root / "raw" / log), "--write", "--name", name, *more]) == 0
            path = root / "config/layouts" / f"{name}.yaml"
            proposed = yaml.safe_load(path.read_text(encoding="utf-8"))
            assert not set(answers) & set(proposed["columns"])
            proposed["columns"].update(answers)
            path.write_text(yaml.safe_dump(proposed), encoding="utf-8")
        plates: dict[str, dict[str, Any]] = {
            "KT-M1": {"pole_pairs": 23, "winding_material": "copper", "insulation_class": "B"},
            "KT-M2": {"pole_pairs": 8, "gear_ratio": 4.4, "winding_material": "copper", "insulation_class": "B"},
        }
        units = [
            described(name, [*motor_tests(noted[name]), heat_run(root, name)], **plate)
            for name, plate in plates.items()
        ]
        for unit in (*units, described("KT-C1", controller_tests())):
            write_unit(root / "raw" / unit["unit"] / "unit.yaml", unit)
        settings = {"raw_dir": str(root / "raw"), "reports_dir": str(root / "reports"), "comparisons": []}
        patch.setattr(independent_coverage, "_plan", lambda _: RunPlan.load(root, settings))
        for name in truth:
            assert (failed := independent_coverage.judge((root, name))) == "", failed
    found = {n: json.loads((root / "reports" / n / "results.json").read_text(encoding="utf-8")) for n in truth}
    return found, truth


def true_of(truth: dict[str, float], name: str, unit: str) -> float | None:
    axle = f"{name} (axle)"
    return truth[axle] if unit == "KT-M2" and axle in truth else truth.get(name)


def test_intervals_hold_the_truth(measured):
    # Intervals of 95 %: of some sixty, correlated as they are, one in ten may miss, and none by as much as its own half
    # width (four standard uncertainties in all).
    # Five other seeds (2 to 6): 20 of 295 missed, none by more than a third of its half width; 14 of them in one
    # session, in which the gains of scope and meter lie towards their ends together. Seed 1: none of 59.
    found, truth = measured
    compared, missed, far = 0, [], []
    for unit, results in found.items():
        for name, result in results["quantities"].items():
            true, interval = true_of(truth[unit], name, unit), result.get("interval")
            if true is None or interval is None or interval[0] == interval[1]:
                continue
            compared += 1
            low, high = interval
            room = max(low - true, true - high)
            if room > 0:
                missed.append(f"{unit} {name}: {true:.6g} beside {interval}")
            if room > (high - low) / 2:
                far.append(missed[-1])
    assert compared >= 50
    assert not far
    assert len(missed) <= compared // 10, missed


@pytest.mark.parametrize("unit", ["KT-M1", "KT-M2", "KT-C1"])
def test_what_is_counted_is_right(measured, unit):
    found, truth = measured
    exact = {n: q["value"] for n, q in found[unit]["quantities"].items() if len(set(q.get("interval") or (0, 1))) == 1}
    compared = {name: value for name, value in exact.items() if name in truth[unit]}
    assert {"KT-C1": "controller_table"}.get(unit, "pole_pairs") in compared
    assert compared == pytest.approx({name: truth[unit][name] for name in compared})


def test_no_log_is_refused_and_what_cannot_be_had_is_named(measured):
    found, _ = measured
    for results in found.values():
        assert [p["message"] for p in results["problems"] if p["severity"] == "error"] == []
    assert "Overvoltage cut-off: not seen" in " ".join(p["message"] for p in found["KT-C1"]["problems"])

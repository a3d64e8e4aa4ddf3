"""Bench sheets: what they must hold, and whether the instruments can decide.

The heating rule is checked with IEC 60034-1's own limit: at rated current the rise is the class's, and rise goes with
the square of the current. Room over uncertainty: JCGM 106:2012, 7.6.3 (from memory), worked by hand.
"""

from __future__ import annotations

import html
import math
import re
import subprocess

import pytest

from rotorproof.__main__ import main
from rotorproof.columns import COLUMNS
from rotorproof.commands import plan
from rotorproof.planning.capability import capability
from rotorproof.planning.next_best import next_best
from rotorproof.planning.rehearsal import rehearse
from rotorproof.procedures import procedures
from rotorproof.procedures._bench import _general
from rotorproof.procedures.bench import Effect, Expectation, Situation, fuse
from rotorproof.quantities import quantities
from rotorproof.rendering.wiring import wiring_svg
from rotorproof.settings.acceptance import AcceptanceSet, Criterion
from rotorproof.settings.run import RunSettings
from rotorproof.settings.unit import UnitFile
from rotorproof.uncertainty.result import Result
from rotorproof.units import conversion
from tests.universal_access import lacking

FULL = Situation(
    "motor",
    {
        "nameplate_rated_voltage": 36.0,
        "nameplate_rated_power": 250.0,
        "nameplate_rated_speed": 24.0,
        "nameplate_pole_pairs": 23.0,
        "nameplate_slots": 51.0,
        "pack_voltage_nominal": 36.0,
        "pack_voltage_full": 42.0,
        "supply_voltage": 30.0,
        "supply_current": 5.0,
    },
    "F",
)
BARE = Situation("motor", {})


@pytest.mark.parametrize("known", [FULL, BARE], ids=["full", "bare"])
@pytest.mark.parametrize("procedure", procedures().values(), ids=lambda p: p.name)
def test_every_sheet_is_sound(procedure, known):
    bench = procedure.bench(known)
    names = {part.name for part in bench.wiring.parts}
    assert all({wire.start, wire.end} <= names for wire in bench.wiring.wires)
    assert len({(part.column, part.row) for part in bench.wiring.parts}) == len(bench.wiring.parts)
    assert set(bench.step_cautions) <= set(range(1, len(bench.steps) + 1))
    for line in bench.settings:
        conversion(line.unit, line.kind)
        assert line.value is None or (math.isfinite(line.value) and line.value > 0), line
    for effect in (e for effects in bench.effects.values() for e in effects):
        assert effect.column in COLUMNS
        assert effect.at > 0
    assert set(bench.effects) <= set(procedure.gives)
    for expectation in bench.expectations:
        if expectation.quantity in quantities():
            assert expectation.quantity in procedure.gives
            assert (expectation.low is None) == (expectation.high is None)
    svg = wiring_svg(bench.wiring)
    assert svg.count("<svg") == svg.count("</svg>") == 1
    title = svg.partition("<title>Wiring: ")[2].partition("</title>")[0]
    assert all(html.escape(part.label) in title for part in bench.wiring.parts if part.name in _wired(bench.wiring))


def _wired(wiring):
    return {end for wire in wiring.wires for end in (wire.start, wire.end)}


@pytest.mark.parametrize("procedure", procedures().values(), ids=lambda p: p.name)
def test_every_procedure_has_a_sheet_of_its_own(procedure):
    assert procedure.bench(FULL) != _general.bench(FULL)
    assert procedure.bench(FULL).steps
    assert procedure.bench(FULL).low_supply


def test_the_test_current_keeps_the_winding_cool():
    rated = 250 / 36 / 0.8
    assert FULL.rated_current == pytest.approx(rated)
    for insulation, limit in (("F", 105.0), ("B", 80.0), (None, 80.0)):
        cool = Situation("motor", FULL.known, insulation).cool_current()
        assert cool is not None
        assert limit * (cool / rated) ** 2 == pytest.approx(1.0)


def test_gear_and_freewheel_are_said():
    geared = Situation("motor", FULL.known | {"nameplate_gear_ratio": 5.0}, "F", freewheel=True)
    notes = " ".join(procedures()["open-circuit"].bench(geared).notes)
    assert "Lock the freewheel" in notes
    assert "5 turns of the rotor" in notes
    assert procedures()["open-circuit"].bench(FULL).notes == ()
    asks = Situation("motor", {"nameplate_gear_ratio": 5.0})
    assert "usually has a freewheel" in " ".join(procedures()["coast-down"].bench(asks).notes)


def test_fuses_are_standard_sizes():
    assert [fuse(x) for x in (0.9, 2.0, 5.0, 20.0, None)] == [1.25, 2.5, 6.3, 25.0, None]


def unit(accuracy):
    return UnitFile.model_validate(
        {
            "unit": "X",
            "kind": "motor",
            "instruments": {"dmm": {"accuracy": accuracy}},
        }
    )


def decide(accuracy, criterion, expectation=None):
    effects = (Effect("voltage_ab", 0.5), Effect("current_ab", 1.0, -1.0))
    procedure = procedures()["winding-resistance"]
    criterion = Criterion.model_validate({"quantity": "phase_resistance"} | criterion)
    return capability(unit(accuracy), procedure, criterion, effects, expectation, 0.95)


def test_room_over_uncertainty_by_hand():
    # One rectangle of half-width 1 %: 95 % of it lie within 0.95 %. Value 0.12 ohm, tolerance +/- 0.006 ohm.
    found = decide({"voltage": "1 %", "current": "0 %"}, {"min": "0.114 ohm", "max": "0.126 ohm"})
    assert found.expanded_uncertainty == pytest.approx(0.95 * 0.0012, rel=1e-3)
    assert found.ratio == pytest.approx(0.006 / (0.95 * 0.0012), rel=1e-3)
    assert found.decides
    narrow = decide({"voltage": "1 %", "current": "0 %"}, {"min": "0.1195 ohm", "max": "0.1205 ohm"})
    assert narrow.decides is False
    assert "voltage" in narrow.words
    assert "falls short (100 %" in narrow.words


def test_one_limit_needs_an_expected_value_unless_the_uncertainty_is_small():
    accuracy = {"voltage": "1 %", "current": "1 %"}
    found = decide(accuracy, {"max": "0.13 ohm"})
    assert found.decides and "further than U" in found.words
    assert decide({"voltage": "20 %", "current": "1 %"}, {"max": "0.13 ohm"}).decides is None
    expected = Expectation("phase_resistance", 0.10, 0.15, "nameplate")
    found = decide(accuracy, {"max": "0.13 ohm"}, expected)
    assert found.room == pytest.approx(0.03)
    assert found.decides
    beyond = decide(accuracy, {"max": "0.05 ohm"}, expected)
    assert beyond.decides is None
    assert "beyond the limit" in beyond.words


def test_no_accuracy_is_said():
    found = decide({"voltage": "1 %"}, {"max": "0.13 ohm"})
    assert found.decides is None
    assert "no instrument states an accuracy for current" in found.words


@pytest.fixture
def sheets(bench, monkeypatch):
    monkeypatch.setattr(plan, "ROOT", bench.root)
    return bench


def text_of(path):
    words = subprocess.run(["pdftotext", path, "-"], capture_output=True, text=True, check=True).stdout
    return re.sub(r"\s+", " ", words)


@pytest.mark.parametrize(
    ("old", "new", "words", "planned"),
    [
        ("procedure: winding-resistance", "procedure: winding-resistence", "did you mean 'winding-resistance'?", False),
        ("unit: GOOD", "unit: GO-OD", "the unit is 'GO-OD' but its folder is 'GOOD'", True),
        ("winding_temperature", "winding_temprature", "knows no condition 'winding_temprature'", True),
        ("kind: motor", "kind: motor\nfor: [{pack: none-such}]", "config.yaml has no pack 'none-such'", True),
    ],
)
def test_what_the_check_refuses_is_said_by_the_plan(sheets, capsys, old, new, words, planned):
    sheets.edit("raw/GOOD/unit.yaml", old, new)
    assert main(["plan", "GOOD"]) == main(["check", "GOOD"]) == 1
    said = capsys.readouterr()
    assert words in said.err
    assert words in said.out
    assert "no test to plan" not in said.err
    assert (sheets.root / "reports/plans/GOOD").exists() == planned


@pytest.mark.parametrize(
    ("parts", "words"),
    [
        ("motor: GOOD, controller: GONE", "the controller 'GONE' is no folder under 'raw'"),
        ("motor: GOOD, controller: BAD", "the controller 'BAD' is a motor; name a controller here"),
    ],
)
def test_the_parts_of_a_drive_are_looked_at(sheets, capsys, parts, words):
    folder = sheets.root / "raw" / "PAIR"
    folder.mkdir()
    (folder / "unit.yaml").write_text(f"unit: PAIR\nkind: drive\nparts: {{{parts}}}\n")
    assert main(["plan", "PAIR"]) == main(["check", "PAIR"]) == 1
    said = capsys.readouterr()
    assert words in said.err
    assert words in said.out


def test_sheets_as_pdf(sheets, capsys):
    sheets.edit("raw/GOOD/unit.yaml", "rated_voltage: 36 V", "rated_voltage: 36 V\n  rated_power: 250 W")
    assert main(["plan", "GOOD", "--supply-voltage", "30 V"]) == 0
    folder = sheets.root / "reports/plans/GOOD"
    assert sorted(p.name for p in folder.iterdir()) == ["01-winding-resistance.pdf", "overview.pdf"]
    words = text_of(folder / "01-winding-resistance.pdf")
    assert re.search(r"\(winding_temperature, or the column (_+ °C )?temperature_winding\)", words)
    for part in (
        "CAUTION The rotor may jerk",
        "Highest test current",
        "0.971 A",
        "1.25 A",
        "Can these instruments decide?",
        "voltage_ab [V]",
        "steps.csv",
        "Operator, date",
        "On a supply below the pack's voltage",
        "at most 0.13 Ω",
    ):
        assert part in words, part
    assert [lacking(path) for path in sorted(folder.iterdir())] == [[], []]
    overview = text_of(folder / "overview.pdf")
    # A reader of the text alone takes the narrow rows by columns: names and values, each in its order.
    for part in ("bench supply, highest voltage bench supply, highest current", "30.0 V not stated 8.68 A"):
        assert part in overview
    assert "Phase resistance" in overview


def test_a_new_plan_leaves_no_sheet_of_the_old_one(sheets):
    folder = sheets.root / "reports/plans/GOOD"
    folder.mkdir(parents=True)
    (folder / "07-winding-resistance.pdf").write_bytes(b"old")
    (folder / "notes.txt").write_text("mine")
    assert main(["plan", "GOOD"]) == 0
    assert sorted(p.name for p in folder.iterdir()) == ["01-winding-resistance.pdf", "notes.txt", "overview.pdf"]


def test_a_draft_can_be_planned_and_hostile_text_stays_text(sheets):
    assert main(["unit", "--name", "D1", "--kind", "motor"]) == 0
    assert main(["plan", "D1"]) == 0
    path = sheets.root / "raw/D1/unit.yaml"
    path.write_text(path.read_text().replace("winding-resistance.csv", "'<script>&.csv'"))
    # No log can have that name, as the check says too; the sheet is made all the same.
    assert main(["plan", "D1"]) == 1
    sheet = next((sheets.root / "reports/plans/D1").glob("*-winding-resistance.pdf"))
    assert "<script>&.csv" in text_of(sheet)


def test_wrong_arguments(sheets, capsys):
    assert main(["plan", "NONE"]) == 2
    assert "there are: BAD, GOOD" in capsys.readouterr().err
    assert main(["plan", "--supply-voltage", "30"]) == 2
    assert "--supply-voltage: a unit is missing" in capsys.readouterr().err
    sheets.edit("raw/BAD/unit.yaml", "36 V", "36")
    assert main(["plan"]) == 1
    assert "BAD/unit.yaml, line 4" in capsys.readouterr().err
    assert (sheets.root / "reports/plans/GOOD/overview.pdf").exists()


def by_instruments(result: Result) -> float:
    """Return the relative standard uncertainty that the instruments alone bring."""
    squares = [c * c for influence, c in result.form.terms.items() if influence.name.startswith("instrument/")]
    return math.sqrt(sum(squares)) / abs(result.value)


def test_a_rehearsed_test_tells_what_no_short_formula_does():
    # Idle at full voltage, 250 W at 36 V: k = U / w0 with w0 = 24 / 0.85; a speed error of 1 % is one of k of 1 %, less
    # the winding's share of the drop. With a rectangle of half-width 1 % alone, 95 % of it lie within 0.95 %.
    file = unit({"voltage": "0 %", "current": "0 %", "speed": "1 %"})
    constant = 36 / (24 / 0.85)
    tests = [procedures()[name] for name in ("no-load", "winding-resistance")]
    result = rehearse(file, tests, FULL, 0.95)["no-load"]["emf_constant_dc"]
    # Ideal readings have no ripple; what is assumed of it, and of the magnets, stands beside the instrument's error.
    assert result.value == pytest.approx(constant, rel=0.02)
    assert by_instruments(result) == pytest.approx(0.01 / math.sqrt(3), rel=0.02)
    assert result.interval(0.95).expanded_uncertainty > 0.0095 * constant


def test_inertia_is_rehearsed_with_the_friction_of_the_run_before():
    file = unit({"voltage": "0 %", "current": "1 %", "speed": "0 %", "time": "0 %"})
    tests = [procedures()[name] for name in ("coast-down", "no-load", "winding-resistance")]
    inertia = rehearse(file, tests, FULL, 0.95)["coast-down"]["moment_of_inertia"]
    # All torque is current times constant: an error of 1 % in the current is one of 1 % in the inertia.
    assert by_instruments(inertia) == pytest.approx(0.01 / math.sqrt(3), rel=0.05)
    widest = inertia.interval(0.95).expanded_uncertainty
    criterion = Criterion.model_validate({"quantity": "moment_of_inertia", "min": "0.05 kg m^2", "max": "0.2 kg m^2"})
    found = capability(file, tests[0], criterion, (), None, 0.95, inertia)
    assert found.ratio == pytest.approx(0.075 / widest, rel=0.05)
    assert found.decides


def test_what_cannot_be_decided_comes_with_the_next_best_measurement():
    """A tachometer of 2 % cannot settle a constant to 1 %: another of half the error is named, with its work."""
    file = unit({"voltage": "0.1 %", "current": "0.1 %", "speed": "2 %"})
    constant = 36 / (24 / 0.85)
    ends = {side: f"{by * constant:.6f} V s/rad" for side, by in (("min", 0.99), ("max", 1.01))}
    limits = AcceptanceSet.model_validate({"criteria": [{"quantity": "emf_constant_dc", **ends}]})
    tests = [procedures()[name] for name in ("no-load", "winding-resistance")]
    rehearsed = rehearse(file, tests, FULL, 0.95)
    found = next_best(file, tests, limits, RunSettings(config_version=1), FULL, rehearsed)["emf_constant_dc"]
    assert 1 <= len(found) <= 3
    better = next(step for step in found if "an instrument of half the error" in step)
    assert "speed" in better and "No-load run" in better
    # Fetching it and one run again.
    assert f"about {15 + procedures()['no-load'].minutes} minutes" in better
    # Two tachometers, 2 % and 1 % over sqrt(3): together 0.89 % over sqrt(3), beside what else is in the run.
    after = float(better.rpartition("± ")[2].split()[0])
    assert after > 1.9 * 0.0089 / math.sqrt(3) * constant
    assert after < rehearsed["no-load"]["emf_constant_dc"].interval(0.95).expanded_uncertainty


def test_a_test_with_a_column_of_unknown_accuracy_is_not_rehearsed():
    tests = [procedures()[name] for name in ("coast-down", "no-load", "winding-resistance")]
    # Friction needs the current: taken for exact, it would make the inertia look well known.
    found = rehearse(unit({"voltage": "0 %", "speed": "0 %"}), tests, FULL, 0.95)
    assert "no-load" not in found
    assert "moment_of_inertia" not in found.get("coast-down", {})


def test_what_cannot_be_told_says_why():
    file = unit({"voltage": "1 %", "current": "1 %"})
    unbalance = rehearse(file, [procedures()["winding-resistance"]], FULL, 0.95)["winding-resistance"]
    criterion = Criterion.model_validate({"quantity": "resistance_unbalance", "max": "3 percent"})
    procedure = procedures()["winding-resistance"]
    found = capability(file, procedure, criterion, (), None, 0.95, unbalance["resistance_unbalance"])
    assert found.decides is None
    assert "the instruments' errors cancel" in found.words
    count = Criterion.model_validate({"quantity": "overlap_count", "max": "0"})
    counted = capability(file, procedures()["gate-timing"], count, (), None, 0.95)
    assert counted.decides and "a count" in counted.words
    assert rehearse(file, [procedure], BARE, 0.95) == {}
    # Nobody stated an effect, or the test could not be played through: neither is the scatter's doing.
    for name, test, why in (
        ("polarization_index", "insulation-resistance", "states no effect"),
        ("resistance_unbalance", "winding-resistance", "could not be played through"),
    ):
        limit = Criterion.model_validate({"quantity": name, "min": "0.02"})
        told = capability(file, procedures()[test], limit, (), None, 0.95)
        assert told.decides is None
        assert why in told.words
    # It names what the nameplate lacks, and nothing that it states.
    stated = {"rated_voltage": "36 V", "rated_power": "250 W", "rated_speed": "200 rpm"}
    for plate, short in ((stated, True), (stated | {"pole_pairs": 23}, False)):
        known = UnitFile.model_validate({"unit": "M-1", "kind": "motor", "nameplate": plate})
        told = capability(known, procedure, criterion, (), None, 0.95)
        assert ("must state pole pairs too" in told.words) is short
        assert ("no instrument of stated accuracy" in told.words) is not short


def _by_clock(name, limits, rate):
    criterion = Criterion.model_validate({"quantity": name} | limits)
    return capability(unit({}), procedures()["gate-timing"], criterion, (), None, 0.95, rate=rate)


def test_what_a_clock_shows_is_told_by_the_rate_that_the_sheet_asks_for():
    # One sample at 50 MHz is 20 ns, 5 % of 400 ns; at 10 MHz it is 25 %.
    found = _by_clock("dead_time_min", {"min": "400 ns"}, 50e6)
    assert found.decides and "5 % of the limit" in found.words
    assert _by_clock("dead_time_min", {"min": "400 ns"}, 10e6).decides is None
    assert _by_clock("dead_time_min", {"min": "400 ns"}, None).decides is None
    assert _by_clock("pwm_frequency", {"min": "14 kHz", "max": "20 kHz"}, None).decides
    assert _by_clock("pwm_frequency", {"min": "15.999 kHz", "max": "16.001 kHz"}, None).decides is None


def test_a_supply_that_ends_below_the_full_pack_shows_no_overvoltage_cut_off():
    known = {"pack_voltage_nominal": 36.0, "pack_voltage_full": 42.0}
    low = procedures()["supply-window"].bench(Situation("controller", known | {"supply_voltage": 30.0}))
    high = procedures()["supply-window"].bench(Situation("controller", known | {"supply_voltage": 60.0}))
    assert "30 V do not reach the full pack's 42 V" in low.unreached["overvoltage_cutoff"]
    assert high.unreached == {}
    # What the controller stands is its maker's to say: a blank, no figure of ours.
    assert [s.value for s in high.settings if s.what.startswith("Highest voltage")] == [None]


def test_each_drawing_with_a_supply_or_a_drive_shows_a_switch():
    for name, procedure in procedures().items():
        wiring = procedure.bench(Situation("motor", {})).wiring
        text = wiring_svg(wiring).lower()
        if any(part.name in ("supply", "drive") for part in wiring.parts) and name != "cogging":
            assert "switch" in text, name


def test_a_sheet_has_a_table_to_fill_in_whose_columns_are_the_logs(sheets):
    assert main(["plan", "GOOD", "--supply-voltage", "30 V"]) == 0
    words = text_of(sheets.root / "reports/plans/GOOD/01-winding-resistance.pdf")
    assert words.index("Readings") < words.rindex("voltage_ab") < words.index("In these units")
    assert "serial number" in words


def test_no_set_value_is_beyond_the_bench_supply_and_a_heat_run_says_when_to_stop():
    bench = Situation(
        "controller", {"pack_voltage_nominal": 36.0, "pack_voltage_full": 42.0, "supply_voltage": 30.0}, "F"
    )
    for name in ("supply-window", "throttle", "gate-timing", "controller-loss", "load", "no-load"):
        voltages = [s.value for s in procedures()[name].bench(bench).settings if "voltage" in s.what.lower()]
        assert voltages
        assert all(value is None or value <= 30.0 for value in voltages), name
    # IEC 60085: class F is 155 degC; IEC 60034-1, table 8: 10 K of it for the hottest spot.
    assert any(s.value == pytest.approx(145.0) for s in procedures()["heat-run"].bench(bench).settings)
    steps = " ".join(procedures()["throttle"].bench(bench).steps)
    assert all(case in steps for case in ("out of range", "throttle at power-on", "sensor lost"))

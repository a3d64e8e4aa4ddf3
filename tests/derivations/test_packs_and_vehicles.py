"""A unit on several packs and vehicles: which it is meant for, each prediction by itself, criteria that say which."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from rotorproof.decision.models import Results
from rotorproof.decision.reasons import reason
from rotorproof.decision.results import build_results
from rotorproof.evidence.export import _rows
from rotorproof.evidence.signoff import waived
from rotorproof.fitting.parts import Part
from rotorproof.fitting.store import load_fit, save_fit
from rotorproof.fitting.unit_fit import UnitFit, fit_unit
from rotorproof.logs.store import Readings
from rotorproof.planning.sheet import situation
from rotorproof.rendering.environment import environment
from rotorproof.rendering.quantity_view import application_views, criterion_view
from rotorproof.rendering.section_view import sections as sections_of
from rotorproof.settings.acceptance import AcceptanceSet
from rotorproof.settings.application import applications
from rotorproof.settings.run import RunSettings
from rotorproof.settings.unit import UnitFile
from rotorproof.uncertainty.forms import Form, Influence
from rotorproof.workflow import _FIT_SETTINGS, _FIT_UNIT_KEYS

PACKS = {
    "36V": {"voltage_full": "42 V", "voltage_nominal": "36 V", "voltage_empty": "30 V"},
    "48V": {
        "voltage_full": "54.6 V",
        "voltage_nominal": "48 V",
        "voltage_empty": "39 V",
        "internal_resistance": "0.1 +/- 0.02 ohm",
    },
}
CITY = {"mass": "100 kg", "rolling_resistance": "0.01", "drag_area": "0.5 m^2", "rolling_circumference": "2.1 m"}
CARGO = {**CITY, "mass": "250 kg", "pack": "48V"}

pytestmark = pytest.mark.usefixtures("smooth_drive", "linear")


@pytest.fixture
def linear(monkeypatch: pytest.MonkeyPatch) -> None:
    """Take every distribution as its linear form has it: trials cost seconds and say nothing of which pack is which."""
    monkeypatch.setattr("rotorproof.fitting.unit_fit.simulate_forms", lambda *_, **__: {})


def settings(**more: Any) -> RunSettings:
    return RunSettings.model_validate({"config_version": 1, **more})


SEVERAL = settings(packs=PACKS, vehicles={"city": CITY, "cargo": CARGO})


def drive(**more: Any) -> UnitFile:
    parts = {"motor": "M", "controller": "C"}
    return UnitFile.model_validate({"unit": "D", "kind": "drive", "parts": parts, "drive": "six-step", **more})


def names(meant: Any, known: RunSettings = SEVERAL) -> list[str]:
    """Return the pairs of a drive that is meant for something as "vehicle/pack"."""
    file = drive(**({"for": meant} if meant else {}))
    return [f"{one.vehicle_name}/{one.pack_name}" for one in applications(file.meant, known)]


@pytest.mark.parametrize(
    ("meant", "pairs"),
    [
        (None, ["city/36V", "city/48V", "cargo/48V"]),
        ({"vehicle": "cargo"}, ["cargo/48V"]),
        ({"vehicle": "city"}, ["city/36V", "city/48V"]),
        ({"pack": "36V"}, ["city/36V"]),
        ({"vehicle": "cargo", "pack": "36V"}, ["cargo/36V"]),
        ([{"vehicle": "cargo"}, {"vehicle": "city", "pack": "36V"}, {"vehicle": "cargo"}], ["city/36V", "cargo/48V"]),
    ],
)
def test_a_unit_says_what_it_is_meant_for(meant: Any, pairs: list[str]) -> None:
    assert names(meant) == pairs


def test_one_pack_and_one_vehicle_go_on_without_names() -> None:
    assert names(None, settings(pack=PACKS["36V"], vehicle=CITY)) == ["/"]
    assert names(None, settings()) == ["/"]
    assert names({"vehicle": "city"}, settings(pack=PACKS["36V"], vehicles={"city": CITY})) == ["city/"]


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"pack": PACKS["36V"], "packs": PACKS}, "give the one under 'pack' a name and move it to 'packs'"),
        ({"vehicle": CITY, "vehicles": {"city": CITY}}, "give the one under 'vehicle' a name"),
        ({"vehicles": {"cargo": CARGO}}, "there is no pack '48V' under 'packs'; there are: none"),
    ],
)
def test_settings_that_contradict_themselves_are_refused(wrong: dict[str, Any], words: str) -> None:
    with pytest.raises(ValidationError, match=words):
        settings(**wrong)


METER = Influence("instrument/meter/7/voltage", "accuracy of meter, voltage", "rectangular")
MOTOR = {
    "emf_constant_dc": 1.35,
    "phase_resistance": 0.12,
    "coulomb_friction": 0.4,
    "viscous_friction": 0.02,
    "pole_pairs": 11.0,
}
CONTROLLER = {
    "controller_loss": 10.0,
    "controller_efficiency": 0.95,
    "standby_power": 2.0,
    "supply_current_limit": 14.0,
    "phase_current_limit": 30.0,
    "start_voltage": 31.5,
}


def fitted(known: RunSettings, **more: Any) -> UnitFit:
    """Return the fit of a drive whose parts have these constants, one meter behind all of them."""
    parts = [
        Part(role, unit, {name: Form(value, {METER: 1e-4 * value}) for name, value in values.items()})
        for role, unit, values in (("motor", "M", MOTOR), ("controller", "C", CONTROLLER))
    ]
    return fit_unit(drive(**more), [], known, "D/unit.yaml", parts)


def results(tmp_path: Path, fit: UnitFit, *criteria: dict[str, Any]) -> Results:
    """Return the results of a stored fit; its parts, which have no results of their own here, are left out."""
    fit.parts = ()
    save_fit(tmp_path / "fit.json", tmp_path / "panels.npz", fit)
    limits = AcceptanceSet.model_validate({"criteria": criteria}) if criteria else None
    return build_results("D", "drive", load_fit(tmp_path / "fit.json"), [], limits, 0.95)


def test_each_pair_is_predicted_as_it_would_be_alone(tmp_path: Path) -> None:
    both = results(tmp_path, fitted(SEVERAL, **{"for": [{"vehicle": "city", "pack": "36V"}, {"vehicle": "cargo"}]}))
    assert both.applications is not None
    city, cargo = both.applications
    assert (city.for_.words, cargo.for_.words) == ("city on 36V", "cargo on 48V")
    assert not {"pack_road_speed", "start_margin_nominal"} & set(both.quantities)
    single = {key: value for key, value in CARGO.items() if key != "pack"}
    for one, pack, vehicle in ((city, "36V", CITY), (cargo, "48V", single)):
        alone = results(tmp_path, fitted(settings(pack=PACKS[pack], vehicle=vehicle)))
        assert alone.applications is None
        assert set(one.quantities) == set(alone.quantities) > {"pack_road_speed", "energy_per_distance"}
        for name, entry in alone.quantities.items():
            assert one.quantities[name].value == pytest.approx(entry.value)
            assert one.quantities[name].interval == pytest.approx(entry.interval)
    # By hand: 36 V and 48 V less a start voltage of 31.5 V.
    assert city.quantities["start_margin_nominal"].value == pytest.approx(4.5)
    assert cargo.quantities["start_margin_nominal"].value == pytest.approx(16.5)


def test_a_criterion_judges_each_pair_or_the_one_it_names(tmp_path: Path) -> None:
    fit = fitted(SEVERAL, **{"for": [{"vehicle": "city", "pack": "36V"}, {"vehicle": "cargo"}]})
    found = results(
        tmp_path,
        fit,
        {"quantity": "start_margin_nominal", "min": "10 V"},
        {"quantity": "start_margin_nominal", "min": "1 V", "for": {"vehicle": "cargo"}},
        {"quantity": "start_margin_nominal", "min": "1 V", "for": {"vehicle": "cargo", "pack": "36V"}},
        {"quantity": "pack_continuous_torque", "min": "1 N m", "for": {"vehicle": "city"}},
    )
    rows = [(row.name, row.decision) for row in found.criteria]
    assert rows == [
        ("start_margin_nominal (city on 36V)", "fail"),
        ("start_margin_nominal (cargo on 48V)", "pass"),
        ("start_margin_nominal (cargo on 48V)", "pass"),
        ("pack_continuous_torque (city on 36V)", "not measured"),
    ]
    assert "Start margin, nominal pack, city on 36V" in reason(found)
    messages = [problem.message for problem in found.problems]
    assert any("for cargo on 36V is not judged: the unit is not meant for it" in message for message in messages)
    judged = [found.judged(row) for row in found.criteria]
    assert [one and round(one.value, 6) for one in judged] == [4.5, 16.5, 16.5, None]
    assert criterion_view(found.criteria[0], found).title == "Start margin, nominal pack, city on 36V"
    # A row is waived by itself, never with that of another vehicle.
    (waiver,) = waived(found, {"start_margin_nominal (city on 36V)": "a trial"})
    assert waiver.decision == "fail"


def test_the_pairs_stand_side_by_side_on_the_page_and_in_the_table(tmp_path: Path) -> None:
    found = results(tmp_path, fitted(SEVERAL))
    heads, rows = application_views(found)
    assert heads == ["city on 36V", "city on 48V", "cargo on 48V"]
    (speed,) = (row for row in rows if row.title == "Road speed on the pack")
    assert len(speed.values) == 3
    assert speed.values[0] < speed.values[1]
    table = _rows({"unit": "D"}, found, ())
    assert [(row["vehicle"], row["pack"]) for row in table if row["quantity"] == "pack_road_speed"] == [
        ("city", "36V"),
        ("city", "48V"),
        ("cargo", "48V"),
    ]


def test_each_pair_has_a_section_and_a_column(tmp_path: Path) -> None:
    found = results(tmp_path, fitted(SEVERAL, **{"for": [{"vehicle": "city", "pack": "36V"}, {"vehicle": "cargo"}]}))
    sections = sections_of(drive(), load_fit(tmp_path / "fit.json"), Readings((), {}, ()), found)
    titles = [section.title for section in sections if section.quantities]
    assert titles[:2] == [f"Do controller and battery fit each other?: {on}" for on in ("city on 36V", "cargo on 48V")]
    files = [figure.file for section in sections for figure in section.figures]
    assert len(set(files)) == len(files) > 0
    page = (
        environment()
        .get_template("report/results.html.j2")
        .render(
            applications=application_views(found),
            quantities=found.quantities,
            sections=sections,
            probability="95",
            nameplate=(),
            taken=(),
        )
    )
    assert page.count("cargo on 48V") >= 2
    assert "Side by side on each pack and vehicle" in page


def test_the_fit_is_told_all_that_a_unit_states_but_its_words() -> None:
    words = {"description", "model", "serial", "operator", "customer", "received_on", "place", "role", "acceptance"}
    stated = {field.alias or name for name, field in UnitFile.model_fields.items()}
    assert stated - words == set(_FIT_UNIT_KEYS)
    runs = {"raw_dir", "reports_dir", "workshop", "workshop_address", "comparisons", "duties", "limits"}
    assert set(RunSettings.model_fields) - runs == set(_FIT_SETTINGS)


def test_what_lacks_on_one_pair_alone_is_named_with_it() -> None:
    fit = fitted(settings(packs=PACKS, vehicles={"city": CITY, "crawler": {**CITY, "mass": "9000 kg"}}))
    messages = [problem.message for problem in fit.problems if problem.procedure == "drive-prediction"]
    assert any(message.startswith("crawler on 36V: ") for message in messages)
    alike = [problem.message for problem in fit.problems if problem.procedure == "pack-match"]
    assert len(alike) == len(set(alike)) > 0


def test_a_sheet_is_drawn_up_for_the_highest_pack() -> None:
    assert situation(drive(), SEVERAL, {}).full_voltage == pytest.approx(54.6)
    assert situation(drive(**{"for": {"pack": "36V"}}), SEVERAL, {}).full_voltage == pytest.approx(42.0)

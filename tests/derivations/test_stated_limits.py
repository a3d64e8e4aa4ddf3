"""A controller that nobody measured: what its nameplate states stands in, is called so, and decides nothing."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from rotorproof.checking.missing import missing
from rotorproof.decision.models import Results
from rotorproof.decision.reasons import reason
from rotorproof.decision.results import build_results
from rotorproof.errors import FitError
from rotorproof.fitting.parts import Part
from rotorproof.fitting.stood_in import rests_on, stood_in
from rotorproof.fitting.store import load_fit, save_fit
from rotorproof.fitting.unit_fit import UnitFit, fit_unit
from rotorproof.procedures.base import Need
from rotorproof.rendering import words
from rotorproof.rendering.summary_view import summary
from rotorproof.settings.acceptance import AcceptanceSet
from rotorproof.settings.run import RunSettings
from rotorproof.settings.unit import UnitFile
from rotorproof.uncertainty.forms import Form, Influence, propagate
from tests import entries

SETTINGS = RunSettings.model_validate(
    {
        "config_version": 1,
        "pack": {"voltage_full": "42 V", "voltage_nominal": "36 V", "voltage_empty": "30 V"},
        "vehicle": {
            "mass": "100 kg",
            "rolling_resistance": "0.01",
            "drag_area": "0.5 m^2",
            "rolling_circumference": "2.1 m",
        },
    }
)
METER = Influence("instrument/meter/7/voltage", "accuracy of meter, voltage", "rectangular")
MOTOR = {
    "emf_constant_dc": 1.35,
    "phase_resistance": 0.12,
    "coulomb_friction": 0.4,
    "viscous_friction": 0.02,
    "pole_pairs": 11.0,
    "continuous_current": 12.0,
}
NAMEPLATE = {"supply_current_limit": 15.0, "phase_current_limit": 30.0, "start_voltage": 31.0, "cutoff_voltage": 29.0}
PLATE = "nameplate_supply_current_limit"
#: What follows from the limits, by their formulas; the others do not.
BOUND = ("pack_top_torque", "pack_max_grade", "start_margin_nominal", "cutoff_margin", "current_limit_ratio")

pytestmark = pytest.mark.usefixtures("smooth_drive", "linear")


@pytest.fixture
def linear(monkeypatch: pytest.MonkeyPatch) -> None:
    """Take every distribution as its linear form has it: trials cost seconds and say nothing of what is stated."""
    monkeypatch.setattr("rotorproof.fitting.unit_fit.simulate_forms", lambda *_, **__: {})


def drive(**more: Any) -> UnitFile:
    whole = {"unit": "D", "kind": "drive", "parts": {"motor": "M", "controller": "C"}, "drive": "six-step", **more}
    return UnitFile.model_validate(whole)


def fitted(measured: dict[str, float] | None = None, nameplate: dict[str, Form] | None = None, **more: Any) -> UnitFit:
    """Return the fit of a drive whose controller was ``measured`` or not."""
    plate = {name: Form(value) for name, value in NAMEPLATE.items()} if nameplate is None else nameplate
    parts = [
        Part("motor", "M", {name: Form(value, {METER: 1e-4 * value}) for name, value in MOTOR.items()}),
        Part(
            "controller",
            "C",
            {name: Form(value, {METER: 1e-4 * value}) for name, value in (measured or {}).items()},
            stated={f"nameplate_{name}": form for name, form in plate.items()},
        ),
    ]
    return fit_unit(drive(**{"stand_in": "nameplate", **more}), [], SETTINGS, "D/unit.yaml", parts)


def results(tmp_path: Path, fit: UnitFit, *criteria: dict[str, str]) -> Results:
    fit.parts = ()
    save_fit(tmp_path / "fit.json", tmp_path / "panels.npz", fit)
    limits = AcceptanceSet.model_validate({"criteria": list(criteria)})
    return build_results("D", "drive", load_fit(tmp_path / "fit.json"), [], limits, 0.95)


def test_nothing_stands_in_where_nobody_asked_for_it(tmp_path: Path) -> None:
    found = results(tmp_path, fitted(stand_in=None))
    assert not {"pack_no_load_speed", *BOUND} & set(found.quantities)


def test_what_rests_on_the_nameplate_is_called_stated(tmp_path: Path) -> None:
    found = results(tmp_path, fitted())
    origins = {name: entry.origin for name, entry in found.quantities.items()}
    for name in BOUND:
        assert origins[name].kind == "stated", name
    assert origins["start_margin_nominal"].from_ == "start voltage 31 V"
    # Even at no load: torque per ampere is taken to bend by the limit of the current.
    assert origins["pack_no_load_speed"].kind == "stated"
    assert not any(origin.kind == "measured" for origin in origins.values())
    # By hand: 36 V less 31 V, of which 5 % may be off as a rectangle: 1.55 V, 95 % of it.
    margin = found.quantities["start_margin_nominal"]
    assert margin.value == pytest.approx(5.0)
    assert margin.expanded_uncertainty == pytest.approx(0.95 * 1.55, rel=0.01)
    assert any("common practice" in line.source for line in margin.budget)


@pytest.mark.parametrize("limit", [{"min": "1 V"}, {"min": "20 V"}, {"min": "5 V", "rule": "simple"}])
def test_no_criterion_on_it_is_decided_either_way(tmp_path: Path, limit: dict[str, str]) -> None:
    found = results(tmp_path, fitted(), {"quantity": "start_margin_nominal", **limit})
    (row,) = found.criteria
    assert (row.decision, found.verdict) == ("undecided", "undecided")
    assert row.specific_consumer_risk is None and row.specific_producer_risk is None
    assert row.advice is not None and "nobody measured" in str(row.advice[0].why)
    assert "what nobody measured decides nothing: Start margin" in reason(found)
    assert "which nobody measured" in summary(found, {}, {}, {}).why
    assert "not measured, so it decides nothing: start voltage 31 V" in words.origin(row.origin)


def test_a_stated_uncertainty_is_taken_as_it_is_and_still_decides_nothing(tmp_path: Path) -> None:
    own = Influence("stated/C/start_voltage", "stated start voltage")
    fit = fitted(nameplate={"start_voltage": Form(31.0, {own: 0.1})})
    found = results(tmp_path, fit, {"quantity": "start_margin_nominal", "min": "1 V"})
    assert found.quantities["start_margin_nominal"].standard_uncertainty == pytest.approx(0.1)
    assert found.criteria[0].decision == "undecided"


def test_a_measured_limit_comes_before_the_stated_one(tmp_path: Path) -> None:
    found = results(tmp_path, fitted({"start_voltage": 32.0}), {"quantity": "start_margin_nominal", "min": "1 V"})
    entry = found.quantities["start_margin_nominal"]
    assert entry.value == pytest.approx(4.0)
    assert entry.origin is not None and entry.origin.kind == "predicted"
    assert found.criteria[0].decision == "pass"


#: Every limit measured, and none of the losses.
LIMITS_ALONE = {**NAMEPLATE, "start_voltage": 32.0}


def test_losses_that_nobody_measured_decide_nothing(tmp_path: Path) -> None:
    fit = fitted(LIMITS_ALONE, {})
    found = results(tmp_path, fit, {"quantity": "pack_road_speed", "min": "1 km/h"})
    origin = found.quantities["pack_road_speed"].origin
    assert origin is not None and (origin.kind, origin.from_) == ("stated", "controller losses, assumed")
    assert (found.criteria[0].decision, found.verdict) == ("undecided", "undecided")
    # No loss moves the margin of a measured start voltage.
    margin = found.quantities["start_margin_nominal"].origin
    assert margin is not None and margin.kind == "predicted"


def test_measured_losses_are_no_stated_ones(tmp_path: Path) -> None:
    losses = {"controller_loss": 20.0, "controller_efficiency": 0.92, "standby_power": 1.0}
    found = results(tmp_path, fitted({**LIMITS_ALONE, **losses}, {}), {"quantity": "pack_road_speed", "min": "1 km/h"})
    assert found.criteria[0].origin is not None and found.criteria[0].origin.kind == "predicted"
    assert found.criteria[0].decision == "pass"


def test_what_a_part_states_is_stated_of_the_drive_too(tmp_path: Path) -> None:
    forms = {name: Form(value, {METER: 1e-4 * value}) for name, value in MOTOR.items()}
    told = {"emf_constant_dc": "its plate"}
    run = entries.run("no-load", forms=forms, stated=told)
    losses = {"controller_loss": 20.0, "controller_efficiency": 0.92, "standby_power": 1.0}
    of_controller = {name: Form(value, {METER: 1e-4 * value}) for name, value in {**LIMITS_ALONE, **losses}.items()}
    parts = [Part("motor", "M", forms, [run]), Part("controller", "C", of_controller)]
    found = results(tmp_path, fit_unit(drive(), [], SETTINGS, "D/unit.yaml", parts))
    speed, margin = (found.quantities[name].origin for name in ("pack_no_load_speed", "start_margin_nominal"))
    assert speed is not None and (speed.kind, speed.from_) == ("stated", "its plate")
    assert margin is not None and margin.kind == "predicted"


def test_a_limit_that_binds_in_the_rest_of_its_half_width_alone_is_stated() -> None:
    # By hand: 12 A +- 20 % reach 9.6 A; one standard uncertainty, 1.39 A, reaches 10.6 A only.
    form = stood_in(Need("supply_current_limit", ""), [Part("controller", "C", stated={PLATE: Form(12.0)})])
    assert form is not None and form.standard_uncertainty == pytest.approx(2.4 / math.sqrt(3.0))

    def rests(limit: float) -> dict[str, str]:
        def smaller(given: Mapping[str, float]) -> dict[str, float]:
            return {"held": min(given["supply_current_limit"], limit), "apart": limit}

        scalars = {"supply_current_limit": form}
        assert not propagate(smaller, scalars)["held"].terms
        best = smaller({"supply_current_limit": 12.0})
        return rests_on(smaller, scalars, best, {"supply_current_limit": "the limit"})

    assert rests(10.5) == {"held": "the limit"}
    assert rests(9.5) == {}


def test_where_nothing_comes_out_at_an_end_the_result_rests_on_it() -> None:
    def raises(given: Mapping[str, float]) -> dict[str, float]:
        if given["start_voltage"] > 31.0:
            raise FitError("no more")
        return {"speed": 1.0}

    own = Form(31.0, {Influence("own", "own"): 0.1})
    assert rests_on(raises, {"start_voltage": own}, {"speed": 1.0}, {"start_voltage": "it"}) == {"speed": "it"}


def test_the_report_does_not_say_that_a_stated_limit_was_measured() -> None:
    (predicted,) = (one for one in fitted().derived if one.name == "drive-prediction")
    notes = " ".join(predicted.shown.notes)
    assert "at 15.0 A as its nameplate states, not measured" in notes
    assert "at 30.0 A as its nameplate states, not measured" in notes
    assert "whose losses nobody measured" in notes


def test_a_stated_phase_current_of_sines_may_be_peak_or_rms() -> None:
    def torque(**more: Any) -> Form:
        (found,) = (one for one in fitted(**more).derived if one.name == "drive-prediction")
        return found.forms["pack_top_torque"]

    sources = {influence.source for influence in torque(drive="field-oriented").terms}
    assert "assumed stated current peak" in sources
    assert "assumed stated current peak" not in {influence.source for influence in torque().terms}


def test_check_asks_for_no_test_of_what_stands_in() -> None:
    limits = AcceptanceSet.model_validate({"criteria": [{"quantity": "pack_road_speed", "min": "20 km/h"}]})
    motor = UnitFile.model_validate({"unit": "M", "kind": "motor"})
    controller = UnitFile.model_validate(
        {"unit": "C", "kind": "controller", "nameplate": {"supply_current_limit": "15 A"}}
    )
    said = missing(drive(stand_in="nameplate"), limits, [motor, controller])
    assert not [line for line in said if "supply_current_limit" in line or "controller_loss" in line]
    assert [line for line in said if "phase_current_limit" in line]


def test_only_a_drive_made_of_parts_can_ask_for_it() -> None:
    with pytest.raises(ValidationError, match="only a drive made of parts"):
        UnitFile.model_validate({"unit": "M", "kind": "motor", "stand_in": "nameplate"})

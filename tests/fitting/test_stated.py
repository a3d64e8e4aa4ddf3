"""What rests on a nameplate is called stated wherever it goes: adjusted, predicted, needed by another test."""

from __future__ import annotations

from pathlib import Path

from rotorproof.decision.models import Results
from rotorproof.decision.results import build_results
from rotorproof.fitting.engine import run
from rotorproof.fitting.grouping import TestLog
from rotorproof.fitting.store import load_fit, save_fit
from rotorproof.fitting.unit_fit import UnitFit, fit_unit
from rotorproof.procedures import procedures
from rotorproof.procedures.base import Log
from rotorproof.quantities import preferred_measured
from rotorproof.settings.acceptance import AcceptanceSet
from rotorproof.settings.run import RunSettings
from rotorproof.settings.unit import UnitFile
from rotorproof.uncertainty.forms import Form, Influence
from tests.procedures.test_no_load import rows

SETTINGS = RunSettings.model_validate({"config_version": 1})
IDLE = {"standby_power": 2.0, "winding_temperature": 20.0, "resistance_from": 0.0, "magnet_temperature": 20.0}


def fitted() -> UnitFit:
    """Return the fit of a motor run without load, its winding bounded by its nameplate."""
    unit = UnitFile.model_validate(
        {
            "unit": "M",
            "kind": "motor",
            "nameplate": {"rated_voltage": "36 V", "rated_power": "250 W"},
            "tests": [{"procedure": "no-load", "log": "idle.csv"}],
        }
    )
    return fit_unit(unit, [TestLog(unit.tests[0], Log("no-load", rows(0.15), IDLE), {})], SETTINGS, "M/unit.yaml")


def results(tmp_path: Path, fit: UnitFit, *criteria: dict[str, str]) -> Results:
    save_fit(tmp_path / "fit.json", tmp_path / "panels.npz", fit)
    limits = AcceptanceSet.model_validate({"criteria": list(criteria)})
    return build_results("M", "motor", load_fit(tmp_path / "fit.json"), [], limits, 0.95)


def test_a_constant_by_a_nameplates_resistance_passes_no_criterion(tmp_path: Path) -> None:
    found = results(tmp_path, fitted(), {"quantity": "speed_constant", "min": "1 rpm/V"})
    for name in ("speed_constant", "emf_constant_dc", "coulomb_friction"):
        origin = found.quantities[name].origin
        assert origin is not None and origin.kind == "stated", name
        assert origin.from_ == "winding resistance by rated power 250 W at 8.68 A"
    current = found.quantities["no_load_current"].origin
    assert current is not None and current.kind == "measured"
    assert (found.criteria[0].decision, found.verdict) == ("undecided", "undecided")


def test_another_test_needs_it_and_rests_on_it_where_it_moves() -> None:
    own = Influence("own", "own")
    given = {"phase_resistance": Form(0.15, {own: 0.01}), "winding_constant": Form(234.5)}
    conditions = {name: value for name, value in IDLE.items() if name != "resistance_from"}
    found = run(
        procedures()["no-load"],
        [Log("no-load", rows(0.15), conditions)],
        label="no-load",
        unit="M",
        given=given,
        instruments=[],
        uncertain_conditions={},
        stated={"phase_resistance": "a nameplate"},
    )
    assert found.report.stated["emf_constant_dc"] == "a nameplate"
    assert "no_load_current" not in found.report.stated


def test_what_was_measured_comes_before_what_is_stated() -> None:
    stated, measured = Form(1.0), Form(2.0)
    found = preferred_measured(
        [
            ("coast-down", {"coulomb_friction": stated}, {"coulomb_friction"}),
            ("load", {"coulomb_friction": measured}, ()),
            ("no-load", {"viscous_friction": stated}, {"viscous_friction"}),
        ]
    )
    assert found == {"coulomb_friction": measured, "viscous_friction": stated}

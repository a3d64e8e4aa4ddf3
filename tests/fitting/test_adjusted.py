"""What several tests of one unit say together: which are bound, what the results say of it, and what decides.

Expected numbers: the weighted mean of two independent values, worked by hand (weights 1/u², 0.4 ± 0.01 beside 0.43 ±
0.02 gives 0.406 ± 0.00894; chi-square 0.03²/(0.01² + 0.02²) = 1.8).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rotorproof.decision.models import Results
from rotorproof.decision.results import build_results
from rotorproof.fitting.adjusted import adjusted
from rotorproof.fitting.engine import Outcome
from rotorproof.fitting.parts import part
from rotorproof.fitting.store import load_fit, load_panels, save_fit
from rotorproof.fitting.unit_fit import UnitFit
from rotorproof.procedures.fit import Fit
from rotorproof.rendering.quantity_view import criterion_view
from rotorproof.rendering.section_view import sections
from rotorproof.settings.acceptance import AcceptanceSet
from rotorproof.uncertainty.forms import Form, Influence
from rotorproof.uncertainty.monte_carlo import Simulation

FRICTION = ("coulomb_friction", "viscous_friction")


def run(procedure: str, label: str = "", **values: tuple[float, float]) -> Outcome:
    """Return a run with independent standard uncertainties."""
    forms = {
        name: Form(value, {Influence(f"{procedure}/{label}/{name}", f"scatter of {procedure}"): u})
        for name, (value, u) in values.items()
    }
    held = FRICTION if procedure == "no-load" else ()
    return Outcome(procedure, label or procedure, forms, Fit(), with_controller_loss=[n for n in held if n in forms])


def results(tmp_path: Path, outcomes: list[Outcome], *criteria: Mapping[str, Any]) -> dict[str, Any]:
    """Return the results of a unit whose fit went through a file."""
    fit = UnitFit(outcomes, adjusted=adjusted("U", outcomes, 0.95))
    save_fit(tmp_path / "fit.json", tmp_path / "panels.npz", fit)
    limits = AcceptanceSet.model_validate({"criteria": list(criteria)})
    return build_results("U", "motor", load_fit(tmp_path / "fit.json"), [], limits, 0.95).as_json()


EMF = [run("open-circuit", emf_constant_dc=(1.300, 0.010)), run("no-load", emf_constant_dc=(1.330, 0.020))]


def test_tests_that_agree_give_one_value_that_decides(tmp_path: Path) -> None:
    found = results(tmp_path, EMF, {"quantity": "emf_constant_dc", "max": "1.325 V s/rad"})
    entry = found["quantities"]["emf_constant_dc"]
    assert entry["procedure"] == "adjusted"
    assert entry["value"] == pytest.approx(1.306)
    assert entry["standard_uncertainty"] == pytest.approx(0.008944, rel=1e-3)
    assert [other["procedure"] for other in entry["alternatives"]] == ["open-circuit", "no-load"]
    assert {line["source"] for line in entry["budget"]} == {"scatter of open-circuit", "scatter of no-load"}
    behind = entry["consistency"]
    assert behind["chi_square"] == pytest.approx(1.8, rel=1e-3)
    assert behind["degrees_of_freedom"] == 1
    assert behind["agrees"] and behind["out_of_line"] is None
    assert [one["weight"] for one in behind["tests"]] == pytest.approx([0.8, 0.2], abs=1e-4)
    assert [one["residual"] for one in behind["tests"]] == pytest.approx([-0.006, 0.024], abs=1e-4)
    # 1.306 ± 0.0175 lies below the limit, the open-circuit test alone (± 0.0196) below too, the no-load run above.
    assert found["criteria"][0]["decision"] == "pass"
    assert found["problems"] == []


def test_a_criterion_may_name_the_test_that_it_means(tmp_path: Path) -> None:
    limit = {"quantity": "emf_constant_dc", "max": "1.325 V s/rad"}
    found = results(tmp_path, EMF, {**limit, "from": "no-load"}, {**limit, "from": "coast-down"})
    named, absent = found["criteria"]
    assert (named["from"], named["decision"]) == ("no-load", "undecided")
    assert absent["decision"] == "not measured"


def test_tests_that_disagree_are_told_and_widen_the_interval(tmp_path: Path) -> None:
    apart = [EMF[0], run("no-load", emf_constant_dc=(1.400, 0.020))]
    found = results(tmp_path, apart)
    entry = found["quantities"]["emf_constant_dc"]
    assert not entry["consistency"]["agrees"]
    birge = 0.100 / (0.010**2 + 0.020**2) ** 0.5
    assert entry["consistency"]["birge_ratio"] == pytest.approx(birge, rel=1e-3)
    assert entry["standard_uncertainty"] == pytest.approx(0.0089443 * birge, rel=1e-3)
    assert any(line["source"].startswith("disagreement of the tests") for line in entry["budget"])
    (problem,) = found["problems"]
    assert "Two tests cannot say which is wrong" in problem["message"]
    assert "1.3 ± 0.02 by open-circuit, 1.4 ± 0.039 by no-load" in problem["message"]


def test_the_test_out_of_line_is_named(tmp_path: Path) -> None:
    three = [
        run("open-circuit", torque_constant=(1.300, 0.005)),
        run("locked-rotor", torque_constant=(1.303, 0.005)),
        run("load", torque_constant=(1.200, 0.005)),
    ]
    found = results(tmp_path, three)
    assert found["quantities"]["torque_constant"]["consistency"]["out_of_line"] == "load"
    (problem,) = found["problems"]
    assert "Out of line: load" in problem["message"]
    assert problem["procedure"] == "load"


def test_friction_is_adjusted_as_a_set() -> None:
    """With independent terms each is its own weighted mean; chi-square counts both."""
    clean = [
        run("coast-down", coulomb_friction=(0.40, 0.01), viscous_friction=(0.010, 0.001)),
        run("load", coulomb_friction=(0.43, 0.02), viscous_friction=(0.010, 0.001)),
    ]
    found = adjusted("U", clean, 0.95)
    assert found.forms["coulomb_friction"].value == pytest.approx(0.406)
    assert found.consistency["coulomb_friction"]["degrees_of_freedom"] == 2
    assert found.consistency["viscous_friction"]["chi_square"] == pytest.approx(1.8)
    assert found.members["viscous_friction"] == [0, 1]


def test_a_run_that_tells_air_drag_apart_is_not_bound_to_one_that_does_not() -> None:
    both = [
        run("coast-down", coulomb_friction=(0.41, 0.01), viscous_friction=(0.008, 0.001), windage=(5e-5, 1e-5)),
        run("load", coulomb_friction=(0.40, 0.02), viscous_friction=(0.010, 0.001)),
    ]
    assert not adjusted("U", both, 0.95).forms


def test_a_run_with_a_controllers_loss_in_it_is_not_bound_to_one_without() -> None:
    pair = [
        run("no-load", coulomb_friction=(0.43, 0.01), viscous_friction=(0.010, 0.001)),
        run("coast-down", coulomb_friction=(0.40, 0.01), viscous_friction=(0.010, 0.001)),
    ]
    assert not adjusted("U", pair, 0.95).forms


def test_runs_of_one_procedure_are_reported_apart() -> None:
    two = [run("no-load", label, emf_constant_dc=(1.3, 0.01)) for label in ("cold", "warm")]
    assert not adjusted("U", two, 0.95).forms
    assert adjusted("U", [*two, EMF[0]], 0.95).members["emf_constant_dc"] == [2, 0]


def test_each_constant_has_a_figure_of_its_tests_and_the_band(tmp_path: Path) -> None:
    results(tmp_path, EMF)
    fit = load_fit(tmp_path / "fit.json")
    (together,) = fit["derived"]
    with np.load(tmp_path / "panels.npz") as arrays:
        (panel,) = load_panels(together["panels"], arrays)
    tests = [series for series in panel.series if series.role == "measured"]
    assert [float(series.y[0]) for series in tests] == [1.300, 1.330]
    assert tests[0].y_error == pytest.approx([1.96 * 0.010], rel=1e-3)
    (band,) = (series.y for series in panel.series if series.role == "limit")
    assert [band.min(), band.max()] == pytest.approx([1.306 - 1.96 * 0.0089443, 1.306 + 1.96 * 0.0089443], rel=1e-4)


def test_a_drive_takes_the_adjusted_value_of_its_motor(tmp_path: Path) -> None:
    save_fit(tmp_path / "M.json", tmp_path / "M.npz", UnitFit(EMF, adjusted=adjusted("M", EMF, 0.95)))
    motor = part("motor", "M", load_fit(tmp_path / "M.json"))
    assert motor.forms["emf_constant_dc"].value == pytest.approx(1.306)
    save_fit(tmp_path / "D.json", tmp_path / "D.npz", UnitFit(parts=[motor]))
    again = load_fit(tmp_path / "D.json")["parts"][0]["outcomes"]
    assert {outcome["procedure"] for outcome in again} == {"open-circuit", "no-load", "adjusted"}


def test_what_straddles_the_end_of_the_possible_is_cut_there_as_a_test_alone_is() -> None:
    """Two that disagree widen each other across zero: friction cannot be negative."""
    apart = [
        run("coast-down", coulomb_friction=(0.01, 0.004), viscous_friction=(0.010, 0.001)),
        run("load", coulomb_friction=(0.09, 0.004), viscous_friction=(0.010, 0.001)),
    ]
    found = adjusted("U", apart, 0.95)
    assert found.forms["coulomb_friction"].standard_uncertainty > 0.02
    assert found.simulated["coulomb_friction"].low >= 0.0


def line(procedure: str, c: tuple[float, float], b: tuple[float, float], correlation: float) -> Outcome:
    """Return the friction of a run whose two terms hang together."""
    one, other = (Influence(f"{procedure}/{n}", "scatter of the line") for n in "12")
    apart = math.sqrt(1.0 - correlation**2)
    terms = ({one: c[1]}, {one: correlation * b[1], other: apart * b[1]})
    forms = {n: Form(v[0], own) for n, v, own in zip(FRICTION, (c, b), terms, strict=True)}
    return Outcome(procedure, procedure, forms, Fit())


def test_an_adjusted_value_beyond_the_possible_stands_at_its_end_and_is_judged_there(tmp_path: Path) -> None:
    """Correlated lines leave a viscous friction just below zero, where neither of them is."""
    lines = [
        line("coast-down", (0.20, 0.03), (0.0020, 0.0009), -0.98),
        line("no-load", (0.27, 0.003), (0.004, 0.0019), -0.3),
    ]
    assert adjusted("U", lines, 0.95).forms["viscous_friction"].value == 0.0
    found = results(tmp_path, lines, {"quantity": "viscous_friction", "max": "0.01 N m s/rad"})
    assert found["quantities"]["viscous_friction"]["value"] == 0.0
    assert found["criteria"][0]["decision"] == "pass"


def simulated(low: float, high: float) -> Outcome:
    one = run("open-circuit", emf_constant_dc=(1.300, 0.010))
    found = Simulation(low, high, (high - low) / 3.92, 1000, (low, high))
    return replace(one, simulated={"emf_constant_dc": found})


def test_an_interval_wider_than_its_form_enters_as_wide_as_it_is() -> None:
    found = adjusted("U", [simulated(1.300 - 0.0392, 1.300 + 0.0392), EMF[1]], 0.95)
    # As wide as the no-load run: equal weights.
    assert found.forms["emf_constant_dc"].value == pytest.approx(1.315, abs=1e-4)
    assert found.forms["emf_constant_dc"].standard_uncertainty == pytest.approx(0.02 / 2**0.5, rel=1e-3)


def test_nothing_is_adjusted_without_the_preferred_test() -> None:
    assert not adjusted("U", [simulated(1.29, 1.34), EMF[1]], 0.95).forms


def test_the_report_has_a_section_of_them_and_says_by_which_test_a_criterion_is_judged(tmp_path: Path) -> None:
    nothing: Any = None
    limit = {"quantity": "emf_constant_dc", "max": "1.325 V s/rad", "from": "no-load"}
    found = Results.model_validate(results(tmp_path, EMF, limit))
    fit = load_fit(tmp_path / "fit.json")
    (section,) = sections(nothing, {**fit, "outcomes": []}, nothing, found)
    assert section.title == "Adjustment of several tests"
    assert [q.name for q in section.quantities] == ["emf_constant_dc"]
    assert len(section.figures) == 1
    assert "the tests agree" in " ".join(section.notes)
    view = criterion_view(found.criteria[0], found)
    assert view.title == "EMF constant, DC by no-load run"
    assert "1.33" in str(view.value)

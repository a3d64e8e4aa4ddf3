"""An earlier test of the same unit as one more observation: what it weighs, what it shares, and what is refused.

Expected numbers: the weighted mean of two independent values by hand (1.300 ± 0.010 beside 1.330 ± 0.020 has weights
0.8 and 0.2, so 1.306 ± 0.00894; chi-square 0.03²/(0.01² + 0.02²) = 1.8), a drift as a rectangle (half-width over √3,
JCGM 100:2008, 4.3.7), and generalised least squares by statsmodels.
"""

from __future__ import annotations

import json
import math
import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import statsmodels.api as sm
from pydantic import ValidationError

from rotorproof.decision import earlier as reading
from rotorproof.decision.earlier import earlier_tests
from rotorproof.decision.results import build_results
from rotorproof.errors import InputError
from rotorproof.fitting.adjusted import adjusted, left_out
from rotorproof.fitting.engine import Outcome
from rotorproof.fitting.store import load_fit, load_panels, save_fit
from rotorproof.fitting.unit_fit import UnitFit
from rotorproof.procedures.fit import Fit
from rotorproof.quantities import quantities
from rotorproof.settings.unit import UnitFile
from rotorproof.uncertainty.forms import Form, Influence

NAME = "earlier, 2024-05-01"
#: A drift whose standard uncertainty is 0.012 at 1.330: with 0.016 of the test itself, 0.020.
SHARE = 0.012 * math.sqrt(3.0) / 1.330
METER = "gain of meter, voltage"


def unit_file(*entries: dict[str, Any], **more: Any) -> UnitFile:
    first = {"results": "before.json", "tested_on": "2024-05-01", "drift": {"emf_constant_dc": f"{SHARE:.15g}"}}
    listed = [{**first, **entry} for entry in entries or ({},)]
    return UnitFile.model_validate({"unit": "U", "kind": "motor", "tested_on": "2026-05-01", "earlier": listed, **more})


def outcome(procedure: str, **terms: Any) -> Outcome:
    """Return a run whose EMF constant has these terms beside its ``value``; ``freedom`` is that of its scatter."""
    value, freedom = terms.pop("value"), terms.pop("freedom", math.inf)
    influences = {
        "scatter": Influence(f"{procedure}/0", f"scatter of {procedure}", "normal", freedom, procedure),
        "meter": Influence("instrument/7/voltage", METER, "rectangular"),
    }
    return Outcome(
        procedure, procedure, {"emf_constant_dc": Form(value, {influences[k]: c for k, c in terms.items()})}, Fit()
    )


def results_of(folder: Path, outcomes: list[Outcome], unit: UnitFile | None = None) -> dict[str, Any]:
    """Return the results of a unit, with the earlier tests that it names, through the file of its fit."""
    before, problems = earlier_tests(unit, folder) if unit else ([], [])
    found = adjusted("U", outcomes, 0.95, before)
    fit = UnitFit(outcomes, adjusted=found, problems=[*problems, *left_out(found, before, "U/unit.yaml")])
    save_fit(folder / "fit.json", folder / "panels.npz", fit)
    return build_results("U", "motor", load_fit(folder / "fit.json"), [], None, 0.95).as_json()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return a unit's folder with the results of an earlier open-circuit test, 1.330 ± 0.016 from scatter alone."""
    keep(tmp_path, results_of(tmp_path, [outcome("open-circuit", value=1.330, scatter=0.016)]))
    return tmp_path


def keep(folder: Path, results: dict[str, Any]) -> None:
    (folder / "before.json").write_text(json.dumps(results), encoding="utf-8")


def change(folder: Path, **keys: Any) -> None:
    """Change keys of the earlier EMF constant, or of the whole file where it has them."""
    results = json.loads((folder / "before.json").read_text(encoding="utf-8"))
    for key, value in keys.items():
        (results if key in results else results["quantities"]["emf_constant_dc"])[key] = value
    keep(folder, results)


NOW = [outcome("open-circuit", value=1.300, scatter=0.010)]


def test_two_values_are_weighed_with_drift_as_by_hand(folder: Path) -> None:
    found = results_of(folder, NOW, unit_file())
    entry = found["quantities"]["emf_constant_dc"]
    assert entry["procedure"] == "adjusted"
    assert entry["value"] == pytest.approx(1.306, abs=1e-5)
    assert entry["standard_uncertainty"] == pytest.approx(0.02 / math.sqrt(5.0), rel=1e-3)
    assert entry["consistency"]["chi_square"] == pytest.approx(1.8, rel=1e-3)
    tests = {test["procedure"]: test for test in entry["consistency"]["tests"]}
    assert tests[NAME]["weight"] == pytest.approx(0.2, abs=1e-4)
    assert "drift since the earlier test" in {line["source"] for line in entry["budget"]}
    assert found["problems"] == []
    (part,) = [one for one in load_fit(folder / "fit.json").derived if one.maker == "adjusted"]
    said = " ".join(part.notes)
    assert "not verified here" in said and "U/before.json" in said
    assert [row[1] for row in part.tables[0].rows][-1] == "Earlier, 2024-05-01"
    with np.load(folder / "panels.npz") as arrays:
        (figure,) = load_panels(part.panels, arrays)
    assert "Earlier, 2024-05-01" in [series.label for series in figure.series]


@pytest.mark.parametrize("seen", ["same meter", "another meter"])
def test_a_source_of_the_same_name_is_one_error(tmp_path: Path, seen: str) -> None:
    keep(tmp_path, results_of(tmp_path, [outcome("open-circuit", value=1.302, scatter=0.010, meter=-0.008)]))
    if seen == "another meter":
        text = (tmp_path / "before.json").read_text(encoding="utf-8")
        (tmp_path / "before.json").write_text(text.replace(METER, "gain of scope, voltage"), encoding="utf-8")
    now = outcome("open-circuit", value=1.300, scatter=0.006, meter=0.008)
    entry = results_of(tmp_path, [now], unit_file({"drift": "1 %"}))["quantities"]["emf_constant_dc"]
    shared = 0.008**2 if seen == "same meter" else 0.0
    drift = 0.01 * 1.302 / math.sqrt(3.0)
    covariance = [[0.006**2 + 0.008**2, shared], [shared, 0.010**2 + 0.008**2 + drift**2]]
    theirs = sm.GLS([1.300, 1.302], np.ones((2, 1)), sigma=covariance).fit()
    # The covariance of the fit is scaled by chi-square there; the plain one is that of the normal equations.
    u = math.sqrt(theirs.normalized_cov_params[0, 0])
    assert entry["value"] == pytest.approx(theirs.params[0], abs=2e-5)
    assert entry["standard_uncertainty"] == pytest.approx(u, rel=5e-3)


def test_two_earlier_tests_share_what_is_named_alike_and_their_drift(folder: Path) -> None:
    keep(folder, results_of(folder, [outcome("open-circuit", value=1.302, scatter=0.010, meter=0.008, freedom=11.0)]))
    (folder / "older.json").write_bytes((folder / "before.json").read_bytes())
    older = {"results": "older.json", "tested_on": "2022-05-01", "drift": "2 %"}
    (one, other), problems = earlier_tests(unit_file({"drift": "1 %"}, older), folder)
    first, second = one.forms["emf_constant_dc"], other.forms["emf_constant_dc"]
    expected = 0.008**2 + 0.01 * 0.02 * 1.302**2 / 3.0
    assert problems == []
    assert first.covariance(second) == pytest.approx(expected, rel=1e-3)


def test_more_change_than_drift_allows_is_said_of_the_earlier_test(folder: Path) -> None:
    change(folder, value=1.500, interval=[1.468, 1.532])
    two = [*NOW, outcome("no-load", value=1.301, scatter=0.011)]
    for tests, words in ((NOW, "Either the unit has changed"), (two, "Has the unit changed more")):
        (problem,) = results_of(folder, tests, unit_file())["problems"]
        assert words in problem["message"] and NAME in problem["message"]
        assert "procedure" not in problem


REFUSED = {
    "of another unit": ({"unit": "V"}, "results", "of the unit 'V'"),
    "of another kind": ({"kind": "controller"}, "results", "are of a controller"),
    "in another unit": ({"unit_": "mV s"}, "drift", "its definition differs"),
    "predicted": ({"origin": {"kind": "predicted", "from": "a pack"}}, "drift", "was not measured"),
    "lopsided": ({"interval": [1.32, 1.39]}, "drift", "not symmetric"),
    "exact": ({"standard_uncertainty": 0.0}, "drift", "no uncertainty"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_what_cannot_count_is_named_and_costs_nothing_else(folder: Path, case: str) -> None:
    keys, key, words = REFUSED[case]
    if "unit_" in keys:
        results = json.loads((folder / "before.json").read_text(encoding="utf-8"))
        results["quantities"]["emf_constant_dc"]["unit"] = keys["unit_"]
        keep(folder, results)
    else:
        change(folder, **keys)
    found = results_of(folder, NOW, unit_file())
    (problem,) = found["problems"]
    assert words in problem["message"] and "before.json" in problem["message"]
    assert (problem["file"], problem["column"]) == ("U/unit.yaml", f"earlier, entry 1, {key}")
    assert found["quantities"]["emf_constant_dc"]["value"] == pytest.approx(1.300)
    assert found["quantities"]["emf_constant_dc"]["procedure"] == "open-circuit"


def _absent(path: Path) -> None:
    path.unlink()


def _folder(path: Path) -> None:
    path.unlink()
    path.mkdir()


def _pipe(path: Path) -> None:
    path.unlink()
    os.mkfifo(path)


def _link_out(path: Path) -> None:
    outside = path.parent.parent / f"{path.parent.name}-outside.json"
    path.rename(outside)
    path.symlink_to(outside)


def _no_json(path: Path) -> None:
    path.write_text("{", encoding="utf-8")


def _deep(path: Path) -> None:
    path.write_text("[" * 100_000, encoding="utf-8")


def _twice(path: Path) -> None:
    path.write_text(path.read_text(encoding="utf-8").replace("{", '{"unit": "U",', 1), encoding="utf-8")


def _large(path: Path) -> None:
    path.write_bytes(path.read_bytes() + b" " * reading.LARGEST_RESULTS)


@pytest.mark.parametrize("spoil", [_absent, _folder, _pipe, _link_out, _no_json, _deep, _twice, _large])
def test_a_file_that_cannot_be_used_is_named_and_costs_nothing_else(folder: Path, spoil: Any) -> None:
    spoil(folder / "before.json")
    found = results_of(folder, NOW, unit_file())
    (problem,) = found["problems"]
    assert "before.json" in problem["message"] and problem["column"] == "earlier, entry 1, results"
    assert found["quantities"]["emf_constant_dc"]["value"] == pytest.approx(1.300)


def test_a_name_of_its_own_then_is_taken_on_the_users_word(folder: Path) -> None:
    change(folder, unit="V")
    assert results_of(folder, NOW, unit_file({"unit": "V"}))["problems"] == []


def test_a_file_changed_meanwhile_stops_the_run(folder: Path) -> None:
    with pytest.raises(InputError, match="changed while"):
        earlier_tests(unit_file(), folder, {"before.json": "0" * 64})


def test_an_earlier_torque_counts_for_the_emf_that_is_one_constant_with_it(folder: Path) -> None:
    """Torque per ampere and EMF per speed are one constant by power, to 1 % (rectangular) as the adjustment assumes."""
    results = json.loads((folder / "before.json").read_text(encoding="utf-8"))
    results["quantities"] = {
        "torque_constant": {**results["quantities"]["emf_constant_dc"], "unit": quantities()["torque_constant"].unit}
    }
    keep(folder, results)
    now = [*NOW, outcome("locked-rotor", value=1.310, scatter=0.030)]
    now[1] = replace(now[1], forms={"torque_constant": now[1].forms["emf_constant_dc"]})
    drift = {"torque_constant": f"{SHARE:.15g}"}
    found = results_of(folder, now, unit_file({"drift": drift}))
    assert found["problems"] == []
    entry = found["quantities"]["emf_constant_dc"]
    power = 0.01 / math.sqrt(3.0)  # common to both torques
    torques = np.array([1.310, 1.330])
    covariance = np.diag([0.010**2, 0.030**2, 0.020**2])
    covariance[1:, 1:] += power**2 * np.outer(torques, torques)
    theirs = sm.GLS([1.300, *torques], np.ones((3, 1)), sigma=covariance).fit()
    assert entry["value"] == pytest.approx(theirs.params[0], abs=2e-4)
    assert entry["standard_uncertainty"] == pytest.approx(math.sqrt(theirs.normalized_cov_params[0, 0]), rel=1e-2)
    (before,) = [test for test in entry["consistency"]["tests"] if test["procedure"] == NAME]
    assert before["given_as"] == "torque_constant"


def test_what_was_asked_for_and_does_not_enter_is_said(folder: Path) -> None:
    results = json.loads((folder / "before.json").read_text(encoding="utf-8"))
    results["quantities"]["torque_constant_q"] = {
        **results["quantities"]["emf_constant_dc"],
        "unit": "N m/A",
    }
    keep(folder, results)
    drift = {"emf_constant_dc": "1 %", "torque_constant_q": "1 %", "phase_resistance": "1 %", "no_such": "1 %"}
    said = [problem["message"] for problem in results_of(folder, NOW, unit_file({"drift": drift}))["problems"]]
    assert len(said) == 3
    for words in (
        "phase_resistance of 'before.json' is not among",
        "no_such of 'before.json' is a quantity that nothing",
    ):
        assert any(words in message for message in said)
    assert any("does not count: no test now gives it" in message for message in said)


def test_one_drift_for_all_leaves_out_in_silence_what_cannot_count(folder: Path) -> None:
    results = json.loads((folder / "before.json").read_text(encoding="utf-8"))
    results["quantities"]["kept_by_nobody"] = results["quantities"]["emf_constant_dc"]
    keep(folder, results)
    for drift, share in (("2 %", 0.02), ({"all": "2 %"}, 0.02), ({"all": "2 %", "emf_constant_dc": "1 %"}, 0.01)):
        ((one,), problems) = earlier_tests(unit_file({"drift": drift}), folder)
        assert problems == [] and list(one.forms) == ["emf_constant_dc"]
        u = math.hypot(0.016, share * 1.330 / math.sqrt(3.0))
        assert one.forms["emf_constant_dc"].standard_uncertainty == pytest.approx(u, rel=1e-3)


def test_results_that_rest_on_an_earlier_test_do_not_count_beside_it(folder: Path) -> None:
    (folder / "oldest.json").write_bytes((folder / "before.json").read_bytes())
    between = results_of(folder, NOW, unit_file())
    keep(folder, between)
    entry = {"tested_on": "2025-05-01"}
    assert results_of(folder, NOW, unit_file(entry))["problems"] == []
    oldest = {"results": "oldest.json", "tested_on": "2024-05-01"}
    (problem,) = results_of(folder, NOW, unit_file(entry, oldest))["problems"]
    assert "might count twice" in problem["message"]


@pytest.mark.parametrize(
    ("entry", "more", "words"),
    [
        ({"results": "../before.json"}, {}, "results"),
        ({"results": "unit.yaml"}, {}, "results"),
        ({"drift": "0 %"}, {}, "above 0"),
        ({"drift": {}}, {}, "drift"),
        ({"drift": None}, {}, "drift"),
        ({"drift": "1 +/- 0.1 %"}, {}, "most that it may be"),
        ({"tested_on": "2026-05-01"}, {}, "is not before"),
        ({}, {"tested_on": None}, "state 'tested_on'"),
        ({}, {"role": "check standard", "serial": "7"}, "no earlier day may count"),
    ],
)
def test_what_the_unit_file_may_not_say(entry: dict[str, Any], more: dict[str, Any], words: str) -> None:
    with pytest.raises(ValidationError, match=words):
        unit_file(entry, **more)
    with pytest.raises(ValidationError, match="two entries"):
        unit_file({}, {"results": "other.json"})

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
from scipy.optimize import least_squares

from rotorproof.decision.models import Results
from rotorproof.decision.results import build_results
from rotorproof.fitting.adjusted import adjusted
from rotorproof.fitting.engine import Outcome
from rotorproof.fitting.instrument_error import InstrumentError
from rotorproof.fitting.parts import part
from rotorproof.fitting.store import load_fit, load_panels, save_fit
from rotorproof.fitting.unit_fit import UnitFit
from rotorproof.procedures._friction_line import FrictionLine
from rotorproof.procedures.fit import Fit
from rotorproof.rendering.quantity_view import criterion_view
from rotorproof.rendering.section_view import sections
from rotorproof.settings.acceptance import AcceptanceSet
from rotorproof.uncertainty.accuracy import Accuracy
from rotorproof.uncertainty.forms import Form, Influence
from rotorproof.uncertainty.monte_carlo import Simulation

FRICTION = ("coulomb_friction", "viscous_friction")
NO_BEND = Form(0.0, {Influence("bend", "scatter of the coast-down"): 1e-9})


def run(procedure: str, label: str = "", **values: tuple[float, float]) -> Outcome:
    """Return a run with independent standard uncertainties."""
    forms = {
        name: Form(value, {Influence(f"{procedure}/{label}/{name}", f"scatter of {procedure}"): u})
        for name, (value, u) in values.items()
    }
    held = FRICTION if procedure == "no-load" else ()
    stands = FrictionLine(0.0, 0.0, 30.0) if FRICTION[0] in forms else None
    held = [n for n in held if n in forms]
    return Outcome(procedure, label or procedure, forms, Fit(), with_controller_loss=held, line=stands, bend=NO_BEND)


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
    """With independent terms each is its own weighted mean; chi-square counts both.

    By hand: the other run's drag is that of this one to 2 % over sqrt(3), so its 0.02 is 0.020527 and the weights are
    10000 and 2373.3.
    """
    clean = [
        run("coast-down", coulomb_friction=(0.40, 0.01), viscous_friction=(0.010, 0.001)),
        run("load", coulomb_friction=(0.43, 0.02), viscous_friction=(0.010, 0.001)),
    ]
    found = adjusted("U", clean, 0.95)
    assert found.forms["coulomb_friction"].value == pytest.approx(0.40576, abs=1e-5)
    assert found.consistency["coulomb_friction"].degrees_of_freedom == 2
    assert found.consistency["viscous_friction"].chi_square == pytest.approx(0.03**2 / (1e-4 + 4.2133e-4), rel=0.02)
    assert found.members["viscous_friction"] == [0, 1]


def test_a_run_whose_line_is_not_known_leaves_the_others_bound() -> None:
    given = {"coulomb_friction": (0.43, 0.02), "viscous_friction": (0.010, 0.001)}
    two = [run("no-load", **given), replace(run("load", **given), with_controller_loss=FRICTION)]
    unknown = replace(run("telemetry", **given), line=None)
    bound, alone = adjusted("U", [*two, unknown], 0.95), adjusted("U", two, 0.95)
    assert bound.members["coulomb_friction"] == [0, 1]
    for name in FRICTION:
        assert bound.forms[name].value == pytest.approx(alone.forms[name].value)
        assert bound.forms[name].standard_uncertainty == pytest.approx(alone.forms[name].standard_uncertainty)


def test_friction_is_not_adjusted_without_the_preferred_run() -> None:
    given = {"coulomb_friction": (0.43, 0.02), "viscous_friction": (0.010, 0.001)}
    coast = replace(run("coast-down", **given), line=None)
    assert not adjusted("U", [coast, run("load", **given), run("telemetry", **given)], 0.95).forms


@pytest.mark.parametrize("bound", [False, True])
def test_an_inertia_that_two_tests_give_is_adjusted_beside_the_friction(bound: bool) -> None:
    """0.060 and 0.050, each 1 %: the mean by weights 1/u^2 and chi-square 0.01^2/(0.0006^2 + 0.0005^2), by hand."""
    given = friction((0.40, 0.01), (0.010, 0.001)) if bound else {}
    apart = [
        run("coast-down", **given, moment_of_inertia=(0.060, 0.0006)),
        run("telemetry", **given, moment_of_inertia=(0.050, 0.0005)),
    ]
    found = adjusted("U", apart, 0.95)
    assert (FRICTION[0] in found.forms) is bound
    assert found.forms["moment_of_inertia"].value == pytest.approx(0.054098, abs=1e-6)
    assert found.consistency["moment_of_inertia"].chi_square == pytest.approx(163.93, rel=1e-3)
    assert not found.consistency["moment_of_inertia"].agrees


DRAG, TOP = (0.40, 0.008, 5e-5), 30.0


def straight(low: float, high: float) -> tuple[FrictionLine, np.ndarray]:
    """Return where NumPy's straight line through speeds from ``low`` to ``high`` stands, and that through the drag."""
    speed = np.linspace(low, high, 50)
    b, c = np.polyfit(speed, speed**2, 1)
    drag = np.polyfit(speed, np.polyval(DRAG[::-1], speed), 1)[::-1]
    return FrictionLine(float(c), float(b), high), drag


def friction(c: tuple[float, float], b: tuple[float, float]) -> dict[str, tuple[float, float]]:
    return dict(zip(FRICTION, (c, b), strict=True))


def test_a_run_that_tells_air_drag_apart_is_bound_to_a_straight_line_by_it() -> None:
    """The line that NumPy fits to the same drag over its own speeds agrees with the parabola, term by term."""
    stands, (c, b) = straight(8.0, TOP)
    told = run("coast-down", **friction((DRAG[0], 0.01), (DRAG[1], 0.001)), windage=(DRAG[2], 1e-5))
    other = replace(run("load", **friction((c, 0.02), (b, 0.001))), line=stands)
    found = adjusted("U", [replace(told, line=FrictionLine(0.0, 0.0, TOP)), other], 0.95)
    assert found.consistency["coulomb_friction"].chi_square == pytest.approx(0.0, abs=1e-9)
    assert [found.forms[name].value for name in (*FRICTION, "windage")] == pytest.approx(list(DRAG))
    assert found.forms["viscous_friction"].standard_uncertainty < 0.001
    assert "windage" not in found.consistency  # one test alone gives it


def test_straight_lines_over_different_speeds_are_tied_by_the_bend_between_them() -> None:
    """A slow and a fast line of one bent drag differ; what the coast-down shows of the bend explains it."""
    (slow, first), (fast, second) = straight(0.0, 20.0), straight(12.0, TOP)
    values = [friction((c, 0.002), (b, 0.0001)) for c, b in (first, second)]
    bend = Form(DRAG[2], {Influence("bend", "scatter of the coast-down"): 1e-8})
    one = replace(run("coast-down", **values[0]), line=slow, bend=bend)
    other = replace(run("load", **values[1]), line=fast)
    assert abs(first[0] - second[0]) > 5 * 0.002
    found = adjusted("U", [one, other], 0.95)
    assert found.consistency["coulomb_friction"].chi_square == pytest.approx(0.0, abs=1e-6)
    assert found.forms["coulomb_friction"].value == pytest.approx(first[0])


def test_a_line_with_its_bend_says_as_much_as_the_parabola_that_both_come_from(tmp_path: Path) -> None:
    """Least squares by NumPy for a parabola beside another run's line, all three terms unknown: the same line."""
    low = 0.15 * TOP
    (own, _), (other, second) = straight(low, TOP), straight(12.0, 25.0)
    parabola = np.array([0.41, 0.0072, 6e-5])
    root = np.array([[0.01, 0.0, 0.0], [-0.0012, 0.0006, 0.0], [2.5e-5, -1.5e-5, 1e-5]])
    turn = np.array([[1.0, 0.0, own.coulomb], [0.0, 1.0, own.viscous], [0.0, 0.0, 1.0]])
    scatter = [Influence(f"scatter/{k}", "scatter of the coast-down") for k in range(3)]
    c, b, bend = (
        Form(float(value), dict(zip(scatter, (float(x) for x in row), strict=True)))
        for value, row in zip(turn @ parabola, turn @ root, strict=True)
    )
    coast = Outcome("coast-down", "", dict(zip(FRICTION, (c, b), strict=True)), Fit(), line=own, bend=bend)
    load = replace(run("load", **friction((second[0], 0.004), (second[1], 0.0002))), line=other)
    found = adjusted("U", [coast, load], 0.95)
    # The other run's drag is that of this one to 2 %, over sqrt(3), both terms together.
    warm = 0.02 / 3**0.5 * np.array([c.value, b.value])
    covariance = np.zeros((5, 5))
    covariance[:3, :3] = root @ root.T
    covariance[3:, 3:] = np.diag([0.004**2, 0.0002**2]) + np.outer(warm, warm)
    design = np.vstack([np.eye(3), [1.0, 0.0, other.coulomb], [0.0, 1.0, other.viscous]])
    weigh = np.linalg.inv(np.linalg.cholesky(covariance))
    read = np.array([*parabola, *second])
    best, left, *_ = np.linalg.lstsq(weigh @ design, weigh @ read, rcond=None)
    assert [found.forms[name].value for name in FRICTION] == pytest.approx(list((turn @ best)[:2]), rel=1e-6)
    assert found.consistency["coulomb_friction"].chi_square == pytest.approx(float(left[0]), rel=1e-3)
    save_fit(tmp_path / "fit.json", tmp_path / "panels.npz", UnitFit([coast]))
    assert load_fit(tmp_path / "fit.json").outcomes[0].bend == bend


def test_a_bridges_loss_is_taken_off_a_run_that_holds_it() -> None:
    """A no-load run is bound to a coast-down less what a bridge takes: 0.1 V and 20 mohm, each to all of itself."""
    given = friction((0.400, 0.001), (0.010, 0.0001))
    held = run("no-load", **given, emf_constant_dc=(1.0, 0.001))
    found = adjusted("U", [run("coast-down", **given), held], 0.95)
    by = {one.procedure: one for one in found.consistency["coulomb_friction"].tests}
    # By hand, from the no-load current c/Ke: the loss of 0.1 V and of 20 mohm at it is 0.043 W, over speed a torque.
    assert 0.390 < by["no-load"].value < 0.400
    assert by["no-load"].expanded_uncertainty > by["coast-down"].expanded_uncertainty
    assert not found.with_controller_loss
    assert "up to 0.2 volt" in " ".join(found.shown.notes)


@pytest.mark.parametrize("weighed", [(), ((0.106, 0.004),)])
def test_ratios_of_a_coast_down_and_torques_of_a_run_give_friction_and_inertia_together(
    weighed: tuple[tuple[float, float], ...],
) -> None:
    """The same problem, not linear, by SciPy; the shape of the deceleration narrows the torques' own.

    An inertia that another test finds by itself counts beside the ratios.
    """
    torques, ratios = ((0.42, 0.03), (0.0090, 0.0015)), ((4.0, 0.02), (0.105, 0.001))
    names = ("coulomb_deceleration", "viscous_decay_rate", "moment_of_inertia")
    coast = run("coast-down", **dict(zip(names, (*ratios, (0.1, 0.01)), strict=True)))
    coast = replace(coast, line=FrictionLine(0.0, 0.0, TOP))
    others = [run("telemetry", moment_of_inertia=one) for one in weighed]
    found = adjusted("U", [run("load", **friction(*torques)), coast, *others], 0.95)
    warm = [0.02 / 3**0.5 * value for value, _ in torques]
    spread = np.diag([u**2 for _, u in torques]) + np.outer(warm, warm)
    root = np.linalg.inv(np.linalg.cholesky(spread))

    def left(x: np.ndarray) -> np.ndarray:
        away = root @ (np.array([value for value, _ in torques]) - x[:2])
        known = [(one - x[2]) / u for one, u in weighed]
        return np.concatenate([away, [(r - x[k] / x[2]) / u for k, (r, u) in enumerate(ratios)], known])

    ours = [found.forms[name].value for name in (*FRICTION, "moment_of_inertia")]
    theirs = least_squares(left, [0.4, 0.01, 0.1], x_scale=[0.1, 0.01, 0.1], xtol=1e-12, ftol=1e-12)
    assert ours == pytest.approx(list(theirs.x), rel=1e-4)
    assert found.forms["viscous_friction"].standard_uncertainty < 0.9 * 0.0015


def test_emf_and_torque_are_one_constant_to_one_percent() -> None:
    """1.30 by EMF and 1.33 by torque, each 0.01, and the relation 1 % over sqrt(3): the mean by hand."""
    both = [run("open-circuit", emf_constant_dc=(1.30, 0.01)), run("locked-rotor", torque_constant=(1.33, 0.01))]
    found = adjusted("U", both, 0.95)
    second = 0.01**2 + (1.33 * 0.01 / 3**0.5) ** 2
    mean = (1.30 / 1e-4 + 1.33 / second) / (1 / 1e-4 + 1 / second)
    assert found.forms["emf_constant_dc"].value == pytest.approx(mean, abs=2e-4)
    assert found.forms["torque_constant"].value == found.forms["emf_constant_dc"].value
    tests = found.consistency["emf_constant_dc"].tests
    assert [one.given_as for one in tests] == [None, "torque_constant"]
    assert [one.given_as for one in found.consistency["torque_constant"].tests] == ["emf_constant_dc", None]


def test_the_q_axis_constant_is_that_of_the_waves_fundamental() -> None:
    """A sinusoidal machine by hand: line EMF of 1 V s/rad RMS, peak sqrt(2); T = sqrt(3)/2 of that peak times i_q."""
    both = [
        run("open-circuit", emf_constant_rms=(1.0, 0.002), emf_distortion=(0.0, 1e-6)),
        run("locked-rotor", torque_constant_q=(3**0.5 / 2 * 2**0.5, 0.002)),
    ]
    found = adjusted("U", both, 0.95)
    assert found.consistency["emf_constant_rms"].chi_square == pytest.approx(0.0, abs=1e-12)
    assert found.forms["torque_constant_q"].value == pytest.approx(1.5**0.5)


def read(procedure: str, name: str, value: float, tachometer: float) -> Outcome:
    """Return a run with a scatter of 0.1 % and a tachometer that acts on it by ``tachometer`` shares of its error."""
    gain = Influence("instrument/T-7/speed", "accuracy of T-7, speed", "rectangular")
    own = Influence(f"scatter/{procedure}", "scatter", block=f"scatter/{procedure}")
    u = value * 0.003 / 3**0.5 * tachometer
    forms = {name: Form(value, {own: 0.001 * value, **({gain: u} if u else {})})}
    error = InstrumentError(gain, Accuracy(0.003, 0.0), kind="speed")
    return Outcome(procedure, procedure, forms, Fit(), errors={gain.name: error})


def test_an_instrument_that_would_explain_all_is_named_with_its_size(tmp_path: Path) -> None:
    """A tachometer 3 % high makes EMF per speed 3 % low in two tests and leaves two torques alone: it is found."""
    low = 1.30 * (1 - 0.03)
    four = [
        read("open-circuit", "emf_constant_dc", low, -1.0),
        read("no-load", "emf_constant_dc", low, -1.0),
        read("locked-rotor", "torque_constant", 1.30, 0.0),
        read("load", "torque_constant", 1.30, 0.0),
    ]
    found = results(tmp_path, four)
    behind = found["quantities"]["emf_constant_dc"]["consistency"]
    assert not behind["agrees"]
    assert behind["out_of_line"] is None
    words = {one["words"].partition(":")[0]: one for one in behind["explanations"]}
    tachometer = words["accuracy of T-7, speed"]
    assert "readings 3" in tachometer["words"] and "% too high" in tachometer["words"]
    assert tachometer["procedures"] == ["no-load", "open-circuit"]
    message = found["problems"][0]["message"]
    assert "A single error would bring all into agreement" in message
    assert "accuracy of T-7, speed" in message


def test_a_run_with_a_controllers_loss_in_it_is_not_bound_where_the_current_is_not_known() -> None:
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
    (together,) = fit.derived
    with np.load(tmp_path / "panels.npz") as arrays:
        (panel,) = load_panels(together.panels, arrays)
    tests = [series for series in panel.series if series.role == "measured"]
    assert [float(series.x[0]) for series in tests] == [1.300, 1.330]
    assert tests[0].y_error == pytest.approx([1.96 * 0.010], rel=1e-3)
    (band,) = (series.x for series in panel.series if series.role == "fit")
    assert [band.min(), band.max()] == pytest.approx([1.306 - 1.96 * 0.0089443, 1.306 + 1.96 * 0.0089443], rel=1e-4)


def test_a_drive_takes_the_adjusted_value_of_its_motor(tmp_path: Path) -> None:
    save_fit(tmp_path / "M.json", tmp_path / "M.npz", UnitFit(EMF, adjusted=adjusted("M", EMF, 0.95)))
    motor = part("motor", "M", load_fit(tmp_path / "M.json"))
    assert motor.forms["emf_constant_dc"].value == pytest.approx(1.306)
    save_fit(tmp_path / "D.json", tmp_path / "D.npz", UnitFit(parts=[motor]))
    again = load_fit(tmp_path / "D.json").parts[0].outcomes
    assert {outcome.maker for outcome in again} == {"open-circuit", "no-load", "adjusted"}


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
    return Outcome(procedure, procedure, forms, Fit(), line=FrictionLine(0.0, 0.0, 30.0))


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
    (section,) = sections(nothing, fit.model_copy(update={"outcomes": []}), nothing, found)
    assert section.title == "Adjustment of several tests"
    assert [q.name for q in section.quantities] == ["emf_constant_dc"]
    assert len(section.figures) == 1
    assert "the tests agree" in " ".join(section.notes)
    view = criterion_view(found.criteria[0], found)
    assert view.title == "EMF constant, DC by no-load run"
    assert "1.33" in str(view.value)

"""Whether a formula describes its readings: published examples, sound tests, and misfits that benches have."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from statsmodels.regression.linear_model import OLS
from statsmodels.stats.outliers_influence import OLSInfluence

from rotorproof.fitting.adequacy import (
    SIGNIFICANCE,
    Adequacy,
    advice,
    bend,
    judge,
    known,
    lack_of_fit,
    runs,
    single,
    words,
)
from rotorproof.physics.regression import linear_fit
from rotorproof.procedures import procedures
from rotorproof.procedures.fit import Fit, Residuals
from rotorproof.uncertainty.forms import Form, Influence, budget
from tests.outside import Outside
from tests.procedures.runs import outcome

#: Deflection of a load cell over its load, NIST StRD "Pontius" (NIST/SEMATECH e-Handbook, 4.6.2), each load twice.
DEFLECTION = np.array([
    0.11019, 0.21956, 0.32949, 0.43899, 0.54803, 0.65694, 0.76562, 0.87487, 0.98292, 1.09146,
    1.20001, 1.30822, 1.41599, 1.52399, 1.63194, 1.73947, 1.84646, 1.95392, 2.06128, 2.16844,
    0.11052, 0.22018, 0.32939, 0.43886, 0.54798, 0.65739, 0.76596, 0.87474, 0.98300, 1.09150,
    1.20004, 1.30818, 1.41613, 1.52408, 1.63159, 1.73965, 1.84696, 1.95445, 2.06177, 2.16829,
])  # fmt: skip
LOAD = np.tile(np.arange(1, 21) * 150e3, 2)


def polynomial(order: int) -> np.ndarray:
    return np.vander(LOAD, order + 1, increasing=True)


def test_lack_of_fit_is_that_of_the_handbook(outside: Outside) -> None:
    certified = linear_fit(polynomial(2), DEFLECTION)
    assert certified.residual_sd == pytest.approx(
        0.205177424076185e-03, rel=1e-9
    )  # the readings are the certified ones
    # The handbook's program worked in single precision: its large F is good to six digits.
    for order, published, allowance in ((1, 214.7464, 1e-3), (2, 0.8107, 1e-4)):
        found = lack_of_fit(linear_fit(polynomial(order), DEFLECTION).residuals, LOAD, order + 1)
        assert found is not None
        outside(
            "fit",
            f"lack-of-fit F of a load cell, polynomial of order {order}",
            ours=found[0],
            published=published,
            allowance=allowance,
            source="from memory: NIST/SEMATECH e-Handbook, 4.6.2.4 and 4.6.2.6; readings of NIST StRD Pontius",
        )


@pytest.mark.parametrize(("count", "rare"), [(6, True), (7, False)])
def test_runs_are_rare_where_the_exact_table_says_so(count: int, rare: bool) -> None:
    """Swed and Eisenhart, Ann. Math. Statist. 14 (1943) 66, ten of each sign at 2.5 %: at most six, from memory."""
    lengths = {6: (3, 3, 3, 3, 4, 4), 7: (3, 3, 3, 3, 2, 4, 2)}[count]
    ordered = np.concatenate([np.full(n, 1.0 if i % 2 else -1.0) for i, n in enumerate(lengths)])
    found = runs(ordered)
    assert found is not None
    assert (found[1] < 0.025) is rare


def left(x: np.ndarray, y: np.ndarray, **more: np.ndarray) -> Residuals:
    fit = Fit()
    fit.left("line", "1", y, linear_fit(np.column_stack([np.ones_like(x), x]), y), {"x": x, **more})
    return fit.residuals[0]


def test_sound_lines_are_doubted_once_in_a_thousand() -> None:
    rng = np.random.default_rng(5)
    x = np.linspace(1, 10, 25)
    doubted = sum(judge([left(x, 2 * x + rng.normal(size=25))]).state == "widened" for _ in range(3000))
    assert stats.binomtest(doubted, 3000, SIGNIFICANCE, "greater").pvalue > 1e-3


def test_a_bend_of_twice_the_scatter_is_found_and_enters_the_budget() -> None:
    rng = np.random.default_rng(6)
    x = np.linspace(1, 10, 25)
    found = judge([left(x, 2 * x + 0.2 * (x - 5.5) ** 2 + rng.normal(size=25))])
    assert found.state == "widened"
    assert found.failed[0].tested in ("bend over x", "runs over x")
    # If all that is left were bend, two terms would explain it: (25 - 2)/2 times the mean square, less one.
    assert 3 < found.excess < 10.5
    assert "leaves more than scatter" in words(found)
    assert "something acts" in advice(found, {})[0]


def bent(**more: str) -> Adequacy:
    x = np.linspace(1, 10, 25)
    rng = np.random.default_rng(6)
    return judge([replace(left(x, 2 * x + 0.2 * (x - 5.5) ** 2 + rng.normal(size=25)), blocks=("slope",), **more)])


def constant(scatter: float, misfit: float) -> dict[str, Form]:
    """Return a torque constant of 1 N m/A with what scatters and what the formula misses of it."""
    terms = {"scatter/U/load/slope/1": scatter, "misfit/U/load/slope/1": misfit, "misfit/U/load/other/1": 0.5}
    return {"torque_constant": Form(1.0, {Influence(name, name): u for name, u in terms.items()})}


@pytest.mark.parametrize(
    ("scatter", "misfit", "warns"),
    [
        (0.0, 0.2, False),  # beside the other 0.5 it widens by 8 %
        (0.0, 0.45, True),  # by 35 %, and is 90 % of the value
    ],
)
def test_a_misfit_that_the_formula_names_is_a_note_while_it_does_little(
    scatter: float, misfit: float, warns: bool
) -> None:
    forms = constant(scatter, misfit)
    found = bent(bends="iron that saturates bends it so")
    assert bool(advice(found, forms)) == warns
    assert [("iron that saturates bends it so" in note, "widens Torque constant by" in note)
            for note in known(found, forms)] == ([] if warns else [(True, True)])  # fmt: skip
    # One that nobody can name is asked about, however little it does.
    assert advice(bent(), forms)
    assert known(bent(), forms) == []


def test_a_misfit_of_no_use_is_a_note_however_well_all_else_is_known() -> None:
    """Twice 0.6 % of the value is below the 2 % up to which a torque constant tells nothing of use."""
    found = bent(bends="iron that saturates bends it so")
    small = {"torque_constant": Form(1.0, {Influence(f"{k}/U/load/slope/1", k): 0.006 for k in ("misfit",)})}
    assert advice(found, small) == []
    assert len(known(found, small)) == 1


def test_a_wave_whose_periods_fill_the_groups_widens_as_its_warning_says() -> None:
    """A sine over ten whole periods: its mean over a tenth of the readings is zero, its runs of one sign are long."""
    rng = np.random.default_rng(16)
    x = np.arange(1000.0)
    found = judge([left(x, 2 * x + 3 * np.sin(2 * np.pi * x / 100) + rng.normal(size=1000))])
    assert found.state == "widened"
    assert [check.tested for check in found.failed] == ["runs over x"]
    # Half a period of 50 readings has a mean of 2/pi of the amplitude, beside a mean square of 3 ** 2 / 2 + 1.
    assert found.excess == pytest.approx(50 * (3 * 2 / np.pi) ** 2 / 5.5 - 1.0, rel=0.1)
    assert "widened by it" in advice(found, {})[0]


def test_a_slope_that_changes_with_another_column_is_found() -> None:
    """One plane where torque per ampere differs by speed."""
    rng = np.random.default_rng(7)
    current, speed = (grid.ravel() for grid in np.meshgrid(np.linspace(2, 20, 6), np.linspace(5, 25, 5)))
    torque = current * (1.0 + 0.004 * speed) - 0.02 * speed + rng.normal(0, 0.1, current.size)
    fit = Fit()
    design = np.column_stack([np.ones_like(current), current, speed])
    fit.left("plane", "N m", torque, linear_fit(design, torque), {"current": current, "speed": speed})
    assert judge(fit.residuals).failed[0].tested == "twist over current and speed"


def test_a_tenfold_slip_of_one_reading_is_named() -> None:
    rng = np.random.default_rng(8)
    x = np.linspace(1, 10, 12)
    y = 0.8 * x + rng.normal(0, 0.02, 12)
    y[6] *= 10
    found = judge([left(x, y)])
    assert found.failed[0].reading == 6
    assert "reading 7 of those used" in advice(found, {})[0]
    assert found.excess > 0


@pytest.mark.parametrize("intercept", [True, False])
def test_a_single_reading_is_tested_as_statsmodels_does(intercept: bool) -> None:
    """A slip at a reading with nearly all leverage: studentised residual and Cook's distance of ``OLSInfluence``."""
    rng = np.random.default_rng(9)
    x = np.append(np.linspace(1, 2, 14), 17.0)
    y = 3.0 * x + rng.normal(0, 0.02, 15)
    y[14] = 5.1
    full = np.column_stack([np.ones_like(x), x])
    design = full if intercept else full[:, 1:]
    influence = OLSInfluence(OLS(y, design).fit())
    assert np.max(influence.hat_matrix_diag) > 0.87
    found = single(full, linear_fit(design, y).residuals, design.shape[1])
    assert found is not None and found[3] == 14
    assert found[0] == pytest.approx(influence.resid_studentized_external[14], rel=1e-6)
    assert found[2] == pytest.approx(design.shape[1] * influence.cooks_distance[0][14], rel=1e-6)
    assert found[1] < SIGNIFICANCE


def test_where_the_formula_has_other_terms_a_single_reading_is_tested_less_sharply_never_more() -> None:
    """Mean-shift outlier model: the studentised residual is the t of a term for that reading alone."""
    rng = np.random.default_rng(9)
    x = np.linspace(0, 1, 15)
    design = np.column_stack([np.ones_like(x), x, x**2])
    y = rng.normal(size=15)
    y[7] += 6
    found = single(design[:, :2], linear_fit(design, y).residuals, 3)
    assert found is not None and found[3] == 7
    shifted = linear_fit(np.column_stack([design, np.arange(15) == 7]), y)
    exact = float(shifted.values[3] / np.sqrt(shifted.covariance[3, 3]))
    assert 0.7 * exact < found[0] <= exact


def test_too_few_readings_say_nothing() -> None:
    x = np.array([1.0, 2.0, 3.0, 4.0])
    assert judge([left(x, np.array([1.0, 2.1, 2.9, 4.2]))]).state == "not determined"
    assert bend(x, np.zeros(4), 2) is None
    assert "not determined" in words(judge([]))


def test_a_misfit_is_an_influence_of_its_own_in_the_results() -> None:
    """A meter that saturates: voltage over current of one line pair bends, the others are straight."""
    rng = np.random.default_rng(10)
    current = np.repeat(np.linspace(1, 6, 6), 4)
    columns = {}
    for pair in ("ab", "bc", "ca"):
        columns[f"current_{pair}"] = current
        columns[f"voltage_{pair}"] = 0.25 * current + rng.normal(0, 1e-3, current.size)
    sound = outcome(procedures()["winding-resistance"], [(columns, {"winding_temperature": 20.0})])
    assert sound.adequacy.state == "adequate"
    columns["voltage_ab"] = columns["voltage_ab"] - 2e-3 * (current - 3.5) ** 2
    bent = outcome(procedures()["winding-resistance"], [(columns, {"winding_temperature": 20.0})])
    assert bent.adequacy.state == "widened"
    sources = [line.source for line in budget(bent.forms["resistance_ab"])]
    assert "misfit of the formula" in sources
    assert bent.forms["resistance_ab"].standard_uncertainty > 2 * sound.forms["resistance_ab"].standard_uncertainty
    assert any("does not describe" in warning.message for warning in bent.report.warnings)


def test_one_far_reading_of_thousands_moves_nothing_and_doubts_nothing() -> None:
    rng = np.random.default_rng(11)
    x = np.linspace(0, 1, 8000)
    y = x + rng.normal(size=8000)
    y[3000] = x[3000] + 7.0
    found = judge([left(x, y)])
    assert found.checks[0].tested == "single reading"
    assert found.checks[0].probability < SIGNIFICANCE / len(found.checks)
    assert found.state == "adequate"


def test_a_series_that_hangs_together_throughout_says_nothing() -> None:
    """A fit that allowed for correlation over most of its record leaves one independent reading or two."""
    time = np.linspace(0, 10, 400)
    wander = np.sin(time)
    series = Residuals("slow", "1", time, wander, 0.7, {"x": time}, 4.0, time)
    assert judge([series]).state == "not determined"


def test_the_rounding_of_exact_readings_is_judged_by_nobody() -> None:
    """It bends, and runs, as a processor rounds: readings without scatter say nothing of the formula."""
    x = np.linspace(1.0, 10.0, 40)
    residual = 1e-15 * ((x - x.mean()) ** 2 - np.mean((x - x.mean()) ** 2) + 0.1 * np.sin(40 * x))
    assert judge([Residuals("exact", "1", 9.0 * x, residual, 1e-16, {"x": x}, 38.0)]).state == "not determined"
    assert judge([Residuals("real", "1", 9.0 * x, 1e6 * residual, 1e-10, {"x": x}, 38.0)]).state == "widened"

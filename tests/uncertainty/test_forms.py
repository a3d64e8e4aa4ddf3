"""Linear forms against worked examples of JCGM 100:2008 and against independent libraries.

Sources: JCGM 100:2008 (GUM), G.4.1, H.1, H.2 and H.3; the summary values of H.2 and H.3 as printed there, the
five raw sets of H.2 from memory (their means, standard uncertainties and correlations reproduce the printed
summary). Libraries: uncertainties (E. Lebigot), GTC (Measurement Standards Laboratory of New Zealand),
metrolopy (NRC Canada).
"""

from __future__ import annotations

import math

import GTC
import metrolopy
import numpy as np
import pytest
import uncertainties
from uncertainties import umath

from rotorproof.physics.regression import linear_fit
from rotorproof.uncertainty.coverage import interval
from rotorproof.uncertainty.forms import (
    Form,
    Influence,
    block_influences,
    budget,
    effective_degrees_of_freedom,
    propagate,
)
from tests.outside import Outside


def forms_of(names: list[str], values: np.ndarray, covariance: np.ndarray, dof: float = math.inf) -> dict[str, Form]:
    influences, matrix = block_influences("block", "scatter", covariance, dof)
    return {
        name: Form(float(value), dict(zip(influences, map(float, row), strict=True)))
        for name, value, row in zip(names, values, matrix, strict=True)
    }


def one(value: float, u: float, dof: float = math.inf, name: str = "") -> Form:
    return Form(value, {Influence(name or f"{value}/{u}", "source", "normal", dof): u})


def test_simultaneous_resistance_and_reactance_jcgm_100_h2(outside: Outside) -> None:
    raw = np.array(
        [
            [5.007, 4.994, 5.005, 4.990, 4.999],
            [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3],
            [1.0456, 1.0438, 1.0468, 1.0428, 1.0433],
        ]
    )
    covariance = np.cov(raw) / raw.shape[1]
    u = np.sqrt(np.diag(covariance))
    assert np.round(raw.mean(axis=1), 6) == pytest.approx([4.999, 0.019661, 1.04446], abs=6e-7)
    assert u == pytest.approx([0.0032, 9.5e-6, 0.00075], rel=0.015)
    correlation = covariance / np.outer(u, u)
    assert correlation[0, 1] == pytest.approx(-0.36, abs=0.005)
    assert correlation[0, 2] == pytest.approx(0.86, abs=0.005)
    assert correlation[1, 2] == pytest.approx(-0.65, abs=0.006)

    found = propagate(
        lambda x: {
            "R": x["V"] / x["I"] * math.cos(x["phi"]),
            "X": x["V"] / x["I"] * math.sin(x["phi"]),
            "Z": x["V"] / x["I"],
        },
        forms_of(["V", "I", "phi"], raw.mean(axis=1), covariance),
    )
    printed = {"R": (127.732, 0.071), "X": (219.847, 0.295), "Z": (254.260, 0.236)}
    source = "JCGM 100:2008, H.2"
    for name, (value, spread) in printed.items():
        outside(
            "uncertainty", f"{name} of the simultaneous measurement", ours=found[name].value, published=value,
            allowance=6e-4, unit="ohm", source=source,
        )  # fmt: skip
        outside(
            "uncertainty", f"standard uncertainty of {name}", ours=found[name].standard_uncertainty, published=spread,
            allowance=7e-4, unit="ohm", source=source,
        )  # fmt: skip
    for a, b, published in (("R", "X", -0.588), ("R", "Z", -0.485), ("X", "Z", 0.993)):
        outside(
            "uncertainty", f"correlation of {a} and {b}", ours=found[a].correlation(found[b]), published=published,
            allowance=6e-4, source=source,
        )  # fmt: skip


def test_calibration_of_a_thermometer_jcgm_100_h3(outside: Outside) -> None:
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
    b = -np.array([171, 169, 166, 159, 164, 165, 156, 157, 159, 161, 160]) / 1000
    fit = linear_fit(np.column_stack([np.ones(11), t - 20]), b)
    found = forms_of(["y1", "y2"], fit.values, fit.covariance, fit.degrees_of_freedom)
    at_30 = propagate(lambda x: {"b": x["y1"] + 10 * x["y2"]}, found)["b"]
    for what, ours, published, allowance, unit in (
        ("intercept", found["y1"].value, -0.1712, 5e-5, "degC"),
        ("slope", found["y2"].value, 0.00218, 5e-6, "1"),
        ("standard uncertainty of the intercept", found["y1"].standard_uncertainty, 0.0029, 5e-5, "degC"),
        ("standard uncertainty of the slope", found["y2"].standard_uncertainty, 0.00067, 5e-6, "1"),
        ("correlation of intercept and slope", found["y1"].correlation(found["y2"]), -0.930, 5e-4, "1"),
        ("correction at 30 degC", at_30.value, -0.1494, 5e-5, "degC"),
        ("standard uncertainty of the correction at 30 degC", at_30.standard_uncertainty, 0.0041, 5e-5, "degC"),
        # One fit: its own degrees of freedom.
        ("degrees of freedom of the correction", effective_degrees_of_freedom(at_30), 9, 1e-5, "1"),
    ):
        source = "JCGM 100:2008, H.3"
        outside("uncertainty", what, ours=ours, published=published, allowance=allowance, unit=unit, source=source)


def test_welch_satterthwaite_jcgm_100_g41(outside: Outside) -> None:
    """Y = b X1 X2 X3 with relative uncertainties 0.25 %, 0.57 %, 0.82 % from 10, 5 and 15 readings."""
    found = propagate(
        lambda x: {"y": x["a"] * x["b"] * x["c"]},
        {"a": one(1, 0.0025, 9, "a"), "b": one(1, 0.0057, 4, "b"), "c": one(1, 0.0082, 14, "c")},
    )["y"]
    # U95 = t(19) u with t95(19) = 2.09: relative 2.2 %.
    for what, ours, published, allowance in (
        ("relative standard uncertainty of a product", found.standard_uncertainty, 0.0103, 5e-5),
        ("effective degrees of freedom of a product", effective_degrees_of_freedom(found), 19.0, 0.05),
        ("relative expanded uncertainty of a product", interval(found).expanded_uncertainty, 0.022, 5e-4),
    ):
        source = "JCGM 100:2008, G.4.1"
        outside("uncertainty", what, ours=ours, published=published, allowance=allowance, source=source)


def gauge_block(x: dict[str, float]) -> dict[str, float]:
    standard = x["standard"]
    return {"l": standard + x["d"] - standard * (x["d_alpha"] * x["theta"] + x["alpha"] * x["d_theta"])}


def test_gauge_block_jcgm_100_h1(outside: Outside) -> None:
    """Lengths in nm; u = 32 nm with 16 degrees of freedom, U99 = 2.92 x 32 = 93 nm."""
    found = propagate(
        gauge_block,  # type: ignore[arg-type]
        {
            "standard": one(50_000_623, 25, 18, "standard"),
            "d": one(215, 9.7, 25.6, "d"),
            "alpha": one(11.5e-6, 1.2e-6, math.inf, "alpha"),
            "theta": one(-0.1, 0.41, math.inf, "theta"),
            "d_alpha": one(0, 0.58e-6, 50, "d_alpha"),
            "d_theta": one(0, 0.029, 2, "d_theta"),
        },
    )["l"]
    for what, ours, published, allowance, unit in (
        ("length of a gauge block", found.value, 50_000_838, 0.5, "nm"),
        ("standard uncertainty of its length", found.standard_uncertainty, 32, 0.5, "nm"),
        ("degrees of freedom of its length", math.floor(effective_degrees_of_freedom(found)), 16, 0, "1"),
        ("expanded uncertainty of its length, 99 %", interval(found, 0.99).expanded_uncertainty, 93, 1.0, "nm"),
    ):
        source = "JCGM 100:2008, H.1"
        outside("uncertainty", what, ours=ours, published=published, allowance=allowance, unit=unit, source=source)


def test_propagation_agrees_with_uncertainties(outside: Outside) -> None:
    covariance = np.array([[4e-4, 1e-4, 0], [1e-4, 9e-4, -2e-4], [0, -2e-4, 1e-4]])
    values = np.array([1.3, 0.7, 2.1])

    found = propagate(
        lambda x: {"y": math.exp(x["a"]) * math.sin(x["b"]) / x["c"], "z": x["a"] ** x["b"] + math.sqrt(x["c"])},
        forms_of(["a", "b", "c"], values, covariance),
    )
    a, b, c = uncertainties.correlated_values(values, covariance)
    y, z = umath.exp(a) * umath.sin(b) / c, a**b + umath.sqrt(c)
    expected = np.array(uncertainties.covariance_matrix([y, z]))
    assert found["y"].value == pytest.approx(y.nominal_value)
    # Central differences over one standard uncertainty against exact derivatives.
    for what, ours, published, relative in (
        ("standard uncertainty of exp(a) sin(b)/c", found["y"].standard_uncertainty, y.std_dev, 1e-3),
        ("standard uncertainty of a^b + sqrt(c)", found["z"].standard_uncertainty, z.std_dev, 1e-3),
        ("covariance of these two", found["y"].covariance(found["z"]), expected[0, 1], 2e-3),
    ):
        outside(
            "uncertainty", what, ours=ours, published=published, allowance=relative * abs(published),
            source="uncertainties (Lebigot), exact derivatives",
        )  # fmt: skip


def test_a_ratio_agrees_with_gtc_and_metrolopy_in_degrees_of_freedom_too(outside: Outside) -> None:
    inputs = {"v": one(12.0, 0.05, 7, "v"), "i": one(3.0, 0.02, 4, "i"), "k": one(1.1, 0.01, math.inf, "k")}
    found = propagate(lambda x: {"r": x["k"] * x["v"] / x["i"]}, inputs)["r"]
    gtc = GTC.ureal(1.1, 0.01) * GTC.ureal(12.0, 0.05, 7) / GTC.ureal(3.0, 0.02, 4)
    gummy = metrolopy.gummy(1.1, 0.01) * metrolopy.gummy(12.0, 0.05, dof=7) / metrolopy.gummy(3.0, 0.02, dof=4)
    expanded = GTC.reporting.k_factor(GTC.dof(gtc), 95) * GTC.uncertainty(gtc)
    ours = found.standard_uncertainty, effective_degrees_of_freedom(found), interval(found).expanded_uncertainty
    for library, theirs in (
        ("GTC (MSL New Zealand)", (GTC.uncertainty(gtc), GTC.dof(gtc), expanded)),
        ("metrolopy (NRC Canada)", (float(gummy.u), float(gummy.dof))),
    ):
        names = ("standard uncertainty", "degrees of freedom", "expanded uncertainty")
        for what, mine, published in zip(names, ours, theirs, strict=False):
            outside(
                "uncertainty", f"{what} of k V/I", ours=mine, published=published, allowance=1e-3 * published,
                source=library,
            )  # fmt: skip


def test_a_shared_error_cancels_in_a_difference_and_adds_in_a_sum() -> None:
    gain = Influence("instrument/1/gain", "gain", "rectangular")
    a, b = Form(10.0, {gain: 0.1}), Form(9.0, {gain: 0.09})
    assert a.minus(b).standard_uncertainty == pytest.approx(0.01)
    assert a.correlation(b) == pytest.approx(1.0)
    total = propagate(lambda x: {"s": x["a"] + x["b"]}, {"a": a, "b": b})["s"]
    assert total.standard_uncertainty == pytest.approx(0.19)


def test_budget_shares_add_to_one_and_a_fit_is_one_source() -> None:
    scatter = forms_of(["a", "b"], np.array([1.0, 2.0]), np.array([[1e-4, 5e-5], [5e-5, 4e-4]]), 8)
    meter = Influence("meter", "accuracy of the meter", "rectangular")
    inputs = {**scatter, "g": Form(1.0, {meter: 0.01})}
    found = propagate(lambda x: {"y": x["g"] * (x["a"] + x["b"])}, inputs)["y"]
    lines = budget(found)
    assert [line.source for line in lines] == ["accuracy of the meter", "scatter"]
    assert sum(line.share for line in lines) == pytest.approx(1.0)
    assert lines[1].degrees_of_freedom == pytest.approx(8)
    assert lines[1].standard_uncertainty == pytest.approx(math.sqrt(1e-4 + 4e-4 + 2 * 5e-5))


def test_a_covariance_that_is_none_is_refused() -> None:
    with pytest.raises(ValueError, match="not finite"):
        block_influences("b", "s", np.array([[np.nan]]), 3)
    with pytest.raises(ValueError, match="semi-definite"):
        block_influences("b", "s", np.array([[1.0, 2.0], [2.0, 1.0]]), 3)


def test_a_step_out_of_the_model_is_taken_smaller() -> None:
    found = propagate(lambda x: {"y": math.sqrt(x["a"])}, {"a": one(0.5, 0.6)})["y"]
    assert found.standard_uncertainty == pytest.approx(0.6 * 0.5 / math.sqrt(0.5), rel=1e-3)
    with pytest.raises(ValueError):
        propagate(lambda x: {"y": math.sqrt(x["a"])}, {"a": one(0.0, 0.6)})


def test_a_formula_that_gives_nothing_gives_nothing() -> None:
    inputs = {"x": Form(1.0, {Influence("x", "x"): 0.1})}
    assert propagate(lambda scalars: {}, inputs, at_once=True) == propagate(lambda scalars: {}, inputs) == {}


def test_steps_taken_at_once_give_what_each_gives_alone() -> None:
    def model(values):
        if np.any(values["volt"] > 20.0):
            raise ValueError("beyond the model")
        return {"power": values["volt"] ** 2 / values["ohm"], "volt": values["volt"]}

    def form(value, u, name):
        return Form(value, {Influence(name, name, "normal", math.inf, name): u})

    for volts in (12.0, 19.5):  # all steps have a value; one has none, so each is taken by itself
        inputs = {"volt": form(volts, 1.0, "v"), "ohm": form(2.0, 0.15, "r"), "spare": Form(1.0)}
        together, alone = propagate(model, inputs, at_once=True), propagate(model, inputs)
        for name in ("power", "volt"):
            assert together[name].terms.keys() == alone[name].terms.keys()
            for influence, c in alone[name].terms.items():
                assert together[name].terms[influence] == pytest.approx(c, rel=1e-9)

"""The least-squares fits against certified data.

NIST Statistical Reference Datasets (StRD), in tests/data/nist-strd: every file prints its model, data, two
starting points and certified values with their standard deviations. Longley's certified values are those NIST
prints for the set. Autocorrelation: the integrated time (1 + phi)/(1 - phi) of a first-order autoregressive
series, see Priestley, "Spectral Analysis and Time Series" (1981), 5.3.2, or any text on time series.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from numpy import cos, exp, pi, sin
from scipy.signal import lfilter

from rotorproof.errors import FitError
from rotorproof.physics.regression import correlation_time, linear_fit, nonlinear_fit
from tests.outside import Outside

DATA = Path(__file__).parents[1] / "data" / "nist-strd"


#: Where the certified values are printed.
STRD = "NIST Statistical Reference Datasets, {}"


def record(outside: Outside, name: str, found: np.ndarray, certified: np.ndarray, least: float, what: str) -> None:
    """Compare the value that agrees worst with its certified one, in relative terms."""
    found, certified = np.asarray(found), np.asarray(certified)
    worst = int(np.argmax(np.abs(found - certified) / np.abs(certified)))
    outside(
        "fit",
        f"{name}, {what}: number {worst + 1} of {certified.size}, which agrees worst",
        ours=found[worst],
        published=certified[worst],
        allowance=10.0**-least * abs(certified[worst]),
        source=STRD.format(name),
    )


def digits(found: np.ndarray, certified: np.ndarray) -> float:
    """Return the smallest number of agreeing digits (NIST's log relative error); 11 are certified."""
    error = np.abs(np.asarray(found) - certified) / np.abs(certified)
    return float(np.min(np.minimum(11.0, -np.log10(np.maximum(error, 1e-300)))))


# ----- Linear sets

NORRIS = (
    np.array([-0.262323073774029, 1.00211681802045]),
    np.array([0.232818234301152, 0.429796848199937e-03]),
    0.884796396144373,
)
#: GNPDEFL, GNP, UNEMP, ARMED, POP, YEAR, intercept.
LONGLEY = (
    np.array(
        [
            15.0618722713733,
            -0.358191792925910e-01,
            -2.02022980381683,
            -1.03322686717359,
            -0.511041056535807e-01,
            1829.15146461355,
            -3482258.63459582,
        ]
    ),
    np.array(
        [
            84.9149257747669,
            0.334910077722432e-01,
            0.488399681651699,
            0.214274163161675,
            0.226073200069370,
            455.478499142212,
            890420.383607373,
        ]
    ),
    304.854073561965,
)


def test_linear_fit_norris(outside: Outside) -> None:
    data = np.loadtxt(DATA / "Norris.dat", skiprows=60)
    found = linear_fit(np.column_stack([np.ones(len(data)), data[:, 1]]), data[:, 0])
    values, deviations, spread = NORRIS
    record(outside, "Norris", found.values, values, 10.5, "coefficients")
    record(outside, "Norris", np.sqrt(np.diag(found.covariance)), deviations, 10.5, "standard deviations")
    assert found.residual_sd == pytest.approx(spread, rel=1e-11)
    assert found.degrees_of_freedom == 34


def test_linear_fit_longley_whose_columns_are_nearly_dependent(outside: Outside) -> None:
    data = np.loadtxt(DATA / "longley.csv", delimiter=",", skiprows=1)
    found = linear_fit(np.column_stack([data[:, 2:], np.ones(len(data))]), data[:, 1])
    values, deviations, spread = LONGLEY
    # The condition number of this design is about 5e9: of 15 digits some 11 can remain.
    record(outside, "Longley", found.values, values, 10, "coefficients")
    record(outside, "Longley", np.sqrt(np.diag(found.covariance)), deviations, 10, "standard deviations")
    assert found.residual_sd == pytest.approx(spread, rel=1e-10)
    assert found.degrees_of_freedom == 9


# ----- Non-linear sets

#: y = f(x, b1, b2, ...) as printed in the head of each file.
MODELS: dict[str, Callable[..., np.ndarray]] = {
    "Misra1a": lambda x, b1, b2: b1 * (1 - exp(-b2 * x)),
    "Chwirut2": lambda x, b1, b2, b3: exp(-b1 * x) / (b2 + b3 * x),
    "DanWood": lambda x, b1, b2: b1 * x**b2,
    "Gauss1": lambda x, b1, b2, b3, b4, b5, b6, b7, b8: (
        b1 * exp(-b2 * x) + b3 * exp(-((x - b4) ** 2) / b5**2) + b6 * exp(-((x - b7) ** 2) / b8**2)
    ),
    "Hahn1": lambda x, b1, b2, b3, b4, b5, b6, b7: (
        (b1 + b2 * x + b3 * x**2 + b4 * x**3) / (1 + b5 * x + b6 * x**2 + b7 * x**3)
    ),
    "MGH09": lambda x, b1, b2, b3, b4: b1 * (x**2 + x * b2) / (x**2 + x * b3 + b4),
    "MGH17": lambda x, b1, b2, b3, b4, b5: b1 + b2 * exp(-x * b4) + b3 * exp(-x * b5),
    "BoxBOD": lambda x, b1, b2: b1 * (1 - exp(-b2 * x)),
    "Rat43": lambda x, b1, b2, b3, b4: b1 / ((1 + exp(b2 - b3 * x)) ** (1 / b4)),
    "Thurber": lambda x, b1, b2, b3, b4, b5, b6, b7: (
        (b1 + b2 * x + b3 * x**2 + b4 * x**3) / (1 + b5 * x + b6 * x**2 + b7 * x**3)
    ),
    "ENSO": lambda x, b1, b2, b3, b4, b5, b6, b7, b8, b9: (
        b1
        + b2 * cos(2 * pi * x / 12)
        + b3 * sin(2 * pi * x / 12)
        + b5 * cos(2 * pi * x / b4)
        + b6 * sin(2 * pi * x / b4)
        + b8 * cos(2 * pi * x / b7)
        + b9 * sin(2 * pi * x / b7)
    ),
}


@dataclass(frozen=True)
class Certified:
    x: np.ndarray
    y: np.ndarray
    starts: np.ndarray  # (2, k)
    values: np.ndarray
    deviations: np.ndarray
    residual_sd: float


def certified(name: str) -> Certified:
    text = (DATA / f"{name}.dat").read_text()
    rows = re.findall(r"^\s*b\d+\s*=\s*(.*)$", text, re.MULTILINE)
    table = np.array([[float(word) for word in row.split()] for row in rows])
    first, last = (int(n) for n in re.findall(r"Data\s*\(lines\s*(\d+)\s*to\s*(\d+)\)", text)[0])
    data = np.array([[float(w) for w in line.split()] for line in text.splitlines()[first - 1 : last]])
    spread = float(re.findall(r"Residual Standard Deviation:\s*(\S+)", text)[0])
    return Certified(data[:, 1], data[:, 0], table[:, :2].T, table[:, 2], table[:, 3], spread)


@pytest.mark.parametrize("start", [1, 2])
@pytest.mark.parametrize("name", MODELS)
def test_nonlinear_fit_reaches_the_certified_values_from_both_starts(outside: Outside, name: str, start: int) -> None:
    nist, model = certified(name), MODELS[name]
    found = nonlinear_fit(lambda b: model(nist.x, *b), nist.y, nist.starts[start - 1])
    agreed = digits(found.values, nist.values), digits(np.sqrt(np.diag(found.covariance)), nist.deviations)
    print(f"{name}, start {start}: {agreed[0]:.1f} digits of values, {agreed[1]:.1f} of standard deviations")
    record(outside, name, found.values, nist.values, 6, f"start {start}, parameters")
    deviations = np.sqrt(np.diag(found.covariance))
    record(outside, name, deviations, nist.deviations, 6, f"start {start}, standard deviations")
    assert found.residual_sd == pytest.approx(nist.residual_sd, rel=1e-9)
    # Not the number in the file: Rat43.dat prints 9 for its 15 readings and 4 parameters.
    assert found.degrees_of_freedom == nist.y.size - nist.values.size


def test_nonlinear_fit_agrees_with_bounds_that_do_not_bind() -> None:
    nist, model = certified("Misra1a"), MODELS["Misra1a"]
    bounds = (np.zeros(2), np.array([1e4, 1.0]))
    found = nonlinear_fit(lambda b: model(nist.x, *b), nist.y, nist.starts[1], bounds=bounds)
    assert digits(found.values, nist.values) > 6
    assert digits(np.sqrt(np.diag(found.covariance)), nist.deviations) > 6


def test_nonlinear_fit_refuses_what_the_readings_do_not_determine() -> None:
    x = np.linspace(0, 1, 20)
    y = 2 * x
    with pytest.raises(FitError, match="tell the parameters apart"):
        nonlinear_fit(lambda b: (b[0] + b[1]) * x, y, np.array([1.0, 0.5]))
    with pytest.raises(FitError, match="do not depend"):
        nonlinear_fit(lambda b: b[0] * x + 0 * b[1], y, np.array([1.0, 0.5]))
    with pytest.raises(FitError, match="edge"):
        nonlinear_fit(lambda b: b[0] * x, y, np.array([0.5]), bounds=(np.zeros(1), np.ones(1)))
    with pytest.raises(FitError, match="cannot determine"):
        nonlinear_fit(lambda b: b[0] * x[:1], y[:1], np.array([0.5]))
    with pytest.raises(FitError, match="did not converge"):
        nonlinear_fit(lambda b: b[0] * np.full(20, np.nan), y, np.array([0.5]))


def test_linear_fit_refuses_what_the_readings_do_not_determine() -> None:
    x = np.linspace(0, 1, 10)
    with pytest.raises(FitError, match="tell the parameters apart"):
        linear_fit(np.column_stack([x, 2 * x]), x)
    with pytest.raises(FitError, match="never varies from zero"):
        linear_fit(np.column_stack([x, 0 * x]), x)
    with pytest.raises(FitError, match="cannot determine"):
        linear_fit(np.column_stack([np.ones(2), x[:2]]), x[:2])


# ----- Correlated residuals


def autoregressive(rng: np.random.Generator, phi: float, n: int) -> np.ndarray:
    """Return a stationary first-order autoregressive series of unit variance."""
    noise = rng.normal(size=n + 200) * np.sqrt(1 - phi**2)
    return lfilter([1.0], [1.0, -phi], noise)[200:]


@pytest.mark.parametrize("phi", [0.0, 0.3, 0.6, 0.9])
def test_correlation_time_of_an_autoregressive_series(outside: Outside, phi: float) -> None:
    rng = np.random.default_rng(20)
    found = np.mean([correlation_time(autoregressive(rng, phi, 5000)) for _ in range(60)])
    outside(
        "fit", f"correlation time of an autoregressive series, coefficient {phi:g}", ours=float(found),
        published=(1 + phi) / (1 - phi), allowance=0.05 * (1 + phi) / (1 - phi),
        source="Priestley, Spectral Analysis and Time Series (1981), 5.3.2: (1 + phi)/(1 - phi)",
    )  # fmt: skip


def test_correlation_time_is_never_below_one() -> None:
    rng = np.random.default_rng(21)
    assert correlation_time(autoregressive(rng, -0.7, 2000)) == 1.0
    assert correlation_time(np.zeros(100)) == 1.0
    assert correlation_time(rng.normal(size=10)) == 1.0


@pytest.mark.parametrize(("phi", "n"), [(0.0, 100), (0.5, 400), (0.9, 2000), (0.9, 500)])
def test_ordered_fit_covers_the_slope_under_correlated_noise(phi: float, n: int) -> None:
    from scipy.special import stdtrit

    rng = np.random.default_rng(22)
    x = np.linspace(0, 1, n)
    design = np.column_stack([np.ones(n), x])
    held = 0
    runs = 500
    for _ in range(runs):
        found = linear_fit(design, 1 + 2 * x + autoregressive(rng, phi, n), ordered=True)
        half = np.sqrt(found.covariance[1, 1]) * stdtrit(found.degrees_of_freedom, 0.975)
        held += abs(found.values[1] - 2) <= half
    assert 0.925 <= held / runs <= 0.98, held / runs

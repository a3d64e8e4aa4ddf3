"""The units of a model together: a planted scatter, a bad delivery and a drift are found, a shared error is none."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from statsmodels.regression.linear_model import GLS

from rotorproof.commands.population import _alike, _too_few
from rotorproof.decision.models import Results
from rotorproof.rendering.population_view import population_view
from rotorproof.season.population import Population, census, populations, ranges
from rotorproof.season.random_effects import Errors, generalised
from tests.entries import quantity_entry, results
from tests.outside import Outside

DMM = {"serial": "D-1", "calibrated_on": "2026-01-01"}
#: Scatter of units, scatter of a measurement, error of the ohmmeter that all share.
BETWEEN, OWN, SHARED, MEAN = 0.0020, 0.0005, 0.0012, 0.1200


def model(seed: int, count: int = 60, shift: Callable[[int], float] = lambda place: 0.0) -> Population:
    """Return the population of units of one model, five to a delivery a week."""
    (population,) = populations(*units_of_model(seed, count, shift))
    return population


def units_of_model(
    seed: int, count: int = 60, shift: Callable[[int], float] = lambda place: 0.0
) -> tuple[list[dict[str, Any]], dict[str, Results]]:
    """Return the files and the results of its units."""
    rng = np.random.default_rng(seed)
    common = SHARED * rng.normal()
    units: list[dict[str, Any]] = []
    found: dict[str, Results] = {}
    for place in range(count):
        name = f"U-{place:03d}"
        value = MEAN + BETWEEN * rng.normal() + shift(place) + OWN * rng.normal() + common
        budget = [
            {"source": source, "standard_uncertainty": u, "share": 0.5, "distribution": "rectangular",
             "degrees_of_freedom": None, "expanded_uncertainty_if_halved": None}
            for source, u in (("accuracy of dmm, resistance", SHARED), ("scatter of the readings", OWN))
        ]  # fmt: skip
        entry = quantity_entry(value=value, standard_uncertainty=float(np.hypot(SHARED, OWN)), budget=budget)
        found[name] = results(unit=name, quantities={"phase_resistance": entry})
        day = datetime.date(2026, 1, 3) + datetime.timedelta(weeks=place // 5)
        units.append(
            {
                "unit": name,
                "kind": "motor",
                "model": "HM",
                "serial": name,
                "tested_on": day,
                "instruments": {"dmm": DMM},
            }
        )
    return units, found


def test_the_range_of_a_unit_to_come_is_the_tolerance_interval() -> None:
    """Of values with little error: mean ± k s, k = 2.382 for 50 units (NIST e-Handbook 7.2.6.3 gives k2 = 2.380)."""
    units, found = units_of_model(4, count=50, shift=lambda place: 0.05 if place == 3 else 0.0)
    (population,) = populations(units, found)
    ((name, (low, high, unit)),) = ranges(population, units, found).items()
    assert (name, unit) == ("phase_resistance", "ohm")
    values = np.array([one.quantities[name].value for unit_name, one in found.items() if unit_name != "U-003"])
    scatter = float(np.std(values, ddof=1))
    assert low < float(values.min()) + scatter
    assert high > float(values.max()) - scatter
    assert (high - low) / (2 * scatter) == pytest.approx(2.38, rel=0.35), "the shared error of the meter widens it"
    assert high < MEAN + 0.02, "the odd unit is left out of it"


def test_scatter_of_units_apart_from_errors_of_measurement() -> None:
    found = [model(seed).constants[0] for seed in range(40)]
    assert np.mean([one.scatter.between**2 for one in found]) == pytest.approx(BETWEEN**2, rel=0.08)
    held = [one.scatter.between_low <= BETWEEN <= one.scatter.between_high for one in found]
    assert np.mean(held) >= 0.85
    assert found[0].own_error == pytest.approx(OWN, rel=1e-6)
    assert found[0].shared_error == pytest.approx(SHARED, rel=1e-6)
    # The mean is known no better than the ohmmeter that all were measured with.
    assert all(one.scatter.mean_uncertainty > SHARED for one in found)
    odd = sum(delivery.odd for one in found for delivery in one.deliveries)
    assert odd <= 6, "of 40 sound models about two have a delivery that is marked"


def test_a_bad_delivery_is_marked_and_no_other() -> None:
    found = model(1, shift=lambda place: 0.008 if place // 5 == 7 else 0.0).constants[0]
    assert [delivery.name for delivery in found.deliveries if delivery.odd] == ["tested 2026-02-21"]


def test_a_drift_over_deliveries_is_found_with_its_size() -> None:
    found = model(2, shift=lambda place: 0.04 / 52 * (place // 5)).constants[0]
    assert found.trend is not None
    assert found.trend.drifts
    assert abs(found.trend.slope - 0.04) < 1.5 * found.trend.expanded_uncertainty
    assert not model(3).constants[0].trend.drifts  # type: ignore[union-attr]


def test_a_unit_that_does_not_belong_is_named_and_left_out() -> None:
    found = model(4, shift=lambda place: 0.02 if place == 11 else 0.0).constants[0]
    assert list(found.outliers) == ["U-011"]
    assert found.scatter.between < 1.4 * BETWEEN


def test_the_fit_with_shared_errors_is_that_of_an_independent_library(outside: Outside) -> None:
    rng = np.random.default_rng(9)
    design = np.column_stack([np.ones(20), rng.normal(size=20)])
    values = rng.normal(size=20)
    errors = Errors(rng.uniform(0.5, 2, 20), rng.normal(size=(20, 2)))
    full = np.diag(errors.own + 0.3) + errors.shared @ errors.shared.T
    other = GLS(values, design, sigma=full).fit(cov_type="fixed scale")
    ours = generalised(values, design, errors, 0.3)
    for place in (0, 1):
        for what, mine, theirs in (
            ("coefficient", ours.coefficients[place], other.params[place]),
            ("its uncertainty", np.sqrt(ours.covariance[place, place]), other.bse[place]),
        ):
            source = "statsmodels 0.15, GLS with the whole covariance matrix"
            outside("season", what, ours=mine, published=theirs, allowance=1e-9, source=source)


def test_too_few_units_have_no_scatter() -> None:
    with pytest.raises(ValueError, match="not enough values"):
        model(1, count=4)


def test_units_of_one_serial_number_count_once_and_are_named() -> None:
    units, _ = units_of_model(3, count=6)
    units[4]["serial"] = units[5]["serial"] = "S-1"
    units[0]["role"] = "check standard"
    (one,) = census(units)
    assert (one.model, one.units, one.alike) == ("HM", 4, {"S-1": ["U-004", "U-005"]})
    (line,) = _alike([one])
    assert "U-004, U-005 have the serial number 'S-1' and count as one unit" in line
    told = _too_few([one], "reports/lot")
    assert "under reports/lot/; units found: HM 4 (equal serial numbers count once" in told


def test_an_interval_of_no_width_is_not_printed() -> None:
    population = model(4, count=12)
    (first, *_) = population.constants
    printed = population_view([population])[0].constants[0].tolerance
    assert " to " in printed
    narrow = replace(population, constants=[replace(first, tolerance=(0.12, 0.12))])
    assert population_view([narrow])[0].constants[0].tolerance == "cannot be told"

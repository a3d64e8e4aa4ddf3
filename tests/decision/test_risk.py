"""Global risks against published figures and trials.

Sources: D. Deaver, "Guardbanding with confidence" (NCSL 1994): probability of false acceptance 0.8 % and false
rejection 1.5 % for limits at 2 standard deviations of the process and a test uncertainty ratio of 4; the same 0.8 %
and 6.6 % at a ratio of 2 with the limits drawn in to 0.91. In his ratio the uncertainty is stated at the same number
of standard deviations as the limit, so that u is a quarter or a half of the process's standard deviation. His figures
as quoted in the test suite of an uncertainty calculator of Sandia National Laboratories.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from rotorproof.decision.risk import Process, global_risk, specific_risk
from rotorproof.decision.rules import Limits, Zones, zones
from rotorproof.uncertainty.forms import Form, Influence
from rotorproof.uncertainty.result import Result
from tests.outside import Outside

DEAVER = "D. Deaver, Guardbanding with confidence (NCSL 1994), as quoted by Sandia National Laboratories"


def normal(u: float) -> Result:
    return Result(Form(7.0, {Influence("x", "x"): u}))


def test_limits_at_two_standard_deviations_and_a_ratio_of_four(outside: Outside) -> None:
    limits = Limits(-2.0, 2.0)
    found = global_risk(Process(0.0, 1.0), limits, zones(limits, 0, 0, "simple"), normal(0.25))
    for what, ours, published in (("accepted", found.consumer, 0.008), ("rejected", found.producer, 0.015)):
        outside(
            "decision", f"falsely {what}, limits at 2 standard deviations, ratio 4", ours=ours, published=published,
            allowance=5e-4, source=DEAVER,
        )  # fmt: skip


def test_guard_bands_move_the_risk_from_consumer_to_producer(outside: Outside) -> None:
    limits = Limits(-2.0, 2.0)
    drawn_in = Limits(-2 * 0.91, 2 * 0.91)
    found = global_risk(Process(0.0, 1.0), limits, Zones(drawn_in, drawn_in), normal(0.5))
    for what, ours, published in (("accepted", found.consumer, 0.008), ("rejected", found.producer, 0.066)):
        outside(
            "decision", f"falsely {what}, ratio 2, limits drawn in to 0.91", ours=ours, published=published,
            allowance=1e-3, source=DEAVER,
        )  # fmt: skip


@pytest.mark.parametrize("rule", ["simple", "guarded", "guarded-acceptance", "guarded-rejection"])
def test_any_rule_and_a_rectangular_error_agree_with_trials(rule: str) -> None:
    rng = np.random.default_rng(3)
    terms = {Influence("r", "r", "rectangular"): 0.3 / math.sqrt(3), Influence("n", "n"): 0.1}
    error = Result(Form(0.12, terms))
    limits = Limits(high=0.5)
    found_zones = zones(limits, 0.3, 0.3, rule)
    found = global_risk(Process(0.1, 0.4), limits, found_zones, error)
    n = 400_000
    true = rng.normal(0.1, 0.4, n)
    read = true + rng.uniform(-0.3, 0.3, n) + rng.normal(0, 0.1, n)
    conforms = true <= 0.5
    assert found.consumer == pytest.approx(np.mean((read <= found_zones.accept.high) & ~conforms), abs=1.5e-3)
    assert found.producer == pytest.approx(np.mean((read > found_zones.reject.high) & conforms), abs=1.5e-3)


def test_a_perfect_measurement_has_no_risk() -> None:
    limits = Limits(-1.0, 1.0)
    found = global_risk(Process(0.0, 1.0), limits, zones(limits, 0, 0, "simple"), Result(Form(0.0)))
    assert found.consumer == pytest.approx(0, abs=1e-12)
    assert found.producer == pytest.approx(0, abs=1e-12)


def test_no_room_between_the_guards_rejects_all_that_conform() -> None:
    limits = Limits(-1.0, 1.0)
    found = global_risk(Process(0.0, 1.0), limits, zones(limits, 1.5, 1.5, "guarded-acceptance"), normal(0.75))
    assert found.consumer == 0
    assert found.producer == pytest.approx(0.6827, abs=1e-3)


def test_a_process_without_spread_is_refused() -> None:
    limits = Limits(-1.0, 1.0)
    for process in (Process(0, 0), Process(math.nan, 1), Process(0, math.nan)):
        with pytest.raises(ValueError, match="process"):
            global_risk(process, limits, zones(limits, 0, 0, "simple"), normal(0.1))


def test_specific_risk_belongs_to_the_decision_taken() -> None:
    assert specific_risk("pass", 0.97).consumer == pytest.approx(0.03)
    assert specific_risk("pass", 0.97).producer is None
    assert specific_risk("fail", 0.97).producer == pytest.approx(0.97)
    assert specific_risk("undecided", 0.5) == specific_risk("not measured", 0.5)

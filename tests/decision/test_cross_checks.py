"""Two procedures that disagree beyond their uncertainties are named, with the likely cause."""

from __future__ import annotations

from rotorproof.decision.cross_checks import cross_checks
from rotorproof.decision.results import normalised_error
from rotorproof.uncertainty.forms import Form, Influence

METER = Influence("meter", "meter")


def entry(value: float, procedure: str) -> dict[str, object]:
    return {"value": value, "unit": "ohm", "expanded_uncertainty": 0.002, "procedure": procedure}


def test_agreement_is_silent_and_disagreement_is_a_warning() -> None:
    found = {"phase_resistance": entry(0.120, "winding-resistance")}
    found["phase_resistance"]["alternatives"] = [{**entry(0.121, "load"), "normalised_error": 0.4}]
    assert cross_checks(found) == []
    found["phase_resistance"]["alternatives"] = [{**entry(0.130, "load"), "normalised_error": 3.5}]
    (warning,) = cross_checks(found)
    assert warning.severity == "warning"
    assert "0.12 +/- 0.002 ohm by winding-resistance but 0.13 +/- 0.002 by load: 3.5 times" in warning.message


def test_normalised_error_keeps_the_correlation() -> None:
    # Shared error cancels: the same meter read both, so only the independent part of one remains.
    one = Form(10.0, {METER: 1.0})
    other = Form(10.5, {METER: 1.0, Influence("scatter", "scatter"): 0.1})
    assert abs(normalised_error(one, other) - 0.5 / (1.96 * 0.1)) < 0.01
    assert normalised_error(one, one) is None

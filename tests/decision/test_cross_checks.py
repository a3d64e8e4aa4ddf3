"""Two procedures that disagree beyond their uncertainties are named, with the likely cause."""

from __future__ import annotations

from rotorproof.decision.cross_checks import cross_checks
from rotorproof.decision.models import AlternativeEntry, MainEntry
from rotorproof.decision.results import normalised_error
from rotorproof.uncertainty.forms import Form, Influence
from tests.entries import quantity_entry

METER = Influence("meter", "meter")


def entries(value: float, normalised_error: float) -> dict[str, MainEntry]:
    other = quantity_entry(value=value, expanded_uncertainty=0.002, procedure="load").fields()
    others = [AlternativeEntry(**other, normalised_error=normalised_error)]
    return {"phase_resistance": quantity_entry(value=0.120, expanded_uncertainty=0.002, alternatives=others)}


def test_agreement_is_silent_and_disagreement_is_a_warning() -> None:
    assert cross_checks(entries(0.121, 0.4)) == []
    (warning,) = cross_checks(entries(0.130, 3.5))
    assert warning.severity == "warning"
    assert "0.12 ± 0.002 Ω by winding-resistance but 0.13 ± 0.002 by load: 3.5 times" in warning.message


def test_a_slope_that_holds_air_drag_is_not_set_against_one_without() -> None:
    other = quantity_entry(value=0.017, expanded_uncertainty=0.003, procedure="no-load").fields()
    others = [AlternativeEntry(**other, normalised_error=1.4)]
    ours = quantity_entry(value=0.0125, expanded_uncertainty=0.0007, procedure="coast-down", alternatives=others)
    assert len(cross_checks({"viscous_friction": ours})) == 1
    apart = quantity_entry(value=1e-4, expanded_uncertainty=1e-5, procedure="coast-down")
    assert cross_checks({"viscous_friction": ours, "windage": apart}) == []


def test_normalised_error_keeps_the_correlation() -> None:
    # Shared error cancels: the same meter read both, so only the independent part of one remains.
    one = Form(10.0, {METER: 1.0})
    other = Form(10.5, {METER: 1.0, Influence("scatter", "scatter"): 0.1})
    assert abs(normalised_error(one, other) - 0.5 / (1.96 * 0.1)) < 0.01
    assert normalised_error(one, one) is None

"""Page 1 says of a quantity that others give why it could not be computed, and which test to make."""

from __future__ import annotations

from rotorproof.decision.models import CriterionEntry
from rotorproof.fitting.stored import Made, StoredFit, StoredPart
from rotorproof.procedures import procedures
from rotorproof.procedures.derivation import asked_for, needs_words
from rotorproof.rendering.not_computed import NotComputed, not_computed
from rotorproof.settings.unit import UnitFile

DRIVE = UnitFile.model_validate({"unit": "D-1", "kind": "drive", "parts": {"motor": "M-1", "controller": "C-1"}})
MOTOR = UnitFile.model_validate({"unit": "M-1", "kind": "motor"})


def criterion(quantity: str) -> CriterionEntry:
    limits = {"max": 1.0, "unit": "1", "rule": "simple", "statement": "", "decision": "not measured"}
    return CriterionEntry.model_validate({"quantity": quantity, **limits})


def derived(maker: str, **missing: str) -> Made:
    return Made(maker=maker, label=maker, missing=missing)


def test_a_need_names_the_test_that_gives_it_and_can_be_told_again() -> None:
    names = ["emf_constant_dc", "phase_resistance", "overvoltage_cutoff"]
    told = needs_words(names)
    assert told.endswith(f"overvoltage cut-off ({procedures()['supply-window'].title})")
    assert asked_for(told, names) == names
    assert asked_for(needs_words(["emf_constant_dc"]), names) == ["emf_constant_dc"]
    assert asked_for("no steady state was found; check the pack", names) == []


def test_the_test_that_gives_what_is_lacking_is_the_next_step() -> None:
    missing = {"overvoltage_margin": needs_words(["overvoltage_cutoff"])}
    fit = StoredFit(outcomes=[], derived=[derived("pack-match", **missing)])
    found = not_computed(criterion("overvoltage_margin"), DRIVE, fit)
    assert found == NotComputed("needs overvoltage cut-off (Supply window)", "make Supply window")
    # Where it was made in vain, its own reason says what to do otherwise.
    seen = derived("supply-window", overvoltage_cutoff="not seen up to 47.8 V; sweep up, as far as its maker allows")
    fit.parts.append(StoredPart(role="controller", unit="C-1", outcomes=[seen.of_part()], taken=[]))
    found = not_computed(criterion("overvoltage_margin"), DRIVE, fit)
    assert found is not None
    assert found.step == (
        "repeat Supply window of the controller C-1 for its Overvoltage cut-off (sweep up, as far as its maker allows)"
    )


def test_a_prediction_that_found_nothing_says_why_and_what_to_look_at() -> None:
    fit = StoredFit(outcomes=[], derived=[derived("pack-prediction", pack_road_speed="none was found; check the pack")])
    assert not_computed(criterion("pack_road_speed"), MOTOR, fit) == NotComputed("none was found", "check the pack")
    nothing = not_computed(criterion("pack_road_speed"), MOTOR, StoredFit(outcomes=[]))
    assert nothing is not None and nothing.why and "make Open-circuit test" in nothing.step
    # What a test of the motor gives is no matter of computing.
    assert not_computed(criterion("phase_resistance"), MOTOR, fit) is None

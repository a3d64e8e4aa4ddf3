"""Results that no motor gives are named, and the verdict points to a doubt about a unit.

Bounds: nothing gives out more than it takes in (conservation of energy); time constants of 1 min to 3 h (common
practice, no source); factors between units by their definitions (SI brochure, 9th edition).
"""

from __future__ import annotations

from typing import Any

import pytest

from rotorproof.decision.cross_checks import cross_checks
from rotorproof.decision.models import AlternativeEntry, MainEntry, ProblemEntry, Results
from rotorproof.decision.plausible import implausible, unit_slip
from rotorproof.decision.reasons import doubt
from rotorproof.decision.results import build_results
from rotorproof.fitting.stored import StoredFit, StoredPart
from rotorproof.rendering import words
from tests.entries import quantity_entry, results


def entry(value: float, unit: str, spread: float, procedure: str = "heat-run", **more: Any) -> MainEntry:
    ends = (value - spread, value + spread)
    return quantity_entry(
        value=value, unit=unit, expanded_uncertainty=spread, interval=ends, procedure=procedure, **more
    )


@pytest.mark.parametrize(
    ("seconds", "spread", "odd"),
    [(1_858.0, 30.0, False), (111_500.0, 2_000.0, True), (1.86, 0.1, True), (40_000.0, 35_000.0, False)],
)
def test_a_time_constant_of_days_or_seconds(seconds: float, spread: float, odd: bool) -> None:
    found = implausible({"thermal_time_constant": entry(seconds, "s", spread)})
    assert [problem.doubt for problem in found] == (["unit"] if odd else [])


def test_more_out_than_in_beyond_the_uncertainty() -> None:
    assert implausible({"efficiency_max": entry(101.0, "percent", 2.0, "load")}) == []
    (found,) = implausible({"motor_efficiency_max": entry(105.0, "percent", 2.0, "load")})
    assert "more comes out than goes in" in found.message


def test_factors_between_units() -> None:
    assert "N cm" in str(unit_slip(1.339, 0.01332))
    assert "milli" in str(unit_slip(440.8, 0.4388))
    assert "rpm" in str(unit_slip(9.55, 1.0))
    # A force in kg written as N: the standard acceleration of free fall, 9.80665 m/s^2 (CGPM 1901).
    assert "9.807 (N and kg of a spring scale), or" in str(unit_slip(9.80665 * 0.155, 0.155))
    assert "times the other, near the factor between two units: 10 (a ×10 probe" in str(unit_slip(1.0, 0.0995))
    assert unit_slip(0.130, 0.120) is None
    assert unit_slip(-9.55, 1.0) is None
    assert unit_slip(0.155, 0.4388) is None


def test_two_procedures_a_hundred_apart_are_asked_for_their_units() -> None:
    other = AlternativeEntry(**entry(0.01332, "N m/A", 0.0001, "locked-rotor").fields(), normalised_error=294.6)
    (warning,) = cross_checks({"torque_constant": entry(1.339, "N m/A", 0.005, "open-circuit", alternatives=[other])})
    assert warning.doubt == "unit"
    assert "Is the unit right? One is 101 times the other" in warning.message


def unit_doubt(file: str) -> ProblemEntry:
    return ProblemEntry(message="m", file=file, severity="warning", doubt="unit")


def rejected(*problems: ProblemEntry) -> Results:
    return results(verdict="rejected", problems=[*problems])


def test_the_verdict_points_to_a_doubt_and_a_rejection_is_no_plain_result_then() -> None:
    sound = rejected(ProblemEntry(message="m", severity="warning"))
    assert words.verdict_doubt(sound) == ""
    assert "not an error of the test" in words.verdict_meaning(sound)
    odd = rejected(unit_doubt("U/a.csv"), unit_doubt("U/a.csv"), unit_doubt("U/b.csv"))
    assert words.verdict_doubt(odd) == (
        "Readings look as if a unit or a scale were wrong (a.csv, b.csv): see Problems before relying on the verdict."
    )
    assert "not an error of the test" not in words.verdict_meaning(odd)
    many = rejected(*(unit_doubt(f"U/{name}.csv") for name in "abcde"))
    assert "(a.csv, b.csv, c.csv and 2 more)" in doubt(many)


def test_the_likeliest_slip_stands_beside_the_verdict() -> None:
    named = unit_doubt("U/load.csv").model_copy(update={"slip": "torque is kg written as N (load.csv)"})
    assert words.verdict_doubt(rejected(unit_doubt("U/a.csv"), named)) == (
        "Readings look as if a unit or a scale were wrong (a.csv, load.csv). The likeliest slip: torque is kg written "
        "as N (load.csv). See Problems before relying on the verdict."
    )


def test_a_drive_takes_the_doubt_with_the_values() -> None:
    def drive(taken: list[str], problems: list[ProblemEntry]) -> Results:
        part = StoredPart(role="motor", unit="M", taken=taken, outcomes=[])
        of_part = rejected(*problems)
        of_part.quantities["phase_resistance"] = entry(0.12, "ohm", 0.001, "winding-resistance")
        fit = StoredFit(outcomes=[], parts=[part])
        return build_results("D", "drive", fit, [], None, 0.95, [of_part])

    taken = ["phase_resistance"]
    assert doubt(drive(taken, [])) == ""
    assert doubt(drive([], [unit_doubt("M/a.csv")])) == ""
    odd = drive(taken, [unit_doubt("M/a.csv")])
    assert "unit.yaml" in doubt(odd)
    assert "the readings of the motor M" in odd.problems[-1].message

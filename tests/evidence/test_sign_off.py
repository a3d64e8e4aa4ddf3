"""Waivers and what needs a reason before a report is signed."""

from __future__ import annotations

import pytest

from rotorproof.decision.models import Results
from rotorproof.decision.rules import verdict
from rotorproof.errors import InputError
from rotorproof.evidence.signoff import acknowledged, waived
from tests import entries


def results(**decisions: str) -> Results:
    criteria = [entries.criterion(quantity=name, decision=decision) for name, decision in decisions.items()]
    return entries.results(verdict=verdict(list(decisions.values())), criteria=criteria)  # type: ignore[arg-type]


def test_every_criterion_of_a_waived_quantity_that_did_not_pass_is_named() -> None:
    criteria = [entries.criterion(quantity="a", decision=decision) for decision in ("fail", "pass", "undecided")]
    found = entries.results(verdict="rejected", criteria=criteria)
    assert [waiver.decision for waiver in waived(found, {"a": " why "})] == ["fail", "undecided"]
    assert waived(found, {"a": " why "})[0].reason == "why"


@pytest.mark.parametrize(
    ("reasons", "said"),
    [
        ({"a": "  "}, "needs a reason"),
        ({"b": "why"}, "needs no waiver"),
        ({"c": "why"}, "c is no criterion of this unit; the criteria that did not pass are: a"),
        ({"a": "x" * 1501}, "do not fit on page 1"),
    ],
)
def test_a_waiver_that_cannot_stand(reasons: dict[str, str], said: str) -> None:
    with pytest.raises(InputError, match=said):
        waived(results(a="fail", b="pass"), reasons)


def test_a_criterion_is_waived_by_its_printed_name_too() -> None:
    found = results(pack_road_speed="not measured", phase_resistance="pass")
    (waiver,) = waived(found, {"Road speed on the pack": "the customer rides slowly"})
    assert waiver.quantity == "pack_road_speed"
    with pytest.raises(InputError, match="waived twice"):
        waived(found, {"Road speed on the pack": "why", "pack_road_speed": "why"})
    with pytest.raises(InputError, match="phase_resistance needs no waiver"):
        waived(found, {"Phase resistance": "why"})


def test_more_waivers_than_fit_on_the_page() -> None:
    many = results(**{f"q{number}": "fail" for number in range(13)})
    with pytest.raises(InputError, match="do not fit on page 1"):
        waived(many, {f"q{number}": "why" for number in range(13)})


def test_what_was_not_measured_is_waived_or_acknowledged() -> None:
    found = results(a="pass", b="not measured", c="not measured")
    with pytest.raises(InputError, match=r"not measured: b, c\. Let each through with --waive 'b=why'"):
        acknowledged(found, (), None)
    some = waived(found, {"b": "why"})
    with pytest.raises(InputError, match="not measured: c"):
        acknowledged(found, some, "  ")
    assert acknowledged(found, some, " no thermometer ") == "no thermometer"
    assert acknowledged(found, waived(found, {"b": "why", "c": "why"}), None) is None
    # A rejection stands whatever else was not measured and whatever is let through.
    both = results(a="fail", b="not measured")
    assert acknowledged(both, (), None) is None
    assert acknowledged(both, waived(both, {"a": "why"}), None) is None
    with pytest.raises(InputError, match="leave it out"):
        acknowledged(results(a="pass"), (), "why")
    with pytest.raises(InputError, match="name an acceptance set"):
        acknowledged(results(), (), None)

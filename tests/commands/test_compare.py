"""What `compare` says on the screen: the choice first, then the differences that are of any use."""

from __future__ import annotations

from typing import Any

import pytest

from rotorproof.__main__ import main
from rotorproof.commands import compare
from rotorproof.commands.compare import _lines
from rotorproof.decision.models import Comparison
from tests.errors.bench import Bench


def _row(unit: str, low: float, high: float, relevant: bool) -> dict[str, Any]:
    value = {"value": 1.0, "expanded_uncertainty": 0.1, "interval": [0.9, 1.1], "procedure": "x", "conditions": {}}
    pair = {
        "first": "A",
        "second": "B",
        "difference": (low + high) / 2,
        "standard_uncertainty": 0.1,
        "expanded_uncertainty": 0.2,
        "interval": [low, high],
        "correlation": 0.0,
        "normalised_error": 2.0,
        "higher": "B" if low > 0 else "A",
        "relevant": relevant,
        "statement": f"{'B' if low > 0 else 'A'} higher",
    }
    return {"unit": unit, "values": [{"unit": "A", **value}, {"unit": "B", **value}], "pairs": [pair]}


def test_the_choice_comes_first_and_what_is_too_small_is_counted() -> None:
    about = {"kind": "motor", "model": None, "serial": None, "tested_on": None, "operator": None}
    found = Comparison.model_validate(
        {
            "schema": 1,
            "comparison": "both",
            "probability": 0.95,
            "units": [{"unit": "A", **about, "verdict": "accepted"}, {"unit": "B", **about, "verdict": "rejected"}],
            "quantities": {
                "phase_resistance": _row("ohm", 0.0100, 0.0123, relevant=True),
                "torque_droop": _row("percent", -7.0, -5.0, relevant=True),
                "hall_placement_error": _row("deg", 7.53, 8.25, relevant=True),
                "saturation_sharpness": _row("1", 2.68, 2.77, relevant=True),
                "controller_table": _row("1", 4.0, 4.0, relevant=True),
                "saturation_current": _row("A", 0.001, 0.002, relevant=False),
            },
            "criteria": [],
            "choice": {"unit": "A", "ranking": ["A", "B"], "why": ["A is accepted", "B is rejected"], "cost": ["heat"]},
            "one_unit_only": {},
            "same_unit": [],
            "notes": [],
        }
    )
    assert _lines(found) == [
        "both: A, B",
        "  Choice: fit A",
        "  Why: A is accepted; B is rejected",
        "  What it costs: heat",
        "  Phase resistance: B higher by 0.01 to 0.0123 Ω",
        "  Fall of torque per ampere: A higher by 5 to 7 %",
        "  Sensor placement error: B higher by 7.53 to 8.25°",
        "  Sharpness of the saturation: B higher by 2.68 to 2.77",
        "  Commutation table of the controller: A and B differ",
        "  1 more difference beyond the uncertainty, too small to matter: see the PDF",
    ]


@pytest.mark.parametrize(
    ("units", "said"),
    [
        (["GOOD"], "two units or more, all different"),
        (["GOOD", "GOOD"], "two units or more, all different"),
        (["GOOD", "NONE"], "--units: NONE is not under raw/, or cannot be reported on"),
        ([f"{'UNIT' * 5}-{place}" for place in range(5)], "too many for a name made of theirs"),
    ],
)
def test_units_that_cannot_be_compared_at_once(
    units: list[str], said: str, bench: Bench, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(compare, "ROOT", bench.root)
    assert main(["compare", "--units", *units]) == 2
    assert said in capsys.readouterr().err

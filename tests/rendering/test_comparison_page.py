"""The page of a comparison: the choice with its cost, a ranking of many, what matters before the rest."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import numpy as np

from rotorproof.decision.comparison import compare
from rotorproof.decision.results import build_results
from rotorproof.procedures.base import Axis, Panel, Series
from rotorproof.rendering.comparison import comparison_html, overlays
from rotorproof.settings.acceptance import AcceptanceSet
from tests.decision.test_comparison import unit

_UNBALANCE = AcceptanceSet.model_validate(
    {"criteria": [{"quantity": "resistance_unbalance", "min": "0 percent", "max": "5 percent"}]}
)


def page(*units: Any) -> str:
    return comparison_html(compare("bench", units, 0.95), [], "", "ID")


def test_many_units_are_ranked_and_set_beside_the_first() -> None:
    html = page(*(unit(name, 0.115 + 0.004 * k, u=1e-5) for k, name in enumerate("ABCDE")))
    # Two of five are beyond the limit of 0.13 ohm, so accepted ones stand before them.
    assert html.index("<h2>Ranking</h2>") < html.index("<h2>Criteria</h2>") < html.index("<h2>Differences that matter")
    assert html.index('<td>1</td><th scope="row">A</th>') < html.index('<td>5</td><th scope="row">E</th>')
    assert "B − A" in html and "C − B" not in html
    assert "first of the ranking" in html
    # What differs by nothing that matters has a line for all.
    assert html.index("<h2>Differences that matter") < html.index("<h2>Other quantities") < html.index("; B: ")


def _found(html: str) -> list[str]:
    """Return what the table of quantities in which no difference matters says of each."""
    table = html[html.index("<h2>Other quantities") :]
    return re.findall(r"<tr><th scope=\"row\">Phase resistance.*?</th>.*?<td>([^<]*)</td></tr>", table, re.DOTALL)


def test_any_two_units_that_can_be_told_apart_are_distinguishable() -> None:
    # A and B agree within 1e-5 ohm; each of them lies 6e-4 ohm from the three others, 0.5 % of the value.
    values = zip("ABCDE", (0.1150, 0.11501, 0.1156, 0.1156, 0.1156), strict=True)
    assert _found(page(*(unit(name, value, u=1e-5) for name, value in values))) == ["too little to matter"]
    assert _found(page(*(unit(name, 0.115, u=1e-5) for name in "ABCDE"))) == ["not distinguishable"]


def test_units_are_set_beside_the_next_where_the_first_lacks_a_quantity() -> None:
    units = [unit(name, 0.115 + 0.004 * k, u=1e-5) for k, name in enumerate("ABCDE")]
    del units[0].fit.outcomes[0].forms["phase_resistance"]
    # Limits of the other quantity alone: by them all are equal, and rank as they are named.
    html = page(
        *(replace(one, results=build_results(one.name, "motor", one.fit, [], _UNBALANCE, 0.95)) for one in units)
    )
    assert html.index('<td>1</td><th scope="row">A</th>') < html.index('<td>2</td><th scope="row">B</th>')
    assert all(pair in html for pair in ("C − B", "D − B", "E − B"))
    assert "D − C" not in html


def test_a_choice_says_what_it_costs_also_where_that_is_nothing() -> None:
    html = page(unit("A", 0.110, u=1e-5), unit("B", 0.150, u=1e-5))
    assert "Choice: fit A" in html
    assert "Nothing that matters: no other unit meets a criterion better." in html
    assert "<h2>Ranking</h2>" not in html


class _Fit:
    """What is drawn of one unit."""

    def __init__(self, panels: list[Any]) -> None:
        self.makers = [self]
        self.label, self.maker, self.panels = "spin", "spin", panels


def test_an_overlay_names_units_and_leaves_out_a_mere_cloud(monkeypatch: Any) -> None:
    x = np.arange(4.0)
    axes = (Axis("Time", "time", "s"), Axis("Speed", "speed", "rpm"))
    curve = Panel("run", "Run", *axes, [Series("readings", x, x), Series("fit", x, x, "fit")], "c")
    cloud = Panel("edges", "Edges", *axes, [Series(name, x, x) for name in "abc"], "c")
    monkeypatch.setattr("rotorproof.rendering.comparison.load_panels", lambda panels, arrays: panels)
    found = overlays({name: _Fit([curve, cloud]) for name in ("A", "B")}, {"A": {}, "B": {}})  # type: ignore[arg-type]
    (panel,) = found
    assert [(one.label, one.group) for one in panel.series] == [("A", 0), ("A", 0), ("B", 1), ("B", 1)]

"""The page of a comparison: the choice with its cost, a ranking of many, what matters before the rest."""

from __future__ import annotations

from typing import Any

import numpy as np

from rotorproof.decision.comparison import compare
from rotorproof.procedures.base import Axis, Panel, Series
from rotorproof.rendering.comparison import comparison_html, overlays
from tests.decision.test_comparison import unit


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

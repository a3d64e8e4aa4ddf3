"""How the parts of a report are made ready to print."""

from __future__ import annotations

from dataclasses import replace

from rotorproof.procedures.base import Table
from rotorproof.rendering.quantity_view import criterion_view, rule_notes
from rotorproof.rendering.section_view import InstrumentView, beside_figures, table_view
from tests.entries import criterion, results


def test_a_column_of_numbers_has_as_many_decimals_in_each_row_where_that_is_short() -> None:
    rows = [[30.6, 1e-7, 0.00012], [330.0, 2.0, 120.0], [None, 3.0, 5.0]]
    view = table_view(Table("t", ["a", "b", "c"], rows))
    assert [row[0] for row in view.rows] == ["30.6", "330.0", "\u2013"]
    assert [row[1] for row in view.rows][1:] == ["2", "3"], "an exponent stands by itself"
    assert [row[2] for row in view.rows] == ["0.00012", "120", "5"], "many zeros would say nothing"


def test_a_short_table_stands_under_few_values_rather_than_alone_beside_a_figure() -> None:
    short = table_view(Table("t", ["a", "b"], [[1, 2], [3, 4]]))
    long = table_view(Table("t", ["a", "b"], [[1, 2]] * 9))
    assert beside_figures(1, [short], values=5, letters=100) == (True, short)
    assert beside_figures(1, [long], values=5, letters=100) == (False, None), "as long as the figure is high"
    assert beside_figures(2, [short], values=5, letters=100) == (True, None), "values and three beside: two full rows"
    assert beside_figures(1, [short], values=12, letters=100) == (True, None), "the column is full"
    assert beside_figures(1, [short], values=5, letters=2000) == (False, None)
    assert beside_figures(1, [short], values=0, letters=0) == (False, None), "no column, so nothing to stand under"


def test_what_is_not_stated_of_an_instrument_is_said_once() -> None:
    none = "not stated"
    bare = InstrumentView("dmm", none, none, none, none, none, ["voltage: 1 %"], "voltage A-B", overdue=False)
    assert (bare.made, bare.calibration) == (none, none)
    known = replace(bare, model="M1", serial="7", calibrated_on="2026-01-12", calibration_due="2027-01-12")
    assert (known.made, known.calibration) == ("M1, 7", "2026-01-12, 2027-01-12, not stated")


def test_a_rule_is_said_once_with_what_holds_beyond_it_for_some() -> None:
    said = ("Simple.", "Simple. What nobody measured decides nothing.", "Simple.", "Another rule.")
    entries = results(criteria=[criterion(rule="simple", statement=one, max=0.2) for one in said])
    views = [criterion_view(one, entries) for one in entries.criteria]
    assert rule_notes(views) == [
        ("simple", "Simple. What nobody measured decides nothing."),
        ("simple", "Another rule."),
    ]

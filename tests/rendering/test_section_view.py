"""How the parts of a report are made ready to print."""

from __future__ import annotations

from rotorproof.procedures.base import Table
from rotorproof.rendering.section_view import table_view


def test_a_column_of_numbers_has_as_many_decimals_in_each_row_where_that_is_short() -> None:
    rows = [[30.6, 1e-7, 0.00012], [330.0, 2.0, 120.0], [None, 3.0, 5.0]]
    view = table_view(Table("t", ["a", "b", "c"], rows))
    assert [row[0] for row in view.rows] == ["30.6", "330.0", "\u2013"]
    assert [row[1] for row in view.rows][1:] == ["2", "3"], "an exponent stands by itself"
    assert [row[2] for row in view.rows] == ["0.00012", "120", "5"], "many zeros would say nothing"

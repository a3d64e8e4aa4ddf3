"""Trends of a model in the register: what is drawn, and what is not."""

from __future__ import annotations

import xml.etree.ElementTree as ET

import pytest

from rotorproof.rendering.register_view import Row
from rotorproof.rendering.trends import trends
from tests.entries import quantity_entry, results

WILD = "</svg><script>alert(1)</script>"


def row(name: str, value: float, day: str | None, model: str | None = "HM-36", verdict: str = "accepted") -> Row:
    entry = quantity_entry(value=value, interval=(value - 0.001, value + 0.001))
    found = results(verdict=verdict, quantities={"phase_resistance": entry})
    return Row(name, {"unit": name, "model": model, "tested_on": day}, found, [])


def test_a_model_with_two_dated_units_has_a_trend() -> None:
    (trend,) = trends([row("A", 0.120, "2026-01-05"), row("B", 0.122, "2026-02-05", verdict="rejected")])
    assert (trend.model, trend.units) == ("HM-36", 2)
    (chart,) = trend.charts
    picture = ET.fromstring(str(chart.picture))
    titles = [element.text or "" for element in picture.iter("{http://www.w3.org/2000/svg}title")]
    assert "2026-01-05 A: 0.1200 ± 0.0010 Ω, accepted; 2026-02-05 B: 0.1220 ± 0.0010 Ω, rejected" in titles[0]
    assert len(titles) == 3


@pytest.mark.parametrize(
    "rows",
    [
        [],
        [row("A", 0.12, "2026-01-05")],
        [row("A", 0.12, "2026-01-05"), row("B", 0.12, None)],
        [row("A", 0.12, "2026-01-05", None), row("B", 0.12, "2026-01-06", None)],
        [row("A", 0.12, "2026-01-05", "one"), row("B", 0.12, "2026-01-06", "other")],
    ],
)
def test_without_two_dated_units_of_a_model_there_is_none(rows: list[Row]) -> None:
    assert trends(rows) == []


@pytest.mark.parametrize("values", [(0.0, 0.0), (-3e-9, 4e9), (1e-12, 1.1e-12), (5.0, 5.0)])
@pytest.mark.parametrize("days", [("2026-01-05", "2026-01-05"), ("2026-01-05", "2030-12-31")])
def test_points_stay_inside_the_chart(values: tuple[float, float], days: tuple[str, str]) -> None:
    (trend,) = trends([row("A", values[0], days[0]), row("B", values[1], days[1])])
    picture = ET.fromstring(str(trend.charts[0].picture))
    for line in picture.iter("{http://www.w3.org/2000/svg}line"):
        for key, most in (("x1", 340), ("x2", 340), ("y1", 170), ("y2", 170)):
            assert 0 <= float(line.get(key, "nan")) <= most


def test_a_hostile_name_stays_text() -> None:
    (trend,) = trends([row(WILD, 0.12, "2026-01-05"), row("B", 0.12, "2026-01-06")])
    assert "<script>" not in str(trend.charts[0].picture)

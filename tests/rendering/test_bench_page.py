"""The page of the check standards, and the mark on units that were measured while the bench was in doubt."""

from __future__ import annotations

import datetime
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rotorproof.decision.models import Results
from rotorproof.evidence.history import History, Past
from rotorproof.rendering.bench_view import bench_doubt, bench_view
from rotorproof.rendering.register import bench_html, render_register
from rotorproof.rendering.register_view import Beside
from rotorproof.season.bench import BenchDay, judge
from tests.entries import quantity_entry, results
from tests.season.bench_days import INSTRUMENT, START, day


def _unit(name: str, on: datetime.date, resistance: float, **facts: Any) -> tuple[dict[str, Any], Results]:
    found = results(unit=name, quantities={"phase_resistance": quantity_entry(value=resistance)})
    return {"unit": name, "kind": "motor", "tested_on": on.isoformat(), **facts}, found


def days_out_of_control() -> list[BenchDay]:
    """Return 22 days of a standard, on the last two of which a voltmeter reads 1.2 % too much."""
    rng = np.random.default_rng(2)
    return [day(n, {"voltage": 0.012 if n > 19 else 0.0}, rng) for n in range(22)]


@pytest.fixture
def reports(tmp_path: Path) -> Path:
    rng = np.random.default_rng(8)
    made = []
    for number in range(16):
        on = START + datetime.timedelta(weeks=number)
        value = 0.118 * (1 + 4e-4 * rng.normal() + (0.01 if number == 15 else 0.0))
        made.append(_unit(f"CS-{number:02d}", on, value, role="check standard", model="HM", serial="<S/N> 1"))
    made.append(_unit("early", START + datetime.timedelta(weeks=13), 0.12))
    made.append(_unit("late", START + datetime.timedelta(weeks=14, days=3), 0.12))
    render_register(
        units=[unit for unit, _ in made],
        results={unit["unit"]: found for unit, found in made},
        fits={},
        refused={},
        signed={},
        folder=tmp_path,
        beside=Beside(),
    )
    return tmp_path


def test_a_unit_measured_since_the_last_good_day_is_marked_beside_its_verdict(reports: Path) -> None:
    index = (reports / "index.html").read_text(encoding="utf-8")
    assert index.count("Bench in doubt: the check standard") == 1
    assert index.index("Bench in doubt") > index.index("late")
    page = (reports / "bench.html").read_text(encoding="utf-8")
    assert "out of control on 2026-04-18; the last good day is 2026-04-11" in page
    assert "<S/N>" not in page


def test_days_of_which_signed_reports_alone_are_left_stand_in_the_charts(tmp_path: Path) -> None:
    rng = np.random.default_rng(8)
    made = []
    for number in range(16):
        on = START + datetime.timedelta(weeks=number)
        value = 0.118 * (1 + 4e-4 * rng.normal() + (0.01 if number in (13, 15) else 0.0))
        made.append(_unit(f"CS-{number:02d}", on, value, role="check standard", model="HM", serial="1"))
    past = History(
        [Past(unit, found, f"archive/{unit['unit']}/r1/data/report.pdf") for unit, found in made[:14]],
        {"archive/CS-99/r1": "it is not what was signed"},
    )
    render_register(
        units=[unit for unit, _ in made[14:]],
        results={unit["unit"]: found for unit, found in made[14:]},
        fits={},
        refused={},
        signed={},
        folder=tmp_path,
        beside=Beside(),
        past=past,
    )
    page = (tmp_path / "bench.html").read_text(encoding="utf-8")
    assert "16 days; " in page
    assert '<a href="archive/CS-13/r1/data/report.pdf">CS-13</a></td>' in page
    assert '<a href="CS-15/report.pdf">CS-15</a></td>' in page
    assert "archive/CS-99/r1 (it is not what was signed)" in page
    # They are history of the bench, no units of this register.
    assert "CS-13" not in (tmp_path / "index.html").read_text(encoding="utf-8")


def test_the_charts_say_in_words_what_they_show() -> None:
    days = days_out_of_control()
    found = judge("CS", "1", days)
    (view,) = bench_view([found])
    for chart in view.charts:
        root = ET.fromstring(str(chart.picture))
        title = root.findtext("{http://www.w3.org/2000/svg}title") or ""
        assert "22 days; " in title
    assert "beyond the limits on 2026-05-23" in str(view.charts[0].picture)
    assert view.days[0].why.startswith(f"fits meter {INSTRUMENT['voltage']}, voltage; an error of ")
    unit = {"tested_on": days[-1].day, "instruments": {"dmm": {"serial": INSTRUMENT["voltage"]}}}
    assert "measure this unit again" in bench_doubt(unit, [found])
    assert not bench_doubt({**unit, "instruments": {"dmm": {"serial": "another"}}}, [found])


def test_without_a_standard_the_page_says_how_to_keep_one() -> None:
    assert "role: check standard" in bench_html([])


def test_a_last_day_that_says_nothing_is_named_beside_the_last_that_does() -> None:
    days = days_out_of_control()
    days[-1] = replace(days[-1], values={}, forms={})
    (view,) = bench_view([judge("HM", "1", days)])
    assert view.state == (
        f"out of control on {days[20].day}; the last good day is {days[19].day}; on {days[21].day} nothing that is "
        "charted was measured"
    )

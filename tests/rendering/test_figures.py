"""Figures: what they hold, that they stay small and quick, and that their bytes depend on the panel alone."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rotorproof.fitting.stored import StoredPanel, StoredSeries
from rotorproof.procedures.base import Axis, Field, Panel, Series
from rotorproof.procedures.base import drawn as evenly
from rotorproof.rendering import drawings, drawn_points
from rotorproof.rendering.drawings.common import looks, shown, shown_spread
from rotorproof.rendering.figures import HALF_MM, WIDTH_MM, alt_text, figure_name, is_wide, svg
from rotorproof.rendering.style import DASHES, INK, MARKERS, SERIES_COLOURS, font_files

ROOT = Path(__file__).parents[2]
_TIME, _VOLTAGE = Axis("Time", "time", "ms"), Axis("Voltage", "voltage", "V")


def _points(**keys: Any) -> Panel:
    x = np.linspace(1.0, 6.0, 8)
    series = [
        Series("A-B", x, 0.12 * x, "measured", np.full(8, 2e-3)),
        Series("fit A-B", x[[0, -1]], 0.12 * x[[0, -1]], "fit"),
        Series("heated", np.array([7.0]), np.array([0.9]), "left out"),
        Series("limit", np.array([1.0]), np.array([0.8]), "limit"),
    ]
    panel = Panel(
        "vi",
        "Voltage against current",
        Axis("Current", "current", "A"),
        _VOLTAGE,
        series,
        "See the slope.",
        residuals=[Series("A-B", x, 1e-3 * np.sin(x))],
        residual_axis=Axis("Residual", "voltage", "mV"),
    )
    return replace(panel, **keys)


def _panel(form: str) -> Panel:
    x = np.arange(1.0, 6.0)
    if form == "points":
        return _points()
    if form == "bars":
        order, share = Axis("Order", "number", "1"), Axis("Share", "ratio", "percent")
        series = [
            Series("A", x, x / 10, y_error=x / 100),
            Series("B", x, x / 20),
            Series("limit", x[:1], x[:1], "limit"),
        ]
        return Panel("bars", "Harmonics", order, share, series, "c", "bars")
    if form == "levels":
        t = np.linspace(0, 0.02, 9000)
        logic = Axis("Level", "logic", "1")
        series = [Series("Hall A", t, (np.sin(900 * t) > 0) * 1.0), Series("line voltage", t, 20 * np.sin(900 * t))]
        return Panel("levels", "Levels", _TIME, logic, series, "c", "levels")
    if form == "intervals":
        each = [Series(name, np.array([1.0 + k]), x[:1], y_error=np.array([0.2])) for k, name in enumerate("AB")]
        band = Series("adjusted", np.array([1.2, 1.4, 1.7]), x[:3], "fit")
        return Panel("lanes", "Lanes", _VOLTAGE, Axis("Test", "number", "1"), [*each, band], "c", "intervals")
    grid = Field(Axis("Efficiency", "ratio", "percent"), x, x, np.add.outer(x, x) / 12)
    grid.z[0, 0] = np.nan
    axes = (Axis("Speed", "speed", "rpm"), Axis("Torque", "torque", "N m"))
    return Panel("map", "Map", *axes, [Series("points", x, x)], "c", "map", field=grid)


FORMS = ("points", "bars", "levels", "intervals", "map")


@pytest.mark.parametrize("form", FORMS)
def test_every_form_gives_the_same_well_formed_bytes_twice(form: str) -> None:
    first = svg(_panel(form))
    assert first == svg(_panel(form))
    root = ET.fromstring(first)
    assert root.tag.endswith("svg")
    assert root.find("{http://www.w3.org/2000/svg}title").text == _panel(form).title  # type: ignore[union-attr]
    assert b"<text" not in first, "letters must be outlines, not this computer's fonts"
    assert not re.search(rb"<dc:date>|Matplotlib v", first)


def test_another_process_with_other_settings_gives_the_same_bytes(tmp_path: Path) -> None:
    (tmp_path / "matplotlibrc").write_text("font.family: monospace\nlines.linewidth: 9\nsvg.fonttype: none\n")
    program = (
        "import sys\nfrom tests.rendering.test_figures import _panel, FORMS\n"
        "from rotorproof.rendering.figures import svg\n"
        "sys.stdout.buffer.write(b''.join(svg(_panel(form)) for form in FORMS))"
    )
    outputs = []
    for seed, settings in (("1", {}), ("2", {"MATPLOTLIBRC": str(tmp_path / "matplotlibrc"), "TZ": "Asia/Tokyo"})):
        environment = {**os.environ, "PYTHONHASHSEED": seed, "PYTHONPATH": f"{ROOT / 'scripts'}:{ROOT}", **settings}
        done = subprocess.run([sys.executable, "-c", program], env=environment, capture_output=True, check=True)
        outputs.append(done.stdout)
    assert len(outputs[0]) > 10_000
    assert outputs[0] == outputs[1]


def test_a_million_readings_stay_a_small_figure_with_every_peak() -> None:
    t = np.linspace(0, 0.1, 1_000_000)
    y = np.sin(400 * t)
    y[123_456], y[765_432] = 7.0, -7.0
    series = [Series("A-B", t, y), Series("fit A-B", t, np.sin(400 * t), "fit")]
    content = svg(Panel("w", "Wave", _TIME, _VOLTAGE, series, "c"))
    assert len(content) < 300_000
    drawn = drawn_points.chosen(t, y)
    assert len(drawn) <= drawn_points.MAXIMUM_POINTS
    assert {123_456, 765_432, 0, 999_999} <= set(drawn.tolist())


def test_thinning_keeps_the_cloud_and_never_invents() -> None:
    rng = np.random.default_rng(3)
    x, y = rng.normal(size=50_000), rng.normal(size=50_000)
    drawn = drawn_points.chosen(x, y)
    assert 200 < len(drawn) <= drawn_points.MAXIMUM_POINTS
    assert np.array_equal(drawn, drawn_points.chosen(x, y))
    assert np.all(np.diff(drawn) > 0)
    same = np.zeros(9000)
    assert len(drawn_points.chosen(same, same)) <= drawn_points.MAXIMUM_POINTS
    assert np.array_equal(drawn_points.chosen(x[:50], y[:50]), np.arange(50))
    assert evenly(10_000, 100)[[0, -1]].tolist() == [0, 9_999]
    with pytest.raises(ValueError, match="four points"):
        drawn_points.chosen(x, y, 3)


def test_readings_that_are_not_numbers_are_not_drawn_and_stop_nothing() -> None:
    x = np.array([1.0, np.nan, 3.0, 4.0])
    content = svg(
        _points(series=[Series("A-B", x, x, y_error=x), Series("none", np.zeros(0), np.zeros(0))], residuals=())
    )
    assert b"nan" not in content.lower().replace(b"nano", b"")


@pytest.mark.parametrize("readings", [0, 3])
@pytest.mark.parametrize("role", ["measured", "fit", "model", "limit"])
@pytest.mark.parametrize("form", FORMS)
def test_series_of_nothing_stop_no_figure(form: str, role: Any, readings: int) -> None:
    nothing = np.full(readings, np.nan)
    empty = [Series(name, nothing, nothing, role) for name in ("one", "other")]
    x = np.array([1.0, 2.0, 4.0])
    panel = _panel(form)
    for series in (empty, [Series("line", x, x, "model"), Series("more", x, 2 * x, "fit"), *empty]):
        root = ET.fromstring(svg(replace(panel, series=series)))
        assert root.tag.endswith("svg")


def test_labels_are_text_whatever_they_hold() -> None:
    wild = "$x_1$ <script> & 温度 µ Ω ± \\frac"
    content = svg(_points(title=wild, series=[Series(wild, np.arange(3.0), np.arange(3.0))]))
    assert ET.fromstring(content).find("{http://www.w3.org/2000/svg}title").text == wild  # type: ignore[union-attr]
    assert b"<script>" not in content


def test_series_differ_without_colour_and_fits_follow_their_readings() -> None:
    x = np.arange(3.0)
    measured = [Series(name, x, x) for name in ("A-B", "B-C", "C-A")]
    fits = [Series(f"fit {name}", x, x, "fit") for name in ("C-A", "A-B", "B-C")]
    found = looks([*measured, *fits])
    assert len({look.marker for look in found[:3]}) == 3
    assert len({str(look.dash) for look in found[3:]}) == 3
    # A fit has the dash of its readings, and lies in ink over them.
    assert replace(found[3], colour=found[2].colour) == found[2]
    assert {look.colour for look in found[3:]} == {INK}
    assert found[4].dash == found[0].dash
    assert len(set(MARKERS)) == len(SERIES_COLOURS) == len({str(dash) for dash in DASHES})


def test_values_are_shown_in_the_unit_of_the_axis() -> None:
    celsius, rpm = Axis("T", "temperature", "degF"), Axis("n", "speed", "rpm")
    assert shown(np.array([100.0]), celsius) == pytest.approx([212.0])
    assert shown_spread(np.array([1.0]), celsius) == pytest.approx([1.8])
    assert shown(np.array([2 * np.pi]), rpm) == pytest.approx([60.0])


def test_the_description_names_axes_series_and_caption() -> None:
    panel = StoredPanel(
        name="vi",
        title="Voltage against current",
        caption="See the slope.",
        drawing="points",
        x=Axis("Current", "current", "A"),
        y=Axis("Voltage", "voltage", "V"),
        series=[
            StoredSeries(label="A-B", role="measured", base="a"),
            StoredSeries(label="heated", role="left out", base="b"),
        ],
        residuals=[StoredSeries(label="A-B", role="measured", base="c")],
        residual_axis=Axis("Residual", "voltage", "mV"),
    )
    assert alt_text(panel) == (
        "Voltage against current. voltage in V against current in A. Measured: A-B. Left out of the fit: heated. "
        "Below: residuals (residual in mV). See the slope."
    )
    assert figure_name("cold", "vi") == "cold-vi.svg"


def test_our_fonts_have_the_signs_of_the_trade() -> None:
    from fontTools.ttLib import TTFont

    regular = set(TTFont(font_files()[0].path).getBestCmap())
    both = regular | set(TTFont(font_files()[3].path).getBestCmap())
    assert {ord(sign) for sign in "ΩµμωηθτλφψαβΔ±×·−≤≥°²³∞√→–\u202f\u00a0"} <= regular
    assert {ord(sign) for sign in "⁻⁰¹²³⁴⁵⁶⁷⁸⁹"} <= both
    assert all(file.path.is_file() for file in font_files())


def test_a_spectrum_of_many_orders_stays_a_small_figure_with_its_peaks() -> None:
    orders = np.arange(1.0, 3001.0)
    size = 1e-3 + 1e-4 * np.sin(orders)
    size[[359, 719]] = 0.09, 0.04
    axes = (Axis("Order", "number", "1"), Axis("Torque", "torque", "N m"))
    content = svg(Panel("o", "Orders", *axes, [Series("amplitude", orders, size)], "c", "bars"))
    assert len(content) < 100_000
    # The two peaks are the only spikes in the upper nine tenths of the figure.
    line = max(re.findall(rb'<path d="([^"]*)" clip-path', content), key=len)
    ends = np.array([[float(number) for number in point.split()[-2:]] for point in line.split(b"\n") if point.strip()])
    bottom = ends[:, 1].max()
    tall = ends[ends[:, 1] < bottom - 0.1 * np.ptp(ends[:, 1])]
    assert len(tall) == 2
    heights = bottom - tall[:, 1]
    assert heights[0] / heights[1] == pytest.approx(0.09 / 0.04, rel=1e-3)


@pytest.mark.parametrize("label", ["x" * 10 + " 1e-06 ohm", "short", "y" * 40])
def test_a_figure_is_drawn_for_the_width_at_which_it_is_placed(label: str) -> None:
    # Signs of print are shorter or longer than what they stand for; both rooms must judge the same words.
    x = np.arange(3.0)
    series = [Series(f"{number} {label}", x, x) for number in range(5)]
    root = ET.fromstring(svg(Panel("p", "P", _TIME, _VOLTAGE, series, "c")))
    width = WIDTH_MM if is_wide("points", [one.label for one in series]) else HALF_MM
    assert float(root.attrib["width"].removesuffix("pt")) * 25.4 / 72 == pytest.approx(width, rel=1e-6)


def test_lines_that_follow_no_readings_bear_their_names_and_the_legend_does_not() -> None:
    x = np.linspace(0.0, 10.0, 40)
    lines = [Series(name, x, np.full(40, height), "model") for name, height in (("low", 1.0), ("high", 9.0))]
    axes, legend = _drawn(_points(series=lines, residuals=()))
    assert [text.get_text() for text in axes.texts] == ["low", "high"]
    assert not legend
    for text, line in zip(axes.texts, lines, strict=True):
        assert abs(text.get_position()[1] - line.y[0]) < 1.5, "a name stands beside its own line"
    # Nor does a name lie on a limit.
    across = Series("limit", x[:1], np.array([2.2]), "limit")
    axes, _ = _drawn(_points(series=[*lines, across], residuals=()))
    assert all(abs(text.get_position()[1] - 2.2) > 0.4 for text in axes.texts)
    # Two lines that are one cannot both be named there.
    axes, legend = _drawn(_points(series=[lines[0], replace(lines[0], label="also low")], residuals=()))
    assert not axes.texts
    assert legend == ["low", "also low"]


def test_a_number_on_a_contour_lies_well_within_the_axes() -> None:
    panel = _panel("map")
    axes, _ = _drawn(panel)
    numbers = [text for text in axes.texts if re.fullmatch(r"[0-9.]+", text.get_text())]
    assert len(numbers) >= 3
    for text in numbers:
        x, y = axes.transAxes.inverted().transform(axes.transData.transform(text.get_position()))
        assert 0.05 < x < 0.95 and 0.05 < y < 0.95


def test_each_unit_of_an_overlay_keeps_its_look() -> None:
    x = np.arange(3.0)
    series = [replace(Series(f"{n} {role}", x, x, role), group=n) for n in (0, 1) for role in ("measured", "fit")]
    found = looks(series)
    assert found[0] == found[1] and found[2] == found[3]
    assert found[0].colour != found[2].colour and found[0].marker != found[2].marker


def _drawn(panel: Panel) -> tuple[Any, list[str]]:
    from matplotlib.figure import Figure

    figure = Figure(figsize=(HALF_MM / 25.4, 2.0), layout="constrained", dpi=72)
    drawings.DRAWINGS[panel.drawing].draw(figure, panel)
    named = figure.legends[0].get_texts() if figure.legends else []
    return figure.axes[0], [text.get_text() for text in named]

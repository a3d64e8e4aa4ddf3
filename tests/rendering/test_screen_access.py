"""Every page for screens, by the rules of WCAG 2.2 that its source can break."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from rotorproof.rendering.proof_book import book_html
from rotorproof.rendering.register import bench_html, models_html, register_html, render_register
from rotorproof.rendering.register_view import Beside, columns, register_data, rows
from rotorproof.rendering.style import MARKS, TEMPLATES, ZONE
from rotorproof.season.bench import judge
from rotorproof.season.population import populations
from tests.rendering.test_bench_page import days_out_of_control
from tests.rendering.test_choice_page import write_a_choice
from tests.rendering.test_proof_book import full
from tests.rendering.test_register import REFUSED, SIGNED, UNITS
from tests.screen_access import contrast, lacking
from tests.season.test_population import units_of_model

REGISTER = (TEMPLATES / "register" / "register.css").read_text(encoding="utf-8")


def _listed() -> Any:
    units = [unit for unit, _ in UNITS]
    return rows(units, {unit["unit"]: found for unit, found in UNITS}, REFUSED, SIGNED)


def _of_choice(folder: Path) -> str:
    write_a_choice(folder)
    return (folder / "choice.html").read_text(encoding="utf-8")


def _with_seasons(folder: Path) -> str:
    render_register(
        units=[unit for unit, _ in UNITS], results={unit["unit"]: found for unit, found in UNITS}, fits={},
        refused=REFUSED, signed=SIGNED, folder=folder,
        beside=Beside(comparisons={"two": ["U-9", "U-10"]}, sheets=frozenset({"U-9"})),
    )  # fmt: skip
    return (folder / "index.html").read_text(encoding="utf-8")


PAGES = {
    "register": _with_seasons,
    "register of nothing": lambda _: register_html([]),
    "bench": lambda _: bench_html([judge("CS", "1", days_out_of_control())]),
    "bench without a standard": lambda _: bench_html([]),
    "models": lambda _: models_html(populations(*units_of_model(3, 20, lambda place: 0.0))),
    "choice": _of_choice,
    "verification book": lambda _: book_html(full()),
}


@pytest.mark.parametrize("page", PAGES)
def test_a_page_for_screens_lacks_nothing(page: str, tmp_path: Path) -> None:
    assert lacking(PAGES[page](tmp_path)) == []


def test_each_rule_can_be_broken() -> None:
    broken = """<html><body><h2>x</h2><h4></h4><p id="a">x</p><p id="a">x</p><nav></nav><input><img src="x">
        <a href="#none" aria-label="other">shown</a><div tabindex="0">x</div><div tabindex="3">x</div>
        <table><tr><th></th></tr></table><table></table><svg></svg></body></html>"""
    found = lacking(broken)
    for rule in ("3.1.1", "2.4.2", "4.1.2: 'a'", "2.4.1", "0 elements are the main", "a p lies in no landmark",
                 "a nav has no name", "first heading", "h4 follows h2", "heading is empty", "input has no name",
                 "2.5.3", "takes the focus", "2.4.3", "a picture", "a drawing", "no heads", "says nothing",
                 "no scope"):  # fmt: skip
        assert any(rule in sentence for sentence in found), (rule, found)


def test_what_is_shown_of_a_link_in_a_row_is_part_of_its_name() -> None:
    listed = _listed()

    def links(piece: Any) -> list[list[str]]:
        if not isinstance(piece, list):
            return []
        return [piece] if piece[0] == "link" else [found for part in piece for found in links(part)]

    found = links(register_data(listed, columns(listed))["rows"])
    named = [(link[2], link[3]) for link in found if len(link) > 3]
    assert len(named) > 5
    # WCAG 2.2, 2.5.3: who speaks to the computer says what is shown.
    assert [pair for pair in named if pair[0].lower() not in pair[1].lower()] == []


def test_the_contrast_of_known_colours() -> None:
    # WCAG 2.2 states the two ends of the scale; that #767676 is the lightest grey for text on white, and #777777 one
    # step too light, is widely told of it (from memory).
    assert contrast("#000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#123456", "#123456") == pytest.approx(1.0)
    assert contrast("#767676", "#fff") > 4.5 > contrast("#777777", "#fff")


def _declared(css: str, name: str) -> set[str]:
    """Return the colours that declarations of ``name`` give, those of variables looked up."""
    values = set(re.findall(rf"(?<![-\w]){name}: *([^;}}]+)", css))
    variables = dict(re.findall(r"--(\w+): (#[0-9a-f]+)", css))
    found = {variables.get(used) for value in values for used in re.findall(r"var\(--(\w+)\)", value)}
    return {colour for colour in found if colour} | {c for value in values for c in re.findall("#[0-9a-f]{3,6}", value)}


def test_letters_stand_out_from_every_ground_they_may_lie_on() -> None:
    letters = _declared(REGISTER, "color") | {mark.colour for mark in MARKS.values()}
    grounds = _declared(REGISTER, "background")
    assert {"#fff", "#dde1e6"} <= grounds, "white, and the shade at the edge of what scrolls"
    assert len(letters) > 5
    # WCAG 2.2, 1.4.3: 4.5 for letters of ordinary size.
    poor = [(a, b, contrast(a, b)) for a in letters for b in grounds if contrast(a, b) < 4.5]
    assert poor == []
    on_its_own = [(mark.word, contrast(mark.colour, mark.ground)) for mark in MARKS.values()]
    assert [pair for pair in on_its_own if pair[1] < 4.5] == []


def test_letters_of_the_pages_on_paper_stand_out_too() -> None:
    for name in ("report.css", "plan.css", "choice.css", "proof_book.css"):
        css = (TEMPLATES / name).read_text(encoding="utf-8")
        grounds = _declared(css, "background") | {"#ffffff"} | {mark.ground for mark in MARKS.values()}
        letters = _declared(css, "color")
        assert [(name, a, b) for a in letters for b in grounds if contrast(a, b) < 4.5] == []


def test_letters_in_charts_stand_out_from_paper_and_from_zones() -> None:
    page = bench_html([judge("CS", "1", days_out_of_control())])
    letters = set(re.findall(r'<text [^>]*fill="(#[0-9a-fA-F]{3,6})"', page))
    assert letters
    assert ZONE in page
    assert [(a, b) for a in letters for b in (ZONE, "#ffffff") if contrast(a, b) < 4.5] == []


def test_the_edge_of_a_control_and_the_ring_of_the_focus_can_be_seen() -> None:
    # WCAG 2.2, 1.4.11 and 2.4.13: 3 for what tells that something is a control, and that it has the focus.
    (edge,) = set(re.findall(r"controls button \{[^}]*border: 1px solid (#[0-9a-f]+)", REGISTER))
    (ring,) = set(re.findall(r"--focus: (#[0-9a-f]+)", REGISTER))
    grounds = ("#ffffff", *re.findall(r"--ground: (#[0-9a-f]+)", REGISTER))
    assert len(grounds) == 2
    assert min(contrast(colour, ground) for colour in (edge, ring) for ground in grounds) >= 3

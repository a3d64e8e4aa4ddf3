"""The page of a choice: one page, whatever the stock holds, with reasons, ties and what was not measured."""

from __future__ import annotations

import json
from pathlib import Path

import pypdf
import pytest

from rotorproof.rendering.choice_view import write_choice
from rotorproof.season.choice import choice_data
from rotorproof.season.stock import Candidate, rank
from rotorproof.uncertainty.forms import Form, Influence
from tests.universal_access import lacking

ABOUT = {
    "vehicle": "cargo",
    "pack": "48V",
    "workshop": "",
    "latest": "2026-05-02",
    "asked": "Duty: <b>cruise</b>.",
    "accepted": {"motor": 42, "controller": 1},
}


def _pair(place: int, heat: float | None, full: bool = True) -> Candidate:
    own = Influence(f"scatter/{place}", "scatter")
    margins = {name: Form(5.0, {own: 0.1}) for name in ("cruise", "climb", "start", "current", "starts")}
    margins |= {"full": Form(2.0)} if full else {}
    margins |= {} if heat is None else {"heat": Form(heat, {own: 1.0})}
    energy = Form(3.6 * (10 + place // 2), {own: 0.05})
    besides = {"empty": Form(-1.0)}
    return Candidate(f"MOTOR-{place:02d}", "CONTROLLER-WITH-A-NAME", margins, energy, besides, 2, ["swap"])


def write_a_choice(folder: Path) -> None:
    """Write a choice among 42 pairs, ties and pairs of which something was not measured among them."""
    pairs = [_pair(place, 4.0) for place in range(40)]
    pairs += [_pair(98, -1.0), _pair(99, None, full=False)]
    controllers = [Candidate("", "C", {"starts": Form(1.0)})]
    ranked = {"pairs": rank(pairs), "motors": rank([]), "controllers": rank(controllers)}
    left_out = {f"MOTOR-{place}": "needs a heat run" for place in range(100, 120)}
    write_choice(folder, choice_data(ranked, 0.95, ABOUT), left_out)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    write_a_choice(tmp_path)
    return tmp_path


def test_it_is_one_page_and_says_what_is_a_tie(folder: Path) -> None:
    pages = pypdf.PdfReader(folder / "choice.pdf").pages
    assert len(pages) == 1
    assert lacking(folder / "choice.pdf") == []
    text = " ".join(pages[0].extract_text().split())
    assert "cannot be told from MOTOR-01" in text
    assert "1 tie" in text
    assert "and 14 more" in text
    assert "<b>cruise</b>" in text
    page = (folder / "choice.html").read_text(encoding="utf-8")
    assert "&lt;b&gt;" in page
    # A start on the empty pack is no part of the duty.
    assert "meets every part of the duty. Beside the duty: on the empty pack it would not start again" in page
    assert "more of lower rank are in choice.json" in page


def test_the_data_hold_every_candidate_with_its_reasons(folder: Path) -> None:
    data = json.loads((folder / "choice.json").read_text(encoding="utf-8"))
    rows = {row["motor"]: row for row in data["pairs"]}
    assert len(rows) == 42
    assert rows["MOTOR-98"]["parts_of_the_duty"]["heat"] < 0.3
    assert "heat" not in rows["MOTOR-99"]["margins"]
    assert rows["MOTOR-00"]["energy_per_distance"]["value"] == pytest.approx(10.0)
    assert rows["MOTOR-00"]["wires_to_move"] == 2
    assert rows["MOTOR-00"]["steps"] == ["swap"]


def test_the_headline_names_what_was_not_measured(folder: Path, tmp_path: Path) -> None:
    page = (folder / "choice.html").read_text(encoding="utf-8")
    assert "Behind stand 1 of which parts of the duty were not measured: heat, full pack." in page
    ranked = {"pairs": rank([_pair(1, None), _pair(9, None)]), "motors": [], "controllers": []}
    write_choice(tmp_path, choice_data(ranked, 0.95, ABOUT), {})
    page = (tmp_path / "choice.html").read_text(encoding="utf-8")
    assert "No pair was measured over the whole duty. First is MOTOR-01" in page
    assert "not measured: heat. Measure that before it is taken." in page
    assert "Take MOTOR" not in page


def test_a_stock_of_nothing_says_so(tmp_path: Path) -> None:
    write_choice(
        tmp_path, choice_data({"pairs": [], "motors": [], "controllers": []}, 0.95, ABOUT), {"M": "needs a fit"}
    )
    page = (tmp_path / "choice.html").read_text(encoding="utf-8")
    assert "No pair can be predicted: see below what is missing." in page
    assert "M (needs a fit)" in page


def test_a_stock_that_lacks_a_kind_says_which(tmp_path: Path) -> None:
    none = {"pairs": [], "motors": [], "controllers": []}
    about = {**ABOUT, "accepted": {"motor": 3, "controller": 0}}
    write_choice(tmp_path, choice_data(none, 0.95, about), {"C": "incomplete"})
    page = (tmp_path / "choice.html").read_text(encoding="utf-8")
    assert "No pair can be predicted: no controller is accepted." in page
    assert "Left out: C (incomplete)." in page

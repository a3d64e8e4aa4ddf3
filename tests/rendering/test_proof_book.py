"""The verification book says what was compared, and is not made where something is missing or failed."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pypdf
import pytest

from rotorproof.derivations import derivations
from rotorproof.errors import InputError
from rotorproof.procedures import procedures
from rotorproof.quantities import quantities
from rotorproof.rendering.proof_book import basis, book_html, load_record, render_book
from tests.universal_access import lacking


def comparison(subject: str, **changes: Any) -> dict[str, Any]:
    return {
        "subject": subject,
        "what": f"a <known> case of {subject}",
        "ours": 1.001,
        "published": 1.0,
        "allowance": 0.004,
        "unit": "ohm",
        "source": "IEC 60228, table 1",
        "test": "tests/x.py::test_y",
        "passed": True,
        **changes,
    }


def full() -> list[dict[str, Any]]:
    return [comparison(name) for name in quantities()]


def written(path: Path, rows: list[dict[str, Any]]) -> Path:
    path.write_text(json.dumps(rows), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Return the book of all quantities, made once, as PDF and as a page."""
    folder = tmp_path_factory.mktemp("book")
    return render_book(written(folder / "record.json", full()), folder / "book")


def test_a_book_names_every_quantity_its_checks_and_what_is_not_covered(book: tuple[Path, Path]) -> None:
    pdf, html = book
    text = html.read_text(encoding="utf-8")
    for quantity in quantities().values():
        assert quantity.name in text
    assert "a &lt;known&gt; case of windage" in text
    assert "0.25" in text  # 0.001 of an allowance of 0.004
    assert all(fact.split()[0] in text for p in procedures().values() for fact in p.not_covered)
    assert lacking(pdf) == []
    pages = pypdf.PdfReader(pdf).pages
    assert "Verification book" in pages[0].extract_text()
    assert any("IEC 60228, table 1" in page.extract_text() for page in pages)


def test_the_same_record_gives_the_same_bytes(book: tuple[Path, Path], tmp_path: Path) -> None:
    again = render_book(written(tmp_path / "record.json", full()), tmp_path / "again")
    assert [path.read_bytes() for path in book] == [path.read_bytes() for path in again]


def test_a_hole_a_failure_and_an_unknown_subject_stop_it(tmp_path: Path) -> None:
    rows = [row for row in full() if row["subject"] != "windage"]
    with pytest.raises(InputError, match="windage"):
        load_record(written(tmp_path / "record.json", rows))
    with pytest.raises(InputError, match="failed in"):
        load_record(written(tmp_path / "record.json", [*full(), comparison("windage", passed=False)]))
    with pytest.raises(InputError, match="neither quantity nor procedure"):
        load_record(written(tmp_path / "record.json", [*full(), comparison("windge")]))


def test_every_test_says_what_is_not_covered() -> None:
    makers = [*procedures().values(), *derivations().values()]
    assert not [maker.name for maker in makers if not maker.not_covered]


@pytest.mark.parametrize(
    ("source", "words"),
    [
        ("IEC 60034-1, 8.6.2, from memory; worked by hand", "from memory"),
        ("gym-electric-motor 3.0.3, PolynomialStaticLoad", "software of others"),
        ("signal drawn and worked by hand from the definition", "worked by hand"),
        ("Newton's law of cooling, integrated by SciPy", "equation solved"),
        ("NIST Statistical Reference Datasets, Norris", "published"),
        ("common practice, no source", "common practice"),
        ("standard deviation of 60 seeded runs (JCGM 100:2008, 4.2)", "repeated runs"),
    ],
)
def test_what_a_value_rests_on(source: str, words: str) -> None:
    assert basis(source)[1] == words


def test_whole_numbers_without_allowance_are_shown_as_equal() -> None:
    rows = [*full(), comparison("pole_pairs", ours=23, published=23, allowance=0, unit="1")]
    assert "of none" in book_html(rows)


def test_repeated_runs_alone_leave_a_quantity_unchecked(tmp_path: Path) -> None:
    rows = full()
    name = rows[0]["subject"]
    rows = [row for row in rows if row["subject"] != name]
    rows.append(comparison(name, source="standard deviation of 60 seeded runs (JCGM 100:2008, 4.2)"))
    record = tmp_path / "record.json"
    record.write_text(json.dumps(rows), encoding="utf-8")
    with pytest.raises(InputError, match=f"nothing from outside is compared with '{name}'"):
        load_record(record)

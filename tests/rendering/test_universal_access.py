"""A report keeps to PDF/UA-1, clause by clause; and each clause is seen to be broken where it is.

What the rules are is said in ``tests/universal_access.py``; other documents are held to them in their own tests.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pikepdf
import pytest
from pikepdf import Array, Dictionary, Name, Operator

from rotorproof.rendering import pdf
from rotorproof.rendering.report import render_report
from tests.rendering.made import make
from tests.universal_access import lacking

PAGE = """<html lang="en"><title>Lists</title><h1>Lists</h1><ol><li>one<div>and more of it</div><li>two</ol>
<ul><li>three<ol style="list-style-type: lower-roman"><li>four</ol></ul><dl><dt>five<dd>six</dl>
<ul style="columns: 2"><li>seven<li>eight</ul>
<table><caption>Numbers</caption><thead><tr><th>A<th colspan="2">B<tbody><tr><th scope="row">1<td>2<td>3</table>
<p><img src="figure:x.svg" alt="A square in the middle of nothing" style="margin-left: 90px; width: 40px">
<p><a href="#x">A link</a> <span id="x">to here</span></p>"""
SQUARE = b'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 4 4"><rect x="1" y="1" width="2" height="2"/></svg>'
STYLE = """body { margin: 0 }
@page { size: A4; margin: 20mm; @top-left { content: 'head' } @bottom-center { content: 'page ' counter(page) } }"""


def test_a_report_lacks_nothing(report: Path) -> None:
    assert lacking(report) == []


def test_nor_does_one_of_a_unit_with_nothing(tmp_path: Path) -> None:
    bare = {"unit": "EMPTY", "kind": "motor", "tests": [{"procedure": "winding-resistance", "log": "lost.csv"}]}
    render_report(**make(tmp_path, bare, {}).render_arguments(tmp_path))
    assert lacking(tmp_path / "report.pdf") == []


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("page") / "page.pdf"
    path.write_bytes(pdf.write(PAGE, STYLE, images={"x.svg": SQUARE}, identifier="X"))
    return path


def test_lists_of_all_kinds_tables_and_links_are_tagged_whole(page: Path) -> None:
    assert lacking(page) == []
    with pikepdf.open(page) as document:
        numbering = [str(one.A.ListNumbering) for one in _all(document, "L")]
        # The list in columns is two: one of each column.
        assert [numbering.count(kind) for kind in ("/Decimal", "/LowerRoman")] == [1, 1]
        (figure,) = _all(document, "Figure")
        left, bottom, right, top = (float(corner) for corner in figure.A.BBox)
        # 20 mm and 90 pixels from the left, 40 pixels wide and high.
        assert (left, right - left, top - bottom) == pytest.approx((20 / 25.4 * 72 + 67.5, 30, 30), abs=0.01)
        assert {str(one.A.Scope) for one in _all(document, "TH")} == {"/Row", "/Column"}


def _all(document: pikepdf.Pdf, kind: str) -> list[Any]:
    return [
        one
        for one in document.objects
        if isinstance(one, Dictionary) and one.get("/Type") == Name.StructElem and one.get("/S") == Name(f"/{kind}")
    ]


def _first(document: pikepdf.Pdf, kind: str) -> Any:
    return _all(document, kind)[0]


def _rename(document: pikepdf.Pdf, kind: str, to: str) -> None:
    _first(document, kind).S = Name(f"/{to}")


def _no_scope(document: pikepdf.Pdf) -> None:
    for cell in (*_all(document, "TH"), *_all(document, "TD")):
        for key in ("/Scope", "/Headers"):
            if key in cell.A:
                del cell.A[key]


def _instructions(document: pikepdf.Pdf, change: Callable[[Any], Iterator[Any]]) -> None:
    first = document.pages[0]
    found = [one for given in pikepdf.parse_content_stream(first) for one in change(given)]
    first.Contents = document.make_stream(pikepdf.unparse_content_stream(found))


def _untag(document: pikepdf.Pdf) -> None:
    def plain(given: Any) -> Iterator[Any]:
        tagged = str(given.operator) == "BDC" and "/MCID" in given.operands[1]
        yield ([Name.Span], Operator("BMC")) if tagged else given

    _instructions(document, plain)


def _heads_are_no_heads(document: pikepdf.Pdf) -> None:
    def plain(given: Any) -> Iterator[Any]:
        margin = str(given.operator) == "BDC" and "/Subtype" in given.operands[1]
        yield ([Name.Artifact], Operator("BMC")) if margin else given

    _instructions(document, plain)


def _artifact_within(document: pikepdf.Pdf) -> None:
    def nested(given: Any) -> Iterator[Any]:
        yield given
        if str(given.operator) == "BDC" and "/MCID" in given.operands[1]:
            yield ([Name.Artifact], Operator("BMC"))
            yield ([], Operator("EMC"))

    _instructions(document, nested)


def _metadata(document: pikepdf.Pdf, old: bytes, new: bytes) -> None:
    content = document.Root.Metadata.read_bytes()
    assert old in content
    document.Root.Metadata = document.make_stream(content.replace(old, new))


def _font(document: pikepdf.Pdf) -> Any:
    return next(
        one
        for one in document.objects
        if isinstance(one, Dictionary) and one.get("/Type") == Name.Font and one.get("/Subtype") == Name.Type0
    )


def _another_note(document: pikepdf.Pdf) -> None:
    span = _first(document, "Span")
    span.S = Name.Note


def _attach_unnamed(document: pikepdf.Pdf) -> None:
    document.Root.Extra = document.make_indirect(Dictionary(Type=Name.Filespec, F=b"x"))


BREACHES: dict[str, tuple[str, Callable[[pikepdf.Pdf], object]]] = {
    "part": ("5: ", lambda d: _metadata(d, b"pdfuaid:part>1", b"pdfuaid:part>2")),
    "title": ("7.1: the metadata hold no title", lambda d: _metadata(d, b"Lists", b"")),
    "no metadata": ("7.1: there are no", lambda d: d.Root.__delitem__("/Metadata")),
    "not marked": ("7.1: the file is not said", lambda d: d.Root.MarkInfo.__setitem__("/Marked", False)),
    "suspect": ("7.1: its tags", lambda d: d.Root.MarkInfo.__setitem__("/Suspects", True)),
    "file name": ("7.1: a viewer", lambda d: d.Root.__delitem__("/ViewerPreferences")),
    "no structure": ("7.1: there is no structure", lambda d: d.Root.__delitem__("/StructTreeRoot")),
    "unknown kind": ("7.1: Odd", lambda d: _rename(d, "P", "Odd")),
    "remapped": ("7.1: P is", lambda d: d.Root.StructTreeRoot.__setitem__("/RoleMap", Dictionary(P=Name.H1))),
    "untagged": ("7.1: TJ on page 1", _untag),
    "artifact inside": ("7.1: an artifact lies", _artifact_within),
    "in no element": ("7.1: content ", lambda d: _first(d, "P").__setitem__("/K", Array([]))),
    "language": ("7.2: no language", lambda d: d.Root.__delitem__("/Lang")),
    "cell astray": ("7.2: TD stands in THead", lambda d: _rename(d, "TR", "TD")),
    "row of other width": ("7.2: rows of a table", lambda d: _first(d, "TH").A.__setitem__("/ColSpan", 4)),
    "heading skipped": ("7.4.2: the first", lambda d: _rename(d, "H1", "H3")),
    "no scope": ("7.5: a header cell", _no_scope),
    "no header": ("7.5: a table has no", lambda d: [_rename(d, "TH", "TD") for _ in range(3)]),
    "not numbered": ("7.6: ", lambda d: _first(d, "L").__delitem__("/A")),
    "figure": ("7.3: a figure has no", lambda d: _rename(d, "P", "Figure")),
    "figure astray": ("7.3: a figure does not", lambda d: _first(d, "Figure").A.__setitem__("/BBox", [0, 0, 9, 9999])),
    "formula": ("7.7: ", lambda d: _rename(d, "P", "Formula")),
    "running head": ("7.8: ", _heads_are_no_heads),
    "note": ("7.9: a note", _another_note),
    "file": ("7.11: ", _attach_unnamed),
    "tabs": ("7.18.3: ", lambda d: d.pages[0].__delitem__("/Tabs")),
    "link astray": ("7.18.5: a link is in no", lambda d: _rename(d, "Link", "Span")),
    "link unsaid": ("7.18.5: a link does not", lambda d: d.pages[0].Annots[0].__delitem__("/Contents")),
    "letters": ("7.21.7: ", lambda d: _font(d).__delitem__("/ToUnicode")),
    "font": ("7.21.4.1: ", lambda d: _font(d).DescendantFonts[0].FontDescriptor.__delitem__("/FontFile2")),
}


@pytest.mark.parametrize("breach", BREACHES)
def test_a_breach_is_seen(page: Path, tmp_path: Path, breach: str) -> None:
    words, spoil = BREACHES[breach]
    with pikepdf.open(page) as document:
        spoil(document)
        document.save(tmp_path / "spoilt.pdf")
    found = lacking(tmp_path / "spoilt.pdf")
    assert any(one.startswith(words) for one in found), found

"""The report as PDF: what a reader finds in it, what a machine finds in it, and that its bytes are fixed.

Tags, language, descriptions of figures and the conformance entries are what PDF/UA-1 (ISO 14289-1, 7.1 to 7.3) and
PDF/A-3a (ISO 19005-3, 6.6 to 6.8) ask for, from memory; no independent validator was at hand.
"""

from __future__ import annotations

import hashlib
import json
import logging
import os
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pikepdf
import pytest
from pypdf import PdfReader

from rotorproof.decision.models import OriginEntry, ProblemEntry, Results
from rotorproof.evidence.record import evidence_record, read_evidence
from rotorproof.fitting.store import load_fit
from rotorproof.logs.store import load_readings
from rotorproof.procedures.base import Hint
from rotorproof.rendering import pdf
from rotorproof.rendering.identity import report_id
from rotorproof.rendering.report import render_report, report_html, report_pdf
from rotorproof.rendering.summary_view import summary
from rotorproof.rendering.wording import quantity_title
from rotorproof.settings.unit import UnitFile
from tests.rendering.made import UNIT, Made, make

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def pages(report: Path) -> list[str]:
    return [re.sub(r"\s+", " ", page.extract_text()) for page in PdfReader(report).pages]


@pytest.fixture(scope="module")
def text(pages: list[str]) -> str:
    return " ".join(pages)


def html_of(made: Made, results: Results) -> str:
    """Return the made unit's report on ``results`` as HTML."""
    readings = load_readings(made.folder / "readings.npz")
    proof = evidence_record(
        unit="CT-9",
        log_hashes=readings.sha256,
        settings_hashes={},
        configuration=made.configuration,
        inputs={},
        made={},
    )
    return report_html(
        UnitFile.model_validate(UNIT), results, load_fit(made.folder / "fit.json"), readings, proof, "ID"
    )


def test_below_the_criteria_stand_the_instruments_and_what_was_not_tested(text: str) -> None:
    first = text[: text.index("Problems and gaps")]
    assert "Instruments: " in first
    assert "Tests not made, of which this report says nothing: " in first


def test_the_verdict_comes_first_with_its_reason(pages: list[str]) -> None:
    first = pages[0]
    assert "Verdict: rejected" in first
    assert first.index("Verdict: rejected") < first.index("What") < first.index("Next step") < first.index("Criteria")
    for word in ("pass", "fail", "not measured", "guarded", "simple", "Unsigned", "Signature", "Name", "Date"):
        assert word in first
    assert "remake the bad joint" in first
    assert "To decide the rest: Insulation resistance" in first or "to decide the rest: Insulation resistance" in first
    # What rejects the unit comes before what was not measured, in the reasons and in the table.
    assert first.index("Resistance unbalance") < first.index("not measured: Insulation")
    assert first.index("fail") < first.rindex("not measured") < first.rindex("pass")


def test_a_doubt_about_a_unit_stands_beside_the_verdict(made: Made, pages: list[str]) -> None:
    assert "unit or a scale" not in pages[0]
    doubtful = made.results
    message = "the largest reading is 0.0008 V, 1000 times too small"
    place = {"file": "CT-9/first.csv", "column": "voltage_ab", "severity": "warning", "doubt": "unit"}
    doubtful.problems.append(ProblemEntry(message=message, **place))
    html = html_of(made, doubtful)
    line = "Readings look as if a unit or a scale were wrong (first.csv): see Problems before relying on the verdict."
    assert html.index("Verdict: rejected") < html.index(line) < html.index("Criteria</h2>")
    assert "1000 times too small" in html
    assert "not an error of the test" not in html


def test_a_danger_stands_in_the_verdict_and_an_origin_beside_its_value(made: Made) -> None:
    found = made.results.model_copy(deep=True)
    message = "do not run this on a pack: both switches of one leg were on together"
    found.problems.append(ProblemEntry(message=message, severity="warning", danger=True))
    row = next(criterion for criterion in found.criteria if criterion.decision == "pass")
    row.origin = OriginEntry(kind="predicted", **{"from": "EMF constant, DC"})
    html = html_of(made, found)
    danger = "Do not run this on a pack: both switches of one leg were on together."
    assert html.index("Verdict: rejected") < html.index(danger) < html.index("Next step") < html.index("Criteria</h2>")
    assert "predictedᵃ" in html
    assert "ᵃ Predicted from EMF constant, DC." in html


def test_what_removes_a_danger_stands_before_all_else(made: Made) -> None:
    found = made.results.model_copy(deep=True)
    next(c for c in found.criteria if c.decision == "pass").decision = "fail"
    failed = [c.quantity for c in found.criteria if c.decision == "fail"]
    assert len(failed) > 1
    hints = {
        "gate-timing": [Hint(failed[-1], "a leg shorts", "mend it")],
        "throttle": [Hint("a_case", "goes on", "no power")],
    }
    for procedure in ("gate-timing", "throttle", "supply-window"):
        message = f"do not use it: {procedure}"
        found.problems.append(ProblemEntry(message=message, severity="warning", procedure=procedure, danger=True))
    told = summary(found, {}, hints, {})
    later = next(quantity_title(name) for name in failed if name != failed[-1])
    order = [quantity_title(failed[-1]), "a case: no power", "Supply window", "when the danger is gone", later]
    places = [told.step.index(word) for word in order]
    assert places == sorted(places)
    for name in (*map(quantity_title, failed), "a case"):
        assert all(name in line for line in (told.what, told.why, told.step)), name
    assert "danger" not in summary(made.results, {}, {}, {}).step


def test_where_a_slip_is_known_the_next_step_is_to_put_it_right(made: Made) -> None:
    found = made.results.model_copy(deep=True)
    row = next(c for c in found.criteria if c.quantity == "phase_resistance")
    row.decision, row.advice = "fail", None
    assert "Phase resistance: no test says what to do" in summary(found, {}, {}, {}).step
    slip = {"slip": "current is ten times too large", "file": "CT-9/first.csv", "column": "current_ab"}
    found.problems.append(ProblemEntry(message="odd", severity="warning", procedure="winding-resistance", **slip))
    told = summary(found, {}, {}, {})
    assert "Phase resistance" in told.why.partition(": may rest on a slip: current is ten times too large")[0]
    assert told.step.startswith("Look at unit and scale of current_ab of first.csv; if it is the slip, put it right")
    assert "no test" not in told.why + told.step
    # A slip in a test that the value has nothing to do with explains nothing.
    found.problems[-1].procedure = "cogging"
    assert "Phase resistance: no test says what to do" in summary(found, {}, {}, {}).step


def test_a_test_that_was_made_in_vain_is_not_asked_for_as_if_it_never_was(tmp_path: Path) -> None:
    bare = {**UNIT, "tests": [UNIT["tests"][2]]}
    limits = {
        "criteria": [{"quantity": name, "max": "1 ohm"} for name in ("phase_resistance", "insulation_resistance")]
    }
    made = make(tmp_path, bare, limits)
    render_report(**made.render_arguments(tmp_path))
    first = re.sub(r"\s+", " ", PdfReader(tmp_path / "report.pdf").pages[0].extract_text())
    assert "No result: Phase resistance; not measured: Insulation resistance" in first
    assert "Winding resistance was made and gave no Phase resistance: the log named in unit.yaml is not there" in first
    assert "decide the rest: Insulation resistance." in first


def test_every_page_has_unit_report_and_page_of_pages(report: Path, pages: list[str]) -> None:
    identifier = json.loads((report.parent / "evidence.json").read_text())["report_id"]
    assert re.fullmatch(r"[0-9A-HJKMNP-TV-Z]{4}(-[0-9A-HJKMNP-TV-Z]{4}){2}", identifier)
    for number, page in enumerate(pages, start=1):
        assert f"Page {number} of {len(pages)}" in page
        assert f"Report {identifier}" in page
        assert "CT-9" in page
        assert "Not a certificate of an accredited laboratory" in page


def test_a_report_of_one_short_test_has_few_pages(pages: list[str]) -> None:
    assert len(pages) <= 6


def test_sections_hold_everything_behind_the_numbers(text: str) -> None:
    for phrase in (
        "How to read this report",
        "no certificate of an accredited laboratory",
        "may be used on the road",
        "Find the resistance of the winding at 20 °C",  # purpose
        "winding temperature during the test: 24.0 °C",  # conditions
        "M1",  # instrument
        "2025-01-01",
        "overdue on the day of the test",
        "Voltage against current",  # figure
        "Uncertainty budget",
        "accuracy of dmm, temperature",
        "disagrees (normalised error",  # two logs 3 % apart
        "by this test alone, the value in use is among the results",
        "the log named in unit.yaml is not there",  # problem
        "Tests without a result",
        "lost.csv",
        "Tests not made",
        "half the mean line-to-line DC resistance",  # definition
        "in the manner of NEMA MG 1",  # source
        "SHA-256",
        "libraries are in evidence.json, which is attached",  # the software
        "Invented workshop",
        "relates only to the item tested",
    ):
        assert phrase in text, phrase


def test_every_note_of_every_fit_is_there(text: str, made: Made) -> None:
    notes = [note for outcome in load_fit(made.folder / "fit.json").outcomes for note in outcome.notes]
    assert notes
    for note in notes:
        assert "".join(note.split()) in "".join(text.split()), note


def test_what_a_person_wrote_is_text_and_nothing_else(text: str, report: Path) -> None:
    assert "<script>alert(1)</script> file:///etc/passwd & 36 V" in text
    assert b"/JavaScript" not in report.read_bytes()
    assert b"/Launch" not in report.read_bytes()


def test_nothing_but_what_was_handed_over_can_be_loaded() -> None:
    from weasyprint.urls import FatalURLFetchingError

    for url in ("file:///etc/passwd", "https://example.org/x.png", "figure:other.svg", "data:image/svg+xml,<svg/>"):
        with pytest.raises(FatalURLFetchingError, match="may not load"):
            pdf.write(
                f'<html lang="en"><title>x</title><img src="{url}" alt="x">',
                "",
                images={},
                identifier="X",
            )


def test_hashes_and_numbers_are_those_of_the_results(text: str, made: Made) -> None:
    compact = text.replace(" ", "")
    for digest in load_readings(made.folder / "readings.npz").sha256.values():
        assert digest in compact
    entry = made.results.quantities["phase_resistance"]
    assert f"{entry.value:.4f}" in text


def test_the_file_is_tagged_described_and_archived(report: Path) -> None:
    reader = PdfReader(report)
    root: Any = reader.trailer["/Root"]
    assert root["/Lang"] == "en"
    assert root["/MarkInfo"]["/Marked"]
    assert root["/ViewerPreferences"]["/DisplayDocTitle"]
    assert reader.metadata is not None
    assert reader.metadata.title == "Acceptance report CT-9: rejected"
    assert str(reader.metadata["/CreationDate"]).startswith("D:20260502")
    xmp = root["/Metadata"].get_object().get_data().decode()
    assert xmp.count("<rdf:RDF") == xmp.count("</rdf:RDF>") == 1
    assert re.search(r'pdfaid:part="3"|<pdfaid:part>3', xmp)
    assert "<pdfuaid:part>1</pdfuaid:part>" in xmp
    assert root["/OutputIntents"]
    figures = [element for element in _elements(root["/StructTreeRoot"]) if element.get("/S") == "/Figure"]
    assert len(figures) >= 8  # marks, gauges and plots
    assert all(str(figure.get("/Alt", "")).strip() for figure in figures)
    assert any("Measured: A-B, B-C, C-A." in str(figure["/Alt"]) for figure in figures)
    kinds = {element.get("/S") for element in _elements(root["/StructTreeRoot"])}
    assert {"/H1", "/H2", "/Table", "/TH", "/TD", "/L"} <= kinds
    assert {"results.json", "evidence.json", "CT-9_first.csv", "CT-9_second.csv"} == set(reader.attachments)
    assert json.loads(reader.attachments["results.json"][0])["verdict"] == "rejected"


def _elements(node: Any) -> Iterator[Any]:
    node = node.get_object()
    if not hasattr(node, "get"):
        return
    yield node
    children = node.get("/K", [])
    children = children if isinstance(children, list) else [children]
    for child in children:
        if hasattr(child, "get_object"):
            yield from _elements(child)


def test_bookmarks_lead_to_the_sections(report: Path) -> None:
    def titles(items: Any) -> Iterator[str]:
        for item in items:
            if isinstance(item, list):
                yield from titles(item)
            else:
                yield item.title

    found = list(titles(PdfReader(report).outline))
    for title in ("Verdict: rejected", "Criteria", "Problems and gaps", "Results", "Tests and fits"):
        assert any(title in entry for entry in found), title
    assert sum("Winding resistance" in entry for entry in found) == 2


def test_all_fonts_are_ours_and_embedded(report: Path) -> None:
    names = set()
    for page in PdfReader(report).pages:
        for font in page["/Resources"]["/Font"].values():  # type: ignore[index]
            descendant = font.get_object()["/DescendantFonts"][0].get_object()
            assert "/FontFile2" in descendant["/FontDescriptor"] or "/FontFile3" in descendant["/FontDescriptor"]
            names.add(str(font.get_object()["/BaseFont"]).split("+")[-1])
    assert names, "no font at all"
    assert all("Plex" in name or "DejaVu" in name for name in names), names


def test_nothing_lies_outside_the_page(report: Path) -> None:
    for page in PdfReader(report).pages:
        width, height = float(page.mediabox.width), float(page.mediabox.height)
        assert (round(width), round(height)) == (595, 842)
        edges: list[float] = []

        def visit(text: str, cm: Any, tm: Any, font: Any, size: float, found: list[float] = edges) -> None:
            if text.strip():
                found.append(tm[4] * cm[0] + cm[4])

        page.extract_text(visitor_text=visit)
        assert edges
        assert min(edges) >= 0
        assert max(edges) <= width


def test_two_processes_make_the_same_bytes(made: Made, report: Path, tmp_path: Path) -> None:
    program = (
        "import sys, json\nfrom pathlib import Path\nfrom rotorproof.rendering.report import render_report\n"
        "given = json.loads(sys.argv[1])\n"
        "render_report(**{k: Path(v) if k.endswith('_path') or k == 'figures' else v for k, v in given.items()})"
    )
    made_before = report.read_bytes()
    for number, settings in enumerate(({"TZ": "Asia/Tokyo", "HOME": str(tmp_path)}, {"TZ": "UTC", "LC_ALL": "C"})):
        folder = tmp_path / str(number)
        folder.mkdir()
        arguments = {k: v if isinstance(v, dict) else str(v) for k, v in made.render_arguments(folder).items()}
        environment = {**os.environ, "PYTHONHASHSEED": str(number), "PYTHONPATH": str(ROOT / "scripts"), **settings}
        environment.pop("SOURCE_DATE_EPOCH", None)
        subprocess.run([sys.executable, "-c", program, json.dumps(arguments)], env=environment, cwd=folder, check=True)
        assert (folder / "report.pdf").read_bytes() == made_before
        assert (folder / "evidence.json").read_bytes() == (report.parent / "evidence.json").read_bytes()
        time.sleep(1.1)  # a clock in the file would show seconds


def test_the_identifier_follows_the_content() -> None:
    assert report_id([b"a", b"b"]) == report_id([b"a", b"b"])
    assert len({report_id(c) for c in ([b"a", b"b"], [b"ab"], [b"b", b"a"], [b"a", b"c"])}) == 4


def test_the_renderer_has_nothing_to_complain_of(made: Made, tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.WARNING, logger="weasyprint"):
        render_report(**made.render_arguments(tmp_path))
    assert not [record.getMessage() for record in caplog.records]


def test_a_unit_with_nothing_still_gets_a_report(tmp_path: Path) -> None:
    bare = {"unit": "EMPTY", "kind": "motor", "tests": [{"procedure": "winding-resistance", "log": "lost.csv"}]}
    made = make(tmp_path, bare, {})
    render_report(**{**made.render_arguments(tmp_path)})
    reader = PdfReader(tmp_path / "report.pdf")
    text = re.sub(r"\s+", " ", " ".join(page.extract_text() for page in reader.pages))
    for phrase in (
        "Verdict: incomplete",
        "No acceptance set is named",
        "No quantity could be determined",
        "not stated",
    ):
        assert phrase in text
    assert reader.metadata is not None
    assert reader.metadata.get("/CreationDate") is None


def test_the_most_and_longest_waivers_stand_on_page_one(made: Made, tmp_path: Path) -> None:
    quantities = [f"quantity_{number}" for number in range(12)]
    sign_off = {
        "revision": 3,
        "waivers": [
            {"quantity": name, "decision": "not measured", "reason": f"{'why not ' * 14}{name}"} for name in quantities
        ],
        "name": "Ann Example",
        "role": "workshop manager",
        "signed_at": "2026-05-03T10:00:00+00:00",
        "certificate_subject": "Organization: Workshop, Common Name: Ann Example",
        "certificate_sha256": "ab" * 32,
        "remarks": None,
        "supersedes": None,
    }
    render_report(**made.render_arguments(tmp_path))
    content, _ = report_pdf(
        unit=made.unit,
        results=made.results,
        readings=load_readings(made.folder / "readings.npz"),
        fit=load_fit(made.folder / "fit.json"),
        figures=made.folder / "figures",
        proof=read_evidence((tmp_path / "evidence.json").read_bytes()),
        inputs={},
        sign_off=sign_off,
    )
    (tmp_path / "signed.pdf").write_bytes(content)
    page = " ".join(PdfReader(tmp_path / "signed.pdf").pages[0].extract_text().split())
    for name in quantities:
        assert f"why not {name}" in page
    assert "revision 3" in page
    assert "Ann Example, workshop manager" in page


def test_a_report_says_for_whom_and_with_what_certificate(made: Made) -> None:
    readings = load_readings(made.folder / "readings.npz")
    proof = evidence_record(
        unit="CT-9",
        log_hashes=readings.sha256,
        settings_hashes={},
        configuration={**made.configuration, "settings": {"workshop": "W", "workshop_address": "1 Lane"}},
        inputs={},
        made={},
    )
    key = next(iter(UNIT["instruments"]))
    instruments = {**UNIT["instruments"], key: {**UNIT["instruments"][key], "certificate": "K-123"}}
    stated = {"customer": "C. Example", "received_on": "2026-04-28", "place": "bench 2", "instruments": instruments}
    unit = UnitFile.model_validate({**UNIT, **stated})
    html = report_html(unit, made.results, load_fit(made.folder / "fit.json"), readings, proof, "ID")
    for said in ("C. Example", "2026-04-28", "bench 2", "W, 1 Lane", "K-123", "with its signature"):
        assert said in html
    assert "voltage: 0." in html  # the accuracy that an instrument states stands in print


def test_a_photograph_stands_on_page_one_and_among_the_evidence(made: Made, tmp_path: Path) -> None:
    from PIL import Image

    Image.new("RGB", (800, 600), "orange").save(tmp_path / "photo.jpg")
    digest = hashlib.sha256((tmp_path / "photo.jpg").read_bytes()).hexdigest()
    arguments = made.render_arguments(tmp_path)
    name = f"{made.unit['unit']}/photo.jpg"
    arguments["inputs"] = {**arguments["inputs"], name: str(tmp_path / "photo.jpg")}
    arguments["hashes"] = {**arguments["hashes"], name: digest}
    render_report(**arguments)
    assert json.loads((tmp_path / "evidence.json").read_bytes())["inputs"][name] == digest
    with pikepdf.open(tmp_path / "report.pdf") as pdf:
        (picture,) = _photographs(pdf)
        assert (int(picture.Width), int(picture.Height)) == (720, 540)
        attached = pdf.attachments[name.replace("/", "_")].get_file()
        assert attached.mime_type == "image/jpeg" and attached.read_bytes() == (tmp_path / "photo.jpg").read_bytes()
    # One that is broken costs the picture, not the report.
    (tmp_path / "photo.jpg").write_bytes(b"broken")
    arguments["hashes"][name] = hashlib.sha256(b"broken").hexdigest()
    render_report(**arguments)
    with pikepdf.open(tmp_path / "report.pdf") as pdf:
        assert not _photographs(pdf)


def _photographs(pdf: pikepdf.Pdf) -> list[pikepdf.Object]:
    there = pdf.pages[0].Resources.get("/XObject", {})
    return [one for one in dict(there).values() if one.get("/Filter") == "/DCTDecode"]

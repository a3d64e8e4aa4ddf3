"""Pages that do not say what the results give, signed by a holder of a trusted key before anybody could look."""

from __future__ import annotations

import io
import json
import re
from collections.abc import Callable
from decimal import Decimal
from importlib import metadata
from pathlib import Path

import pikepdf
import pytest

from rotorproof.decision.digits import step
from rotorproof.evidence.bag import finish_bag
from rotorproof.evidence.pages import differing_pages
from rotorproof.evidence.signature import sign_pdf

from .conftest import Workshop
from .forging import REPORT, forge, own_signer, with_evidence, writable

Change = Callable[[pikepdf.Pdf], None]


def reworked(pdf: bytes, change: Change) -> bytes:
    with pikepdf.open(io.BytesIO(pdf)) as document:
        change(document)
        out = io.BytesIO()
        document.save(out)
    return out.getvalue()


def without_signature(document: pikepdf.Pdf) -> None:
    for key in ("/AcroForm", "/Perms"):
        del document.Root[key]
    page = document.pages[0]
    page.Annots = pikepdf.Array([note for note in page.Annots if note.get("/FT") != "/Sig"])


@pytest.fixture(scope="module")
def unsigned(signed: Workshop) -> bytes:
    """Return the pages of a signed report as they were before the signature."""
    return reworked((signed.reports / "archive/CT-1/r1" / REPORT).read_bytes(), without_signature)


def sign_anew(workshop: Workshop, archive: Path, pdf: bytes) -> None:
    """Put other pages into an archive and sign them with the workshop's own key."""
    writable(archive)
    signed = sign_pdf(pdf, own_signer(workshop), name="Ann Example", reason="x", timestamp_url=None)
    (archive / REPORT).write_bytes(signed)
    for path in archive.glob("*manifest-sha256.txt"):
        path.unlink()
    finish_bag(archive)


def nothing(document: pikepdf.Pdf) -> None:
    del document


def another_number(document: pikepdf.Pdf) -> None:
    """Exchange two glyphs of a text of page 1."""
    page = document.pages[0]
    operations = list(pikepdf.parse_content_stream(page))
    for place, (operands, operator) in enumerate(operations):
        pieces = list(operands[0]) if str(operator) == "TJ" else []
        texts = [k for k, piece in enumerate(pieces) if isinstance(piece, pikepdf.String)]
        if len(texts) > 3 and bytes(pieces[texts[0]]) != bytes(pieces[texts[1]]):
            first, second = texts[:2]
            pieces[first], pieces[second] = pieces[second], pieces[first]
            operations[place] = ([pikepdf.Array(pieces)], operator)
            break
    else:
        raise AssertionError("no text was found to alter")
    page.Contents = document.make_stream(pikepdf.unparse_content_stream(operations))


def drawn_over(document: pikepdf.Pdf) -> None:
    document.pages[-1].contents_add(b"q 0 0 600 800 re f Q", prepend=False)


def turned(document: pikepdf.Pdf) -> None:
    document.Root.Pages.Rotate = 180


def a_note(document: pikepdf.Pdf) -> None:
    box = pikepdf.Array([50, 700, 300, 760])
    note = pikepdf.Dictionary(Type=pikepdf.Name.Annot, Subtype=pikepdf.Name.FreeText, Rect=box, Contents="ACCEPTED")
    document.pages[0].Annots = pikepdf.Array([document.make_indirect(note)])


def another_letter(document: pikepdf.Pdf) -> None:
    """Let a font draw other letters under the same codes."""
    for entry in document.objects:
        if isinstance(entry, pikepdf.Stream) and "/Length1" in entry:
            content = bytearray(entry.read_bytes())
            content[len(content) // 2] ^= 255
            entry.write(bytes(content))
            return
    for entry in document.objects:
        if isinstance(entry, pikepdf.Dictionary) and "/FontFile2" in entry:
            entry.FontFile2.write(entry.FontFile2.read_bytes()[:-4] + b"xxxx")
            return
    raise AssertionError("no font was found to alter")


def another_photograph(document: pikepdf.Pdf) -> None:
    """Turn one bit of the photograph's packed bytes."""
    (picture,) = _photographs(document)
    content = bytearray(picture.read_raw_bytes())
    content[-20] ^= 1
    picture.write(bytes(content), filter=pikepdf.Name.DCTDecode)


def photograph_read_otherwise(document: pikepdf.Pdf) -> None:
    """Leave the photograph's bytes and let a reader take other colours from them (ISO 32000-1, table 13)."""
    (picture,) = _photographs(document)
    parameters = pikepdf.Dictionary(ColorTransform=0)
    picture.write(picture.read_raw_bytes(), filter=pikepdf.Name.DCTDecode, decode_parms=parameters)


def _photographs(document: pikepdf.Pdf) -> list[pikepdf.Object]:
    return [thing for thing in document.objects if thing is not None and _is_photograph(thing)]


def _is_photograph(thing: pikepdf.Object) -> bool:
    return isinstance(thing, pikepdf.Stream) and thing.get("/Filter") == "/DCTDecode"


def cropped_and_turned(document: pikepdf.Pdf) -> None:
    """Let a page inherit what it does not say from a parent of its own (ISO 32000-1, 7.7.3.4)."""
    page = document.pages[0].obj
    parent = pikepdf.Dictionary(Type=pikepdf.Name.Pages, Count=1, Rotate=90, Parent=document.Root.Pages)
    parent.Kids, parent.CropBox = pikepdf.Array([page]), pikepdf.Array([0, 0, 300, 300])
    page.Parent = document.make_indirect(parent)


def another_form(document: pikepdf.Pdf) -> None:
    """Let a reader draw fields by itself, or show a form of another kind in the place of all pages."""
    form = pikepdf.Dictionary(Fields=pikepdf.Array(), SigFlags=3, NeedAppearances=True)
    form.XFA = document.make_stream(b"<xdp:xdp xmlns:xdp='http://ns.adobe.com/xdp/'/>")
    document.Root.AcroForm = form


def written_in_the_place_of_another(document: pikepdf.Pdf) -> None:
    """Give every page fonts of its own in the place of the shared ones, and the second page other ones."""
    for number, page in enumerate(document.pages):
        fonts = pikepdf.Dictionary(dict(page.Resources.Font.items()))
        if number == 1:
            first, second = list(fonts.keys())[:2]
            fonts[first], fonts[second] = fonts[second], fonts[first]
        resources = pikepdf.Dictionary(dict(page.Resources.items()))
        resources.Font = fonts
        page.obj.Resources = resources


def a_script(document: pikepdf.Pdf) -> None:
    document.Root.OpenAction = pikepdf.Dictionary(S=pikepdf.Name.JavaScript, JS="app.alert(1)")


def one_less(document: pikepdf.Pdf) -> None:
    del document.pages[-1]


CHANGES = [
    *(another_number, drawn_over, turned, a_note, another_letter, another_photograph, photograph_read_otherwise),
    *(cropped_and_turned, another_form, written_in_the_place_of_another, a_script, one_less),
]


@pytest.mark.parametrize("change", CHANGES)
def test_what_differs_is_found(unsigned: bytes, change: Change) -> None:
    assert differing_pages(reworked(unsigned, nothing), unsigned) == []
    assert differing_pages(reworked(unsigned, change), unsigned) != []


def test_the_field_of_a_signature_may_be_there_but_shows_nothing(signed: Workshop, unsigned: bytes) -> None:
    pdf = (signed.reports / "archive/CT-1/r1" / REPORT).read_bytes()
    assert differing_pages(pdf, unsigned) == []

    script = pikepdf.Dictionary(S=pikepdf.Name.JavaScript, JS="app.alert(1)")
    look = pikepdf.Dictionary(BG=pikepdf.Array([1, 1, 1]), CA="ACCEPTED")
    for key, value in (("/AP", None), ("/MK", look), ("/A", script), ("/AA", pikepdf.Dictionary(E=script))):

        def more(document: pikepdf.Pdf, key: str = key, value: pikepdf.Dictionary | None = value) -> None:
            note = next(note for note in document.pages[0].Annots if note.get("/FT") == "/Sig")
            note[key] = value or pikepdf.Dictionary(N=document.make_stream(b"0 0 600 800 re f"))

        assert differing_pages(reworked(pdf, more), unsigned) == ["the document", "page 1"], key

    def over_the_page(document: pikepdf.Pdf) -> None:
        note = next(note for note in document.pages[0].Annots if note.get("/FT") == "/Sig")
        note.Rect = document.pages[0].MediaBox

    assert differing_pages(reworked(pdf, over_the_page), unsigned) == ["the document", "page 1"]


def moved(document: pikepdf.Pdf, by: str, operator: str) -> None:
    """Move the first thing of a kind on page 1 a little to the right."""
    page = document.pages[0]
    operations = list(pikepdf.parse_content_stream(page))
    place = next(place for place, one in enumerate(operations) if str(one.operator) == operator)
    operands = list(operations[place].operands)
    operands[-2] = Decimal(operands[-2]) + Decimal(by)
    operations[place] = pikepdf.ContentStreamInstruction(operands, operations[place].operator)
    page.Contents = document.make_stream(pikepdf.unparse_content_stream(operations))


def test_lines_may_lie_a_hair_aside_and_letters_may_not(unsigned: bytes) -> None:
    """Another processor computes another last digit: six places in a figure, of which a printer shows one."""
    for by, operator, found in (
        *(("0.000001", "l", []), ("0.009", "l", []), ("0.02", "l", ["page 1"])),
        *(("0.001", "Tm", ["page 1"]), ("0.001", "rg", ["page 1"])),
    ):
        with pikepdf.open(io.BytesIO(unsigned)) as document:
            moved(document, by, operator)
            out = io.BytesIO()
            document.save(out)
        assert differing_pages(out.getvalue(), unsigned) == found, (by, operator)


def no_annotation(document: pikepdf.Pdf) -> None:
    document.pages[0].obj.Annots = pikepdf.Array([5])


def no_names(document: pikepdf.Pdf) -> None:
    document.Root.Names = pikepdf.Array([1])


def no_form(document: pikepdf.Pdf) -> None:
    document.Root.AcroForm = pikepdf.Array([1])


@pytest.mark.parametrize("change", [no_annotation, no_names, no_form])
def test_an_object_of_another_kind_differs_or_cannot_be_read(unsigned: bytes, change: Change) -> None:
    try:
        assert differing_pages(reworked(unsigned, change), unsigned) != []
    except ValueError as error:
        assert "the pages cannot be read" in str(error)


@pytest.mark.slow
def test_pages_altered_before_they_were_signed_are_found_by_drawing_them_again(
    signed: Workshop, archive: Path, unsigned: bytes
) -> None:
    words = "the pages are the same in all they consist of"
    done = signed.command("verify", archive, "--recompute")
    assert (done.returncode, words in done.stdout) == (0, True), done.stdout + done.stderr
    sign_anew(signed, archive, unsigned)
    done = signed.command("verify", archive, "--recompute")
    assert (done.returncode, words in done.stdout) == (0, True), done.stdout + done.stderr
    sign_anew(signed, archive, reworked(unsigned, another_number))
    assert signed.command("verify", archive).returncode == 0, "every hash and the signature fit"
    done = signed.command("verify", archive, "--recompute")
    assert done.returncode == 1
    assert "the pages are not those of these results and this sign-off: page 1 drawn otherwise" in done.stdout


@pytest.mark.slow
def test_results_a_hair_aside_do_not_spare_the_pages(signed: Workshop, archive: Path, unsigned: bytes) -> None:
    """With a number moved by one step of its last digit, the values agree and the pages are compared all the same."""
    results = json.loads((archive / "data/results.json").read_bytes())
    found = results["quantities"]["phase_resistance"]
    found["value"] += step("phase_resistance.value", found["value"], found["standard_uncertainty"])
    raw = json.dumps(results).encode()
    forge(signed, archive, files=with_evidence(archive, {"data/results.json": raw}))
    done = signed.command("verify", archive, "--recompute")
    assert done.returncode == 1
    assert "numbers agree to one step of their last digit" in done.stdout
    assert "the pages are not those of these results and this sign-off" in done.stdout


@pytest.mark.slow
def test_who_names_other_software_is_not_told_that_all_holds(signed: Workshop, archive: Path) -> None:
    software = json.loads((archive / "data/evidence.json").read_bytes())["software"]
    forge(signed, archive, files=with_evidence(archive, {}, software={**software, "more": "1"}))
    done = signed.command("verify", archive, "--recompute")
    assert (done.returncode, "BROKEN" in done.stdout) == (0, False), done.stdout
    assert done.stdout.rstrip().endswith("=> HOLDS, BUT ITS PAGES WERE NOT COMPARED")


def test_what_lays_out_the_pages_is_among_the_software(monkeypatch: pytest.MonkeyPatch) -> None:
    from rotorproof.evidence import recompute

    now = recompute.software()
    # What the library of pages asks for, by its own list, has a part in their bytes; cffi only calls the system's.
    asked = [one for one in metadata.requires("weasyprint") or () if "extra ==" not in one]
    names = {re.split(r"[^A-Za-z0-9-]", one)[0].lower() for one in asked} - {"cffi"}
    assert len(names) > 3
    assert {"pango", "harfbuzz", *names} <= now.keys(), "what lays out the pages is named"
    monkeypatch.setattr(recompute, "software", lambda: {**now, "pango": "0"})
    assert recompute.other_software(now, recompute.code_hash()) == [f"pango {now['pango']} then, 0 now"]

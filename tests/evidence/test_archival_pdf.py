"""The PDF as an archive file, unsigned and signed: clauses of ISO 19005-3 (PDF/A-3) that can be read from its objects.

Clause numbers are from memory. No complete validator is to be had as a package, so what needs one (content streams
operator by operator, colour spaces and font programs in depth, the logical structure's sense) is not checked here.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from pathlib import Path

import pikepdf
import pytest
from pikepdf import Array, Dictionary, Name, Stream

from rotorproof.evidence.attachments import Attachment, attach, attached, within_limit
from tests.universal_access import lacking

from .conftest import Workshop

BASE_14 = {"Courier", "Helvetica", "Times", "Symbol", "ZapfDingbats"}


@pytest.fixture(params=["CT-1/report.pdf", "archive/CT-1/r1/data/report.pdf"])
def path(request: pytest.FixtureRequest, signed: Workshop) -> Path:
    return signed.reports / str(request.param)


@pytest.fixture
def document(path: Path) -> Iterator[pikepdf.Pdf]:
    with pikepdf.open(path) as opened:
        yield opened


def objects(document: pikepdf.Pdf) -> Iterator[Dictionary | Stream]:
    for found in document.objects:
        if isinstance(found, Dictionary | Stream):
            yield found


def test_the_file_opens_without_a_complaint_and_is_not_encrypted(document: pikepdf.Pdf, path: Path) -> None:
    assert not document.check_pdf_syntax()
    assert not document.is_encrypted  # 6.1.3
    assert "/ID" in document.trailer  # 6.1.3
    content = path.read_bytes()
    assert re.match(rb"%PDF-1\.7\n%[\x80-\xff]{4}", content)  # 6.1.2
    assert content.rstrip().endswith(b"%%EOF")


def test_metadata_claims_part_3_and_agrees_with_the_info(document: pikepdf.Pdf) -> None:
    stream = document.Root.Metadata
    assert "/Filter" not in stream  # 6.6.2.1
    with document.open_metadata() as metadata:
        assert metadata.pdfa_status == "3A"
        assert metadata["dc:title"] == str(document.docinfo["/Title"])
        assert metadata["pdf:Producer"] == str(document.docinfo["/Producer"])
        assert metadata["xmp:CreateDate"].replace("-", "") == str(document.docinfo["/CreationDate"])[2:]
        assert metadata["xmp:ModifyDate"].replace("-", "") == str(document.docinfo["/ModDate"])[2:]
    assert b"pdfaSchema:property" in stream.read_bytes()  # 6.6.2.3: a schema of one's own is described


def test_the_colours_have_an_output_intent(document: pikepdf.Pdf) -> None:
    (intent,) = document.Root.OutputIntents  # 6.2.3
    assert intent.S == Name.GTS_PDFA1
    assert intent.DestOutputProfile.read_bytes()[36:40] == b"acsp"  # the mark of an ICC profile


def test_every_font_is_embedded_and_maps_to_unicode(document: pikepdf.Pdf) -> None:
    fonts = [found for found in objects(document) if found.get("/Type") == Name.Font]
    assert fonts
    for font in fonts:
        if font.Subtype in (Name.Type0, Name.Type3):
            if font.Subtype == Name.Type0:
                assert "/ToUnicode" in font  # 6.2.11.7
            continue
        descriptor = font.FontDescriptor
        assert {"/FontFile", "/FontFile2", "/FontFile3"} & set(descriptor.keys())  # 6.2.11.4
        assert str(font.BaseFont).lstrip("/").split("-")[0] not in BASE_14


def test_nothing_runs_and_nothing_lies_outside(document: pikepdf.Pdf) -> None:
    for found in objects(document):
        if isinstance(found, Stream):
            assert "/F" not in found.keys()  # 6.1.7.1: no external streams  # noqa: SIM118
            assert found.get("/Filter") != Name.LZWDecode
        assert found.get("/S") not in (Name.JavaScript, Name.Launch, Name.Sound, Name.Movie, Name.ResetForm)  # 6.5.1
        assert "/AA" not in found.keys()  # 6.5.2  # noqa: SIM118
    assert "/OpenAction" not in document.Root
    assert "/JavaScript" not in document.Root.get("/Names", Dictionary())
    form = document.Root.get("/AcroForm", Dictionary())
    assert not form.get("/NeedAppearances", False)  # 6.4.1
    assert "/XFA" not in form


def test_annotations_are_printed_and_need_no_appearance(document: pikepdf.Pdf) -> None:
    for page in document.pages:
        annotations = page.get("/Annots", Array())
        if len(annotations):
            assert page.Tabs == Name.S  # ISO 14289-1, 7.18.3
        for annotation in annotations:
            assert annotation.Subtype in (Name.Link, Name.Widget)  # 6.3.1
            flags = int(annotation.F)
            assert flags & 4  # 6.3.2: print
            assert not flags & (1 | 2 | 32)  # not invisible, hidden or without view
            if annotation.Subtype == Name.Widget:
                left, bottom, right, top = (float(number) for number in annotation.Rect)
                assert (left, bottom) == (right, top)  # 6.3.3: of no size, so without appearance
                box = [float(number) for number in page.mediabox]
                assert left < box[0] or bottom < box[1]  # ISO 14289-1, 7.18.1: outside the page, so without a tag
                assert str(annotation.TU)


def test_it_is_for_readers_who_do_not_see_it(path: Path) -> None:
    assert lacking(path) == []


def test_the_text_has_a_structure(document: pikepdf.Pdf) -> None:
    assert document.Root.MarkInfo.Marked  # 6.7.2
    assert document.Root.StructTreeRoot.K is not None
    assert str(document.Root.Lang) == "en"  # 6.7.4


def test_files_are_associated_and_described(document: pikepdf.Pdf) -> None:
    names = document.Root.Names.EmbeddedFiles.Names
    keys = [str(key) for key in list(names)[0::2]]
    assert keys == sorted(keys)
    assert {"results.json", "evidence.json", "CT-1_steps.csv", "CT-1_unit.yaml", "config_config.yaml"} <= set(keys)
    associated = [found.objgen for found in document.Root.AF]  # 6.8: each is in AF, once
    assert sorted(associated) == sorted(spec.objgen for spec in list(names)[1::2])
    assert len(set(associated)) == len(associated)
    for spec in list(names)[1::2]:
        assert spec.Type == Name.Filespec
        assert str(spec.F) == str(spec.UF)
        assert str(spec.Desc)
        assert spec.AFRelationship in (Name.Source, Name.Data, Name.Supplement)
        stream = spec.EF.F
        assert re.fullmatch(r"/[a-z]+/[a-z0-9.+-]+", str(stream.Subtype))
        content = stream.read_bytes()
        assert int(stream.Params.Size) == len(content)
        assert bytes(stream.Params.CheckSum) == hashlib.md5(content).digest()
        assert str(stream.Params.ModDate).startswith("D:20260502")


def test_all_that_may_be_packed_is(document: pikepdf.Pdf) -> None:
    streams = [found for found in document.objects if isinstance(found, pikepdf.Stream)]
    plain = [found for found in streams if "/Filter" not in found and len(found.read_raw_bytes()) > 500]
    assert len(streams) > 20
    assert [str(found.get("/Type")) for found in plain] == ["/Metadata"]  # for readers that know no compression


def plain_pdf() -> bytes:
    import io

    document = pikepdf.new()
    document.add_blank_page()
    buffer = io.BytesIO()
    document.save(buffer, static_id=True)
    return buffer.getvalue()


def test_the_same_files_in_any_order_give_the_same_bytes() -> None:
    files = [
        Attachment("b.csv", b"x [V]\n1\n", "Raw log", "Source"),
        Attachment("ä (1).json", b"{}", "Results", "Data"),
        Attachment("empty.txt", b"", "Nothing", "Supplement"),
    ]
    once = attach(plain_pdf(), files)
    assert once == attach(plain_pdf(), files[::-1])
    assert attached(once) == {file.name: file.content for file in files}
    assert attach(once, files[:1]) != once
    assert set(attached(attach(once, files[:1]))) == {"b.csv"}


def test_logs_are_attached_smallest_first_up_to_the_limit() -> None:
    sizes = {"a": 5, "b": 3, "c": 3, "d": 100}
    assert within_limit(sizes, 111) == ["a", "b", "c", "d"]
    assert within_limit(sizes, 110) == ["a", "b", "c"]
    assert within_limit(sizes, 6) == ["b", "c"]
    assert within_limit(sizes, 2) == []


def test_what_is_no_pdf_says_so() -> None:
    with pytest.raises(ValueError, match="the PDF cannot be read"):
        attached(b"not a PDF")

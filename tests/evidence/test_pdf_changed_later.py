"""What PDF lets anyone append to a signed file, or hide in one before it is signed: each is found.

The ways are those of the published attacks on signed PDFs (incremental saving, overlays, hidden content, replaced
attachments; names from memory). The library's own policy on differences calls none of the first kind harmless here.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path

import pikepdf
import pytest
from pyhanko.pdf_utils import generic
from pyhanko.pdf_utils.generic import pdf_name, pdf_string
from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
from pyhanko.sign import fields, signers

from rotorproof.evidence.attachments import attached
from rotorproof.evidence.signature import check_signature, quiet_libraries
from rotorproof.evidence.trust import read_certificates

from .conftest import Workshop
from .forging import own_signer

Writer = IncrementalPdfFileWriter


@pytest.fixture(scope="module")
def pdf(signed: Workshop) -> bytes:
    quiet_libraries()
    return (signed.reports / "archive/CT-1/r1/data/report.pdf").read_bytes()


def nothing(writer: Writer) -> None:
    writer.update_root()


def overlay(writer: Writer) -> None:
    words = b"q 1 1 1 rg 0 0 600 850 re f Q BT /F1 40 Tf 100 500 Td (ACCEPTED) Tj ET"
    content = writer.add_object(generic.StreamObject(stream_data=words))
    page = writer.root["/Pages"]["/Kids"][0].get_object()
    page["/Contents"] = generic.ArrayObject([page.raw_get("/Contents"), content])
    writer.update_container(page)


def annotation(writer: Writer) -> None:
    note = generic.DictionaryObject(
        {
            pdf_name("/Type"): pdf_name("/Annot"),
            pdf_name("/Subtype"): pdf_name("/FreeText"),
            pdf_name("/Rect"): generic.ArrayObject([generic.NumberObject(k) for k in (50, 50, 500, 700)]),
            pdf_name("/Contents"): pdf_string("accepted"),
            pdf_name("/DA"): pdf_string("/F1 40 Tf"),
        }
    )
    writer.register_annotation(writer.root["/Pages"]["/Kids"].raw_get(0), writer.add_object(note))


def form(writer: Writer) -> None:
    field = generic.DictionaryObject(
        {
            pdf_name("/FT"): pdf_name("/Tx"),
            pdf_name("/T"): pdf_string("verdict"),
            pdf_name("/V"): pdf_string("accepted"),
            pdf_name("/Type"): pdf_name("/Annot"),
            pdf_name("/Subtype"): pdf_name("/Widget"),
            pdf_name("/Rect"): generic.ArrayObject([generic.NumberObject(k) for k in (50, 50, 500, 700)]),
        }
    )
    reference = writer.add_object(field)
    writer.root["/AcroForm"]["/Fields"].append(reference)
    writer.update_container(writer.root["/AcroForm"]["/Fields"])
    writer.register_annotation(writer.root["/Pages"]["/Kids"].raw_get(0), reference)


def layer(writer: Writer) -> None:
    group = writer.add_object(
        generic.DictionaryObject({pdf_name("/Type"): pdf_name("/OCG"), pdf_name("/Name"): pdf_string("hidden")})
    )
    shown = generic.DictionaryObject({pdf_name("/OFF"): generic.ArrayObject([group])})
    writer.root["/OCProperties"] = generic.DictionaryObject(
        {pdf_name("/OCGs"): generic.ArrayObject([group]), pdf_name("/D"): shown}
    )
    writer.update_root()


def attachment(writer: Writer) -> None:
    names = writer.root["/Names"]["/EmbeddedFiles"]["/Names"]
    place = next(k for k in range(0, len(names), 2) if str(names[k]) == "results.json")
    stream = names[place + 1].get_object()["/EF"]["/F"]
    writer.update_container(stream)
    stream._data = b"{}"
    stream._encoded_data = None


def metadata(writer: Writer) -> None:
    writer.set_info(generic.DictionaryObject({pdf_name("/Title"): pdf_string("Another report")}))


def pages(writer: Writer) -> None:
    kids = writer.root["/Pages"]["/Kids"]
    kids.insert(0, kids.raw_get(len(kids) - 1))
    writer.update_container(kids)


@pytest.mark.parametrize(
    "change", [nothing, overlay, annotation, form, layer, attachment, metadata, pages], ids=lambda f: f.__name__
)
def test_a_revision_appended_to_a_signed_pdf(signed: Workshop, pdf: bytes, change: Callable[[Writer], None]) -> None:
    writer = IncrementalPdfFileWriter(io.BytesIO(pdf))
    change(writer)
    out = io.BytesIO()
    writer.write(out)
    assert out.getvalue().startswith(pdf)
    assert len(out.getvalue()) > len(pdf)
    found = check_signature(out.getvalue(), read_certificates([signed.public]))
    assert not found.trusted
    assert "something was added to the PDF after it was signed" in found.faults or any(
        "cannot be read" in fault for fault in found.faults
    )


def test_a_second_signature(signed: Workshop, pdf: bytes) -> None:
    writer = IncrementalPdfFileWriter(io.BytesIO(pdf))
    fields.append_signature_field(writer, fields.SigFieldSpec("Second"))
    metadata = signers.PdfSignatureMetadata(field_name="Second")

    class Heedless(signers.PdfSigner):
        """Signs what its first signature forbids to change."""

        def _enforce_certification_constraints(self, reader: object) -> None:
            del reader

    twice = Heedless(metadata, signer=own_signer(signed)).sign_pdf(writer).getvalue()
    faults = check_signature(bytes(twice), read_certificates([signed.public])).faults
    assert faults == ["the PDF holds 2 signatures, not one"]


def test_an_earlier_state_of_the_file(signed: Workshop, pdf: bytes) -> None:
    """Cut back to what it was before it was signed, it is a PDF without a signature, and said to be one."""
    start = pdf.index(b"%%EOF") + len(b"%%EOF\n")
    found = check_signature(pdf[:start], read_certificates([signed.public]))
    assert found.unsigned
    assert not found.trusted


# ----- Attachments that one reader shows and another does not


def twice_in_the_list(document: pikepdf.Pdf) -> None:
    names = document.Root.Names.EmbeddedFiles.Names
    names.extend([names[0], names[3]])


def under_two_names(document: pikepdf.Pdf) -> None:
    document.Root.Names.EmbeddedFiles.Names[1].UF = pikepdf.String("accepted.json")


def with_two_contents(document: pikepdf.Pdf) -> None:
    document.Root.Names.EmbeddedFiles.Names[1].EF.UF = document.make_stream(b"{}", Type=pikepdf.Name.EmbeddedFile)


def on_a_page(document: pikepdf.Pdf) -> None:
    stream = document.make_stream(b"{}", Type=pikepdf.Name.EmbeddedFile)
    names = {"Type": pikepdf.Name.Filespec, "F": pikepdf.String("x"), "UF": pikepdf.String("x")}
    entry = document.make_indirect(pikepdf.Dictionary(**names, EF=pikepdf.Dictionary(F=stream, UF=stream)))
    document.pages[0].obj.AF = pikepdf.Array([entry])


def without_a_name(document: pikepdf.Pdf) -> None:
    document.pages[0].obj.Extra = document.make_stream(b"{}", Type=pikepdf.Name.EmbeddedFile)


def in_a_deeper_list(document: pikepdf.Pdf) -> None:
    tree = document.Root.Names.EmbeddedFiles
    kid = document.make_indirect(pikepdf.Dictionary(Names=tree.Names))
    document.Root.Names.EmbeddedFiles = pikepdf.Dictionary(Kids=pikepdf.Array([kid]))


def no_longer_associated(document: pikepdf.Pdf) -> None:
    del document.Root.AF[0]


@pytest.mark.parametrize(
    "change",
    [
        twice_in_the_list,
        under_two_names,
        with_two_contents,
        on_a_page,
        without_a_name,
        in_a_deeper_list,
        no_longer_associated,
    ],
    ids=lambda f: f.__name__,
)
def test_attachments_that_are_not_as_they_must_be(
    signed: Workshop, change: Callable[[pikepdf.Pdf], None], tmp_path: Path
) -> None:
    path = signed.reports / "CT-1/report.pdf"
    assert len(attached(path.read_bytes())) > 3
    with pikepdf.open(path) as document:
        change(document)
        document.save(tmp_path / "x.pdf")
    with pytest.raises(ValueError, match=r"attach|list"):
        attached((tmp_path / "x.pdf").read_bytes())

"""Files inside a PDF: associated files as ISO 19005-3 (PDF/A-3), 6.8, asks for them."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

if TYPE_CHECKING:
    import pikepdf

Relationship = Literal["Source", "Data", "Supplement"]

#: Logs beyond this many bytes in all are not attached; their hashes are, in ``evidence.json``.
LOGS_LIMIT = 16_000_000
#: Between the fastest (1) and the smallest (9): 6 takes four times as long and saves 7 % of a report with large logs.
_COMPRESSION: Final = 4

_MEDIA_TYPES = {
    ".json": "application/json",
    ".yaml": "application/yaml",
    ".csv": "text/csv",
    ".txt": "text/plain",
    ".parquet": "application/vnd.apache.parquet",
    ".gz": "application/gzip",
    ".zst": "application/zstd",
    ".wav": "audio/vnd.wave",
    ".h5": "application/x-hdf5",
}


@dataclass(frozen=True)
class Attachment:
    """One file to attach: its name in the PDF, content, description and how it relates to the report.

    ``relationship`` is one of ISO 32000-2, 7.11.3: what the report was made from is *Source*, the numbers it
    shows are *Data*, what helps to judge them is *Supplement*.
    """

    name: str
    content: bytes
    description: str
    relationship: Relationship

    @property
    def media_type(self) -> str:
        """Return the media type by the ending of the name (common ones only)."""
        ending = "." + self.name.rpartition(".")[2].lower()
        return _MEDIA_TYPES.get(ending, "application/octet-stream")


def within_limit(sizes: Mapping[str, int], limit: int = LOGS_LIMIT) -> list[str]:
    """Return the names of the logs to attach: the smallest first, as many as fit into ``limit`` bytes in all."""
    chosen = []
    total = 0
    for name in sorted(sizes, key=lambda n: (sizes[n], n)):
        total += sizes[name]
        if total > limit:
            break
        chosen.append(name)
    return sorted(chosen)


def attach(pdf: bytes, attachments: Iterable[Attachment]) -> bytes:
    """Return ``pdf`` with the files attached and all streams packed; the same input gives the same bytes.

    The dates of an attachment are those of the PDF: when a file was last saved says nothing about a measurement
    and would differ between two copies of the same folder.
    """
    import pikepdf
    from pikepdf import Array, Dictionary, Name, String

    with pikepdf.open(io.BytesIO(pdf)) as document:
        date = document.docinfo.get("/ModDate", document.docinfo.get("/CreationDate"))
        names = Array()
        associated = Array()
        for attachment in sorted(attachments, key=lambda a: a.name):
            stream = document.make_stream(attachment.content)
            stream.Type = Name.EmbeddedFile
            stream.Subtype = Name("/" + attachment.media_type)
            # The MD5 is a field of the file format, not a protection.
            digest = hashlib.md5(attachment.content, usedforsecurity=False).digest()
            parameters = Dictionary(Size=len(attachment.content), CheckSum=String(digest))
            if date is not None:
                parameters.ModDate = String(str(date))
                parameters.CreationDate = String(str(date))
            stream.Params = parameters
            reference = document.make_indirect(
                Dictionary(
                    Type=Name.Filespec,
                    F=String(attachment.name),
                    UF=String(attachment.name),
                    Desc=String(attachment.description),
                    AFRelationship=Name("/" + attachment.relationship),
                    EF=Dictionary(F=stream, UF=stream),
                )
            )
            names.append(String(attachment.name))
            names.append(reference)
            associated.append(reference)
        catalog = document.Root
        if "/Names" not in catalog:
            catalog.Names = Dictionary()
        catalog.Names.EmbeddedFiles = document.make_indirect(Dictionary(Names=names))
        catalog.AF = associated
        result = io.BytesIO()
        pikepdf.settings.set_flate_compression_level(_COMPRESSION)
        document.save(
            result,
            deterministic_id=True,
            compress_streams=True,
            object_stream_mode=pikepdf.ObjectStreamMode.generate,
            fix_metadata_version=False,
        )
    return result.getvalue()


def attached(pdf: bytes) -> dict[str, bytes]:
    """Return the files attached to a PDF by name. Raises ``ValueError`` for bytes that are no PDF."""
    import pikepdf

    try:
        with pikepdf.open(io.BytesIO(pdf)) as document:
            return {name: _content(document, name) for name in document.attachments}
    except pikepdf.PdfError as error:
        raise ValueError(f"the PDF cannot be read: {error}") from None


def _content(document: pikepdf.Pdf, name: str) -> bytes:
    return document.attachments[name].get_file().read_bytes()

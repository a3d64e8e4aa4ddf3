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
    ".jpg": "image/jpeg",
    ".jpeg": "image/jpeg",
    ".png": "image/png",
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
    """Return the files attached to a PDF by name, as ``attach`` attaches them.

    Raises ``ValueError`` for bytes that are no sound PDF, and for attachments that one reader would show and another
    not: two of one name, one under two names, one that is not in the list of all.
    """
    import pikepdf

    try:
        with pikepdf.open(io.BytesIO(pdf), attempt_recovery=False) as document:
            return _files(document)
    except pikepdf.PdfError as error:
        raise ValueError(f"the PDF cannot be read: {error}") from None
    except (AttributeError, KeyError, TypeError) as error:
        raise ValueError(f"the list of attachments is not as it must be ({type(error).__name__})") from None


def _files(document: pikepdf.Pdf) -> dict[str, bytes]:
    import pikepdf

    if "/Names" not in document.Root or "/EmbeddedFiles" not in document.Root.Names:
        return {}
    listed = list(document.Root.Names.EmbeddedFiles.Names)
    entries = dict(zip(map(str, listed[::2]), listed[1::2], strict=True))
    found = {}
    for name, entry in entries.items():
        if {str(entry.F), str(entry.UF)} != {name} or entry.EF.F.objgen != entry.EF.UF.objgen:
            raise ValueError(f"the attachment {name} has two names or two contents")
        found[name] = entry.EF.F.read_bytes()
    specs = {entry.objgen for entry in entries.values()}
    streams = {entry.EF.F.objgen for entry in entries.values()}
    associated = [entry.objgen for entry in document.Root.AF]
    others = [
        thing
        for thing in document.objects
        if (isinstance(thing, pikepdf.Dictionary) and _is(thing, "/Filespec") and thing.objgen not in specs)
        or (isinstance(thing, pikepdf.Stream) and _is(thing, "/EmbeddedFile") and thing.objgen not in streams)
    ]
    if others or len(entries) * 2 != len(listed) or len(specs) != len(entries) or sorted(associated) != sorted(specs):
        raise ValueError("files are attached that are not in the list of attachments, or in it twice")
    return found


def _is(thing: pikepdf.Object, kind: str) -> bool:
    return str(thing.get("/Type", "")) == kind

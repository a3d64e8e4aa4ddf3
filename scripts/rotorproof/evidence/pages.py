"""Do the pages of a signed PDF say what the results give? They are drawn again and compared object by object.

Whoever holds a trusted key can sign any pages. What is attached to them is computed again from the raw logs; the pages
themselves are made again from that, by the same program, and all that a page or the document is made of must be the
same. Only what a signature adds may be there besides: the field of the signature, without a picture of its own, what
makes it last, its time in the description of the file, and the attachments, which are compared elsewhere.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    import pikepdf

#: Keys of the document that a signature or an attachment adds or writes anew, or that lead back to where one came from.
_ADDED: Final = ("/AcroForm", "/Perms", "/DSS", "/Extensions", "/AF", "/Version", "/Metadata")
_BACK: Final = ("/Parent", "/P")
#: Objects that are compared at most; a report has some ten thousand.
_MOST: Final = 2_000_000


def differing_pages(signed: bytes, again: bytes) -> list[str]:
    """Return what differs between a signed PDF and the ``again`` drawn one: "page 2", "the document"; none if nothing.

    Raises ``ValueError`` for a PDF that cannot be read, or with objects without end.
    """
    import pikepdf

    try:
        with pikepdf.open(io.BytesIO(signed)) as one, pikepdf.open(io.BytesIO(again)) as other:
            if len(one.pages) != len(other.pages):
                return [f"{len(one.pages)} pages, not {len(other.pages)}"]
            numbers = {page.obj.objgen: number for number, page in enumerate(one.pages, start=1)}
            found = dict.fromkeys(_compare(one.Root, other.Root, numbers))
    except pikepdf.PdfError as error:
        raise ValueError(f"the pages cannot be read: {error}") from None
    return [f"page {number}" if number else "the document" for number in sorted(found)]


def _compare(one: Any, other: Any, numbers: Mapping[tuple[int, int], int]) -> Iterator[int]:
    """Yield the number of the page that each difference lies on, 0 for the document."""
    import pikepdf

    met: set[tuple[tuple[int, int], tuple[int, int]]] = set()
    left: list[tuple[Any, Any, int]] = [(one, other, 0)]
    count = 0
    while left:
        a, b, page = left.pop()
        count += 1
        if count > _MOST:
            raise ValueError("the pages have objects without end")
        if not isinstance(a, pikepdf.Object) or not isinstance(b, pikepdf.Object):
            if type(a) is not type(b) or a != b:
                yield page
            continue
        if a.objgen != (0, 0) or b.objgen != (0, 0):
            if (a.objgen, b.objgen) in met:
                continue
            met.add((a.objgen, b.objgen))
        page = numbers.get(a.objgen, page)
        if a._type_code != b._type_code:
            yield page
        elif isinstance(a, pikepdf.Array):
            if len(a) != len(b):
                yield page
            left += [(x, y, page) for x, y in zip(a, b, strict=False)]
        elif isinstance(a, pikepdf.Dictionary | pikepdf.Stream):
            if isinstance(a, pikepdf.Stream):
                one_holds, other_holds = _content(a), _content(b)
                if one_holds != other_holds:
                    yield page
            mine, its = _entries(a), _entries(b)
            if mine.keys() != its.keys():
                yield page
            left += [(mine[key], its[key], page) for key in mine.keys() & its.keys()]
        elif a != b:
            yield page


def _content(stream: pikepdf.Object) -> tuple[bytes, ...]:
    """Return what a stream holds, however it is packed; of a picture such as a JPEG the packed bytes, and how."""
    import pikepdf

    try:
        return (stream.read_bytes(),)
    except pikepdf.PdfError:
        packing = [stream.get(key) for key in ("/Filter", "/DecodeParms")]
        told = [one.unparse(resolved=True) if isinstance(one, pikepdf.Object) else b"" for one in packing]
        return (stream.read_raw_bytes(), *told)


def _entries(thing: pikepdf.Object) -> dict[str, Any]:
    """Return what is to be compared of a dictionary, or of that of a stream."""
    import pikepdf

    kind = thing.get("/Type")
    entries = {key: value for key, value in thing.items() if key not in _BACK}
    if isinstance(thing, pikepdf.Stream):
        # How a stream is packed is no part of what it holds.
        return {key: value for key, value in entries.items() if key not in ("/Length", "/Filter", "/DecodeParms")}
    if kind == "/Catalog":
        entries = {key: value for key, value in entries.items() if key not in _ADDED}
        names = {key: value for key, value in thing.get("/Names", {}).items() if key != "/EmbeddedFiles"}
        entries.pop("/Names", None)
        entries |= {f"/Names{key}": value for key, value in names.items()}
    if kind == "/Page":
        notes = [note for note in thing.get("/Annots", []) if not _is_signature(note)]
        entries.pop("/Annots", None)
        entries |= {f"/Annots{place}": note for place, note in enumerate(notes)}
    return entries


def _is_signature(note: pikepdf.Object) -> bool:
    """Tell whether an annotation is the field of a signature, and shows nothing."""
    import pikepdf

    if note.get("/Subtype") != "/Widget" or note.get("/FT") != "/Sig":
        return False
    pictures = note.get("/AP", {}).values()
    return all(isinstance(picture, pikepdf.Stream) and not picture.read_bytes().strip() for picture in pictures)

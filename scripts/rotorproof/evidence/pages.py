"""Do the pages of a signed PDF say what the results give? They are drawn again and compared object by object.

Whoever holds a trusted key can sign any pages. What is attached to them is computed again from the raw logs; the pages
themselves are made again from that, by the same program, and all that a page or the document is made of must be the
same. Only what a signature adds may be there besides: the field of the signature, without a picture of its own, what
makes it last, its time in the description of the file, and the attachments, which are compared elsewhere.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping, Set
from decimal import Decimal
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    import pikepdf

#: Keys of the document that a signature or an attachment adds or writes anew.
_ADDED: Final = ("/DSS", "/Extensions", "/AF", "/Version", "/Metadata")
#: Those that lead back to where one came from, and belong to no page more than to another.
_BACK: Final = ("/Parent", "/P")
#: All that the form of a signed document, its permissions and the field of its signature may hold.
_FORM: Final = {"/Fields", "/SigFlags"}
_PERMISSIONS: Final = {"/DocMDP"}
_FIELD: Final = {"/Type", "/Subtype", "/FT", "/T", "/TU", "/F", "/P", "/Rect", "/V"}
#: What draws the lines of a figure, and how many numbers at its end say where (ISO 32000-1, tables 57 and 59).
_DRAWN: Final = {"m": 2, "l": 2, "c": 6, "v": 4, "y": 4, "re": 4, "cm": 2}
#: By how many points these may differ, since another processor computes another last digit: a printer of 600 dots to
#: the inch shows 0.12.
_HAIR: Final = Decimal("0.01")
#: Objects that are compared at most; a report has some ten thousand.
_MOST: Final = 2_000_000


def differing_pages(signed: bytes, again: bytes) -> list[str]:
    """Return what differs between a signed PDF and the ``again`` drawn one: "page 2", "the document"; none if nothing.

    Raises ``ValueError`` for a PDF that cannot be read, or with objects without end.
    """
    import pikepdf

    # A stranger's PDF may have any kind of object in any place; ours are as the library expects them.
    wrong = (pikepdf.PdfError, AttributeError, KeyError, TypeError)

    try:
        with pikepdf.open(io.BytesIO(signed)) as one, pikepdf.open(io.BytesIO(again)) as other:
            if len(one.pages) != len(other.pages):
                return [f"{len(one.pages)} pages, not {len(other.pages)}"]
            numbers = {page.obj.objgen: number for number, page in enumerate(one.pages, start=1)}
            drawings = {page.obj.Contents.objgen for page in one.pages if "/Contents" in page.obj}
            found = dict.fromkeys(_compare(one.Root, other.Root, numbers, drawings))
    except wrong as error:
        raise ValueError(f"the pages cannot be read: {error}") from None
    return [f"page {number}" if number else "the document" for number in sorted(found)]


def _compare(
    one: Any, other: Any, numbers: Mapping[tuple[int, int], int], drawings: Set[tuple[int, int]]
) -> Iterator[int]:
    """Yield the number of the page that each difference lies on, 0 for the document.

    ``drawings`` are what draws the pages, where lines may lie a hair aside.
    """
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
        # Both, or what is written in the place of an object would be taken for what stands elsewhere in its place.
        if a.objgen != (0, 0) and b.objgen != (0, 0):
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
                if one_holds != other_holds and not (a.objgen in drawings and _nearly(a, b)):
                    yield page
            mine, its = _entries(a), _entries(b)
            if mine.keys() != its.keys():
                yield page
            both = mine.keys() & its.keys()
            left += [(mine[key], its[key], 0 if key in _BACK else page) for key in both]
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


def _nearly(one: Any, other: Any) -> bool:
    """Tell whether two contents of a page are the same but for lines that lie a hair aside."""
    import pikepdf

    try:
        mine, its = (pikepdf.parse_content_stream(stream) for stream in (one, other))
    except pikepdf.PdfError:
        return False
    if len(mine) != len(its):
        return False
    return all(
        a.operator == b.operator and _same(str(a.operator), list(a.operands), list(b.operands))
        for a, b in zip(mine, its, strict=True)
    )


def _same(operator: str, mine: list[Any], its: list[Any]) -> bool:
    """Tell whether two lists of operands are the same but for a hair in the place of a line."""
    first = len(mine) - _DRAWN.get(operator, 0)
    if len(mine) != len(its) or first < 0 or mine[:first] != its[:first]:
        return False
    pairs = list(zip(mine[first:], its[first:], strict=True))
    if not all(isinstance(number, int | Decimal) for pair in pairs for number in pair):
        return False
    return all(abs(a - b) <= _HAIR for a, b in pairs)


def _entries(thing: pikepdf.Object) -> dict[str, Any]:
    """Return what is to be compared of a dictionary, or of that of a stream."""
    import pikepdf

    kind = thing.get("/Type")
    entries = dict(thing.items())
    if isinstance(thing, pikepdf.Stream):
        # How a stream is packed is no part of what it holds.
        return {key: value for key, value in entries.items() if key not in ("/Length", "/Filter", "/DecodeParms")}
    if kind == "/Catalog":
        entries = {key: value for key, value in entries.items() if key not in _ADDED}
        names = {key: value for key, value in thing.get("/Names", {}).items() if key != "/EmbeddedFiles"}
        entries.pop("/Names", None)
        entries |= {f"/Names{key}": value for key, value in names.items()}
        form: Any = thing.get("/AcroForm")
        if _holds_only(form, _FORM) and all(map(_is_signature, form.get("/Fields", []))):
            del entries["/AcroForm"]
        if _holds_only(thing.get("/Perms"), _PERMISSIONS):
            del entries["/Perms"]
    if kind == "/Page":
        listed = thing.get("/Annots", pikepdf.Array())
        if isinstance(listed, pikepdf.Array):  # anything else stands for itself, and differs
            notes = [note for note in listed if not _is_signature(note)]
            entries.pop("/Annots", None)
            entries |= {f"/Annots{place}": note for place, note in enumerate(notes)}
    return entries


def _is_signature(note: Any) -> bool:
    """Tell whether an annotation is the field of a signature, takes no room, shows nothing and does nothing."""
    if not _holds_only(note, _FIELD):
        return False
    left, bottom, right, top = note.get("/Rect", [0, 0, 1, 1])
    return note.get("/Subtype") == "/Widget" and note.get("/FT") == "/Sig" and (left, bottom) == (right, top)


def _holds_only(thing: Any, keys: Set[str]) -> bool:
    import pikepdf

    return isinstance(thing, pikepdf.Dictionary) and thing.keys() <= keys

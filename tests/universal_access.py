"""What a PDF lacks of PDF/UA-1 (ISO 14289-1:2014), clause by clause, as far as its objects and content streams tell.

The clauses, and what each asks, are from memory; so are those of ISO 32000-1 that it refers to. Left out is what a
person must judge (that the order of reading makes sense, that colour alone says nothing, that a description describes)
and what needs a reader of font programs (7.21.3, 7.21.5, 7.21.6, 7.21.8). Nothing here uses what wrote the file.
"""

from __future__ import annotations

import itertools
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pikepdf
from pikepdf import Array, Dictionary, Name, Stream

#: What may stand in a structure (ISO 32000-1, 14.8.4).
STANDARD = frozenset(
    {
        *("Document", "Part", "Art", "Sect", "Div", "BlockQuote", "Caption", "TOC", "TOCI", "Index", "NonStruct"),
        *("Private", "P", "H", "H1", "H2", "H3", "H4", "H5", "H6", "L", "LI", "Lbl", "LBody"),
        *("Table", "TR", "TH", "TD", "THead", "TBody", "TFoot", "Span", "Quote", "Note", "Reference", "BibEntry"),
        *("Code", "Link", "Annot", "Ruby", "RB", "RT", "RP", "Warichu", "WT", "WP", "Figure", "Formula", "Form"),
    }
)
#: In what a kind of element must stand (ISO 32000-1, tables 336 and 337; ISO 14289-1, 7.2).
_WITHIN = {
    "TR": {"Table", "THead", "TBody", "TFoot"},
    "TH": {"TR"},
    "TD": {"TR"},
    "THead": {"Table"},
    "TBody": {"Table"},
    "TFoot": {"Table"},
    "LI": {"L"},
    "Lbl": {"LI", "TOCI", "Note", "BibEntry", "Form"},
    "LBody": {"LI"},
    "TOCI": {"TOC"},
}
#: What may stand in these, and nothing else.
_HOLDS = {
    "Table": {"TR", "THead", "TBody", "TFoot", "Caption"},
    "THead": {"TR"},
    "TBody": {"TR"},
    "TFoot": {"TR"},
    "TR": {"TH", "TD"},
    "L": {"LI", "L", "Caption"},
    "LI": {"Lbl", "LBody"},
}
#: Operators that put something on the page (ISO 32000-1, table 51).
_SHOWS = frozenset(
    {*("Tj", "TJ", "'", '"'), *("f", "F", "f*", "B", "B*", "b", "b*", "S", "s"), *("sh", "Do", "INLINE IMAGE")}
)
_TEXT = frozenset({"Tj", "TJ", "'", '"'})
#: What a character may not be mapped to (7.21.7).
_NO_CHARACTER = re.compile("[\u0000\ufeff\ufffe]")


@dataclass
class Element:
    """One element of the structure with what it is, where it stands and what it holds."""

    kind: str
    written: str
    of: Element | None
    object: Dictionary
    children: list[Element] = field(default_factory=list)
    #: Marked contents by page and number, and annotations, in it.
    marked: list[tuple[tuple[int, int], int]] = field(default_factory=list)
    annotations: list[tuple[int, int]] = field(default_factory=list)


def lacking(path: Path) -> list[str]:
    """Return each breach as ``clause: words``; nothing where every rule that is checked here holds."""
    with pikepdf.open(path) as document:
        found = [*_of_the_file(document), *_of_fonts(document)]
        tree = document.Root.get("/StructTreeRoot")
        if tree is None:
            return [*found, "7.1: there is no structure"]
        elements = list(_elements(tree, tree.get("/RoleMap", Dictionary())))
        found += _of_kinds(elements, tree.get("/RoleMap", Dictionary()))
        found += _of_headings(elements)
        found += _of_tables(elements)
        found += _of_descriptions(elements)
        found += _of_pages(document, elements)
        found += _of_annotations(document, elements)
    return sorted(set(found))


def _of_the_file(document: pikepdf.Pdf) -> Iterator[str]:
    root = document.Root
    marks = root.get("/MarkInfo", Dictionary())
    if not marks.get("/Marked", False):
        yield "7.1: the file is not said to be tagged"
    if marks.get("/Suspects", False):
        yield "7.1: its tags are said to be suspect"
    if not root.get("/ViewerPreferences", Dictionary()).get("/DisplayDocTitle", False):
        yield "7.1: a viewer would show the file's name, not its title"
    if not str(root.get("/Lang", "")):
        yield "7.2: no language is stated"
    yield from _of_metadata(root.get("/Metadata"))
    for one in document.objects:
        embedded = isinstance(one, Dictionary) and one.get("/Type") == Name.Filespec
        if embedded and not (str(one.get("/F", "")) and str(one.get("/UF", ""))):
            yield "7.11: an embedded file has no name in both forms"
    if "/OCProperties" in root:
        for one in [root.OCProperties.get("/D"), *root.OCProperties.get("/Configs", [])]:
            if one is not None and (not str(one.get("/Name", "")) or "/AS" in one):
                yield "7.10: an optional content has no name, or switches itself"
    if root.get("/AcroForm", Dictionary()).get("/XFA") is not None:
        yield "7.15: there is a form of XML"
    if document.is_encrypted and not document.allow.accessibility:
        yield "7.16: a reader of screens is kept out"
    for one in document.objects:
        if isinstance(one, Stream) and one.get("/Subtype") == Name.Form and "/Ref" in one:
            yield "7.20: an XObject refers to another file"


def _of_metadata(stream: Any) -> Iterator[str]:
    if stream is None:
        yield "7.1: there are no metadata"
        return
    found = ElementTree.fromstring(stream.read_bytes())
    space = "{http://www.aiim.org/pdfua/ns/id/}part"
    parts = [one.text for one in found.iter(space)] + [one.get(space) for one in found.iter() if one.get(space)]
    if parts != ["1"]:
        yield "5: the metadata do not say part 1 of ISO 14289"
    titles = [one for one in found.iter("{http://purl.org/dc/elements/1.1/}title") if "".join(one.itertext()).strip()]
    if not titles:
        yield "7.1: the metadata hold no title"


def _of_fonts(document: pikepdf.Pdf) -> Iterator[str]:
    for font in document.objects:
        if not isinstance(font, Dictionary) or font.get("/Type") != Name.Font:
            continue
        if font.Subtype == Name.Type0:
            maps = font.get("/ToUnicode")
            if maps is None:
                yield f"7.21.7: {font.BaseFont} maps its letters to no characters"
            else:
                for text in _mapped(maps.read_bytes()):
                    if not text or _NO_CHARACTER.search(text):
                        yield f"7.21.7: {font.BaseFont} maps a letter to {text!r}"
        elif font.Subtype != Name.Type3:
            descriptor = font.get("/FontDescriptor", Dictionary())
            if not {"/FontFile", "/FontFile2", "/FontFile3"} & set(descriptor.keys()):
                yield f"7.21.4.1: {font.BaseFont} is not embedded"


def _mapped(content: bytes) -> Iterator[str]:
    """Return the characters that a map names (ISO 32000-1, 9.10.3), of ``bfchar`` and ``bfrange``."""
    for block in re.findall(rb"beginbfchar(.*?)endbfchar", content, re.DOTALL):
        for _, character in re.findall(rb"<([^>]*)>\s*<([^>]*)>", block):
            yield bytes.fromhex(character.decode()).decode("utf-16-be", "replace")
    for block in re.findall(rb"beginbfrange(.*?)endbfrange", content, re.DOTALL):
        for _, _, first in re.findall(rb"<([^>]*)>\s*<([^>]*)>\s*(<[^>]*>|\[[^\]]*\])", block):
            for character in re.findall(rb"<([^>]*)>", first):
                yield bytes.fromhex(character.decode()).decode("utf-16-be", "replace")


def _elements(tree: Dictionary, roles: Dictionary) -> Iterator[Element]:
    waiting: list[tuple[Any, Element | None, Any]] = [(tree.get("/K"), None, None)]
    while waiting:
        node, of, page = waiting.pop(0)
        if node is None:
            continue
        if isinstance(node, Array):
            waiting = [(child, of, page) for child in node] + waiting
        elif isinstance(node, Dictionary) and node.get("/Type") == Name.OBJR:
            if of is not None:
                of.annotations.append(node.Obj.objgen)
        elif isinstance(node, Dictionary) and node.get("/Type") == Name.MCR:
            if of is not None:
                of.marked.append(((node.get("/Pg") or page).objgen, int(node.MCID)))
        elif isinstance(node, Dictionary):
            written = str(node.S).lstrip("/")
            one = Element(_role(written, roles), written, of, node)
            if of is not None:
                of.children.append(one)
            yield one
            waiting.insert(0, (node.get("/K"), one, node.get("/Pg") or page))
        elif of is not None:
            of.marked.append((page.objgen, int(node)))


def _role(written: str, roles: Dictionary) -> str:
    seen = set()
    while written not in STANDARD and f"/{written}" in roles and written not in seen:
        seen.add(written)
        written = str(roles[f"/{written}"]).lstrip("/")
    return written


def _of_kinds(elements: list[Element], roles: Dictionary) -> Iterator[str]:
    if not elements:
        yield "7.1: the structure is empty"
    for written in roles.keys():  # noqa: SIM118
        if written.lstrip("/") in STANDARD:
            yield f"7.1: {written.lstrip('/')} is a standard kind and stands for another"
    for one in elements:
        if one.kind not in STANDARD:
            yield f"7.1: {one.written} stands for no standard kind"
        above = one.of.kind if one.of else ""
        if one.kind in _WITHIN and above not in _WITHIN[one.kind]:
            yield f"7.2: {one.kind} stands in {above or 'nothing'}"
        for child in one.children:
            if one.kind in _HOLDS and child.kind not in _HOLDS[one.kind]:
                yield f"7.2: {one.kind} holds {child.kind}"
        if one.kind in _HOLDS and one.marked:
            yield f"7.2: {one.kind} holds content of its own"
        captions = [place for place, child in enumerate(one.children) if child.kind == "Caption"]
        if one.kind in ("Table", "L") and (len(captions) > 1 or captions not in ([], [0], [len(one.children) - 1])):
            yield f"7.2: {one.kind} has its caption in its midst, or several"
    numbered = [
        one for one in elements if one.kind == "L" and any(c.kind == "Lbl" for i in one.children for c in i.children)
    ]
    for one in numbered:
        if _attribute(one, "/ListNumbering") in (None, Name("/None")):
            yield "7.6: a list with labels does not say how it is numbered"


def _of_headings(elements: list[Element]) -> Iterator[str]:
    levels = [int(one.kind[1]) for one in elements if re.fullmatch("H[1-6]", one.kind)]
    if levels and levels[0] != 1:
        yield f"7.4.2: the first heading is H{levels[0]}"
    for before, after in itertools.pairwise(levels):
        if after > before + 1:
            yield f"7.4.2: H{after} follows H{before}"
    plain = [one for one in elements if one.kind == "H"]
    if plain and levels:
        yield "7.4.4: headings with and without numbers"


def _of_tables(elements: list[Element]) -> Iterator[str]:
    for table in elements:
        if table.kind != "Table":
            continue
        groups = [one for one in table.children if one.kind in ("THead", "TBody", "TFoot")]
        rows = [
            one for one in (*table.children, *(row for group in groups for row in group.children)) if one.kind == "TR"
        ]
        cells = [[cell for cell in row.children if cell.kind in ("TH", "TD")] for row in rows]
        heads = [cell for row in cells for cell in row if cell.kind == "TH"]
        if not heads:
            yield "7.5: a table has no header cells"
        by_name = any(_attribute(cell, "/Headers") is not None for row in cells for cell in row)
        if not by_name and any(_attribute(cell, "/Scope") is None for cell in heads):
            yield "7.5: a header cell does not say whether it is of its row or its column"
        widths = Counter(_widths(cells))
        if len(widths) > 1:
            yield f"7.2: rows of a table are {', '.join(map(str, sorted(widths)))} cells wide"


def _widths(rows: list[list[Element]]) -> list[int]:
    """Return how many columns each row fills, with cells that reach down from rows above."""
    reaching: Counter[int] = Counter()
    found = []
    for place, row in enumerate(rows):
        width = reaching[place]
        for cell in row:
            across, down = (int(_attribute(cell, name) or 1) for name in ("/ColSpan", "/RowSpan"))
            width += across
            for below in range(1, down):
                reaching[place + below] += across
        found.append(width)
    return found


def _attribute(one: Element, name: str) -> Any:
    given = one.object.get("/A")
    for entry in given if isinstance(given, Array) else [given]:
        if isinstance(entry, Dictionary) and name in entry:
            return entry[name]
    return None


def _of_descriptions(elements: list[Element]) -> Iterator[str]:
    for one in elements:
        told = str(one.object.get("/Alt", "")).strip() or str(one.object.get("/ActualText", "")).strip()
        if one.kind == "Figure" and not told:
            yield "7.3: a figure has no description"
        if one.kind == "Figure" and not _on_its_page(one):
            yield "7.3: a figure does not say where on its page it lies (ISO 32000-1, 14.8.5.4.3)"
        if one.kind == "Formula" and not told:
            yield "7.7: a formula has no description"
        if one.kind == "Note" and not str(one.object.get("/ID", "")):
            yield "7.9: a note has no name"
    notes = Counter(str(one.object.get("/ID")) for one in elements if one.kind == "Note")
    if any(count > 1 for count in notes.values()):
        yield "7.9: two notes have one name"


def _on_its_page(one: Element) -> bool:
    corners = _attribute(one, "/BBox")
    if corners is None:
        return False
    x0, y0, x1, y1 = (float(corner) for corner in corners)
    left, bottom, right, top = (float(corner) for corner in one.object.Pg.MediaBox)
    return left <= x0 < x1 <= right and bottom <= y0 < y1 <= top


def _of_pages(document: pikepdf.Pdf, elements: list[Element]) -> Iterator[str]:
    tagged = {marked for one in elements for marked in one.marked}
    seen: set[tuple[tuple[int, int], int]] = set()
    forms: Counter[tuple[int, int]] = Counter()
    for page in document.pages:
        if len(page.get("/Annots", Array())) and page.get("/Tabs") != Name.S:
            yield "7.18.3: the order of tabs on a page with links is not that of the structure"
        walk = _Walk(page)
        for instruction in pikepdf.parse_content_stream(page):
            walk.take(str(instruction.operator), instruction.operands)
        yield from walk.found
        if walk.within:
            yield "7.1: marked content is not closed"
        seen |= {(page.obj.objgen, number) for number in walk.tagged}
        forms.update(walk.forms)
    if any(count > 1 for count in forms.values()):
        yield "7.20: an XObject with marked content is used twice"
    for place, number in seen - tagged:
        yield f"7.1: content {number} of the page {place[0]} is in no element"
    for place, number in tagged - seen:
        yield f"7.1: an element names content {number} of the page {place[0]}, which is not there"


class _Walk:
    """Goes through what is drawn on a page: in which marks it lies, and where."""

    def __init__(self, page: pikepdf.Page) -> None:
        self.page = page
        self.found: list[str] = []
        self.tagged: list[int] = []
        self.forms: list[tuple[int, int]] = []
        #: Each open mark: "artifact", "tagged" or "", and what is said about it.
        self.within: list[tuple[str, Any]] = []
        self.matrix = self.text = pikepdf.Matrix()
        self.kept: list[pikepdf.Matrix] = []

    def take(self, operator: str, operands: Any) -> None:
        if operator in ("BMC", "BDC"):
            self._mark(operands)
        elif operator == "EMC":
            self.within.pop()
        elif operator == "q":
            self.kept.append(self.matrix)
        elif operator == "Q":
            self.matrix = self.kept.pop()
        elif operator == "cm":
            self.matrix = pikepdf.Matrix(*map(float, operands)) @ self.matrix
        elif operator == "Tm":
            self.text = pikepdf.Matrix(*map(float, operands))
        elif operator in _SHOWS:
            self._show(operator, operands)

    def _mark(self, operands: Any) -> None:
        kinds = [kind for kind, _ in self.within]
        kind: str | int = _marked(operands, self.page)
        if kind == "artifact" and "tagged" in kinds:
            self.found.append("7.1: an artifact lies in content that is tagged")
        if isinstance(kind, int):
            if "artifact" in kinds:
                self.found.append("7.1: content that is tagged lies in an artifact")
            self.tagged.append(kind)
            kind = "tagged"
        self.within.append((kind, operands[-1]))

    def _show(self, operator: str, operands: Any) -> None:
        artifacts = [about for kind, about in self.within if kind == "artifact"]
        where = f"on page {self.page.index + 1}"
        if not artifacts and not any(kind == "tagged" for kind, _ in self.within):
            self.found.append(f"7.1: {operator} {where} is neither tagged nor an artifact")
        if artifacts and operator in _TEXT:
            upper = (self.text @ self.matrix).f > float(self.page.mediabox[3]) / 2
            about = artifacts[0]
            said = isinstance(about, Dictionary) and about.get("/Type") == Name.Pagination
            if not said or about.get("/Subtype") != (Name.Header if upper else Name.Footer):
                self.found.append(f"7.8: a running head or foot {where} is not said to be one")
        if operator == "Do":
            self.forms += _with_marks(self.page.Resources.XObject[operands[0]])


def _marked(operands: Any, page: pikepdf.Page) -> str | int:
    """Return "artifact", the number of the content in the structure, or "" for a mark that says neither."""
    if operands[0] == Name.Artifact:
        return "artifact"
    if len(operands) < 2:
        return ""
    about = operands[1]
    if isinstance(about, Name):
        about = page.Resources.Properties[about]
    return int(about.MCID) if "/MCID" in about else ""


def _with_marks(found: Any) -> list[tuple[int, int]]:
    marked = found.get("/Subtype") == Name.Form and b"/MCID" in found.read_bytes()
    return [found.objgen] if marked else []


def _of_annotations(document: pikepdf.Pdf, elements: list[Element]) -> Iterator[str]:
    within = {place: one.kind for one in elements for place in one.annotations}
    for page in document.pages:
        left, bottom, right, top = (float(number) for number in page.get("/CropBox", page.mediabox))
        for annotation in page.get("/Annots", Array()):
            x0, y0, x1, y1 = (float(number) for number in annotation.Rect)
            outside = max(x0, x1) < left or min(x0, x1) > right or max(y0, y1) < bottom or min(y0, y1) > top
            hidden = bool(int(annotation.get("/F", 0)) & 2)
            if outside or hidden:
                continue
            kind = within.get(annotation.objgen)
            if annotation.Subtype == Name.Link:
                if kind != "Link":
                    yield "7.18.5: a link is in no element for links"
                if not str(annotation.get("/Contents", "")).strip():
                    yield "7.18.5: a link does not say where it leads"
            elif annotation.Subtype == Name.Widget:
                if kind != "Form":
                    yield "7.18.4: a field is in no element for forms"
                if not str(annotation.get("/TU", "")).strip():
                    yield "7.18.1: a field has no description"
            elif annotation.Subtype == Name.TrapNet:
                yield "7.18.2: there is a trap network"
            elif kind is None or not str(annotation.get("/Contents", "")).strip():
                yield f"7.18.1: an annotation ({annotation.Subtype}) has no tag or description"

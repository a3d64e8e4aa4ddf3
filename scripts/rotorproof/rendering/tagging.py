"""What the renderer's tags lack of PDF/UA-1 (ISO 14289-1:2014), put right before the file is written.

The clauses are from memory; ``tests/universal_access.py`` checks the files that come of it.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

_POINTS_PER_PIXEL = 72 / 96
#: How a list's labels count (ISO 32000-1, table 347), by the style that draws them.
_NUMBERING = {
    "none": "/None",
    "disc": "/Disc",
    "circle": "/Circle",
    "square": "/Square",
    "decimal": "/Decimal",
    "lower-alpha": "/LowerAlpha",
    "upper-alpha": "/UpperAlpha",
    "lower-roman": "/LowerRoman",
    "upper-roman": "/UpperRoman",
}


def mend(document: Any, pdf: Any) -> None:
    """Finish the tags of a rendered document in the objects of its PDF.

    Running heads and feet become artifacts of pagination (7.8), header cells say whether they are of a row or of a
    column (7.5), figures where they lie (7.3), lists how they are numbered (7.6), and what stands in an item beside
    its label is its body (7.2).
    Raises ``ValueError`` where the renderer made other tags than those that this was written for.
    """
    root = _object(pdf, pdf.catalog["StructTreeRoot"])
    reached = list(_reached(pdf, root))
    boxes = [box for page in document.pages for box in _boxes(page._page_box)]
    _number_lists(boxes, [one for one in reached if one["S"] == "/L"])
    for item in reached:
        if item["S"] == "/LI":
            _gather_body(pdf, item)
        elif item["S"] == "/Figure":
            _place_figure(_object(pdf, item["Pg"]), item["A"]["BBox"])
    _say_scopes(boxes)
    _take_out_margins(document, pdf, _object(pdf, root["ParentTree"]), {one.number for one in reached})


def _object(pdf: Any, reference: bytes) -> Any:
    return pdf.objects[int(reference.split()[0])]


def _reached(pdf: Any, root: Any) -> Iterator[Any]:
    """Return the elements of the structure in the order in which they were made."""
    found, waiting = {}, list(root["K"])
    while waiting:
        kid = waiting.pop()
        one = _object(pdf, kid) if isinstance(kid, bytes) else None
        if one is not None and one.get("Type") == "/StructElem":
            found[one.number] = one
            waiting.extend(one["K"])
    for number in sorted(found):
        yield found[number]


def _boxes(box: Any) -> Iterator[Any]:
    """Return a box and all within it, in the order in which they are tagged; margins are no part of a page's."""
    from weasyprint.formatting_structure.boxes import MarginBox
    from weasyprint.layout.absolute import AbsolutePlaceholder

    waiting = [box]
    while waiting:
        one = waiting.pop()
        if isinstance(one, AbsolutePlaceholder):
            one = one._box
        if not isinstance(one, MarginBox):
            yield one
            waiting.extend(reversed(getattr(one, "children", ())))


def _number_lists(boxes: list[Any], lists: list[Any]) -> None:
    import pydyf
    from weasyprint.formatting_structure.boxes import LineBox, TextBox

    tagged = [
        box
        for box in boxes
        if box.element is not None and box.element_tag in ("ul", "ol", "dl") and not isinstance(box, LineBox | TextBox)
    ]
    for element, box in zip(lists, tagged, strict=True):
        style = "none" if box.element_tag == "dl" else box.style["list_style_type"]
        element["A"] = pydyf.Dictionary({"O": "/List", "ListNumbering": _NUMBERING[style]})


def _gather_body(pdf: Any, item: Any) -> None:
    """Put all of an item of a list but its label into one body."""
    import pydyf

    kids = [(kid, _object(pdf, kid)) for kid in item["K"]]
    rest = [(kid, one) for kid, one in kids if one["S"] != "/Lbl"]
    if all(one["S"] == "/LBody" for _, one in rest):
        return
    body = pydyf.Dictionary(
        {
            "Type": "/StructElem",
            "S": "/LBody",
            "K": pydyf.Array([kid for kid, _ in rest]),
            "Pg": item["Pg"],
            "P": item.reference,
        }
    )
    pdf.add_object(body)
    for _, one in rest:
        one["P"] = body.reference
        if one["S"] == "/LBody":
            one["S"] = "/Div"
    item["K"] = pydyf.Array([*(kid for kid, one in kids if one["S"] == "/Lbl"), body.reference])


def _place_figure(page: Any, corners: Any) -> None:
    """Say where a figure lies as a page does: in points from below (ISO 32000-1, 14.8.5.4.3), not pixels from above."""
    left, top, right, bottom = (_POINTS_PER_PIXEL * float(corner) for corner in corners)
    height = float(page["MediaBox"][3])
    corners[:] = (left, height - bottom, right, height - top)


def _say_scopes(boxes: list[Any]) -> None:
    for box in boxes:
        element = getattr(box, "mark", None)
        if element is not None and element["S"] == "/TH":
            of_row = box.element.attrib.get("scope") == "row"
            element["A"]["Scope"] = "/Row" if of_row else "/Column"


def _take_out_margins(document: Any, pdf: Any, parents: Any, reached: set[int]) -> None:
    """Make artifacts of what stands in the margins: it was tagged, and its elements are in no structure."""
    import pydyf

    pages = [_object(pdf, reference) for reference in pdf.page_references]
    nums = parents["Nums"]
    of_pages = {
        number: owners for number, owners in zip(nums[::2], nums[1::2], strict=True) if isinstance(owners, list)
    }
    for number, (page, described) in enumerate(zip(document.pages, pages, strict=True)):
        owners = of_pages[number]
        stray = [mcid for mcid, owner in enumerate(owners) if _object(pdf, owner).number not in reached]
        parts = dict(zip(stray, _margins(page._page_box), strict=True))
        stream = _object(pdf, described["Contents"]).stream
        for place, item in enumerate(stream):
            if isinstance(item, pydyf.Dictionary) and item.get("MCID") in parts:
                about = {"Type": "/Pagination", "Subtype": parts[item["MCID"]]}
                stream[place - 1 : place + 1] = ["/Artifact", pydyf.Dictionary(about)]
        for mcid in stray:
            # An object cannot be taken out of the file any more, but need not pretend to be an element.
            _object(pdf, owners[mcid]).clear()
            owners[mcid] = "null"


def _margins(page: Any) -> Iterator[str]:
    """Return, for each content in a page's margins in the order of drawing, whether it is of the head or the foot."""
    from weasyprint.formatting_structure.boxes import MarginBox, ReplacedBox, TextBox

    for margin in page.children:
        if isinstance(margin, MarginBox):
            for child in margin.children:
                for box in _boxes(child):
                    if isinstance(box, TextBox | ReplacedBox):
                        yield "/Header" if margin.at_keyword.startswith("@top") else "/Footer"

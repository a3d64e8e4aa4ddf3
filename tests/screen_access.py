"""What a page for screens lacks of WCAG 2.2 (W3C Recommendation, 2024), as far as its source tells.

Each finding names its success criterion. The criteria, and the formula of contrast, are from memory. Left out is what
takes a browser (what is shown, where the focus goes: ``tests/rendering/test_register.py``) or a person. The rows that
the register's script makes are judged by their data.
"""

from __future__ import annotations

import itertools
import re
from collections import Counter
from collections.abc import Iterator
from typing import Any
from xml.etree.ElementTree import Element

from tinyhtml5 import parse

_LANDMARKS = ("header", "nav", "main", "footer")
_HEADINGS = ("h1", "h2", "h3", "h4", "h5", "h6")
_CONTROLS = ("input", "select", "textarea", "button", "a")
#: What takes no room and says nothing.
_SILENT = ("script", "style", "template", "noscript")


def lacking(html: str) -> list[str]:
    """Return what the page lacks, a sentence each; nothing where none of the rules is broken."""
    root = parse(html, namespace_html_elements=False)
    return [*_document(root), *_regions(root), *_headings(root), *_names(root), *_tables(root)]


def contrast(one: str, other: str) -> float:
    """Return the contrast of two colours, ``#rrggbb`` or ``#rgb``: 1 to 21 (WCAG 2.2, "contrast ratio")."""
    light, dark = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def _luminance(colour: str) -> float:
    digits = colour.removeprefix("#")
    digits = "".join(2 * digit for digit in digits) if len(digits) == 3 else digits
    parts = [int(digits[place : place + 2], 16) / 255 for place in (0, 2, 4)]
    # WCAG 2.2, "relative luminance".
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def _document(root: Element) -> Iterator[str]:
    if not root.get("lang"):
        yield "3.1.1: the page names no language"
    if not _text(root.find("head/title")):
        yield "2.4.2: the page has no title"
    named = Counter(element.get("id") for element in root.iter() if element.get("id"))
    yield from (f"4.1.2: {name!r} names {count} elements" for name, count in named.items() if count > 1)
    for element in root.iter():
        for attribute in ("aria-labelledby", "aria-describedby", "for"):
            yield from (
                f"1.3.1: {attribute} of a {element.tag} leads to {name!r}, which is not there"
                for name in (element.get(attribute) or "").split()
                if name not in named
            )
        target = element.get("href") or ""
        if target.startswith("#") and target[1:] not in named:
            yield f"2.4.1: a link leads to {target!r}, which is not there"


def _regions(root: Element) -> Iterator[str]:
    mains = list(root.iter("main"))
    if len(mains) != 1:
        yield f"1.3.1: {len(mains)} elements are the main part of the page, not 1"
    body = root.find("body")
    assert body is not None
    for element in body:
        outside = element.tag not in (*_LANDMARKS, *_SILENT) and not element.get("role")
        if outside and "skip" not in (element.get("class") or "").split() and _text(element):
            yield f"1.3.1: a {element.tag} lies in no landmark"
    for nav in root.iter("nav"):
        if not _name(nav, root):
            yield "2.4.6: a nav has no name"


def _headings(root: Element) -> Iterator[str]:
    levels = [int(element.tag[1]) for element in root.iter() if element.tag in _HEADINGS]
    if not levels or levels[0] != 1:
        yield "1.3.1: the first heading is none of the first level"
    yield from (f"1.3.1: a heading h{b} follows h{a}" for a, b in itertools.pairwise(levels) if b > a + 1)
    yield from (
        "1.3.1: a heading is empty" for element in root.iter() if element.tag in _HEADINGS and not _text(element)
    )


def _names(root: Element) -> Iterator[str]:
    labels = {id(control): _text(label) for label in root.iter("label") for control in label.iter()}
    for element in root.iter():
        role, tag = element.get("role"), element.tag
        if tag in _CONTROLS and not (tag == "a" and element.get("href") is None):
            shown = _text(element) if tag in ("a", "button") else ""
            name = _name(element, root) or labels.get(id(element), "") or shown
            if not name:
                yield f"4.1.2: a {tag} has no name"
            if shown.lower() not in name.lower():
                yield f"2.5.3: {shown!r} is shown, but the name is {name!r}"
        if element.get("tabindex") == "0" and not (role and _name(element, root)):
            yield f"4.1.2: a {tag} takes the focus and has no role or no name"
        if element.get("tabindex", "0") not in ("0", "-1"):
            yield f"2.4.3: a {tag} asks for a place of its own in the order of the focus"
        if tag == "img" and element.get("alt") is None:
            yield "1.1.1: a picture has no text in its place"
        if tag.endswith("svg") and element.get("aria-hidden") != "true" and not _drawn_name(element):
            yield "1.1.1: a drawing has no title"


def _tables(root: Element) -> Iterator[str]:
    for table in root.iter("table"):
        heads = list(table.iter("th"))
        if not heads:
            yield "1.3.1: a table has no heads"
        yield from ("1.3.1: a head of a table says nothing" for head in heads if not _text(head))
        yield from ("1.3.1: a head of a table has no scope" for head in heads if not head.get("scope"))


def _drawn_name(drawing: Element) -> str:
    titles = [child for child in drawing if child.tag.endswith("title")]
    return drawing.get("aria-label") or (_text(titles[0]) if titles else "")


def _name(element: Element, root: Element) -> str:
    """Return the name that attributes give an element."""
    parts = (element.get("aria-labelledby") or "").split()
    found = [_text(other) for part in parts for other in root.iter() if other.get("id") == part]
    return " ".join(found) or (element.get("aria-label") or "").strip()


def _text(element: Any) -> str:
    """Return what a reader is told of an element: its text, without what is hidden from him."""
    return re.sub(r"\s+", " ", "".join(_pieces(element))).strip() if element is not None else ""


def _pieces(element: Element) -> Iterator[str]:
    if not isinstance(element.tag, str) or element.tag in _SILENT or element.get("aria-hidden") == "true":
        return
    yield element.text or ""
    yield _drawn_name(element) if element.tag.endswith("svg") else ""
    for child in element:
        if not str(element.tag).endswith("svg"):
            yield from _pieces(child)
        yield child.tail or ""

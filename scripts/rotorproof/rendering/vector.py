"""Put a figure of ours into a PDF page by its own lines, many times faster than a general SVG renderer can.

The figures are SVG files with a small vocabulary: paths, marks and letters used many times, rectangles that clip.
Their path data say nearly the same words as a PDF (ISO 32000-1, 8.5), so they are translated word by word. A file
that says anything else is left to the general renderer.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any
from xml.etree import ElementTree

_SVG = "{http://www.w3.org/2000/svg}"
_HREF = "{http://www.w3.org/1999/xlink}href"
_CSS_PX_PER_PT = 96 / 72
_LENGTH = re.compile(r"^([0-9.]+)pt$")
_COLOUR = re.compile(r"^#([0-9a-f]{2})([0-9a-f]{2})([0-9a-f]{2})$")
_TRANSFORM = re.compile(r"(translate|scale|rotate)\(([^)]*)\)")
_URL = re.compile(r"^url\(#(.+)\)$")
_PATH = re.compile(r"([MLQCz])([^MLQCz]*)")
#: Numbers in a PDF have no exponent.
_NO_DIGIT = re.compile(r"[^MLQCz0-9.\s-]")
#: The one style sheet that all our figures carry: joins and ends of lines are inherited from no group.
_SHEET = "*{stroke-linejoin: round; stroke-linecap: butt}"
_ENDS = {"butt": b"0 J", "round": b"1 J", "square": b"2 J"}
_JOINS = {"miter": b"0 j", "round": b"1 j", "bevel": b"2 j"}
_STYLES = (
    "fill",
    "stroke",
    "stroke-width",
    "stroke-dasharray",
    "stroke-dashoffset",
    "stroke-linecap",
    "stroke-linejoin",
    "fill-opacity",
    "stroke-opacity",
    "opacity",
)
_START = {"fill": "#000000", "stroke": "none", "stroke-width": "1", "fill-opacity": "1", "stroke-opacity": "1"}


class UnknownSvgError(ValueError):
    """The file says something that this translator does not."""


@dataclass
class Figure:
    """A figure translated: its size in points, and the words of a PDF in pieces.

    A piece is what a PDF says word for word; ``q`` and ``Q`` alone keep and restore the state, and a pair is the
    opacity of fill and of stroke from there on. Both are left to the page, which counts on knowing them.
    """

    width: float
    height: float
    pieces: list[bytes | tuple[float, float]] = field(default_factory=list)

    def get_intrinsic_size(self, image_resolution: Any, font_size: Any) -> tuple[float, float, float]:
        """Return width and height in CSS pixels and their ratio, as the page renderer asks of an image."""
        del image_resolution, font_size
        return self.width * _CSS_PX_PER_PT, self.height * _CSS_PX_PER_PT, self.width / self.height

    def draw(self, stream: Any, width: float, height: float, style: Any) -> None:
        """Write the figure into a page, ``width`` by ``height`` CSS pixels from the current origin."""
        del style
        stream.push_state()
        stream.transform(a=width / self.width, d=height / self.height)
        for piece in self.pieces:
            if piece == b"q":
                stream.push_state()
            elif piece == b"Q":
                stream.pop_state()
            elif isinstance(piece, bytes):
                stream.stream.append(piece)
            else:
                stream.set_alpha(piece[0], stroke=False)
                stream.set_alpha(piece[1], stroke=True)
        stream.pop_state()


def translated(svg: bytes) -> Figure:
    """Return the figure that an SVG file of ours shows. Raises ``UnknownSvgError`` for words it does not know."""
    try:
        root = ElementTree.fromstring(svg)
    except ElementTree.ParseError as error:
        raise UnknownSvgError(str(error)) from None
    sizes = [_LENGTH.match(root.get(name, "")) for name in ("width", "height")]
    if root.tag != f"{_SVG}svg" or None in sizes:
        raise UnknownSvgError("no size in points")
    width, height = (float(found[1]) for found in sizes if found)
    if [float(word) for word in root.get("viewBox", "").split()] != [0.0, 0.0, width, height]:
        raise UnknownSvgError("another box of view")
    figure = Figure(width, height)
    _Translator(root, figure).all()
    return figure


class _Translator:
    def __init__(self, root: ElementTree.Element, figure: Figure) -> None:
        self.root, self.pieces = root, figure.pieces
        self.named = {element.get("id", ""): element for element in root.iter() if element.get("id")}
        self.paths: dict[int, bytes] = {}
        self.looks: dict[tuple[str, ...], tuple[bytes, bytes, tuple[float, float]]] = {}
        self.opacity: tuple[float, float] | None = None

    def all(self) -> None:
        # The limit of a mitred corner is 4 in SVG and 10 in PDF.
        self.pieces.append(b"4 M")
        for child in self.root:
            self.element(child, _START)

    def element(self, element: ElementTree.Element, outer: Mapping[str, str]) -> None:
        tag = element.tag.removeprefix(_SVG)
        if tag in ("title", "metadata"):
            return
        if tag == "defs":
            self.definitions(element)
            return
        draw: Callable[[ElementTree.Element, Mapping[str, str]], None] | None = {
            "g": self.group,
            "use": self.use,
            "path": self.path,
        }.get(tag)
        if draw is None:
            raise UnknownSvgError(tag)
        style = {**outer, **_style(element.get("style", ""))}
        setting = [*_transform(element.get("transform", "")), *self.clip(element.get("clip-path"))]
        if setting:
            self.pieces += [b"q", b" ".join(setting)]
            opacity = self.opacity
        draw(element, style)
        if setting:
            self.pieces.append(b"Q")
            self.opacity = opacity

    def definitions(self, element: ElementTree.Element) -> None:
        for child in element:
            tag = child.tag.removeprefix(_SVG)
            if tag == "style":
                if (child.text or "").strip() != _SHEET:
                    raise UnknownSvgError("another style sheet")
            elif tag not in ("path", "clipPath"):
                raise UnknownSvgError(tag)

    def group(self, element: ElementTree.Element, style: Mapping[str, str]) -> None:
        for child in element:
            self.element(child, style)

    def use(self, element: ElementTree.Element, style: Mapping[str, str]) -> None:
        target = self.named.get(element.get(_HREF, "").removeprefix("#"))
        if target is None or target.tag != f"{_SVG}path" or target.get("clip-path"):
            raise UnknownSvgError("use of something else than a path")
        # What the used path is joined and ended by, it says itself.
        passed = {name: value for name, value in style.items() if not name.startswith("stroke-line")}
        place = [b"1 0 0 1 %s %s cm" % (element.get("x", "0").encode(), element.get("y", "0").encode())]
        if place == [b"1 0 0 1 0 0 cm"]:
            place = []
        self.paint(
            target, {**passed, **_style(target.get("style", ""))}, [*place, *_transform(target.get("transform", ""))]
        )

    def path(self, element: ElementTree.Element, style: Mapping[str, str]) -> None:
        self.paint(element, style, [])

    def paint(self, element: ElementTree.Element, style: Mapping[str, str], place: list[bytes]) -> None:
        key = tuple([style.get(name, "") for name in _STYLES])
        if key not in self.looks:
            self.looks[key] = _look(style)
        look, paint, opacity = self.looks[key]
        if paint == b"n":
            return
        if opacity != self.opacity:
            self.pieces.append(opacity)
            self.opacity = opacity
        if id(element) not in self.paths:
            self.paths[id(element)] = _path(element.get("d", ""))
        self.pieces.append(b" ".join([b"q", *place, look, self.paths[id(element)], paint, b"Q"]))

    def clip(self, url: str | None) -> list[bytes]:
        if url is None:
            return []
        found = _URL.match(url)
        target = self.named.get(found[1]) if found else None
        children = [] if target is None else list(target)
        if len(children) != 1 or children[0].tag != f"{_SVG}rect" or children[0].get("transform"):
            raise UnknownSvgError("clipping by something else than one rectangle")
        sides = [children[0].get(name, "0").encode() for name in ("x", "y", "width", "height")]
        return [*sides, b"re W n"]


@lru_cache(maxsize=1024)
def _style(text: str) -> Mapping[str, str]:
    found = {}
    for pair in filter(None, text.split(";")):
        name, _, value = (part.strip() for part in pair.partition(":"))
        if name not in _STYLES:
            raise UnknownSvgError(name)
        found[name] = value
    return found


def _look(style: Mapping[str, str]) -> tuple[bytes, bytes, tuple[float, float]]:
    """Return what sets colours and lines, what paints, and the opacities of fill and stroke."""
    words = []
    painted = {}
    for name, setter in (("fill", "rg"), ("stroke", "RG")):
        painted[name] = style[name] != "none"
        if painted[name]:
            colour = _COLOUR.match(style[name])
            if colour is None:
                raise UnknownSvgError(f"{name}: {style[name]}")
            words.append(" ".join(_number(int(part, 16) / 255) for part in colour.groups()) + f" {setter}")
    if painted["stroke"]:
        words.append(f"{_number(float(style['stroke-width']))} w")
        words += [
            _word(_ENDS, style.get("stroke-linecap", "butt")),
            _word(_JOINS, style.get("stroke-linejoin", "round")),
        ]
        dashes = style.get("stroke-dasharray", "none")
        if dashes != "none":
            lengths = " ".join(_number(float(part)) for part in dashes.split(","))
            words.append(f"[{lengths}] {_number(float(style.get('stroke-dashoffset', '0')))} d")
    paint = {(True, True): b"B", (True, False): b"f", (False, True): b"S", (False, False): b"n"}
    if float(style.get("opacity", "1")) != 1 and painted["fill"] and painted["stroke"]:
        raise UnknownSvgError("fill and stroke fade together")
    fade = float(style.get("opacity", "1"))
    opacity = (float(style["fill-opacity"]) * fade, float(style["stroke-opacity"]) * fade)
    return " ".join(words).encode(), paint[painted["fill"], painted["stroke"]], opacity


def _number(value: float) -> str:
    """Return a number as a PDF writes it: never with an exponent."""
    return f"{value:.6f}".rstrip("0").rstrip(".")


def _word(words: Mapping[str, bytes], name: str) -> str:
    if name not in words:
        raise UnknownSvgError(name)
    return words[name].decode()


def _transform(text: str) -> list[bytes]:
    """Return the matrices of a list of transformations, the outermost first."""
    found = []
    for name, arguments in _TRANSFORM.findall(text):
        numbers = [float(part) for part in arguments.replace(",", " ").split()]
        if name == "translate" and len(numbers) == 2:
            matrix = (1.0, 0.0, 0.0, 1.0, *numbers)
        elif name == "scale" and len(numbers) in (1, 2):
            matrix = (numbers[0], 0.0, 0.0, numbers[-1], 0.0, 0.0)
        elif name == "rotate" and len(numbers) == 1:
            c, s = math.cos(math.radians(numbers[0])), math.sin(math.radians(numbers[0]))
            matrix = (c, s, -s, c, 0.0, 0.0)
        else:
            raise UnknownSvgError(text)
        found.append(" ".join(_number(number) for number in matrix).encode() + b" cm")
    if _TRANSFORM.sub("", text).strip():
        raise UnknownSvgError(text)
    return found


def _path(data: str) -> bytes:
    """Return path data as a PDF says them; a curve of second order becomes the same curve of third order."""
    words = []
    x = y = 0.0
    if _PATH.sub("", data).strip() or _NO_DIGIT.search(data):
        raise UnknownSvgError("path data")
    for command, arguments in _PATH.findall(data):
        if command == "z":
            words.append("h")
            continue
        numbers = arguments.split()
        if len(numbers) != {"M": 2, "L": 2, "Q": 4, "C": 6}[command]:
            raise UnknownSvgError("path data")
        if command in "ML":
            words.append(f"{numbers[0]} {numbers[1]} {'m' if command == 'M' else 'l'}")
        elif command == "C":
            words.append(" ".join(numbers) + " c")
        else:
            cx, cy, ex, ey = map(float, numbers)
            curve = (x + 2 * (cx - x) / 3, y + 2 * (cy - y) / 3, ex + 2 * (cx - ex) / 3, ey + 2 * (cy - ey) / 3)
            words.append(" ".join(_number(number) for number in curve) + f" {numbers[2]} {numbers[3]} c")
        x, y = float(numbers[-2]), float(numbers[-1])
    return " ".join(words).encode()

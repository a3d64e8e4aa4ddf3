"""Draw a wiring diagram as SVG from its parts and wires: boxes on a grid, right-angled lines, plain black on white."""

from __future__ import annotations

from collections import Counter
from html import escape

from ..procedures.bench import Element, Wire, Wiring

_CELL_X, _CELL_Y = 170.0, 104.0
_BOX_X, _BOX_Y = 108.0, 46.0
_DASH = {"power": "", "signal": ' stroke-dasharray="5 3"', "mechanical": ' stroke-dasharray="1.5 3"'}
_WIDTH = {"power": 1.8, "signal": 1.1, "mechanical": 3.0}


def wiring_svg(wiring: Wiring) -> str:
    """Return the drawing as an SVG element, self-contained, its size in CSS pixels."""
    columns = max(part.column for part in wiring.parts) + 1
    rows = max(part.row for part in wiring.parts) + 1
    width, height = columns * _CELL_X, rows * _CELL_Y + 12
    body = _wires(wiring) + [_part(part) for part in wiring.parts]
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" width="{width:g}" '
        f'height="{height:g}" font-family="IBM Plex Sans, DejaVu Sans" font-size="10" fill="none" stroke="black">'
        + f"<title>{escape(spoken(wiring))}</title>"
        + "".join(body)
        + "</svg>"
    )


def spoken(wiring: Wiring) -> str:
    """Return in words what the drawing shows: each connection, from what to what, and by what."""
    labels = {part.name: part.label for part in wiring.parts}
    wires = [
        f"{labels[wire.start]} to {labels[wire.end]} ({', '.join(filter(None, (wire.label, wire.kind)))})"
        for wire in wiring.wires
    ]
    return f"Wiring: {'; '.join(wires)}."


def _centre(part: Element) -> tuple[float, float]:
    return (part.column + 0.5) * _CELL_X, (part.row + 0.5) * _CELL_Y + 18


def _size(part: Element) -> tuple[float, float]:
    return {"meter": (40.0, 40.0), "fuse": (54.0, 18.0)}.get(part.kind, (_BOX_X, _BOX_Y))


def _part(part: Element) -> str:
    x, y = _centre(part)
    wide, high = _size(part)
    if part.kind == "meter":
        return f'<circle cx="{x:g}" cy="{y:g}" r="20" fill="white" stroke-width="1.4"/>' + _text(x, y, [part.label], 12)
    shape = f'<rect x="{x - wide / 2:g}" y="{y - high / 2:g}" width="{wide:g}" height="{high:g}" fill="white"'
    if part.kind == "fuse":
        line = f'<path d="M{x - wide / 2:g} {y:g} H{x + wide / 2:g}" stroke-width="1.2"/>'
        return shape + ' stroke-width="1.4"/>' + line + _text(x, y - 16, [part.label], 9)
    rounding = ' rx="20"' if part.kind == "machine" else ' rx="2"'
    return shape + rounding + ' stroke-width="1.4"/>' + _text(x, y, _lines(part.label), 9.5)


def _lines(label: str) -> list[str]:
    """Break a label into lines that fit a box."""
    lines = [""]
    for word in label.split():
        if lines[-1] and len(lines[-1]) + len(word) + 1 > 19:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}".strip()
    return lines


def _text(x: float, y: float, lines: list[str], size: float, anchor: str = "middle") -> str:
    top = y - (len(lines) - 1) * size * 0.6 + size * 0.35
    return "".join(
        f'<text x="{x:g}" y="{top + i * size * 1.2:g}" text-anchor="{anchor}" font-size="{size:g}" fill="black" '
        f'stroke="none">{escape(line)}</text>'
        for i, line in enumerate(lines)
    )


def _wires(wiring: Wiring) -> list[str]:
    parts = {part.name: part for part in wiring.parts}
    seen: Counter[frozenset[str]] = Counter()
    returns = 0
    drawn = []
    for wire in wiring.wires:
        start, end = parts[wire.start], parts[wire.end]
        pair = frozenset((wire.start, wire.end))
        if start.row == end.row and (abs(start.column - end.column) > 1 and _between(wiring, start, end)):
            drawn.append(_over(start, end, wire, returns))
            returns += 1
        else:
            drawn.append(_direct(start, end, wire, seen[pair]))
        seen[pair] += 1
    return drawn


def _between(wiring: Wiring, start: Element, end: Element) -> bool:
    low, high = sorted((start.column, end.column))
    return any(part.row == start.row and low < part.column < high for part in wiring.parts)


def _style(wire: Wire) -> str:
    return f'stroke-width="{_WIDTH[wire.kind]:g}"{_DASH[wire.kind]}'


def _over(start: Element, end: Element, wire: Wire, number: int) -> str:
    """Draw a line that passes above the parts between: the way back to the supply."""
    (x1, y1), (x2, y2) = _centre(start), _centre(end)
    top = min(y1, y2) - 46 - 8 * number
    path = f"M{x1:g} {y1 - _size(start)[1] / 2:g} V{top:g} H{x2:g} V{y2 - _size(end)[1] / 2:g}"
    return f'<path d="{path}" {_style(wire)}/>' + _text((x1 + x2) / 2, top - 6, [wire.label], 9)


def _direct(start: Element, end: Element, wire: Wire, number: int) -> str:
    (x1, y1), (x2, y2) = _centre(start), _centre(end)
    if start.row == end.row:
        left, right = ((start, x1), (end, x2)) if x1 < x2 else ((end, x2), (start, x1))
        y = y1 + 12 * number
        a, b = left[1] + _size(left[0])[0] / 2, right[1] - _size(right[0])[0] / 2
        line = f'<path d="M{a:g} {y:g} H{b:g}" {_style(wire)}/>' if not wire.switch else _switched(a, b, y, wire)
        return line + _text((a + b) / 2, y - 9, _lines(wire.label) if (b - a) > 70 else _short(wire.label, b - a), 8.5)
    if start.column == end.column:
        upper, lower = (start, end) if y1 < y2 else (end, start)
        x = x1 + 14 * number
        a, b = _centre(upper)[1] + _size(upper)[1] / 2, _centre(lower)[1] - _size(lower)[1] / 2
        # Words stand to the left of the line: the right edge of the sheet may be near.
        words = _text(x - 6, (a + b) / 2, _lines(wire.label), 8.5, "end")
        return f'<path d="M{x:g} {a:g} V{b:g}" {_style(wire)}/>' + words
    path = f"M{x1:g} {y1:g} V{(y1 + y2) / 2 + 6 * number:g} H{x2:g} V{y2:g}"
    return f'<path d="{path}" {_style(wire)}/>' + _text(
        (x1 + x2) / 2, (y1 + y2) / 2 - 6 + 6 * number, [wire.label], 8.5
    )


def _switched(a: float, b: float, y: float, wire: Wire) -> str:
    """Draw a wire with an open contact in its middle, and its name below (IEC 60617, make contact)."""
    left, right = (a + b) / 2 - 13, (a + b) / 2 + 13
    contact = f"M{a:g} {y:g} H{left:g} L{right - 3:g} {y - 11:g} M{right:g} {y:g} H{b:g}"
    ends = "".join(f'<circle cx="{x:g}" cy="{y:g}" r="2" fill="black" stroke="none"/>' for x in (left, right))
    return f'<path d="{contact}" {_style(wire)}/>{ends}' + _text((a + b) / 2, y + 13, ["Switch", "in reach"], 8)


def _short(label: str, room: float) -> list[str]:
    """Break a label for a short wire."""
    lines = [""]
    for word in label.split():
        if lines[-1] and (len(lines[-1]) + len(word) + 1) * 4.6 > max(room + 8, 40):
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}".strip()
    return lines

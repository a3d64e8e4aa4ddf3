"""Figures put into a page by our translation show what the general renderer shows.

Source: the page description operators of ISO 32000-1, 8.5; WeasyPrint's own SVG renderer draws the same files, and an
interpreter of both page contents compares every painted path: its points on the page, colours, line and opacity.
"""

from __future__ import annotations

import contextlib
import io
from dataclasses import dataclass, replace

import numpy as np
import pikepdf
import pytest
import weasyprint

from rotorproof.procedures.base import Axis, Field, Panel, Series
from rotorproof.rendering.figures import svg
from rotorproof.rendering.vector import UnknownSvgError, translated

_TIME, _VOLTAGE = Axis("Time", "time", "ms"), Axis("Voltage", "voltage", "V")
_X = np.linspace(0, 0.02, 240)


def _panel(form: str = "points", **more: object) -> Panel:
    series = [
        Series("readings", _X[:30], np.sin(400 * _X[:30]), y_error=np.full(30, 0.05)),
        Series("dense readings", _X, np.cos(400 * _X)),
        Series("outliers", _X[:3], np.array([0.5, 0.7, -0.9]), "left out"),
        Series("fit of the readings", _X, np.sin(400 * _X), "fit"),
        Series("limit", np.zeros(1), np.full(1, 0.8), "limit"),
    ]
    facts = {"series": series, "residuals": series[:1], "residual_axis": _VOLTAGE} | more
    return Panel("p", "Ünlikely µ-title", _TIME, _VOLTAGE, caption="", drawing=form, **facts)  # type: ignore[arg-type]


_GRID = Field(
    _VOLTAGE, np.linspace(0, 0.02, 9), np.linspace(-1, 1, 8), np.outer(np.linspace(1, 2, 8), np.linspace(3, 5, 9))
)
_MAP = _panel("map", field=_GRID, residuals=[], series=[Series("points", _X[::40], np.sin(_X[::40] * 99))])
_LEVELS = _panel(
    "levels", residuals=[], series=[Series(name, _X, (np.sin(9e2 * _X + k) > 0) * 1.0) for k, name in enumerate("abc")]
)


@dataclass(frozen=True)
class _State:
    matrix: tuple[float, ...] = (1, 0, 0, 1, 0, 0)
    fill: tuple[float, ...] = (0, 0, 0)
    stroke: tuple[float, ...] = (0, 0, 0)
    line: tuple[float, ...] = (1, 0, 0)
    dashes: tuple[float, ...] = ()
    opacity: tuple[float, float] = (1, 1)


def _times(m: tuple[float, ...], n: tuple[float, ...]) -> tuple[float, ...]:
    a, b = (np.array([[k[0], k[1], 0], [k[2], k[3], 0], [k[4], k[5], 1]]) for k in (m, n))
    return tuple((a @ b)[:, :2].ravel())


def _painted(pdf: bytes) -> list[tuple[str, np.ndarray, tuple[float, ...]]]:  # noqa: PLR0912 (one branch an operator)
    """Return every painted path of the first page: how, its points on the page, and how it looks."""
    with pikepdf.open(io.BytesIO(pdf)) as document:
        page = document.pages[0]
        opacities = {str(k): dict(v) for k, v in page.get("/Resources", {}).get("/ExtGState", {}).items()}
        found, kept, state = [], [], _State()
        points: list[tuple[float, float]] = []
        word = ""
        for operands, operator in pikepdf.parse_content_stream(page):
            name = str(operator)
            numbers = tuple(float(o) for o in operands if not isinstance(o, pikepdf.Array | pikepdf.Name))
            if name == "q":
                kept.append(state)
            elif name == "Q":
                state = kept.pop()
            elif name == "cm":
                state = replace(state, matrix=_times(numbers, state.matrix))
            elif name in ("rg", "RG"):
                state = replace(state, **{"fill" if name == "rg" else "stroke": numbers})
            elif name in ("w", "J", "j"):
                line = list(state.line)
                line["wJj".index(name)] = numbers[0]
                state = replace(state, line=tuple(line))
            elif name == "d":
                lengths = [float(length) for length in operands[0]]
                state = replace(state, dashes=(*lengths, *numbers) if lengths else ())
            elif name == "gs":
                entry = opacities[str(operands[0])]
                fill, stroke = state.opacity
                state = replace(state, opacity=(float(entry.get("/ca", fill)), float(entry.get("/CA", stroke))))
            elif name == "m" and word.endswith("m"):
                points[-1] = (numbers[0], numbers[1])  # a second start takes the place of the first
            elif name in ("m", "l", "c", "h"):
                word += name
                points += zip(numbers[::2], numbers[1::2], strict=True)
            elif name == "re":
                x, y, w, h = numbers
                if w == h == 0:
                    continue
                word += "re"
                points += [(x, y), (x + w, y), (x + w, y + h), (x, y + h)]
            elif name in ("f", "S", "B", "n"):
                placed = [_times((1, 0, 0, 1, *point), state.matrix)[4:] for point in points]
                scale = np.sqrt(abs(np.linalg.det(np.reshape(state.matrix[:4], (2, 2)))))
                look: tuple[float, ...] = ()
                if name in "fB":
                    look += (*state.fill, state.opacity[0])
                if name in "SB":
                    look += (*state.stroke, state.opacity[1], state.line[0] * scale, *state.line[1:])
                    look += tuple(scale * d for d in state.dashes)
                if len(set(placed)) > 1:  # neither the outline of a space nor a path of no points
                    found.append((word + name, np.array(placed), look))
                word, points = "", []
        return found


def _pdf(content: bytes, *, ours: bool) -> bytes:
    size = "@page { size: 200mm 110mm; margin: 5mm } img { width: 180mm; display: block }"
    cache = {"figure:a": translated(content)} if ours else {}
    fetcher = {"figure:a": content}

    class Fetcher(weasyprint.urls.URLFetcher):
        def fetch(self, url: str, headers: object = None) -> object:
            return weasyprint.urls.URLFetcherResponse(url, body=fetcher[url], headers={"Content-Type": "image/svg+xml"})

    html = weasyprint.HTML(string=f"<style>{size}</style><img src='figure:a' alt='x'>", url_fetcher=Fetcher())
    return html.write_pdf(cache=cache)  # type: ignore[no-any-return]


@pytest.mark.parametrize(
    "panel", [_panel(), _panel(residuals=[]), _MAP, _LEVELS], ids=["points", "plain", "map", "levels"]
)
def test_translation_paints_what_the_general_renderer_paints(panel: Panel) -> None:
    content = svg(panel)
    ours, theirs = (_painted(_pdf(content, ours=which)) for which in (True, False))
    assert len(ours) > 80
    assert [word for word, _, _ in ours] == [word for word, _, _ in theirs]
    for (_, points, look), (_, other_points, other_look) in zip(ours, theirs, strict=True):
        np.testing.assert_allclose(points, other_points, atol=2e-3)  # points of 1/72 inch
        np.testing.assert_allclose(look, other_look, atol=2e-3)


@pytest.mark.parametrize(
    ("words", "other"),
    [
        (b"stroke-linejoin: round; stroke-linecap: butt", b"stroke-linejoin: bevel"),
        (b"<g ", b"<g filter='url(#a)'><text/></g><g "),
        (b"fill: none", b"fill: url(#pattern)"),
        (b'"M ', b'"A '),
        (b"viewBox", b"box"),
        (b"</svg>", b""),
    ],
)
def test_a_file_with_other_words_is_left_to_the_general_renderer(words: bytes, other: bytes) -> None:
    content = svg(_panel())
    assert words in content
    with pytest.raises(UnknownSvgError):
        translated(content.replace(words, other))


def test_numbers_of_a_page_have_no_exponent() -> None:
    for piece in translated(svg(_panel())).pieces:
        if isinstance(piece, bytes):
            for part in piece.split():
                with contextlib.suppress(ValueError):
                    float(part)
                    assert b"e" not in part.lower()

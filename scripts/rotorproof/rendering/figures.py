"""Draw panels as SVG files whose bytes depend on the panel alone."""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any, cast

from ..fitting.stored import StoredPanel
from ..jsonio import write_bytes
from ..procedures.base import Axis, Panel
from ..signs import unit_text
from .style import FALLBACK_FAMILY, FONT_FAMILY, INK, MUTED, RULE, font_files

#: The text width of a report page, and that of a figure of which two stand side by side: figures are drawn in their
#: printed size.
WIDTH_MM, HALF_MM = 180.0, 88.0
#: A figure with more series, or whose names of series fill more rows, takes the whole width.
_MOST_IN_HALF, _MOST_ROWS_IN_HALF = 6, 4
_MM_PER_INCH = 25.4
#: Where an SVG of the library holds lengths in points (but for its own size, which says "pt"), and a number with more
#: decimals than two.
_LENGTHS = re.compile(r'( (?:d|x|y|width|height)="|translate\()([^")p]*)(["\)])')
_NUMBER = re.compile(r"-?\d+\.\d{3,}")
#: A name that the library made by hashing, and where it is given or used.
_HASHED = re.compile(r' id="(?=([a-zA-Z]))([a-zA-Z][0-9a-f]{10})"')
_REFERENCE = re.compile(r'( id="|"#|url\(#)([a-zA-Z][0-9a-f]{10})(["\)])')
_POINTS_PER_INCH = 72


def figure_name(label: str, panel: str) -> str:
    """Return the file name of a panel of what was made under a label."""
    return f"{label}-{panel}.svg"


def is_wide(form: str, labels: Sequence[str]) -> bool:
    """Tell whether a figure with these series takes the whole width of a page; the others stand two to a row."""
    from .drawings.common import legend_columns

    labels = list(dict.fromkeys(labels))
    rows = 0 if form == "intervals" else -(-len(labels) // legend_columns(labels, HALF_MM))
    return form == "levels" or len(labels) > _MOST_IN_HALF or rows > _MOST_ROWS_IN_HALF


def legend_labels(panel: Panel) -> list[str]:
    """Return what a legend names: of figures that overlay units, those."""
    from .drawings.common import unit_of

    return [one.label if one.group is None else unit_of(one.label) for one in panel.series]


def draw(panel: Panel, path: Path) -> None:
    """Draw one panel to an SVG file, whole or not at all."""
    write_bytes(path, svg(panel))


def svg(panel: Panel) -> bytes:
    """Return a panel as SVG, letters as outlines so that it looks the same on every computer."""
    import warnings

    import matplotlib as mpl
    from matplotlib.figure import Figure

    from .drawings import DRAWINGS

    drawing = DRAWINGS[panel.drawing]
    width = WIDTH_MM if is_wide(panel.drawing, legend_labels(panel)) else HALF_MM
    with mpl.rc_context(), warnings.catch_warnings():
        mpl.rcdefaults()  # whatever this computer's own settings are
        mpl.rcParams.update(cast("Any", _settings()))  # the library types its keys one by one
        _use_our_fonts()
        # A letter that neither family has is drawn as a box; that is what the reader should see, not a failed job.
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        size = (width / _MM_PER_INCH, drawing.height(panel) / _MM_PER_INCH)
        figure = Figure(figsize=size, layout="constrained", dpi=_POINTS_PER_INCH)
        canvas = _canvas_class()(figure)
        drawing.draw(figure, panel)
        buffer = io.BytesIO()
        about = {"Title": panel.title, "Date": None, "Creator": None, "Format": None, "Type": None}
        # The general way to save draws everything twice, the first time for the room that labels take only.
        canvas.print_svg(buffer, metadata=about)
    return _portable(buffer.getvalue().decode()).encode()


@cache
def _canvas_class() -> Any:
    """Return the canvas for SVG that measures text, for the room it needs, by one renderer for all figures.

    The library would make one for each figure, and measure each text anew.
    """
    from matplotlib.backends.backend_svg import FigureCanvasSVG, RendererSVG

    class Canvas(FigureCanvasSVG):
        ruler = RendererSVG(1, 1, io.StringIO(), image_dpi=_POINTS_PER_INCH)

        def get_renderer(self) -> Any:
            return self.ruler

    return Canvas


def _portable(figure: str) -> str:
    """Return an SVG whose lengths end at a hundredth of a point, far below what print shows.

    The digits after are the processor's, and the library's names for what is used many times are hashes of all digits.
    """
    figure = _LENGTHS.sub(lambda found: found[1] + _NUMBER.sub(_shortened, found[2]) + found[3], figure)
    numbered: dict[str, str] = {}
    for letter, name in _HASHED.findall(figure):
        numbered.setdefault(name, f"{letter}{len(numbered) + 1}")
    return _REFERENCE.sub(lambda found: found[1] + numbered.get(found[2], found[2]) + found[3], figure)


def _shortened(number: re.Match[str]) -> str:
    text = f"{float(number[0]):.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def alt_text(panel: StoredPanel) -> str:
    """Return a description in words of a panel as the fit describes it, for readers who cannot see it."""
    x, y = panel.x, panel.y
    shows = {
        "points": f"{_axis(y)} against {_axis(x)}",
        "bars": f"Bars of {_axis(y)} over {_axis(x)}",
        "levels": f"Traces one above the other over {_axis(x)}",
        "intervals": f"Values of {_axis(x)} side by side, each with its interval",
    }.get(panel.drawing, f"{_axis(y)} over {_axis(x)}")
    by_role: dict[str, list[str]] = {}
    for series in panel.series:
        by_role.setdefault(series.role, []).append(series.label)
    words = {
        "measured": "Measured",
        "fit": "Fitted",
        "model": "Model",
        "left out": "Left out of the fit",
        "limit": "Limit",
    }
    parts = [f"{words[role]}: {', '.join(labels)}." for role, labels in by_role.items()]
    if panel.residuals and panel.residual_axis:
        parts.append(f"Below: residuals ({_axis(panel.residual_axis)}).")
    return " ".join([f"{panel.title}. {shows}.", *parts, panel.caption]).strip()


def _axis(axis: Axis) -> str:
    unit = unit_text(axis.unit)
    return f"{axis.title.lower()} in {unit}" if unit else axis.title.lower()


def _settings() -> dict[str, Any]:
    return {
        "svg.hashsalt": "rotorproof",
        "svg.fonttype": "path",
        "font.family": [FONT_FAMILY, FALLBACK_FAMILY],
        "font.size": 7.5,
        "text.parse_math": False,  # a label is text, whatever characters it holds
        "text.color": INK,
        "axes.labelcolor": INK,
        "axes.edgecolor": MUTED,
        "axes.linewidth": 0.6,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "axes.grid": True,
        "axes.axisbelow": True,
        "axes.formatter.useoffset": False,
        "axes.formatter.limits": (-4, 6),
        "axes.xmargin": 0.03,
        "axes.ymargin": 0.06,
        "grid.color": RULE,
        "grid.linewidth": 0.4,
        "xtick.color": MUTED,
        "ytick.color": MUTED,
        "xtick.labelcolor": INK,
        "ytick.labelcolor": INK,
        "xtick.major.width": 0.6,
        "ytick.major.width": 0.6,
        "xtick.major.size": 3,
        "ytick.major.size": 3,
        "legend.fontsize": 7.5,
        "legend.handlelength": 2.6,
        "legend.columnspacing": 1.4,
        "hatch.linewidth": 0.6,
        "figure.constrained_layout.h_pad": 0.02,
        "figure.constrained_layout.w_pad": 0.02,
    }


@cache
def _use_our_fonts() -> None:
    """Make the two families mean our files, not those this computer may have under the same names."""
    from matplotlib.font_manager import fontManager

    ours = {FONT_FAMILY, FALLBACK_FAMILY}
    fontManager.ttflist[:] = [entry for entry in fontManager.ttflist if entry.name not in ours]
    for file in font_files():
        fontManager.addfont(file.path)

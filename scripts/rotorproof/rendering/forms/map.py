"""Lines of equal value of a field over its grid, with readings and limits drawn on top."""

from __future__ import annotations

from typing import Any

import numpy as np

from ...procedures.base import Panel
from ..style import INK
from ..symbols import axis_label
from .common import legend, looks, shown, y_label
from .points import draw_series

#: Lines of equal value where the panel names none.
_LEVELS = 9


def height(panel: Panel) -> float:
    """Return the height of the figure in millimetres."""
    del panel
    return 72.0


def draw(figure: Any, panel: Panel) -> None:
    """Draw the panel into an empty figure. Raises ``ValueError`` if it has no field."""
    if panel.field is None:
        raise ValueError(f"the map {panel.name!r} has no field")
    axes = figure.subplots()
    field = panel.field
    z = np.ma.masked_invalid(shown(field.z, field.axis))
    x, y = shown(field.x, panel.x), shown(field.y, panel.y)
    if z.count() and min(z.shape) > 1:
        wanted: Any = np.unique(shown(np.asarray(field.levels), field.axis)) if len(field.levels) else _LEVELS
        lines = axes.contour(x, y, z, levels=wanted, colors=INK, linewidths=0.6, zorder=2)
        # Greys by rank, light enough for lines, markers and labels to stay readable in print.
        greys = [str(round(grey, 3)) for grey in np.linspace(0.98, 0.74, len(lines.levels) + 1)]
        axes.contourf(x, y, z, levels=lines.levels, colors=greys, extend="both", zorder=1)
        for text in axes.clabel(lines, fontsize=7, fmt=lambda value: f"{value:g}"):
            text.set_clip_on(False)  # a number at the edge is whole, or it is another number
    axes.set_title(f"Lines: {axis_label(field.axis.title, field.axis.unit)}", fontsize=7.5, loc="right")
    for series, look in zip(panel.series, looks(panel.series), strict=True):
        draw_series(axes, series, look, panel.x, panel.y)
    axes.set_xlabel(axis_label(panel.x.title, panel.x.unit))
    axes.set_ylabel(y_label(axis_label(panel.y.title, panel.y.unit), 0.7 * height(panel)))
    axes.grid(visible=False)
    legend(figure, axes)

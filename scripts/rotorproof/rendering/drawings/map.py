"""Lines of equal value of a field over its grid, with readings and limits drawn on top."""

from __future__ import annotations

from typing import Any

import numpy as np

from ...procedures.base import Panel
from ..style import INK
from ..symbols import axis_label
from .common import hold_ticks, legend, looks, shown, y_label
from .points import draw_series, name_alone

#: Lines of equal value where the panel names none.
_LEVELS = 9
#: Shares of the axes: no number stands nearer to an edge, or to another; and points that a line needs to bear one.
_EDGE, _APART, _SHORT = 0.07, 0.09, 4


def height(panel: Panel) -> float:
    """Return the height of the figure in millimetres."""
    del panel
    return 64.0


def draw(figure: Any, panel: Panel) -> None:
    """Draw the panel into an empty figure. Raises ``ValueError`` if it has no field."""
    if panel.field is None:
        raise ValueError(f"the map {panel.name!r} has no field")
    axes = figure.subplots()
    field = panel.field
    numbers = np.zeros((0, 2))
    z = np.ma.masked_invalid(shown(field.z, field.axis))
    x, y = shown(field.x, panel.x), shown(field.y, panel.y)
    if z.count() and min(z.shape) > 1:
        wanted: Any = np.unique(shown(np.asarray(field.levels), field.axis)) if len(field.levels) else _LEVELS
        lines = axes.contour(x, y, z, levels=wanted, colors=INK, linewidths=0.6, zorder=2)
        # Greys by rank, light enough for lines, markers and labels to stay readable in print.
        greys = [str(round(grey, 3)) for grey in np.linspace(0.98, 0.74, len(lines.levels) + 1)]
        axes.contourf(x, y, z, levels=lines.levels, colors=greys, extend="both", zorder=1)
        places = _places(lines, x, y)
        if places:
            numbers = np.array(places)
            for text in axes.clabel(lines, fontsize=7, fmt=lambda value: f"{value:g}", manual=places):
                text.set_clip_on(False)  # a number at the edge is whole, or it is another number
    axes.set_title(f"Lines: {axis_label(field.axis.title, field.axis.unit)}", fontsize=7.5, loc="right")
    axes.set_xlim(float(x.min()), float(x.max()))
    axes.set_ylim(float(y.min()), float(y.max()))
    named = [
        line
        for series, look in zip(panel.series, looks(panel.series), strict=True)
        if (line := draw_series(axes, series, look, panel.x, panel.y)) is not None
    ]
    hold_ticks(axes)
    name_alone(figure, axes, panel, named, numbers)
    axes.set_xlabel(axis_label(panel.x.title, panel.x.unit))
    axes.set_ylabel(y_label(axis_label(panel.y.title, panel.y.unit), 0.7 * height(panel)))
    axes.grid(visible=False)
    legend(figure, axes)


def _places(lines: Any, x: np.ndarray, y: np.ndarray) -> list[tuple[float, float]]:
    """Return where each line's number stands: well within the axes, and away from the numbers before it."""
    across, up = float(np.ptp(x)), float(np.ptp(y))
    found: list[np.ndarray] = []
    for path in lines.get_paths():
        at = (path.vertices - [x.min(), y.min()]) / [across, up]
        within = np.all((at > _EDGE) & (at < 1 - _EDGE), axis=1)
        if within.sum() < _SHORT:
            continue
        at = at[within]
        # Rounded: computers may differ in the last digits, and none of that may choose a place.
        away = np.round([min((np.hypot(*(one - other)) for other in found), default=1.0) for one in at], 3)
        centred = np.round(-np.abs(at[:, 0] - 0.5), 3)
        best = np.lexsort((-centred, -np.minimum(away, 0.25)))[0]
        if away[best] >= _APART:
            found.append(at[best])
    return [(float(one[0] * across + x.min()), float(one[1] * up + y.min())) for one in found]

"""Bars side by side at each x (harmonics, losses), told apart by hatching as well as by colour."""

from __future__ import annotations

from typing import Any

import numpy as np

from ...procedures.base import Panel, Series
from .. import drawn_points
from ..style import INK
from ..symbols import axis_label
from .common import Look, legend, looks, shown, shown_spread, thinned_label, y_label
from .points import draw_limit

#: Up to this many places each gets its tick; beyond, the axis chooses.
_TICKS = 24
#: More bars than this would be thinner than a line: the tallest of each column of the figure stand as lines instead.
_MOST_BARS = 200


def height(panel: Panel) -> float:
    """Return the height of the figure in millimetres."""
    del panel
    return 46.0


def draw(figure: Any, panel: Panel) -> None:
    """Draw the panel into an empty figure."""
    axes = figure.subplots()
    standing = [(s, look) for s, look in zip(panel.series, looks(panel.series), strict=True) if s.role != "limit"]
    places = np.unique(np.concatenate([shown(s.x, panel.x) for s, _ in standing])) if standing else np.zeros(0)
    places = places[np.isfinite(places)]
    pitch = float(np.diff(places).min()) if len(places) > 1 else 1.0
    width = 0.8 * pitch / max(1, len(standing))
    for number, (series, look) in enumerate(standing):
        if len(places) > _MOST_BARS:
            _spikes(axes, panel, series, look)
            continue
        x = shown(series.x, panel.x) + (number - 0.5 * (len(standing) - 1)) * width
        error = None if series.y_error is None else shown_spread(series.y_error, panel.y)
        axes.bar(
            x,
            shown(series.y, panel.y),
            width,
            yerr=error,
            label=series.label,
            color="white" if look.hatch else look.colour,
            edgecolor=look.colour,
            hatch=look.hatch,
            linewidth=0.7,
            error_kw={"elinewidth": 0.8, "capsize": 2, "ecolor": INK},
        )
    for series in panel.series:
        if series.role == "limit":
            draw_limit(axes, series.label, shown(series.x, panel.x), shown(series.y, panel.y))
    if len(places) == 1:
        # One place alone: leave room beside it, or its bars would fill the figure.
        axes.set_xlim(places[0] - 2 * pitch, places[0] + 2 * pitch)
    axes.axhline(0, color=INK, linewidth=0.6)
    if 0 < len(places) <= _TICKS:
        axes.set_xticks(places, [f"{place:g}" for place in places])
    axes.grid(visible=False, axis="x")
    axes.set_xlabel(axis_label(panel.x.title, panel.x.unit))
    axes.set_ylabel(y_label(axis_label(panel.y.title, panel.y.unit), 0.7 * height(panel)))
    legend(figure, axes)


def _spikes(axes: Any, panel: Panel, series: Series, look: Look) -> None:
    x, y = shown(series.x, panel.x), shown(series.y, panel.y)
    kept = drawn_points.chosen(x, y, 2 * _MOST_BARS)
    # One line that is lifted between the spikes: a thousandth of the work of as many bars.
    none = np.full(len(kept), np.nan)
    across, up = np.stack([x[kept], x[kept], none]), np.stack([np.zeros(len(kept)), y[kept], none])
    label = thinned_label(series.label, len(kept), len(x))
    axes.plot(across.T.ravel(), up.T.ravel(), color=look.colour, linestyle=look.dash, linewidth=1.2, label=label)
    if y.min(initial=0.0) >= 0:
        axes.set_ylim(bottom=0)

"""Values of one quantity side by side, each with its interval in a lane of its own; what is fitted lies behind all."""

from __future__ import annotations

import textwrap
from typing import Any

import numpy as np

from ...procedures.base import Panel
from ..style import INK, MUTED, ZONE
from ..symbols import axis_label
from .common import hold_ticks, shown, shown_spread

_LANE_LETTERS = 26


def height(panel: Panel) -> float:
    """Return the height of the figure in millimetres."""
    return 14.0 + 7.0 * max(2, len(panel.series))


def draw(figure: Any, panel: Panel) -> None:
    """Draw the panel into an empty figure: a fit as a band from its least to its largest value, around the middle."""
    axes = figure.subplots()
    lanes = np.arange(len(panel.series), 0.0, -1.0)
    for lane, series in zip(lanes, panel.series, strict=True):
        x = shown(series.x, panel.x)
        if series.role == "fit":
            x = x[np.isfinite(x)]
            if not len(x):
                continue
            low, middle, high = np.sort(x)[[0, len(x) // 2, -1]]
            axes.axvspan(low, high, color=ZONE, linewidth=0, zorder=1)
            axes.axvline(middle, color=MUTED, linewidth=0.8, linestyle=(0, (4, 2)), zorder=2)
            axes.plot([low, high], [lane, lane], color=INK, linewidth=1.6, marker="|", markersize=6, zorder=3)
            axes.plot([middle], [lane], "D", color=INK, markersize=4, zorder=4)
            continue
        half = np.zeros(len(x)) if series.y_error is None else shown_spread(series.y_error, panel.x)
        axes.errorbar(
            x, np.full(len(x), lane), xerr=half, fmt="o", color=INK, markersize=4, elinewidth=1.0, capsize=3, zorder=3
        )
    axes.set_yticks(lanes, [textwrap.fill(series.label, _LANE_LETTERS) for series in panel.series])
    axes.tick_params(axis="y", length=0)
    axes.set_ylim(0.4, len(panel.series) + 0.6)
    axes.grid(visible=False, axis="y")
    axes.xaxis.get_major_locator().set_params(nbins=6)
    axes.set_xlabel(axis_label(panel.x.title, panel.x.unit))
    hold_ticks(axes)

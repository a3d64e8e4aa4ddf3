"""Readings as markers with error bars, fits as lines, residuals below on the same x axis."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from ...procedures.base import Axis, Panel, Series
from ...procedures.base import drawn as evenly
from .. import drawn_points
from ..style import INK, LEFT_OUT, LIMIT
from ..symbols import axis_label
from .common import Look, legend, looks, shown, shown_spread, thinned_label, y_label

#: More error bars than this would be a grey field.
_ERROR_BARS = 40
_SINGLE = 1


def height(panel: Panel) -> float:
    """Return the height of the figure in millimetres."""
    return 62.0 if panel.residuals else 50.0


def draw(figure: Any, panel: Panel) -> None:
    """Draw the panel into an empty figure."""
    if panel.residuals and panel.residual_axis:
        main, rest = figure.subplots(2, 1, sharex=True, height_ratios=[3, 1.1])
    else:
        main, rest = figure.subplots(), None
    styles = looks(panel.series)
    for series, look in zip(panel.series, styles, strict=True):
        draw_series(main, series, look, panel.x, panel.y)
    room = 0.55 * height(panel) if rest is not None else 0.75 * height(panel)
    main.set_ylabel(y_label(axis_label(panel.y.title, panel.y.unit), room))
    bottom = main
    if rest is not None and panel.residual_axis is not None:
        bottom = rest
        by_label = {series.label: look for series, look in zip(panel.series, styles, strict=True)}
        for series, own in zip(panel.residuals, looks(panel.residuals), strict=True):
            draw_series(rest, series, by_label.get(series.label, own), panel.x, panel.residual_axis)
        rest.axhline(0, color=INK, linewidth=0.6, zorder=1)
        rest.set_ylabel(y_label(axis_label(panel.residual_axis.title, panel.residual_axis.unit), 0.25 * height(panel)))
    if panel.x.kind == "number":
        bottom.xaxis.get_major_locator().set_params(integer=True)
    bottom.set_xlabel(axis_label(panel.x.title, panel.x.unit))
    legend(figure, main)
    if rest is not None:
        figure.align_ylabels([main, rest])


def marker_size(points: int) -> float:
    """Return a marker's size in points: the more there are, the smaller."""
    for most, size in ((60, 4.4), (300, 3.0), (1000, 1.9)):
        if points <= most:
            return size
    return 1.3


def draw_series(axes: Any, series: Series, look: Look, x_axis: Axis, y_axis: Axis) -> None:
    """Draw one series by its role."""
    x, y = shown(series.x, x_axis), shown(series.y, y_axis)
    if series.role == "limit":
        draw_limit(axes, series.label, x, y)
    elif series.role in ("fit", "model"):
        _line(axes, series, look, x, y)
    else:
        error = None if series.y_error is None else shown_spread(series.y_error, y_axis)
        _markers(axes, series, look, x, y, error)


def _markers(axes: Any, series: Series, look: Look, x: np.ndarray, y: np.ndarray, error: np.ndarray | None) -> None:
    finite = np.isfinite(x) & np.isfinite(y)
    x, y = x[finite], y[finite]
    drawn = drawn_points.chosen(x, y)
    label = thinned_label(_role_label(series), len(drawn), len(x))
    out = series.role == "left out"
    colour, marker = (LEFT_OUT, "x") if out else (look.colour, look.marker)
    size = marker_size(len(drawn))
    if error is not None and not out and len(x) <= drawn_points.MAXIMUM_POINTS:
        axes.errorbar(
            x,
            y,
            yerr=error[finite],
            errorevery=max(1, math.ceil(len(x) / _ERROR_BARS)),
            fmt="none",
            ecolor=colour,
            elinewidth=0.7,
            capsize=2,
            capthick=0.7,
            zorder=2,
        )
    if len(drawn) < len(x) and np.all(np.diff(x) >= 0):
        # A dense record: the line between the extremes of each column fills the band that the readings fill.
        axes.plot(x[drawn], y[drawn], color=colour, linewidth=0.5, alpha=0.55, label=label, zorder=2)
        return
    # White edges keep neighbours apart in print; tiny markers have no room for them.
    edge = "white" if size > 2 and marker != "x" else colour
    axes.plot(
        x[drawn],
        y[drawn],
        linestyle="none",
        marker=marker,
        markersize=size,
        markerfacecolor=colour,
        markeredgecolor=edge,
        markeredgewidth=0.4 if edge == "white" else 0.8 if marker == "x" else 0,
        label=label,
        zorder=1.5 if out else 5 if size > 2 else 3,
    )


def _line(axes: Any, series: Series, look: Look, x: np.ndarray, y: np.ndarray) -> None:
    total = len(x)
    if total > 2 * drawn_points.MAXIMUM_POINTS:
        finite = np.isfinite(x) & np.isfinite(y)
        x, y = x[finite], y[finite]
        forward = bool(np.all(np.diff(x) >= 0))
        drawn = drawn_points.chosen(x, y) if forward else evenly(len(x), drawn_points.MAXIMUM_POINTS)
        x, y = x[drawn], y[drawn]
    if total == _SINGLE:
        axes.plot(
            x, y, "D", markersize=6, markerfacecolor="none", markeredgecolor=look.colour, label=series.label, zorder=6
        )
        return
    width = 1.2 if series.role == "fit" else 1.0
    axes.plot(
        x,
        y,
        linestyle=look.dash,
        linewidth=width,
        color=look.colour,
        label=thinned_label(series.label, len(x), total),
        zorder=6,
    )


def draw_limit(axes: Any, label: str, x: np.ndarray, y: np.ndarray) -> None:
    """Draw a limit as a line across: one point stands for the whole width."""
    style = {"color": LIMIT, "linestyle": (0, (6, 2, 1, 2)), "linewidth": 1.1, "label": label, "zorder": 5}
    if len(x) == _SINGLE:
        axes.axhline(float(y[0]), **style)
    else:
        axes.plot(x, y, **style)


def _role_label(series: Series) -> str:
    if series.role != "left out" or "left out" in series.label:
        return series.label
    return f"{series.label} (left out of the fit)" if series.label else "left out of the fit"

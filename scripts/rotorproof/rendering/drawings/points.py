"""Readings as markers with error bars, fits as lines, residuals below on the same x axis."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from ...procedures.base import Axis, Panel, Series
from ...procedures.base import drawn as evenly
from .. import drawn_points
from ..style import INK, LEFT_OUT, LIMIT
from ..symbols import axis_label
from .common import Look, hold_ticks, legend, looks, shown, shown_spread, thinned_label, unit_of, y_label
from .direct import Named, name_lines

#: More error bars than this would be a grey field.
_ERROR_BARS = 40
#: More readings left out than this, in the order of x, would be a bar: a thin line stands for them.
_MOST_LEFT_OUT = 60
#: Readings further apart than so many times their usual distance are not joined.
_GAP = 6.0
_NOTHING = np.zeros((0, 2))
_DOTTED = (0, (1, 1.2))
_SINGLE = 1


def height(panel: Panel) -> float:
    """Return the height of the figure in millimetres."""
    return 53.0 if panel.residuals else 46.0


def draw(figure: Any, panel: Panel) -> None:
    """Draw the panel into an empty figure."""
    if panel.residuals and panel.residual_axis:
        main, rest = figure.subplots(2, 1, sharex=True, height_ratios=[3, 1.1])
    else:
        main, rest = figure.subplots(), None
    styles = looks(panel.series)
    lines = [
        line
        for series, look in zip(panel.series, styles, strict=True)
        if (line := draw_series(main, series, look, panel.x, panel.y)) is not None
    ]
    room = 0.55 * height(panel) if rest is not None else 0.75 * height(panel)
    main.set_ylabel(y_label(axis_label(panel.y.title, panel.y.unit), room))
    bottom = main
    if rest is not None and panel.residual_axis is not None:
        bottom = rest
        by_label = {series.label: look for series, look in zip(panel.series, styles, strict=True)}
        for series, own in zip(panel.residuals, looks(panel.residuals), strict=True):
            draw_series(rest, series, by_label.get(series.label, own), panel.x, panel.residual_axis)
        rest.axhline(0, color=INK, linewidth=0.6, zorder=1)
        rest.yaxis.get_major_locator().set_params(nbins=2)
        rest.set_ylabel(y_label(axis_label(panel.residual_axis.title, panel.residual_axis.unit), 0.25 * height(panel)))
    if panel.x.kind == "number":
        bottom.xaxis.get_major_locator().set_params(integer=True)
    bottom.set_xlabel(axis_label(panel.x.title, panel.x.unit))
    for axes in figure.axes:
        hold_ticks(axes)
    name_alone(figure, main, panel, lines)
    legend(figure, main)
    if rest is not None:
        figure.align_ylabels([main, rest])


def name_alone(figure: Any, axes: Any, panel: Panel, lines: Sequence[Named], avoid: np.ndarray = _NOTHING) -> None:
    """Write names beside lines that are no fit of readings of the same name, away from ``avoid`` ``(n, 2)``."""
    measured = [series for series in panel.series if series.role not in ("fit", "model", "limit")]
    overlaid = any(one.group is not None for one in panel.series)
    alone = [line for line in lines if overlaid or not any(one.label and one.label in line.name for one in measured)]
    marks = [np.stack([shown(one.x, panel.x), shown(one.y, panel.y)], axis=-1) for one in measured if not overlaid]
    marks += [_course(axes, panel, one) for one in panel.series if one.role == "limit"]
    name_lines(figure, axes, alone, [*marks, *([avoid] * bool(len(avoid)))])
    for line in alone if overlaid else ():
        # What found no place for its name is its unit's, as its readings are.
        if not line.artist.get_label().startswith("_"):
            line.artist.set_label(unit_of(line.name))


def _course(axes: Any, panel: Panel, limit: Series) -> np.ndarray:
    """Return points ``(n, 2)`` along a limit as it is drawn, near enough for no name to pass between them."""
    x, y = shown(limit.x, panel.x), shown(limit.y, panel.y)
    if not len(x):
        return _NOTHING
    if len(x) == _SINGLE:
        x, y = np.array(axes.get_xlim()), np.repeat(y, 2)
    at = np.linspace(0, len(x) - 1, 400)
    return np.stack([np.interp(at, np.arange(len(x)), v) for v in (x, y)], axis=-1)


def marker_size(points: int) -> float:
    """Return a marker's size in points: the more there are, the smaller."""
    for most, size in ((60, 4.4), (300, 3.0), (1000, 1.9)):
        if points <= most:
            return size
    return 1.3


def draw_series(axes: Any, series: Series, look: Look, x_axis: Axis, y_axis: Axis) -> Named | None:
    """Draw one series by its role; return it if it is a line that may bear its name."""
    x, y = shown(series.x, x_axis), shown(series.y, y_axis)
    if series.role == "limit":
        draw_limit(axes, series.label, x, y)
    elif series.role in ("fit", "model"):
        return _line(axes, series, look, x, y)
    else:
        error = None if series.y_error is None else shown_spread(series.y_error, y_axis)
        _markers(axes, series, look, x, y, error)
    return None


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
    along = bool(np.all(np.diff(x) >= 0))
    if along and (len(drawn) < len(x) or (out and len(x) > _MOST_LEFT_OUT)):
        # A dense record: the line between the extremes of each column fills the band that the readings fill.
        style = {"linestyle": _DOTTED if out else "-", "linewidth": 0.9 if out else 0.6}
        axes.plot(*_parted(x[drawn], y[drawn]), color=colour, label=_role_label(series), zorder=2, **style)
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


def _parted(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return a dense record with a gap wherever readings between are missing."""
    step = np.diff(x)
    usual = float(np.median(step[step > 0])) if np.any(step > 0) else 0.0
    at = np.flatnonzero(step > _GAP * usual) + 1
    return np.insert(x, at, np.nan), np.insert(y, at, np.nan)


def _line(axes: Any, series: Series, look: Look, x: np.ndarray, y: np.ndarray) -> Named | None:
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
        return None
    width = 1.1 if series.role == "fit" else 1.0
    (artist,) = axes.plot(
        x,
        y,
        linestyle=look.dash,
        linewidth=width,
        color=look.colour,
        label=thinned_label(series.label, len(x), total),
        zorder=6,
    )
    return Named(artist, x, y, series.label)


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

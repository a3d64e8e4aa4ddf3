"""Traces stacked in lanes over one time or angle axis: logic levels, or waveforms each scaled to its lane."""

from __future__ import annotations

import textwrap
from typing import Any

import numpy as np

from ...procedures.base import Panel
from ...signs import unit_text
from .. import drawn_points, numbers
from ..style import LEFT_OUT, RULE
from ..symbols import axis_label
from .common import looks, shown

_LANE = 0.7
_LOGIC = (-0.05, 1.05)


def height(panel: Panel) -> float:
    """Return the height of the figure in millimetres."""
    return 14.0 + 7.0 * max(2, len(panel.series))


def draw(figure: Any, panel: Panel) -> None:
    """Draw the panel into an empty figure."""
    axes = figure.subplots()
    ticks, labels = [], []
    count = len(panel.series)
    for lane, (series, look) in enumerate(zip(panel.series, looks(panel.series), strict=True)):
        base = count - 1 - lane
        x, y = shown(series.x, panel.x), shown(series.y, panel.y)
        finite = np.isfinite(x) & np.isfinite(y)
        x, y = x[finite], y[finite]
        label = series.label
        logic = len(y) == 0 or (float(y.min()) >= _LOGIC[0] and float(y.max()) <= _LOGIC[1])
        if logic:
            x, y = _edges(x, y)
        else:
            low, high = float(y.min()), float(y.max())
            unit = unit_text(panel.y.unit)
            label = f"{label}\n{numbers.plain(low, 3)} to {numbers.plain(high, 3)} {unit}".rstrip()
            y = (y - low) / (high - low) if high > low else np.full_like(y, 0.5)
        total = len(x)
        drawn = drawn_points.chosen(x, y)
        if len(drawn) < total:
            label += f"\n({len(drawn)} of {total} drawn)"
        for level in (0.0, _LANE):
            axes.axhline(base + level, color=RULE, linewidth=0.5, zorder=1)
        axes.plot(
            x[drawn],
            base + _LANE * y[drawn],
            drawstyle="steps-post" if logic else "default",
            color=LEFT_OUT if series.role == "left out" else look.colour,
            linewidth=1.1,
            zorder=3,
        )
        ticks.append(base + 0.5 * _LANE)
        labels.append("\n".join(textwrap.fill(line, 32) for line in label.splitlines()))
    axes.set_yticks(ticks, labels)
    axes.tick_params(axis="y", length=0)
    axes.set_ylim(-0.25, count - 0.05)
    axes.grid(visible=False, axis="y")
    axes.set_xlabel(axis_label(panel.x.title, panel.x.unit))


def _edges(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the points where a level changes, and both ends: all that a stepped line needs."""
    if len(y) <= 2:
        return x, y
    keep = np.concatenate([[True], np.diff(y) != 0])
    keep[-1] = True
    return x[keep], y[keep]

"""Draw panels as SVG files."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from ..jsonio import write_bytes
from ..procedures.base import Axis, Panel, Series
from ..units import conversion


def draw(panel: Panel, path: Path) -> None:
    """Draw one panel to an SVG file whose bytes depend on the panel alone."""
    import io

    import matplotlib as mpl
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    with mpl.rc_context({"svg.hashsalt": "rotorproof", "svg.fonttype": "path"}):
        figure = Figure(figsize=(6.4, 4.2), layout="constrained")
        FigureCanvasSVG(figure)
        if panel.residuals:
            main, rest = figure.subplots(2, 1, sharex=True, height_ratios=[3, 1])
        else:
            main, rest = figure.subplots(), None
        for series in panel.series:
            _series(main, series, panel.x, panel.y)
        main.set_ylabel(f"{panel.y.title} / {panel.y.unit}")
        main.legend(fontsize="small")
        bottom = main
        if rest is not None and panel.residual_axis:
            bottom = rest
            for series in panel.residuals:
                _series(rest, series, panel.x, panel.residual_axis)
            rest.axhline(0, color="black", linewidth=0.6)
            rest.set_ylabel(f"{panel.residual_axis.title} / {panel.residual_axis.unit}")
        bottom.set_xlabel(f"{panel.x.title} / {panel.x.unit}")
        buffer = io.BytesIO()
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    write_bytes(path, buffer.getvalue())


def _series(axes: object, series: Series, x: Axis, y: Axis) -> None:
    horizontal, vertical = _shown(series.x, x), _shown(series.y, y)
    if series.role == "fit":
        axes.plot(horizontal, vertical, label=series.label)  # type: ignore[attr-defined]
    else:
        axes.plot(horizontal, vertical, "o", markersize=3, label=series.label)  # type: ignore[attr-defined]


def _shown(values: np.ndarray, axis: Axis) -> np.ndarray:
    to_si = conversion(axis.unit, axis.kind)
    return (np.asarray(values) - to_si.offset) / to_si.factor

"""Figures and tables of a load run, as data."""

from __future__ import annotations

import numpy as np

from ..errors import FitError
from ..physics import load_points
from ..physics.regression import Estimates
from .base import Axis, Field, Panel, Series, Table

_SPEED = Axis("Speed", "speed", "rpm")
_TORQUE = Axis("Torque", "torque", "N m")
_EFFICIENCY = Axis("Efficiency", "ratio", "percent")
#: More returns to a small torque than this are no sweeps.
_MOST_SWEEPS = 8
_GRID = 61


def torque_current(current: np.ndarray, torque: np.ndarray, fitted: Estimates, what: str) -> Panel:
    """Return torque over current with the fitted line; residuals are those of the whole fit, friction's slope too."""
    line = np.array([float(current.min()), float(current.max())])
    values = fitted.values
    mean_drag = float(np.mean(values[0] * current - (torque - fitted.residuals)))
    return Panel(
        "torque-current",
        "Torque over current",
        Axis(what, "current", "A"),
        _TORQUE,
        [Series("points", current, torque), Series("fit", line, values[0] * line - mean_drag, "fit")],
        "The slope is the torque constant; a bend at high current means that the iron saturates.",
        residuals=[Series("points", current, fitted.residuals)],
        residual_axis=Axis("Residual", "torque", "N m"),
    )


def friction(speed: np.ndarray, torque: np.ndarray, c: float, b: float) -> Panel:
    """Return friction torque over speed from the points without brake."""
    line = np.linspace(0.0, float(speed.max()), 50)
    return Panel(
        "friction",
        "Friction torque with iron loss, points without brake",
        _SPEED,
        Axis("Friction torque with iron loss", "torque", "N m"),
        [Series("power balance", speed, torque), Series("straight line", line, c + b * line, "fit")],
        "Power in, less winding loss and standby power, over speed.",
        residuals=[Series("power balance", speed, torque - c - b * speed)],
        residual_axis=Axis("Residual", "torque", "mN m"),
    )


def efficiency(
    title: str,
    surface: load_points.LossSurface,
    speed: np.ndarray,
    torque: np.ndarray,
    power: np.ndarray,
    used: np.ndarray,
) -> list[Panel]:
    """Return efficiency over torque, and over a grid the map and its standard uncertainty."""
    key = title.replace(" ", "-")
    shown = used & (torque > 0) & (power > 0)
    series = [Series("points", torque[shown], (torque * speed / np.where(power == 0, 1.0, power))[shown])]
    left = ~used & (power > 0)
    if left.any():
        series.append(Series("suspect supply reading", torque[left], (torque * speed / power)[left], "left out"))
    model, spread = surface.efficiency(speed[shown], torque[shown])
    series.append(Series("smoothed losses", *_by_sweep(torque[shown], model), "model"))
    rest = Series("points", torque[shown], series[0].y - model, y_error=spread)
    panels = [
        Panel(
            f"efficiency-{key}",
            f"Efficiency, {title}",
            _TORQUE,
            _EFFICIENCY,
            series,
            "Shaft power over electrical power at each point, and the efficiency that follows from the losses smoothed "
            "over all points; one line for each rise of the torque in the log. Error bars: scatter of the smoothed "
            "losses.",
            residuals=[rest],
            residual_axis=Axis("Residual", "ratio", "percent"),
        )
    ]
    if not load_points.is_line(speed, torque):
        panels += _maps(key, title, surface, speed[used], torque[used])
    return panels


def _by_sweep(torque: np.ndarray, value: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the points as one line that is lifted wherever the torque starts from below again.

    Points in no order of torque give one line by torque.
    """
    starts = np.flatnonzero(np.diff(torque) < 0) + 1
    if len(starts) > _MOST_SWEEPS:
        order = np.argsort(torque, kind="stable")
        return torque[order], value[order]
    return np.insert(torque, starts, np.nan), np.insert(value, starts, np.nan)


def _maps(key: str, title: str, surface: load_points.LossSurface, speed: np.ndarray, torque: np.ndarray) -> list[Panel]:
    x = np.linspace(float(speed.min()), float(speed.max()), _GRID)
    y = np.linspace(float(torque.min()), float(torque.max()), _GRID)
    xx, yy = (v.ravel() for v in np.meshgrid(x, y))
    try:
        inside = load_points.inside_hull(speed, torque, xx, yy)
    except (FitError, ValueError):
        return []
    value, u = surface.efficiency(xx, yy)
    inside &= (value > 0) & (value < 1)
    points = [Series("measured points", speed, torque), *_constant_power(speed, torque)]
    levels = tuple(float(v) for v in (*np.arange(0.1, 0.7, 0.1), *np.arange(0.7, 0.999, 0.02)))
    shape = (_GRID, _GRID)
    return [
        Panel(
            f"efficiency-map-{key}",
            f"Efficiency map, {title}",
            _SPEED,
            _TORQUE,
            points,
            "Lines of equal efficiency from the losses smoothed over all points, drawn within the measured points "
            "only; "
            "the falling lines are of constant shaft power.",
            "map",
            field=Field(_EFFICIENCY, x, y, np.where(inside, value, np.nan).reshape(shape), levels),
        ),
        Panel(
            f"efficiency-map-uncertainty-{key}",
            f"Standard uncertainty of the efficiency map, {title}",
            _SPEED,
            _TORQUE,
            points[:1],
            "Standard uncertainty of the efficiency from the scatter of the points alone, in percentage points.",
            "map",
            field=Field(
                Axis("Standard uncertainty", "ratio", "percent"), x, y, np.where(inside, u, np.nan).reshape(shape)
            ),
        ),
    ]


def _constant_power(speed: np.ndarray, torque: np.ndarray) -> list[Series]:
    """Return lines of constant shaft power at round values, within the range of the points."""
    top = float((speed * torque).max())
    step = 10 ** np.floor(np.log10(top))
    step = next(s for s in (step / 5, step / 2, step, 2 * step) if top / s <= 6)
    lines = []
    for k in range(1, int(top / step) + 1):
        power = float(k * step)
        w = np.linspace(max(float(speed.min()), power / float(torque.max())), float(speed.max()), 60)
        if w[0] < w[-1] and w[0] > 0:
            lines.append(Series(f"{power:g} W", w, power / w, "model"))
    return lines


def loss_table(
    speed: np.ndarray,
    torque: np.ndarray,
    power: np.ndarray,
    copper: np.ndarray,
    iron: np.ndarray,
    standby: float,
    used: np.ndarray,
) -> Table:
    """Return the losses of every point, split."""
    rows = []
    for k in np.flatnonzero(used):
        out = float(torque[k] * speed[k])
        rest = float(power[k] - out - copper[k] - iron[k] - standby)
        values = (
            speed[k] * 60 / (2 * np.pi), torque[k], power[k], out, copper[k], iron[k], standby, rest,
        )  # fmt: skip
        rows.append([f"{v:.3g}" if abs(v) < 100 else f"{v:.0f}" for v in values])
    headers = (
        "rpm",
        "torque / N m",
        "in / W",
        "out / W",
        "winding / W",
        "friction + iron / W",
        "standby / W",
        "rest / W",
    )
    return Table("Loss split", headers, rows)

"""Figures, tables and words of a load run."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ..errors import FitError
from ..physics import load_points
from ..signs import number_text
from . import _bridge_cost
from ._load_parts import Choice, PerAmpere, Points, Split, warmth
from .base import Axis, Field, Log, Panel, Report, Series, Table, in_rpm
from .fit import Fit

#: Each efficiency and from where to where it is taken.
TITLES = {"efficiency_max": "supply to shaft", "motor_efficiency_max": "motor alone"}
_SPEED = Axis("Speed", "speed", "rpm")
_TORQUE = Axis("Torque", "torque", "N m")
_EFFICIENCY = Axis("Efficiency", "ratio", "percent")
#: More returns to a small torque than this are no sweeps.
_MOST_SWEEPS = 8
_GRID = 61


#: More load points than this are no table to read.
_MOST_POINTS = 40


@dataclass(frozen=True)
class Seen:
    """What the report shows; ``None`` where the points do not give it. ``rated``: power and speed at rated torque."""

    at: Points
    per_ampere: PerAmpere | None
    surfaces: Mapping[str, load_points.LossSurface | None]
    split: Split | None
    rated: tuple[float, float] | None


def report(log: Log, given: Mapping[str, float], choice: Choice, fit: Fit) -> Report:
    """Return what the report shows of a load run."""
    report, seen = Report(), fit.seen
    at = seen.at
    if at.supply is not None and (words := _bridge_cost.drive_words(log, given)):
        report.notes.append(words)
    if choice.uncorrected:
        report.notes.append(_bridge_cost.uncorrected_words(choice.uncorrected))
    elif choice.cost is not None:
        extra = choice.added(given, at.speed.size)
        share = 100 * float(np.max(np.abs(extra.torque) / np.maximum(at.torque, 0.05 * at.torque.max())))
        report.notes.append(
            "The bridge as it commutates was solved at each point: it adds up to "
            f"{number_text(float(extra.copper.max()), '.2g')} W to the winding loss and moves torque by up to "
            f"{number_text(share, '.2g')} %."
        )
    if choice.cost is not None and (count := int(choice.unsolved(at.speed.size).sum())):
        report.notes.append(
            f"{count} point(s) that no steady state of a six-step bridge fits are left out of torque per ampere and "
            "friction; check their voltage, speed and torque."
        )
    if seen.per_ampere:
        report.notes.append(warmth(log, given, at).words)
        if seen.per_ampere.fall:
            fall = 100 * seen.per_ampere.fall / float(seen.per_ampere.fitted.values[0])
            report.notes.append(
                f"Torque per ampere is {number_text(fall, '.2g')} % lower at the highest current, as iron that "
                "saturates makes it; the slope is that at small current, and what another shape of the bend does to it "
                "is in the budget."
            )
    if not choice.used.all():
        report.notes.append(
            f"{int((~choice.used).sum())} point(s) with a supply voltage that cannot be right are left out of the "
            "power balance."
        )
    if "current_q" not in log and at.supply is not None and "standby_power" not in log.conditions:
        report.notes.append(
            "No standby power of a controller was stated, so all of the supply current is taken for the motor's: state "
            "'standby_power' unless the motor was fed without one."
        )
    if seen.per_ampere:
        report.panels.append(_torque_current(seen.per_ampere))
        if "current_q" not in log:
            over = ", DC current over duty" if "duty" in log else ""
            report.quantity_notes["torque_constant"] = ["from shaft torque over DC current under load" + over]
    for name, surface in seen.surfaces.items():
        if surface:
            report.quantity_notes[name] = [_where(at, choice.best[name])]
            used = choice.used if name == "efficiency_max" else np.ones(at.speed.size, bool)
            report.panels += _efficiency(TITLES[name], surface, at, at.powers[name], used)
    if seen.split:
        _show_split(seen.split, at, choice, report)
    elif at.supply is not None and at.speed.size <= _MOST_POINTS:
        report.tables.append(_points_table(at, at.supply))
    if seen.rated:
        report.quantity_notes["rated_torque"] = [f"at {seen.rated[0]:.0f} W and {in_rpm(seen.rated[1]):.0f} rpm"]
    return report


def _points_table(at: Points, supply: np.ndarray) -> Table:
    """Return the load points as they were read."""
    columns: dict[str, np.ndarray] = {
        "Speed / rpm": in_rpm(at.speed),
        "Torque / N·m": at.torque,
        "Shaft power / W": at.torque * at.speed,
        "Supply power / W": supply,
    }
    rows = [[float(f"{column[k]:.4g}") for column in columns.values()] for k in range(at.speed.size)]
    return Table("Load points", tuple(columns), rows)


def _where(at: Points, k: int) -> str:
    return f"at {at.torque[k]:.3g} N·m and {in_rpm(at.speed[k]):.0f} rpm"


def _torque_current(seen: PerAmpere) -> Panel:
    """Return torque over current with the fitted line; residuals are those of the whole fit, friction's slope too."""
    current, torque, fitted = seen.current, seen.torque, seen.fitted
    line = np.linspace(float(current.min()), float(current.max()), 60 if seen.fall else 2)
    mean_drag = float(np.mean(seen.pull(current) - (torque - fitted.residuals)))
    return Panel(
        "torque-current",
        "Torque over current",
        Axis(seen.what, "current", "A"),
        _TORQUE,
        [Series("points", current, torque), Series("fit", line, seen.pull(line) - mean_drag, "fit")],
        "The slope at small current is the torque constant; a bend at high current means that the iron saturates.",
        residuals=[Series("points", current, fitted.residuals)],
        residual_axis=Axis("Residual", "torque", "N m"),
    )


def _show_split(seen: Split, at: Points, choice: Choice, report: Report) -> None:
    for name in ("winding_loss", "friction_iron_loss", "additional_loss"):
        report.quantity_notes[name] = [_where(at, choice.best["split"])]
    for name in ("coulomb_friction", "viscous_friction"):
        report.quantity_notes[name] = [
            "from the points without brake; includes iron loss"
            + (" and what the controller loses beyond its standby power" if at.phases is None else "")
        ]
    if seen.standby_unknown:
        report.notes.append(
            f"Standby power was not stated: {seen.standby:.2f} W follow from the points without brake, extrapolated to "
            "speed zero, and widen the intervals of friction."
        )
    c, b = seen.friction
    speed = at.speed[seen.free]
    torque = (seen.balance[seen.free] - seen.standby * seen.standby_unknown) / speed
    line = np.linspace(0.0, float(speed.max()), 50)
    report.panels.append(
        Panel(
            "friction",
            "Friction torque with iron loss, points without brake",
            _SPEED,
            Axis("Friction torque with iron loss", "torque", "N m"),
            [Series("power balance", speed, torque), Series("straight line", line, c + b * line, "fit")],
            "Power in, less winding loss and standby power, over speed.",
            residuals=[Series("power balance", speed, torque - c - b * speed)],
            residual_axis=Axis("Residual", "torque", "mN m"),
        )
    )
    report.tables.append(_loss_table(seen, at, choice.used))


def _efficiency(
    title: str, surface: load_points.LossSurface, at: Points, power: np.ndarray, used: np.ndarray
) -> list[Panel]:
    """Return efficiency over torque, and over a grid the map and its standard uncertainty."""
    key, speed, torque = title.replace(" ", "-"), at.speed, at.torque
    shown = used & (torque > 0) & (power > 0)
    series = [Series("points", torque[shown], (torque * speed / np.where(power == 0, 1.0, power))[shown])]
    left = ~used & (power > 0)
    if left.any():
        series.append(Series("suspect supply reading", torque[left], (torque * speed / power)[left], "left out"))
    model, spread = surface.efficiency(speed[shown], torque[shown])
    series += _by_sweep(speed[shown], torque[shown], model)
    rest = Series("points", torque[shown], series[0].y - model, y_error=spread)
    panels = [
        Panel(
            f"efficiency-{key}",
            f"Efficiency, {title}",
            _TORQUE,
            _EFFICIENCY,
            series,
            "Shaft power over electrical power at each point, and the efficiency that follows from the losses smoothed "
            "over all points; one line for each rise of the torque in the log, with its mean speed. Error bars: "
            "scatter of the smoothed losses.",
            residuals=[rest],
            residual_axis=Axis("Residual", "ratio", "percent"),
        )
    ]
    if not load_points.is_line(speed, torque):
        panels += _maps(key, title, surface, speed[used], torque[used])
    return panels


def _by_sweep(speed: np.ndarray, torque: np.ndarray, value: np.ndarray) -> list[Series]:
    """Return a line for each rise of the torque, named by its mean speed; points in no order give one by torque."""
    starts = np.flatnonzero(np.diff(torque) < 0) + 1
    if len(starts) > _MOST_SWEEPS or not len(starts):
        order = np.argsort(torque, kind="stable")
        return [Series("smoothed losses", torque[order], value[order], "model")]
    parts = np.split(np.arange(len(torque)), starts)
    return [
        Series(f"{in_rpm(float(np.mean(speed[part]))):.0f} rpm", torque[part], value[part], "model") for part in parts
    ]


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
            "only; the falling lines are of constant shaft power.",
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


def _loss_table(seen: Split, at: Points, used: np.ndarray) -> Table:
    """Return the losses of every point, split."""
    c, b = seen.friction
    out = at.torque * at.speed
    iron = c * at.speed + b * at.speed**2
    standby = np.full(at.speed.size, seen.standby)
    columns = {
        "rpm": in_rpm(at.speed),
        "torque / N·m": at.torque,
        "in / W": seen.power,
        "out / W": out,
        "winding / W": seen.copper,
        "friction + iron / W": iron,
        "standby / W": standby,
        "rest / W": seen.power - out - seen.copper - iron - standby,
    }
    rows = [
        [number_text(v) if abs(v) < 100 else f"{v:.0f}" for v in (column[k] for column in columns.values())]
        for k in np.flatnonzero(used)
    ]
    return Table("Loss split", tuple(columns), rows)

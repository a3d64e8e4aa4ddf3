"""Figures and tables of the open-circuit test, as data."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..physics.waveform import BINS, waves
from ._emf_records import Record
from .base import Axis, Panel, Series, Table, in_rpm, line_title

_SHOWN = 120  # points per line over one electrical turn


def wave_panel(records: Sequence[Record], names: Sequence[str], offsets: Sequence[np.ndarray], c: np.ndarray) -> Panel:
    """Return the measured wave of each line, averaged over turns and records, with its harmonic fit ``c`` (H, k)."""
    fitted = waves(c)
    x = np.linspace(0, 2 * np.pi, len(fitted), endpoint=False)
    series, residuals = [], []
    for row, name in enumerate(names):
        count, total, square = np.zeros(_SHOWN), np.zeros(_SHOWN), np.zeros(_SHOWN)
        rest = np.zeros(_SHOWN)
        for record, offset in zip(records, offsets, strict=True):
            turn = np.mod(record.angle, 2 * np.pi)
            part = np.minimum((turn * (_SHOWN / (2 * np.pi))).astype(int), _SHOWN - 1)
            value = (record.lines[row] - offset[row]) / record.electrical
            miss = value - np.interp(turn, np.append(x, 2 * np.pi), np.append(fitted[:, row], fitted[0, row]))
            weight = np.ones(value.size) if record.weight is None else record.weight
            count += np.bincount(part, weight, _SHOWN)
            total += np.bincount(part, value * weight, _SHOWN)
            rest += np.bincount(part, miss * weight, _SHOWN)
            within = 0.0
            if record.spread is not None:
                # What the wave itself rises within a bin is no scatter.
                rise = np.interp(turn, x, np.gradient(fitted[:, row], x)) * (2 * np.pi / BINS)
                within = np.maximum((record.spread[row] / record.electrical) ** 2 - rise**2 / 12, 0.0)
            square += np.bincount(part, (miss * miss + within) * weight, _SHOWN)
        seen = count > 0
        centre = ((np.arange(_SHOWN) + 0.5) * (2 * np.pi / _SHOWN))[seen]
        n = count[seen]
        error = np.sqrt(np.maximum(square[seen] / n - (rest[seen] / n) ** 2, 0.0) / n)
        title = line_title(name)
        series.append(Series(title, centre, total[seen] / n, "measured"))
        series.append(Series(f"fit {title}", x[::4], fitted[::4, row], "fit"))
        residuals.append(Series(title, centre, rest[seen] / n, "measured", error))
    return Panel(
        "waveform",
        "Line-to-line EMF over one electrical turn",
        Axis("Electrical angle", "angle", "deg"),
        Axis("EMF over speed", "emf_constant", "V s/rad"),
        series,
        "Averages of all turns and records over the electrical angle, divided by the electrical speed, with the "
        "harmonic fit; a pattern in the residuals is what the harmonics cannot follow.",
        residuals=residuals,
        residual_axis=Axis("Residual", "emf_constant", "mV s/rad"),
    )


def harmonics_panel(c: np.ndarray, kept: np.ndarray) -> Panel:
    """Return the harmonics of the three lines pooled, over the fundamental, as bars."""
    size = pooled(c)
    order = np.arange(2, size.size + 1, dtype=float)
    used = kept[1:]
    series = [Series("in the wave fitted", order[used], size[1:][used], "measured")]
    if not used.all():
        series.append(Series("below the noise", order[~used], size[1:][~used], "left out"))
    return Panel(
        "harmonics",
        "Harmonics of the line-to-line EMF",
        Axis("Order", "number", "1"),
        Axis("Amplitude over fundamental", "ratio", "percent"),
        series,
        "A symmetrical machine has only orders 5, 7, 11, 13 and so on between its lines; orders divisible by 3 or even "
        "ones come from unlike phases or magnets.",
        drawing="bars",
    )


def pooled(c: np.ndarray) -> np.ndarray:
    """Return the amplitude of each order, root mean square over the lines, over the fundamental's."""
    size = np.sqrt(np.mean(np.abs(c) ** 2, axis=1))
    return np.asarray(size / size[0])


def harmonics_table(c: np.ndarray, kept: np.ndarray, noise: np.ndarray) -> Table:
    """Return the table of significant harmonics: order, share of the fundamental, its noise, phase of A-B."""
    size = pooled(c)
    rows = [
        [
            int(h + 1),
            round(100 * float(size[h]), 3),
            round(100 * float(noise[h]), 3),
            round(float(np.degrees(np.angle(c[h, 0] * 1j))), 1),
        ]
        for h in range(size.size)
        if kept[h]
    ]
    return Table(
        "Harmonics of the line-to-line EMF",
        ["Order", "Amplitude / % of fundamental", "Standard uncertainty / %", "Phase of first line / °"],
        rows,
    )


def speed_panel(records: Sequence[Record], linkages: np.ndarray, pooled_peak: float, factor: float | None) -> Panel:
    """Return peak EMF against speed, one point per record, with the line through zero.

    The speed is that of the lines' frequency, of which the slope is taken too: an error of a tachometer is none of the
    EMF's.
    """
    electrical = np.array([record.electrical_speed for record in records])
    volts = electrical * linkages
    if factor is None:
        x, slope = electrical / (2 * np.pi), pooled_peak * 2 * np.pi
        axis = Axis("Electrical frequency", "frequency", "Hz")
    else:
        x = electrical / factor
        axis, slope = Axis("Speed, from the frequency", "speed", "rpm"), pooled_peak * factor
    line = np.array([0.0, 1.05 * x.max()])
    return Panel(
        "emf-speed",
        "Peak line-to-line EMF against speed",
        axis,
        Axis("Peak EMF", "voltage", "V"),
        [Series("records", x, volts, "measured"), Series("fit through zero", line, slope * line, "fit")],
        "The EMF is proportional to speed: a record off the line has a wrong range, or magnets that were warmer.",
        residuals=[Series("records", x, volts - slope * x, "measured")],
        residual_axis=Axis("Residual", "voltage", "V"),
    )


def records_table(records: Sequence[Record], linkages: np.ndarray) -> Table:
    """Return one row per record: what it holds."""
    rows = []
    for record, peak in zip(records, linkages, strict=True):
        mean = record.speed
        rows.append(
            [
                record.label,
                "not measured" if mean is None else f"{in_rpm(mean):.2f}",
                f"{record.electrical_speed / (2 * np.pi):.3f}",
                f"{record.turns:.1f}",
                f"{record.per_turn:.0f}",
                f"{record.electrical_speed * peak:.3f}",
                f"{100 * (record.extremes[1] / record.extremes[0] - 1):.1f}",
            ]
        )
    return Table(
        "Records of the open-circuit test",
        [
            "Record",
            "Speed / rpm",
            "Frequency / Hz",
            "Electrical turns",
            "Readings per turn",
            "Peak EMF / V",
            "Speed range / %",
        ],
        rows,
    )

"""What the forms of figures share: values in the unit of the axis, looks of the series, legend."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ...procedures.base import Axis, Series
from ...units import conversion
from ..style import DASHES, HATCHES, INK, MARKERS, SERIES_COLOURS

#: Letters of legend that fit side by side above a figure, for each millimetre of its width.
_LETTERS_PER_MM = 0.64
#: A longer label is wrapped.
_LABEL_LETTERS = 46


@dataclass(frozen=True, slots=True)
class Look:
    """The colour, marker, dash and hatch of one series."""

    colour: str
    marker: str
    dash: Any
    hatch: str

    @classmethod
    def numbered(cls, number: int) -> Look:
        """Return the look of the series with this number; after seven, other markers meet the same colours."""
        turn = number // len(SERIES_COLOURS)
        return cls(
            SERIES_COLOURS[number % len(SERIES_COLOURS)],
            MARKERS[(number + turn) % len(MARKERS)],
            DASHES[(number + turn) % len(DASHES)],
            HATCHES[(number + turn) % len(HATCHES)],
        )


def looks(series: Sequence[Series]) -> list[Look]:
    """Return a look per series.

    A fit of readings is drawn in ink over them: with the dash of the readings that it names, or whole if there is one
    set of readings and one curve. Where units are overlaid, all that one has keeps its colour, marker and dash.
    """
    if any(one.group is not None for one in series):
        return [Look.numbered(one.group or 0) for one in series]
    if sum(one.role == "measured" for one in series) == 1 == sum(one.role == "fit" for one in series):
        ink = replace(Look.numbered(0), colour=INK)
        return [ink if one.role == "fit" else Look.numbered(int(one.role == "model")) for one in series]
    numbers: dict[str, int] = {}
    for one in series:
        if one.role == "measured":
            numbers.setdefault(one.label, len(numbers))
    followers = len(numbers)
    result = []
    for one in series:
        if one.role == "measured":
            result.append(Look.numbered(numbers[one.label]))
            continue
        named = [label for label in numbers if label and label in one.label]
        if named:
            result.append(replace(Look.numbered(numbers[max(named, key=len)]), colour=INK))
        elif one.role in ("fit", "model") and len(numbers) == 1:
            # One set of readings and several curves: curves differ among themselves.
            result.append(Look.numbered(followers))
            followers += 1
        else:
            result.append(Look.numbered(followers))
            followers += one.role in ("fit", "model")
    return result


def shown(values: np.ndarray, axis: Axis) -> np.ndarray:
    """Return SI values ``(n,)`` in the unit of the axis."""
    to_si = conversion(axis.unit, axis.kind)
    return np.asarray((np.asarray(values, dtype=float) - to_si.offset) / to_si.factor)


def shown_spread(values: np.ndarray, axis: Axis) -> np.ndarray:
    """Return SI uncertainties ``(n,)`` in the unit of the axis; an offset moves no spread."""
    return np.abs(np.asarray(values, dtype=float) / conversion(axis.unit, axis.kind).factor)


def thinned_label(label: str, drawn: int, total: int) -> str:
    """Return the label, saying how many of its points are drawn where not all are."""
    if drawn >= total:
        return label
    return f"{label} ({drawn} of {total} drawn)"


def unit_of(label: str) -> str:
    """Return the unit in the label "UNIT: series" of a figure that overlays several."""
    return label.partition(": ")[0]


def legend_columns(labels: Sequence[str], width: float) -> int:
    """Return how many of ``labels`` fit side by side above a figure of this width in millimetres."""
    longest = max((len(line) for label in labels for line in textwrap.wrap(label, _LABEL_LETTERS)), default=0)
    return max(1, int(_LETTERS_PER_MM * width) // (longest + 6))


def legend(figure: Any, axes: Any) -> None:
    """Put one legend above all axes, where it hides no data; long labels are wrapped."""
    handles, labels = axes.get_legend_handles_labels()
    if not handles or (len(handles) == 1 and not labels[0]):
        return
    first: dict[str, Any] = {}
    for handle, label in zip(handles, labels, strict=True):
        first.setdefault(label, handle)  # all that a unit has in an overlay is named once
    labels = list(first)
    entries = [(handle, textwrap.fill(label, _LABEL_LETTERS)) for label, handle in first.items()]
    # Readings in one row and their curves in the next, as far as the width allows.
    entries.sort(key=lambda entry: not _is_marker(entry[0]))
    columns = min(len(entries), legend_columns(labels, 25.4 * figure.get_figwidth()))
    readings = sum(_is_marker(handle) for handle, _ in entries)
    if 1 < readings < columns:
        columns = readings
    rows = -(-len(entries) // columns)
    # The library fills columns first; a reader goes along rows.
    in_rows = [
        entries[row * columns + column : row * columns + column + 1] for column in range(columns) for row in range(rows)
    ]
    ordered = [entry for cell in in_rows for entry in cell]
    figure.legend(*zip(*ordered, strict=True), loc="outside upper left", ncols=columns, frameon=False)


def hold_ticks(axes: Any) -> None:
    """Keep the ticks as they are now: others, once the figure is laid out, might need more room than is left."""
    axes.set_xlim(axes.get_xlim())
    axes.set_ylim(axes.get_ylim())
    for axis in (axes.xaxis, axes.yaxis):
        low, high = sorted(axis.get_view_interval())
        axis.set_ticks([tick for tick in axis.get_ticklocs() if low <= tick <= high])


def y_label(text: str, height: float) -> str:
    """Return a label of an upright axis in lines that fit its ``height`` in millimetres."""
    return textwrap.fill(text, max(12, int(_LETTERS_PER_MM * height)))


def _is_marker(handle: Any) -> bool:
    return getattr(handle, "get_linestyle", lambda: "")() == "None"

"""Render a comparison of units: overlaid figures, differences, criteria."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from markupsafe import Markup

from ..decision.models import ComparedPart, ComparedQuantity, ComparedValue, Comparison, PairEntry
from ..decision.reasons import titled
from ..evidence.attachments import Attachment, attach
from ..evidence.software import code_hash
from ..fitting.store import load_panels
from ..fitting.stored import StoredFit
from ..jsonio import to_json, write_bytes
from ..procedures.base import Panel, Series
from ..quantities import quantities
from . import numbers, words
from .environment import environment
from .figures import is_wide, legend_labels, svg
from .identity import report_id
from .quantity_view import code_words, written
from .section_view import FigureView, placed
from .style import TEMPLATES
from .symbols import with_unit

#: The pages of a report are headed "Acceptance report", which this is not.
_HEADER = '@page { @top-left { content: "Comparison  " string(unit-name) } }'
#: More series than this cannot be told apart in one figure.
_MOST_SERIES = 12
#: More figures than this are turned over unread.
_MOST_FIGURES = 5
#: More sets of readings of one unit than this, with no curve through them, are a cloud that tells no units apart.
_MOST_SETS = 2
#: Of more units than this each is set beside the first of the ranking alone.
_ALL_PAIRS = 3


def overlays(fits: Mapping[str, StoredFit], arrays: Mapping[str, Mapping[str, np.ndarray]]) -> list[Panel]:
    """Return one panel for each figure that two units have, with the series of all; ``fits`` by unit."""
    found: dict[tuple[str, str], list[tuple[str, Panel]]] = {}
    places = {unit: number for number, unit in enumerate(fits)}
    for unit, fit in fits.items():
        for made in fit.makers:
            for panel in load_panels(made.panels, arrays[unit]):
                found.setdefault((made.label, panel.name), []).append((unit, panel))
    panels = []
    for (maker, name), members in found.items():
        first = members[0][1]
        alike = [(u, p) for u, p in members if (p.x, p.y, p.drawing) == (first.x, first.y, first.drawing)]
        if len({u for u, _ in alike}) < 2 or first.drawing not in ("points", "bars"):
            continue
        series = [one for unit, panel in alike for one in _of_unit(unit, places[unit], panel)]
        if len(series) > _MOST_SERIES:  # then what was fitted says it best
            series = [item for item in series if item.role in ("fit", "model")] or series
        if 0 < len(series) <= _MOST_SERIES:
            panels.append(
                replace(first, name=f"{maker}-{name}", series=series, residuals=(), residual_axis=None, field=None)
            )
    return panels


def _of_unit(unit: str, place: int, panel: Panel) -> list[Series]:
    """Return what a panel shows of one unit, in the look and under the name of the unit; nothing of a mere cloud."""
    measured = [one for one in panel.series if one.role == "measured"]
    lines = [one for one in panel.series if one.role in ("fit", "model")]
    if not lines and len(measured) > _MOST_SETS:
        return []
    several = len(lines) > 1
    shown = [replace(one, label=unit, y_error=None, group=place) for one in measured]
    return shown + [replace(one, label=f"{unit}: {one.label}" if several else unit, group=place) for one in lines]


def render_comparison(comparison: Comparison, panels: Sequence[Panel], workshop: str, report_path: Path) -> None:
    """Write the PDF of a comparison, with ``comparison.json`` attached."""
    from . import pdf

    panels = telling_panels(comparison, panels)
    images = {f"{panel.name}.svg": svg(panel) for panel in panels}
    data = to_json(comparison.as_json()).encode()
    identifier = report_id([data, workshop.encode(), code_hash().encode()])
    html = comparison_html(comparison, panels, workshop, identifier)
    css = (TEMPLATES / "report.css").read_text(encoding="utf-8") + _HEADER
    content = pdf.write(html, css, images=images, identifier=identifier, packed=False)
    write_bytes(report_path, attach(content, [Attachment("comparison.json", data, "Data of the comparison", "Data")]))


def comparison_html(comparison: Comparison, panels: Sequence[Panel], workshop: str, identifier: str) -> str:
    """Return a comparison as HTML."""
    html: str = (
        environment()
        .get_template("comparison.html.j2")
        .render(
            comparison=comparison,
            listed=_listed(comparison),
            choice=words.choice_words(comparison.choice) if comparison.choice else "",
            probability=numbers.plain(100 * comparison.probability),
            ranking=_ranking(comparison),
            quantities=[_quantity(name, row, comparison) for name, row in comparison.quantities.items() if _tells(row)],
            others=[_other(name, row, comparison) for name, row in comparison.quantities.items() if not _tells(row)],
            criteria=[(titled(row), words.limits_text(row), row) for row in comparison.criteria],
            only=[(quantities()[name].title, unit) for name, unit in comparison.one_unit_only.items()],
            figures=placed([_figure(panel) for panel in panels], []),
            workshop=workshop,
            latest=max((str(unit.tested_on) for unit in comparison.units if unit.tested_on), default=None),
            report_id=identifier,
        )
    )
    return html


def _listed(comparison: Comparison) -> list[tuple[str, ComparedPart, str, str]]:
    """Return a row for each unit and each part of one: its name, its facts, the ambient and the verdict."""
    rows: list[tuple[str, ComparedPart, str, str]] = []
    for unit in comparison.units:
        rows.append((unit.unit, unit, _ambient(unit), str(unit.verdict)))
        rows += [(f"{part.unit} in {unit.unit}", part, _ambient(part), "") for part in unit.parts]
    return rows


def _ambient(unit: ComparedPart) -> str:
    told = [f"{key} " * (key != "temperature") + written(text) for key, text in unit.ambient.items()]
    return ", ".join(told)


def _tells(row: ComparedQuantity) -> bool:
    """Tell whether a difference of a quantity matters."""
    return any(pair.relevant for pair in row.pairs)


@dataclass(frozen=True)
class RankView:
    """One unit of the ranking: its verdict, the criteria it misses and those it meets better than every other."""

    place: int
    unit: str
    verdict: str
    missed: str
    better: str


def _ranking(comparison: Comparison) -> list[RankView]:
    """Return the units, the one to fit first."""
    verdicts = {one.unit: one.verdict for one in comparison.units}
    order = comparison.choice.ranking if comparison.choice else list(verdicts)
    return [
        RankView(
            place,
            unit,
            verdicts[unit],
            ", ".join(
                titled(row)
                for row in comparison.criteria
                if any(one.unit == unit and one.decision == "fail" for one in row.units)
            ),
            ", ".join(titled(row) for row in comparison.criteria if row.better == unit),
        )
        for place, unit in enumerate(order, start=1)
    ]


def telling_panels(comparison: Comparison, panels: Sequence[Panel]) -> list[Panel]:
    """Return the figures that tell most: a test each, by how far units differ there over uncertainty."""
    told: dict[str, float] = {}
    for row in comparison.quantities.values():
        far = max((pair.normalised_error or 0.0 for pair in row.pairs if pair.relevant), default=0.0)
        for value in row.values:
            told[value.procedure] = max(told.get(value.procedure, 0.0), far)
    first: dict[str, Panel] = {}
    for panel in panels:
        test = max((name for name in told if panel.name.startswith(name)), key=len, default="")
        if told.get(test):
            first.setdefault(test, panel)
    best = sorted(first, key=lambda name: -told[name])[:_MOST_FIGURES]
    return [first[name] for name in best] or list(panels[:_MOST_FIGURES])


def _figure(panel: Panel) -> FigureView:
    wide = is_wide(panel.drawing, legend_labels(panel))
    alt = f"{panel.title} of all units, overlaid"
    return FigureView(f"{panel.name}.svg", panel.title, panel.caption, alt, wide)


@dataclass(frozen=True)
class PairView:
    """A difference between two units, ready to print."""

    first: str
    second: str
    difference: Markup
    interval: Markup
    error: str
    statement: str
    told: bool
    relevant: bool


@dataclass(frozen=True)
class ComparedView:
    """A quantity of several units, ready to print: unit and value, then the pairs."""

    title: str
    measured: Sequence[tuple[str, Markup]]
    pairs: Sequence[PairView]


def _quantity(name: str, row: ComparedQuantity, comparison: Comparison) -> ComparedView:
    pairs = []
    for pair in _shown_pairs(row, comparison):
        low, high = numbers.interval(*pair.interval, pair.expanded_uncertainty)
        pairs.append(
            PairView(
                first=pair.first,
                second=pair.second,
                difference=with_unit(numbers.result(pair.difference, pair.expanded_uncertainty).text, row.unit),
                interval=with_unit(f"{low} to {high}", row.unit),
                error="exact" if pair.normalised_error is None else numbers.plain(pair.normalised_error, 2),
                statement=pair.statement,
                told=pair.higher is not None,
                relevant=pair.relevant,
            )
        )
    measured = [(v.unit, _shown(name, v, row.unit)) for v in row.values]
    return ComparedView(quantities()[name].title, measured, pairs)


def _shown_pairs(row: ComparedQuantity, comparison: Comparison) -> Sequence[PairEntry]:
    """Return the pairs to print: all of few units; of many those that matter with one unit.

    It is the first of the ranking with which a difference of this quantity matters: the best may lack it.
    """
    if len(comparison.units) <= _ALL_PAIRS or comparison.choice is None:
        return row.pairs
    telling = [pair for pair in row.pairs if pair.relevant]
    beside = ([pair for pair in telling if unit in (pair.first, pair.second)] for unit in comparison.choice.ranking)
    return next(filter(None, beside), telling)


@dataclass(frozen=True)
class OtherView:
    """A quantity in which no difference matters: a value for each unit in their order, and what is said of them."""

    title: str
    values: Sequence[Markup]
    finding: str


def _other(name: str, row: ComparedQuantity, comparison: Comparison) -> OtherView:
    values = {one.unit: _shown(name, one, row.unit) for one in row.values}
    told = any(pair.higher is not None for pair in row.pairs)
    finding = "too little to matter" if told else "not distinguishable"
    return OtherView(quantities()[name].title, [values.get(one.unit, Markup("–")) for one in comparison.units], finding)


def _shown(name: str, value: ComparedValue, unit: str) -> Markup:
    coded = code_words(quantities()[name], value.value)
    return coded or with_unit(numbers.result(value.value, value.expanded_uncertainty).text, unit)

"""Render a comparison of units: overlaid figures, differences, criteria."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from markupsafe import Markup

from ..decision.models import ComparedQuantity, ComparedValue, Comparison
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
from .figures import is_wide, svg
from .identity import report_id
from .quantity_view import code_words
from .section_view import FigureView, placed
from .style import TEMPLATES
from .symbols import with_unit

#: The pages of a report are headed "Acceptance report", which this is not.
_HEADER = '@page { @top-left { content: "Comparison  " string(unit-name) } }'
#: More series than this cannot be told apart in one figure.
_MOST_SERIES = 12
#: More figures than this are turned over unread.
_MOST_FIGURES = 5


def overlays(fits: Mapping[str, StoredFit], arrays: Mapping[str, Mapping[str, np.ndarray]]) -> list[Panel]:
    """Return one panel for each figure that two units have, with the series of all; ``fits`` by unit."""
    found: dict[tuple[str, str], list[tuple[str, Panel]]] = {}
    for unit, fit in fits.items():
        for made in fit.makers:
            for panel in load_panels(made.panels, arrays[unit]):
                found.setdefault((made.label, panel.name), []).append((unit, panel))
    panels = []
    for (maker, name), members in found.items():
        first = members[0][1]
        alike = [(u, p) for u, p in members if (p.x, p.y, p.form) == (first.x, first.y, first.form)]
        if len({u for u, _ in alike}) < 2 or first.form not in ("points", "bars"):
            continue
        series = [
            _named(unit, item) for unit, panel in alike for item in panel.series if item.role not in ("left out",)
        ]
        if len(series) > _MOST_SERIES:  # then what was fitted says it best
            series = [item for item in series if item.role in ("fit", "model")] or series
        if len(series) <= _MOST_SERIES:
            panels.append(
                replace(first, name=f"{maker}-{name}", series=series, residuals=(), residual_axis=None, field=None)
            )
    return panels


def _named(unit: str, series: Series) -> Series:
    return replace(series, label=f"{unit}: {series.label}", y_error=None)


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
            choice=words.choice_words(comparison.choice) if comparison.choice else "",
            probability=numbers.plain(100 * comparison.probability),
            quantities=[_quantity(name, row) for name, row in _telling(comparison)],
            criteria=[(titled(row), words.limits_text(row), row) for row in comparison.criteria],
            only=[(quantities()[name].title, unit) for name, unit in comparison.one_unit_only.items()],
            figures=placed([_figure(panel) for panel in panels], []),
            workshop=workshop,
            latest=max((str(unit.tested_on) for unit in comparison.units if unit.tested_on), default=None),
            report_id=identifier,
        )
    )
    return html


def _telling(comparison: Comparison) -> list[tuple[str, ComparedQuantity]]:
    """Return the quantities, those with a difference that matters first."""
    return sorted(comparison.quantities.items(), key=lambda item: not any(pair.relevant for pair in item[1].pairs))


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
    wide = is_wide(panel.form, [series.label for series in panel.series])
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


def _quantity(name: str, row: ComparedQuantity) -> ComparedView:
    pairs = []
    for pair in row.pairs:
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


def _shown(name: str, value: ComparedValue, unit: str) -> Markup:
    coded = code_words(quantities()[name], value.value)
    return coded or with_unit(numbers.result(value.value, value.expanded_uncertainty).text, unit)

"""The fits of a unit between fitting, deciding and drawing: JSON for numbers and words, one file for arrays."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from ..jsonio import read_json, write_bytes, write_json
from ..procedures import procedures
from ..procedures.base import Field, Panel, Series
from ..quantities import ADJUSTED
from ..settings.application import label
from ..units import SI_UNIT
from .adjusted import Adjusted
from .engine import Outcome
from .stored import Made, StoredAdequacy, StoredField, StoredFit, StoredPanel, StoredPart, StoredSeries
from .unit_fit import DerivedOutcome, UnitFit


def save_fit(json_path: Path, arrays_path: Path, fit: UnitFit) -> None:
    """Write a unit's fits: ``json_path`` for forms, notes and tables, ``arrays_path`` for the figures' data."""
    arrays: dict[str, np.ndarray] = {}
    several = len(fit.applications) > 1
    derived = [_derived(index, part, several, arrays) for index, part in enumerate(fit.derived)]
    if fit.adjusted.forms:
        derived.insert(0, _adjusted(fit.adjusted, arrays))  # what is predicted rests on it
    stored = StoredFit(
        outcomes=[_run(index, outcome, arrays) for index, outcome in enumerate(fit.outcomes)],
        derived=derived,
        parts=[
            StoredPart(
                role=one.role,
                unit=one.unit,
                outcomes=list(one.outcomes),
                taken=[name for name, unit in fit.taken.items() if unit == one.unit],
            )
            for one in fit.parts
        ],
        stated=fit.stated,
        applications=[dict(one.names) for one in fit.applications],
        problems=fit.problems,
    )
    buffer = io.BytesIO()
    np.savez(buffer, **arrays)  # type: ignore[arg-type]
    write_bytes(arrays_path, buffer.getvalue())
    write_json(json_path, stored.as_json())


def _run(index: int, outcome: Outcome, arrays: dict[str, np.ndarray]) -> Made:
    report = outcome.report
    return Made(
        maker=outcome.procedure,
        label=outcome.label,
        forms=dict(outcome.forms),
        simulated=dict(outcome.simulated),
        tests=list(outcome.tests),
        conditions=_conditions(outcome),
        adequacy=StoredAdequacy.model_validate(outcome.adequacy.as_json()),
        with_controller_loss=list(outcome.with_controller_loss),
        line=outcome.line,
        bend=outcome.bend,
        notes=report.notes,
        tables=report.tables,
        missing=dict(outcome.fit.missing),
        details=dict(report.details),
        quantity_notes=report.quantity_notes,
        hints=report.hints,
        extrapolated=report.extrapolated,
        bounds=report.bounds,
        stated=report.stated,
        panels=_panels(f"outcome-{index}", report.panels, arrays),
    )


def _derived(index: int, part: DerivedOutcome, several: bool, arrays: dict[str, np.ndarray]) -> Made:
    """``several`` tells that the unit is predicted on more than one pack or vehicle."""
    return Made(
        maker=part.name,
        label=label(part.application) if several and part.application else part.name,
        forms=dict(part.forms),
        simulated=dict(part.simulated),
        notes=list(part.shown.notes),
        tables=list(part.shown.tables),
        missing=dict(part.shown.missing),
        quantity_notes={key: [note] for key, note in part.quantity_notes.items()},
        hints=list(part.shown.hints),
        predicted=dict(part.predicted),
        stated=dict(part.stated),
        application=dict(part.application),
        panels=_panels(f"derived-{index}", part.shown.panels, arrays),
    )


def _adjusted(together: Adjusted, arrays: dict[str, np.ndarray]) -> Made:
    return Made(
        maker=ADJUSTED,
        label=ADJUSTED,
        forms=together.forms,
        simulated=together.simulated,
        with_controller_loss=list(together.with_controller_loss),
        notes=list(together.shown.notes),
        tables=list(together.shown.tables),
        consistency=together.consistency,
        panels=_panels("adjusted", together.shown.panels, arrays),
    )


def _conditions(outcome: Outcome) -> dict[str, str]:
    """Return the conditions common to the logs of a run, as text in SI."""
    known = {condition.name: condition for condition in procedures()[outcome.procedure].conditions}
    return {
        name: known[name].choices[int(value)] if known[name].choices else f"{value:.6g} {SI_UNIT[known[name].kind]}"
        for name, value in outcome.conditions.items()
    }


def _panels(key: str, panels: Sequence[Panel], arrays: dict[str, np.ndarray]) -> list[StoredPanel]:
    """Return panels without their readings, which go into ``arrays``."""

    def series(members: Sequence[Series], base: str) -> list[StoredSeries]:
        found = []
        for position, one in enumerate(members):
            arrays[f"{base}/{position}/x"] = np.asarray(one.x, dtype=float)
            arrays[f"{base}/{position}/y"] = np.asarray(one.y, dtype=float)
            if one.y_error is not None:
                arrays[f"{base}/{position}/y_error"] = np.asarray(one.y_error, dtype=float)
            found.append(StoredSeries(label=one.label, role=one.role, base=f"{base}/{position}"))
        return found

    def field(one: Field, base: str) -> StoredField:
        for name in ("x", "y", "z"):
            arrays[f"{base}/{name}"] = np.asarray(getattr(one, name), dtype=float)
        return StoredField(axis=one.axis, levels=list(one.levels), base=base)

    return [
        StoredPanel(
            name=panel.name,
            title=panel.title,
            x=panel.x,
            y=panel.y,
            caption=panel.caption,
            drawing=panel.drawing,
            series=series(panel.series, f"{key}/{number}/series"),
            residuals=series(panel.residuals, f"{key}/{number}/residuals"),
            residual_axis=panel.residual_axis,
            field=field(panel.field, f"{key}/{number}/field") if panel.field is not None else None,
        )
        for number, panel in enumerate(panels)
    ]


def load_fit(json_path: Path) -> StoredFit:
    """Return what ``save_fit`` wrote."""
    return StoredFit.from_json(read_json(json_path))


def load_panels(described: Sequence[StoredPanel], arrays: Mapping[str, np.ndarray]) -> list[Panel]:
    """Return the panels that ``save_fit`` described, with their arrays."""

    def series(entry: StoredSeries) -> Series:
        base = entry.base
        return Series(entry.label, arrays[f"{base}/x"], arrays[f"{base}/y"], entry.role, arrays.get(f"{base}/y_error"))

    def field(entry: StoredField | None) -> Field | None:
        if entry is None:
            return None
        x, y, z = (arrays[f"{entry.base}/{name}"] for name in ("x", "y", "z"))
        return Field(entry.axis, x, y, z, entry.levels)

    return [
        Panel(
            panel.name,
            panel.title,
            panel.x,
            panel.y,
            [series(one) for one in panel.series],
            panel.caption,
            panel.drawing,
            [series(one) for one in panel.residuals],
            panel.residual_axis,
            field(panel.field),
        )
        for panel in described
    ]

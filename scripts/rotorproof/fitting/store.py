"""The fits of a unit between fitting, deciding and drawing: JSON for numbers and words, one file for arrays."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from ..jsonio import read_json, write_bytes, write_json
from ..procedures import procedures
from ..procedures.base import Axis, Field, Panel, Series, Table
from ..quantities import ADJUSTED
from ..settings.application import label
from ..uncertainty.forms import Form, Influence
from ..uncertainty.monte_carlo import Simulation
from ..units import SI_UNIT
from .engine import Outcome
from .unit_fit import UnitFit


class _Ledger:
    """Numbers the influences so that each is written once."""

    def __init__(self) -> None:
        self.numbers: dict[Influence, int] = {}

    def form(self, form: Form) -> dict[str, Any]:
        terms = [
            [self.numbers.setdefault(influence, len(self.numbers)), c] for influence, c in form.terms.items() if c != 0
        ]
        return {"value": form.value, "terms": terms}


def save_fit(json_path: Path, arrays_path: Path, fit: UnitFit) -> None:
    """Write a unit's fits: ``json_path`` for forms, notes and tables, ``arrays_path`` for the figures' data."""
    ledger = _Ledger()
    arrays: dict[str, np.ndarray] = {}
    outcomes = [
        {
            "procedure": outcome.procedure,
            "label": outcome.label,
            "tests": list(outcome.tests),
            "with_controller_loss": list(outcome.with_controller_loss),
            "line": asdict(outcome.line) if outcome.line else None,
            "bend": ledger.form(outcome.bend) if outcome.bend else None,
            "conditions": _conditions(outcome),
            "forms": {name: ledger.form(form) for name, form in outcome.forms.items()},
            "simulated": {name: found.as_json() for name, found in outcome.simulated.items()},
            "adequacy": outcome.adequacy.as_json(),
            "notes": list(outcome.report.notes),
            "tables": [asdict(table) for table in outcome.report.tables],
            "missing": dict(outcome.fit.missing),
            "details": dict(outcome.report.details),
            "quantity_notes": {key: list(value) for key, value in outcome.report.quantity_notes.items()},
            "hints": [asdict(hint) for hint in outcome.report.hints],
            "extrapolated": dict(outcome.report.extrapolated),
            "bounds": dict(outcome.report.bounds),
            "stated": dict(outcome.report.stated),
            "panels": _panels(f"outcome-{index}", outcome.report.panels, arrays),
        }
        for index, outcome in enumerate(fit.outcomes)
    ]
    several = len(fit.applications) > 1
    derived = [
        {
            "name": part.name,
            "forms": {name: ledger.form(form) for name, form in part.forms.items()},
            "simulated": {name: found.as_json() for name, found in part.simulated.items()},
            "notes": list(part.shown.notes),
            "tables": [asdict(table) for table in part.shown.tables],
            "hints": [asdict(hint) for hint in part.shown.hints],
            "predicted": dict(part.predicted),
            "stated": dict(part.stated),
            "for": dict(part.application),
            **({"label": label(part.application)} if several and part.application else {}),
            "missing": dict(part.shown.missing),
            "quantity_notes": {key: [note] for key, note in part.quantity_notes.items()},
            "panels": _panels(f"derived-{index}", part.shown.panels, arrays),
        }
        for index, part in enumerate(fit.derived)
    ]
    together = fit.adjusted
    if together.forms:
        derived.insert(
            0,  # what is predicted rests on it
            {
                "name": ADJUSTED,
                "forms": {name: ledger.form(form) for name, form in together.forms.items()},
                "simulated": {name: found.as_json() for name, found in together.simulated.items()},
                "notes": list(together.shown.notes),
                "tables": [asdict(table) for table in together.shown.tables],
                "missing": {},
                "panels": _panels("adjusted", together.shown.panels, arrays),
                "consistency": dict(together.consistency),
                "with_controller_loss": list(together.with_controller_loss),
            },
        )
    parts = [
        {
            "role": one.role,
            "unit": one.unit,
            "outcomes": [_kept(outcome, ledger) for outcome in one.outcomes],
            "taken": [name for name, unit in fit.taken.items() if unit == one.unit],
        }
        for one in fit.parts
    ]
    stated = {name: ledger.form(form) for name, form in fit.stated.items()}
    buffer = io.BytesIO()
    np.savez(buffer, **arrays)  # type: ignore[arg-type]
    write_bytes(arrays_path, buffer.getvalue())
    write_json(
        json_path,
        {
            "outcomes": outcomes,
            "derived": derived,
            "parts": parts,
            "stated": stated,
            "applications": [one.names for one in fit.applications],
            "influences": [influence.as_json() for influence in ledger.numbers],
            "problems": [problem.as_json() for problem in fit.problems],
        },
    )


def _kept(outcome: Mapping[str, Any], ledger: _Ledger) -> dict[str, Any]:
    """Return a part's run, as ``load_fit`` gave it, as JSON."""
    return {
        **outcome,
        "forms": {name: ledger.form(form) for name, form in outcome["forms"].items()},
        "simulated": {name: found.as_json() for name, found in outcome["simulated"].items()},
    }


def _conditions(outcome: Outcome) -> dict[str, str]:
    """Return the conditions common to the logs of a run, as text in SI."""
    known = {condition.name: condition for condition in procedures()[outcome.procedure].conditions}
    return {
        name: known[name].choices[int(value)] if known[name].choices else f"{value:.6g} {SI_UNIT[known[name].kind]}"
        for name, value in outcome.conditions.items()
    }


def _panels(key: str, panels: Sequence[Panel], arrays: dict[str, np.ndarray]) -> list[dict[str, Any]]:
    described = []
    for number, panel in enumerate(panels):
        groups: dict[str, list[dict[str, Any]]] = {"series": [], "residuals": []}
        for group, members in groups.items():
            for position, series in enumerate(getattr(panel, group)):
                base = f"{key}/{number}/{group}/{position}"
                arrays[f"{base}/x"] = np.asarray(series.x, dtype=float)
                arrays[f"{base}/y"] = np.asarray(series.y, dtype=float)
                if series.y_error is not None:
                    arrays[f"{base}/y_error"] = np.asarray(series.y_error, dtype=float)
                members.append({"label": series.label, "role": series.role, "base": base})
        field = None
        if panel.field is not None:
            base = f"{key}/{number}/field"
            for name in ("x", "y", "z"):
                arrays[f"{base}/{name}"] = np.asarray(getattr(panel.field, name), dtype=float)
            field = {"axis": asdict(panel.field.axis), "levels": list(panel.field.levels), "base": base}
        described.append(
            {
                "name": panel.name,
                "title": panel.title,
                "x": asdict(panel.x),
                "y": asdict(panel.y),
                "caption": panel.caption,
                "form": panel.form,
                "residual_axis": asdict(panel.residual_axis) if panel.residual_axis else None,
                "field": field,
                **groups,
            }
        )
    return described


def load_fit(json_path: Path) -> dict[str, Any]:
    """Return what ``save_fit`` wrote, with its forms and simulations turned back into objects."""
    data: dict[str, Any] = read_json(json_path)
    influences = [Influence.from_json(entry) for entry in data["influences"]]

    def forms(written: Mapping[str, Any]) -> dict[str, Form]:
        return {
            name: Form(form["value"], {influences[number]: c for number, c in form["terms"]})
            for name, form in written.items()
        }

    data["stated"] = forms(data["stated"])
    own = [*data["outcomes"], *data["derived"]]
    for part in [*own, *(outcome for one in data["parts"] for outcome in one["outcomes"])]:
        part["forms"] = forms(part["forms"])
        if part.get("bend"):
            part["bend"] = forms({"bend": part["bend"]})["bend"]
        part["simulated"] = {name: Simulation.from_json(entry) for name, entry in part["simulated"].items()}
    for part in own:
        part["tables"] = [Table(**table) for table in part["tables"]]
    return data


def load_panels(described: Sequence[Mapping[str, Any]], arrays: Mapping[str, np.ndarray]) -> list[Panel]:
    """Return the panels that ``save_fit`` described, with their arrays."""

    def series(entry: Mapping[str, Any]) -> Series:
        base = entry["base"]
        error = f"{base}/y_error"
        return Series(entry["label"], arrays[f"{base}/x"], arrays[f"{base}/y"], entry["role"], arrays.get(error))

    def field(entry: Mapping[str, Any] | None) -> Field | None:
        if entry is None:
            return None
        x, y, z = (arrays[f"{entry['base']}/{name}"] for name in ("x", "y", "z"))
        return Field(Axis(**entry["axis"]), x, y, z, entry["levels"])

    return [
        Panel(
            entry["name"],
            entry["title"],
            Axis(**entry["x"]),
            Axis(**entry["y"]),
            [series(s) for s in entry["series"]],
            entry["caption"],
            entry["form"],
            [series(s) for s in entry["residuals"]],
            Axis(**entry["residual_axis"]) if entry["residual_axis"] else None,
            field(entry["field"]),
        )
        for entry in described
    ]

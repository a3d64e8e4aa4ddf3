"""Runs of one procedure on invented logs, and how often its intervals hold the truth."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence

import numpy as np

from rotorproof.columns import COLUMNS
from rotorproof.fitting.engine import InstrumentError, Outcome, run
from rotorproof.procedures.base import Log, Procedure
from rotorproof.uncertainty.accuracy import parse_accuracy
from rotorproof.uncertainty.coverage import interval
from rotorproof.uncertainty.forms import Form, Influence

Columns = Mapping[str, np.ndarray]
Conditions = Mapping[str, float | tuple[float, float]]


def outcome(
    procedure: Procedure,
    logs: Sequence[tuple[Columns, Conditions]],
    accuracy: Mapping[str, str] | None = None,
    **given: float,
) -> Outcome:
    """Run a procedure. ``accuracy`` is stated by column; a condition may be a value or ``(value, uncertainty)``."""
    entries, uncertain = [], {}
    for index, (columns, conditions) in enumerate(logs):
        values = {name: v[0] if isinstance(v, tuple) else v for name, v in conditions.items()}
        entries.append(Log(procedure.name, dict(columns), values))
        for name, v in conditions.items():
            if isinstance(v, tuple):
                uncertain[index, name] = Form(v[0], {Influence(f"stated/{name}/{v[0]}", name): v[1]})
    instruments = [
        InstrumentError(
            Influence(name, name, "rectangular"),
            parse_accuracy(text, COLUMNS[name].kind),
            [(i, name) for i, entry in enumerate(entries) if name in entry],
        )
        for name, text in (accuracy or {}).items()
        if any(name in entry for entry in entries)
    ]
    return run(
        procedure,
        entries,
        label=procedure.name,
        unit="U",
        given={name: Form(value) for name, value in {"winding_constant": 234.5, **given}.items()},
        instruments=instruments,
        uncertain_conditions=uncertain,
    )


class Coverage:
    """Counts how often the 95 % interval of each quantity holds the truth."""

    def __init__(self) -> None:
        self.hits: dict[str, list[bool]] = defaultdict(list)

    def add(self, result: Outcome, truth: Mapping[str, float]) -> None:
        """Compare the quantities of one run with the truth, as far as it gave them."""
        for name, value in truth.items():
            if name in result.forms:
                found = interval(result.forms[name])
                self.hits[name].append(found.low <= value <= found.high)

    def check(self, names: Sequence[str], least: int) -> None:
        """Assert for each quantity that the count is what 95 % would give, within 3.3 standard deviations."""
        for name in names:
            hits = self.hits[name]
            assert len(hits) >= least, f"{name} was given {len(hits)} times only"
            allowed = 3.3 * np.sqrt(0.95 * 0.05 / len(hits))
            assert np.mean(hits) >= 0.95 - allowed, (
                f"{name}: {np.mean(hits):.3f} of {len(hits)} intervals hold the truth"
            )

"""Runs of one procedure on invented logs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from rotorproof.columns import COLUMNS
from rotorproof.fitting.engine import Outcome, run
from rotorproof.fitting.instrument_error import InstrumentError
from rotorproof.procedures.base import Log, Procedure
from rotorproof.procedures.fit import Fit
from rotorproof.uncertainty.accuracy import parse_accuracy
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


def fitted(procedure: Procedure, logs: Sequence[Log], **given: float) -> Fit:
    """Choose and estimate once, with no error of instruments or scalars."""
    given = {**{item.name: item.value for item in procedure.assumptions}, **given}
    return procedure.estimate(logs, given, procedure.choose(logs, given))

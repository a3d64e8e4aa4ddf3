"""Run a controller's procedure through the uncertainty engine, as the workflow would."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from rotorproof.columns import COLUMNS
from rotorproof.fitting.engine import Outcome, run
from rotorproof.fitting.instrument_error import InstrumentError
from rotorproof.procedures import procedures
from rotorproof.procedures.base import Log
from rotorproof.uncertainty.accuracy import Accuracy
from rotorproof.uncertainty.forms import Form, Influence


def si(columns: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
    """Drop the units from headers whose readings are in SI already."""
    return {header.split(" [")[0]: np.asarray(values, dtype=float) for header, values in columns.items()}


def outcome(
    name: str,
    logs: list[Log],
    accuracy: Mapping[str, Accuracy] | None = None,
    given: Mapping[str, float] | None = None,
) -> Outcome:
    """Return the outcome with one instrument per kind of quantity in ``accuracy``."""
    procedure = procedures()[name]
    instruments = []
    for kind, stated in (accuracy or {}).items():
        columns = []
        for index, log in enumerate(logs):
            for column in log.columns:
                source = procedure.source_column(column)
                if source and COLUMNS[source].kind == kind:
                    columns.append((index, column))
        instruments.append(InstrumentError(Influence(kind, kind, "rectangular"), stated, columns))
    return run(
        procedure,
        logs,
        label=name,
        unit="U",
        given={key: Form(value) for key, value in (given or {}).items()},
        instruments=instruments,
        uncertain_conditions={},
    )


def case(name: str, word: str, condition: str) -> float:
    """Return the number that stands for a word of a condition."""
    (found,) = [c for c in procedures()[name].conditions if c.name == condition]
    return float(found.choices.index(word))

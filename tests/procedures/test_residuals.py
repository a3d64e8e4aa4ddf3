"""What every fit leaves over stands in one form: beside its regressors, and as large as the scatter it states."""

from __future__ import annotations

import numpy as np
import pytest

from rotorproof.procedures import procedures
from rotorproof.procedures.base import Log
from tests.benchmarks.studies import STUDIES
from tests.procedures.runs import fitted
from tests.simulation.study import Study

#: Procedures that fit no formula to readings (they count, time or find a level), and ways of using others so.
NONE = {"gate-timing", "throttle", "supply-window", "current-limit"}
NONE_SO = {"winding-inductance, readings at unknown angles", "winding-inductance, a step"}


def value(stated: float | tuple[float, float]) -> float:
    return stated[0] if isinstance(stated, tuple) else stated


@pytest.mark.parametrize("drawn", STUDIES, ids=lambda drawn: drawn.name)
def test_residuals_stand_beside_what_the_fit_rests_on(drawn: Study) -> None:
    case = drawn.draw(np.random.default_rng(1))
    logs = [
        Log(f"log {i}", dict(columns), {key: value(stated) for key, stated in conditions.items()})
        for i, (columns, conditions) in enumerate(case.logs)
    ]
    given = {key: value(stated) for key, stated in case.given.items()}
    fit = fitted(procedures()[drawn.procedure], logs, **given)
    assert bool(fit.residuals) == (drawn.procedure not in NONE and drawn.name not in NONE_SO)
    for left in fit.residuals:
        size = left.residual.size
        assert size > left.degrees_of_freedom > 0
        beside = [left.fitted, *left.regressors.values()]
        beside += [column for column in (left.time, left.replicate) if column is not None]
        assert all(column.shape == (size,) and np.isfinite(column).all() for column in beside), left.name
        spread = np.sqrt(np.mean((left.residual / left.uncertainty) ** 2))
        assert 0.3 < spread < 1.5, (left.name, spread)


def test_the_procedures_without_residuals_are_the_ones_named() -> None:
    assert {drawn.procedure for drawn in STUDIES} >= NONE

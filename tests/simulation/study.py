"""What a coverage study needs of the invented bench: random units whose truth is known, read by random instruments.

A study draws, from a seeded generator, one unit with its logs, what its instruments state, and the true values of the
quantities that the logs should give. It knows nothing of the fits.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial

import numpy as np

Columns = Mapping[str, np.ndarray]


@dataclass(frozen=True)
class Reader:
    """An instrument as its maker states it: ``accuracy`` as text for a ``kind``, and the columns it read.

    ``columns`` and ``conditions`` hold for every log that has them. The specimen's error lies within the statement.
    """

    kind: str
    accuracy: str
    columns: tuple[str, ...] = ()
    conditions: tuple[str, ...] = ()


@dataclass(frozen=True)
class Case:
    """One random unit: logs as columns and conditions in SI, instruments, given scalars, and the truth in SI.

    A condition or a given scalar that its writer states with a standard uncertainty is a pair.
    """

    logs: Sequence[tuple[Columns, Mapping[str, float | tuple[float, float]]]]
    truth: Mapping[str, float]
    readers: Sequence[Reader] = ()
    given: Mapping[str, float | tuple[float, float]] = field(default_factory=dict)


@dataclass(frozen=True)
class Study:
    """Random units for one procedure; ``name`` says which and how they differ."""

    name: str
    procedure: str
    draw: Callable[[np.random.Generator], Case]


def study(name: str, procedure: str, draw: Callable[..., Case], **fixed: object) -> Study:
    """Return a study whose ``draw`` has some arguments ``fixed``."""
    return Study(name, procedure, partial(draw, **fixed) if fixed else draw)

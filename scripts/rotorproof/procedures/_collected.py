"""What the parts of a fit collect on their way to one ``Fit``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from ..physics.regression import Estimates
from .base import Panel, Table
from .fit import Block


@dataclass
class Collected:
    """Blocks, figures, tables and words, gathered by one part of a fit after the other."""

    blocks: list[Block] = field(default_factory=list)
    panels: list[Panel] = field(default_factory=list)
    tables: list[Table] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    missing: dict[str, str] = field(default_factory=dict)
    quantity_notes: dict[str, list[str]] = field(default_factory=dict)

    def add(self, label: str, names: Sequence[str], fitted: Estimates, places: Sequence[int]) -> None:
        """Keep the values at ``places`` of an estimate as a block of parameters called ``names``."""
        values = {name: float(fitted.values[place]) for name, place in zip(names, places, strict=True)}
        covariance = fitted.covariance[np.ix_(places, places)]
        self.blocks.append(Block(label, values, covariance, fitted.degrees_of_freedom))

    def exact(self, label: str, name: str, value: float) -> None:
        """Keep a parameter without scatter of its own."""
        self.blocks.append(Block(label, {name: value}, np.zeros((1, 1)), np.inf))

    def lacking(self, names: Sequence[str], why: str) -> None:
        """Say why some outputs cannot be given."""
        self.missing |= dict.fromkeys(names, why)

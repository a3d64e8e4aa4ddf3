"""For procedures whose ``fit`` still chooses, estimates and reports at once: the same in three steps."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, ClassVar

from ..errors import Problem
from . import base
from .base import Log, Panel, Table
from .fit import Block
from .fit import Fit as Blocks


@dataclass(frozen=True)
class Fit:
    """What the readings gave: parameters with scatter, and everything the report shows of the fit."""

    blocks: Sequence[Block]
    panels: Sequence[Panel] = ()
    tables: Sequence[Table] = ()
    notes: Sequence[str] = ()
    warnings: Sequence[Problem] = ()
    missing: Mapping[str, str] = field(default_factory=dict)
    details: Mapping[str, Any] = field(default_factory=dict)
    quantity_notes: Mapping[str, Sequence[str]] = field(default_factory=dict)

    @property
    def parameters(self) -> dict[str, float]:
        """Return all fitted parameters by name."""
        return {name: value for block in self.blocks for name, value in block.values.items()}


class Procedure(base.Procedure):
    """A procedure whose fit takes an earlier fit instead of a choice."""

    #: Fit the readings, from ``near`` if the engine repeats the fit.
    fit: ClassVar[Callable[..., Any]]

    def choose(self, logs: Sequence[Log], given: Mapping[str, float]) -> list[Fit]:
        """Fit once."""
        return [self.fit(logs, given)] * 2

    def estimate(self, logs: Sequence[Log], given: Mapping[str, float], choice: list[Fit]) -> Blocks:
        """Return the first fit when first asked, else repeat it."""
        found = self.fit(logs, given, choice[0])
        if len(choice) > 1:
            found = choice.pop()
        return Blocks(list(found.blocks), dict(found.missing))

    def report(self, logs: Sequence[Log], given: Mapping[str, float], choice: list[Fit], fit: Blocks) -> base.Report:
        """Return what the first fit said."""
        del logs, given, fit
        found = choice[0]
        quantity_notes = {name: list(notes) for name, notes in found.quantity_notes.items()}
        warnings = [replace(problem, procedure=None) for problem in found.warnings]
        return base.Report(
            list(found.panels), list(found.tables), list(found.notes), warnings, dict(found.details), quantity_notes
        )

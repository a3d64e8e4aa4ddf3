"""The systematic error of one instrument, and readings shifted by it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..procedures.base import Log
from ..uncertainty.accuracy import Accuracy
from ..uncertainty.forms import Influence
from ..uncertainty.stamps import StampError


@dataclass(frozen=True)
class InstrumentError:
    """One instrument's systematic error: the columns and conditions it read, as ``(log index, name)``."""

    influence: Influence
    accuracy: Accuracy | StampError
    columns: Sequence[tuple[int, str]] = ()
    conditions: Sequence[tuple[int, str]] = ()
    #: Of what kind of quantity the readings are; "" where nobody says.
    kind: str = ""

    def shifted(self, logs: Sequence[Log], sign: float) -> list[Log]:
        """Return the logs with this error added, one standard uncertainty times ``sign``."""
        changed = list(logs)
        for index, name in self.columns:
            log = changed[index]
            readings = log.columns[name]
            moved = readings + sign * self.accuracy.error(readings)
            changed[index] = replace(log, columns={**log.columns, name: moved})
        for index, name in self.conditions:
            log = changed[index]
            value = log.conditions[name]
            moved_value = value + sign * float(self.accuracy.error(np.array([value]))[0])
            changed[index] = replace(log, conditions={**log.conditions, name: moved_value})
        return changed

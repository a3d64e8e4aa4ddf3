"""Which readable logs of a procedure make one run: each by itself, or several that it fits together."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from ..procedures.base import Log, Procedure
from ..settings.unit import Test
from ..units import Measured


@dataclass(frozen=True)
class TestLog:
    """One readable log with its place in the unit file and its conditions as written."""

    __test__ = False  # not a pytest class

    test: Test
    log: Log
    written: Mapping[str, Measured]


def runs(procedure: Procedure, entries: Sequence[TestLog]) -> list[tuple[str, list[TestLog]]]:
    """Return the label and the logs of each run of a procedure: one log, or those that it fits together."""
    if procedure.combines_by_label:
        alike: dict[str, list[TestLog]] = defaultdict(list)
        for entry in entries:
            alike[entry.test.label or procedure.name].append(entry)
        together = {}
        for label, group in alike.items():
            logs = [entry.log for entry in group]
            if rest := [e for e in group if not procedure.stands_alone(e.log, [o for o in logs if o is not e.log])]:
                together[label] = rest
        joined = {id(entry) for run in together.values() for entry in run}
        whole = dict(_each(procedure, [entry for entry in entries if id(entry) not in joined]))
        return [*whole.items(), *((f"{k}-joined" if k in whole else k, run) for k, run in together.items())]
    if procedure.combines:
        return [(procedure.name, list(entries))]
    return _each(procedure, entries)


def _each(procedure: Procedure, entries: Sequence[TestLog]) -> list[tuple[str, list[TestLog]]]:
    """Return a run for each log, with a label of its own."""
    labels: dict[str, list[TestLog]] = {}
    for number, entry in enumerate(entries, start=1):
        label = entry.test.label or (procedure.name if len(entries) == 1 else f"{procedure.name}-{number}")
        labels[label if label not in labels else f"{label}-{number}"] = [entry]
    return list(labels.items())

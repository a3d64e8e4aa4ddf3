"""From the files of a run to the histories that are judged: who is a check standard, and what each day found."""

from __future__ import annotations

import datetime
from collections import defaultdict
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from ..decision.models import Results
from ..fitting.store import load_fit
from ..quantities import ADJUSTED, quantities
from ..uncertainty.forms import Form
from ..units import conversion
from .bench import BenchDay, Standard, judge

#: What the file of a check standard says.
STANDARD = {"role": "check standard"}


def is_standard(unit: Mapping[str, Any]) -> bool:
    """Tell whether a unit is a check standard."""
    return STANDARD.items() <= unit.items()


def day_of(unit: Mapping[str, Any]) -> datetime.date | None:
    """Return the day on which a unit was tested, if its file says it."""
    try:
        return datetime.date.fromisoformat(str(unit.get("tested_on")))
    except ValueError:
        return None


def serials(unit: Mapping[str, Any]) -> frozenset[str]:
    """Return the serial numbers of the instruments that a unit file names."""
    named = (entry.get("serial") for entry in (unit.get("instruments") or {}).values())
    return frozenset(str(serial) for serial in named if serial)


def in_si(results: Results) -> dict[str, float]:
    """Return the value of each quantity by each test in SI, by ``quantity/procedure``; what is adjusted is no test."""
    known = quantities()
    found: dict[str, float] = {}
    for name, entry in results.quantities.items():
        scale = conversion(entry.unit, known[name].kind)
        for one in (entry, *(entry.alternatives or ())):
            if one.procedure != ADJUSTED:
                found.setdefault(f"{name}/{one.procedure}", one.value * scale.factor + scale.offset)
    return found


def standards(
    units: Sequence[Mapping[str, Any]], results: Mapping[str, Results], fits: Mapping[str, Path]
) -> list[Standard]:
    """Return all check standards of the units, judged; ``fits`` are the files that ``fitting.store`` wrote.

    A day without its fit keeps its values: only the causes are then found from the sensitivities of another day.
    """
    days: dict[tuple[str, str], list[BenchDay]] = defaultdict(list)
    for unit in units:
        day = day_of(unit)
        if is_standard(unit) and day is not None:
            name = str(unit["unit"])
            days[str(unit.get("model") or ""), str(unit.get("serial") or "")].append(
                BenchDay(name, day, in_si(results[name]), _forms(fits.get(name)), serials(unit))
            )
    return [judge(model, serial, history) for (model, serial), history in sorted(days.items())]


def _forms(fit: Path | None) -> dict[str, Form]:
    found: dict[str, Form] = {}
    if fit is not None and fit.is_file():
        for outcome in load_fit(fit).outcomes:
            for name, form in outcome.forms.items():
                found.setdefault(f"{name}/{outcome.maker}", form)
    return found

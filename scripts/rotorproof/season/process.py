"""What a population says of units to come, as a file of ``config/processes``: a process of JCGM 106:2012, clause 9."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from ..errors import InputError, Problem
from ..settings.documents import read_document
from .gather import day_of
from .population import Population


def file_name(model: str) -> str:
    """Return the name of the file of a model: letters, digits and dashes of its name."""
    return re.sub(r"[^A-Za-z0-9]+", "-", model).strip("-")[:80] or "model"


def files_of(models: Sequence[str], folder: Path) -> dict[str, Path]:
    """Return the file in ``folder`` of each model.

    Raises ``InputError`` where two models have one file, where units of two kinds name one model, or where the file
    there is that of another model: one would be judged by the scatter of the other.
    """
    found: dict[str, Path] = {}
    problems = []
    taken: dict[str, str] = {}
    for model in models:
        twice = model in found
        path = found[model] = folder / f"{file_name(model)}.yaml"
        shown = f"config/processes/{path.name}"
        # Names that differ in case alone are one file on some systems.
        other = taken.setdefault(path.name.casefold(), model)
        if twice:
            words = f"units of two kinds name the model {model!r}, and one file is of one kind"
        elif other != model:
            words = f"the models {other!r} and {model!r} would both be written to it"
        elif path.is_file() and (known := read_document(path, shown).data.get("model")) != model:
            words = (
                f"it holds the model {known!r}, so {model!r} cannot be written to it; move it away if it is obsolete"
            )
        else:
            continue
        problems.append(Problem(f"{words}; write one model in one way in every unit.yaml", shown))
    if problems:
        raise InputError(problems)
    return found


def process_of(
    population: Population,
    units: Sequence[Mapping[str, Any]],
    ranges: Mapping[str, tuple[float, float, str]] | None = None,
) -> dict[str, Any]:
    """Return the content of the file. ``ranges`` holds low, high and their unit of what a unit to come may be like.

    The spread of a unit to come is that between units and the uncertainty of their mean together. A constant whose
    scatter between units cannot be told from errors of measurement is left out: a spread of nothing would make every
    risk small.
    """
    found = {}
    for one in population.constants:
        if one.scatter.between > 0:
            spread = math.hypot(one.scatter.between, one.scatter.mean_uncertainty)
            texts = (f"{value:.6g} {one.unit}" for value in (one.scatter.mean, spread))
            found[one.quantity] = dict(zip(("mean", "standard_deviation"), texts, strict=True))
    days = [day for unit in units if unit.get("model") == population.model and (day := day_of(unit)) is not None]
    about: dict[str, Any] = {"model": population.model, "kind": population.kind, "units": population.units}
    if days:
        about["last_tested_on"] = max(days).isoformat()
    written = {
        name: {"low": f"{low:.6g} {unit}", "high": f"{high:.6g} {unit}"}
        for name, (low, high, unit) in (ranges or {}).items()
    }
    return {**about, "quantities": found, **({"ranges": written} if written else {})}

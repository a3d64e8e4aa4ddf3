"""Assemble the bench sheets of a unit as plain data for the template: every number with its unit, as text."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from ..columns import COLUMNS
from ..drafts.unit_file import tests_for, written_unit
from ..procedures import procedures
from ..procedures.base import Procedure
from ..procedures.bench import BenchSheet, Expectation, Situation
from ..quantities import quantities
from ..settings.acceptance import AcceptanceSet
from ..settings.application import applications
from ..settings.run import RunSettings
from ..settings.unit import UnitFile
from ..signs import unit_text
from ..uncertainty.result import Result
from ..units import SI_UNIT, Measured, from_si
from .capability import Capability, capability, criteria_of, effects_of

#: Columns that a sheet of paper has room for, and the rows ruled on it at least.
_MOST_COLUMNS, _LEAST_ROWS = 9, 14
#: How the set value begins that says how often a recorder must read.
_RATE = "Sample rate"


def situation(
    file: UnitFile, settings: RunSettings, bench: Mapping[str, float], limits: AcceptanceSet | None = None
) -> Situation:
    """Return what is known before the tests; ``bench`` holds the supply's own limits in SI."""
    known = dict(bench)
    # Of several packs the highest decides what supply and controller must bear.
    packs = [one.pack for one in applications(file.meant, settings) if one.pack is not None]
    pack = max(packs, key=lambda one: one.voltage_full.value, default=None)
    for prefix, model in (
        ("nameplate", file.nameplate),
        ("pack", pack),
        ("fault", limits.fault_tests if limits else None),
    ):
        for key, value in model or ():
            if isinstance(value, Measured):
                known[f"{prefix}_{key}"] = value.value
            elif isinstance(value, int | float) and not isinstance(value, bool):
                known[f"{prefix}_{key}"] = float(value)
    return Situation(file.kind, known, file.nameplate.insulation_class, file.nameplate.freewheel)


def planned(file: UnitFile, acceptance: AcceptanceSet | None) -> list[Procedure]:
    """Return the tests to plan, in the safe order: those listed, or those the acceptance set needs."""
    names = {test.procedure for test in file.tests} or set(tests_for(file.kind, acceptance))
    return [p for p in procedures().values() if p.name in names and file.kind in p.unit_kinds]


def sheet(
    file: UnitFile,
    procedure: Procedure,
    acceptance: AcceptanceSet | None,
    settings: RunSettings,
    known: Situation,
    rehearsed: Mapping[str, Result] | None = None,
    *,
    steps: Mapping[str, Sequence[str]] | None = None,
) -> dict[str, Any]:
    """Return one bench sheet as plain data; ``wiring`` is left as the drawing's data.

    ``rehearsed`` holds what the procedure's own fit made of ideal readings (``rehearsal.rehearse``), ``steps`` by
    quantity what would narrow it (``next_best.next_best``).
    """
    bench = procedure.bench(known)
    can = capabilities(file, procedure, acceptance, settings, bench, rehearsed or {})
    return {
        "name": procedure.name,
        "title": procedure.title,
        "minutes": procedure.minutes,
        "purpose": procedure.purpose,
        "cautions": list(procedure.cautions),
        "notes": list(bench.notes),
        "wiring": bench.wiring,
        "settings": [
            {"what": s.what, "value": _shown(s.value, s.kind, s.unit), "why": s.why, "basis": s.basis}
            for s in bench.settings
        ],
        "steps": [
            {"text": text, "caution": bench.step_cautions.get(number)}
            for number, text in enumerate(bench.steps, start=1)
        ],
        "expectations": [_expectation(e) for e in _defined(bench)],
        "wrong": [{"seen": seen, "means": means} for seen, means in bench.wrong],
        "low_supply": bench.low_supply,
        "capabilities": [_capability(c, (steps or {}).get(c.quantity, ())) for c in can],
        "columns": [
            {"name": name, "unit": written_unit(name), "meaning": COLUMNS[name].meaning, "need": need}
            for name, need in _columns(procedure)
        ],
        "conditions": [
            {
                "name": c.name,
                "unit": _condition_unit(c.kind),
                "meaning": c.meaning,
                "required": c.required,
                "or_column": c.or_column,
            }
            for c in procedure.conditions
        ],
        "minimum_rows": procedure.minimum_rows,
        "ruled": _ruled(procedure),
        "logs": [test.log for test in file.tests if test.procedure == procedure.name] or [f"{procedure.name}.csv"],
    }


def capabilities(
    file: UnitFile,
    procedure: Procedure,
    acceptance: AcceptanceSet | None,
    settings: RunSettings,
    bench: BenchSheet,
    rehearsed: Mapping[str, Result],
) -> list[Capability]:
    """Return what the instruments can say about each criterion that this procedure's quantities meet."""
    expected = {e.quantity: e for e in bench.expectations}
    rate = next((s.value for s in bench.settings if s.kind == "frequency" and s.what.startswith(_RATE)), None)
    found = [
        capability(
            file,
            procedure,
            criterion,
            effects_of(bench.effects, criterion.quantity),
            expected.get(criterion.quantity),
            settings.coverage_probability,
            rehearsed.get(criterion.quantity),
            rate=rate,
        )
        for criterion in criteria_of(acceptance, procedure)
    ]
    return [
        replace(one, ratio=None, told=False, words=bench.unreached[one.quantity])
        if one.quantity in bench.unreached
        else one
        for one in found
    ]


def _defined(bench: BenchSheet) -> list[Expectation]:
    return [e for e in bench.expectations if e.quantity in quantities()]


def _ruled(procedure: Procedure) -> dict[str, Any] | None:
    """Return the columns and the rows of a table to fill in by hand; ``None`` for a test that a logger records."""
    if "time" in procedure.required_columns:
        return None
    names = [name for name, need in _columns(procedure) if need != "if available"][:_MOST_COLUMNS]
    heads = [f"{name} [{written_unit(name)}]" for name in names]
    return {"heads": heads, "rows": max(_LEAST_ROWS, procedure.minimum_rows)}


def _columns(procedure: Procedure) -> list[tuple[str, str]]:
    found: list[tuple[str, str]] = []
    for item in procedure.required_columns:
        if isinstance(item, str):
            found.append((item, "needed"))
        else:
            found += [(name, "one of these at least") for name in item]
    known = {name for name, _ in found}
    return found + [(name, "if available") for name in procedure.optional_columns if name not in known]


def _condition_unit(kind: str) -> str:
    return {"speed": "rpm", "temperature": "degC"}.get(kind, SI_UNIT[kind])


def _expectation(expected: Expectation) -> dict[str, str]:
    quantity, low, high = quantities()[expected.quantity], expected.low, expected.high
    if low is None or high is None:
        text = "not known: the nameplate does not say enough"
    elif low == high:
        text = _shown(low, quantity.kind, quantity.unit)
    else:
        unit = _unit(quantity.unit)
        a, b = (from_si(v, quantity.unit, quantity.kind) for v in sorted((low, high)))
        text = f"{_digits(a)} to {_digits(b)}{unit}"
    return {
        "title": quantity.title,
        "name": quantity.name,
        "range": text,
        "rests_on": expected.rests_on,
        "basis": expected.basis,
    }


def _capability(found: Capability, steps: Sequence[str]) -> dict[str, Any]:
    quantity = quantities()[found.quantity]
    ends = [
        None if limit is None else f"{from_si(limit, quantity.unit, quantity.kind):.6g}"
        for limit in (found.minimum, found.maximum)
    ]
    if ends[0] is not None and ends[1] is not None:
        limits = f"exactly {ends[0]}" if ends[0] == ends[1] else f"{ends[0]} to {ends[1]}"
    else:
        limits = f"at least {ends[0]}" if ends[1] is None else f"at most {ends[1]}"
    spread = found.expanded_uncertainty
    factor = abs(from_si(1.0, quantity.unit, quantity.kind) - from_si(0.0, quantity.unit, quantity.kind))
    return {
        "title": quantity.title,
        "limits": limits + _unit(quantity.unit),
        "uncertainty": "" if spread is None else f"± {_digits(spread * factor)}{_unit(quantity.unit)}",
        "ratio": "" if found.ratio is None else f"{found.ratio:.1f}",
        "decides": {True: "yes:", False: "no:", None: "not known:"}[found.decides],
        "words": found.words,
        "steps": list(steps),
    }


def _shown(value: float | None, kind: str, unit: str) -> str:
    if value is None:
        return ""
    if kind == "number" and float(value).is_integer():
        return f"{value:.0f}"  # a count
    if unit in ("Hz", "s") and (value >= 1e3 or value < 0.1):
        for factor, prefix in ((1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "µ")):
            if value >= factor and not (unit == "s" and factor > 1):
                return f"{_digits(value / factor)} {prefix}{unit}"
    return f"{_digits(from_si(value, unit, kind))}{_unit(unit)}"


def _unit(unit: str) -> str:
    if unit == "1":
        return ""
    return f" {unit_text(unit)}"


def _digits(number: float) -> str:
    """Return a coarse number with three digits, without an exponent where a person writes none."""
    if number == 0:
        return "0"
    places = max(0, 2 - math.floor(math.log10(abs(number))))
    return f"{number:.{places}f}" if abs(number) < 1e7 else f"{number:.3g}"


#: Names, kinds and written units of what the overview lists as known.
_KNOWN = {
    "nameplate_rated_voltage": ("rated voltage", "voltage", "V"),
    "nameplate_rated_power": ("rated power", "power", "W"),
    "nameplate_rated_speed": ("rated speed", "speed", "rpm"),
    "nameplate_pole_pairs": ("pole pairs", "number", "1"),
    "pack_voltage_full": ("pack, full", "voltage", "V"),
    "pack_voltage_nominal": ("pack, nominal", "voltage", "V"),
    "supply_voltage": ("bench supply, highest voltage", "voltage", "V"),
    "supply_current": ("bench supply, highest current", "current", "A"),
}


def known_lines(known: Situation) -> list[dict[str, str]]:
    """Return what was known before the tests, as text; the estimates made from it among them."""
    lines = [
        {"name": title, "value": _shown(known.get(key), kind, unit) or "not stated"}
        for key, (title, kind, unit) in _KNOWN.items()
    ]
    estimates = {
        "rated current (stated, or power / voltage / 0.8)": (known.rated_current, "current", "A"),
        "no-load speed (rated speed / 0.85)": (known.no_load_speed, "speed", "rpm"),
        "line-to-line resistance (12 % copper loss)": (known.line_resistance, "resistance", "ohm"),
    }
    return lines + [
        {"name": f"estimate: {title}", "value": _shown(*value) or "not known"} for title, value in estimates.items()
    ]

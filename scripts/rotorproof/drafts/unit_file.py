"""Draft ``unit.yaml`` and the empty logs of a unit from the facts of its procedures."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from ..columns import COLUMNS
from ..derivations import derivations
from ..procedures import procedures
from ..procedures.base import Procedure
from ..settings.acceptance import AcceptanceSet
from ..units import SI_UNIT

#: The unit in which a person reads or writes a kind of quantity at the bench.
WRITTEN_UNIT = {"speed": "rpm", "ratio": "1", "temperature": "degC", "angle": "deg", "logic": "1"}


@dataclass(frozen=True)
class Draft:
    """What is known of a unit before it is measured."""

    name: str
    kind: str
    acceptance: str | None
    operator: str | None
    nameplate: Mapping[str, str]
    tests: tuple[str, ...]
    model: str | None = None
    serial: str | None = None
    #: Set that its kind and voltage speak for, where none is chosen.
    proposed: str | None = None
    #: Of a drive: the units it is made of, by their role.
    parts: Mapping[str, str] | None = None


def tests_for(kind: str, acceptance: AcceptanceSet | None) -> list[str]:
    """Return the procedures that give what the set asks for, with those they need; all of the kind without a set."""
    fitting = [p for p in procedures().values() if kind in p.unit_kinds]
    if acceptance is None:
        return [p.name for p in fitting]
    derived = {name: d for d in derivations().values() if kind in d.unit_kinds for name in d.gives}
    open_ = [criterion.quantity for criterion in acceptance.criteria]
    wanted: set[str] = set()
    done: set[str] = set()
    while open_:
        quantity = open_.pop()
        if quantity in done:
            continue
        done.add(quantity)
        if quantity in derived:
            open_ += [need.quantity for need in derived[quantity].needs if need.required]
            continue
        givers = [p for p in fitting if quantity in p.gives]
        # The module that defines the quantity is its principal source.
        first = next((p for p in givers if any(q.name == quantity for q in p.quantities)), None) or next(
            iter(givers), None
        )
        if first is not None:
            wanted.add(first.name)
            open_ += [need.quantity for need in first.needs if need.required]
    return [p.name for p in fitting if p.name in wanted]


def written_unit(column: str) -> str:
    """Return the unit that a log's header is drafted with."""
    kind = COLUMNS[column].kind
    return WRITTEN_UNIT.get(kind, SI_UNIT[kind])


def draft_log(procedure: Procedure) -> str:
    """Return an empty log: what it is for, as comments, and the header with every column the procedure can use."""
    lines = [f"# {procedure.title}: {procedure.purpose}"]
    groups = [item for item in procedure.required_columns if not isinstance(item, str)]
    if groups:
        lines += ["# of each of these groups one column is needed at least:"]
        lines += [f"#   {', '.join(group)}" for group in groups]
    if procedure.optional_columns:
        lines.append(f"# may be left out: {', '.join(procedure.optional_columns)}")
    rows = f"at least {procedure.minimum_rows} rows of readings" if procedure.sampled() else "the capture"
    lines.append(f"# take columns out that were not measured; {rows} follow the header")
    lines.append(",".join(f"{column} [{written_unit(column)}]" for column in procedure.columns()))
    return "\n".join(lines) + "\n"


def draft_unit(draft: Draft) -> str:
    """Return the text of ``unit.yaml`` with comments that say what to fill in."""
    lines = [
        "# yaml-language-server: $schema=../../config/schemas/unit.schema.json",
        "# What is under test, who measured it with what, and its logs. Every physical value carries its unit.",
        f"unit: {_scalar(draft.name)}",
        f"kind: {draft.kind}",
        f"model: {_scalar(draft.model)}" if draft.model else "# model: ...",
        f"serial: {_scalar(draft.serial)}" if draft.serial else "# serial: ...",
    ]
    if draft.kind == "drive":
        lines += _parts(draft.parts)
    lines += _nameplate(draft)
    lines += [
        "# The air around the bench:",
        "# ambient: {temperature: 21.5 degC, humidity: 45 percent}",
        f"operator: {_scalar(draft.operator)}" if draft.operator else "# operator: ...",
        "# tested_on: 2026-01-31",
        "# The instruments and their stated accuracy, 'percent of reading + fixed part'. Without it the intervals hold",
        "# the scatter of the readings alone, and say so. Kinds: " + _accuracy_kinds(),
        "# instruments:",
        "#   dmm:",
        "#     model: ...",
        "#     serial: ...",
        "#     calibrated_on: 2026-01-31",
        "#     calibration_due: 2027-01-31",
        "#     accuracy: {voltage: 0.05 % + 2 mV, current: 0.2 % + 3 mA, temperature: 1 degC}",
        "# The tests in a safe order. Take out what was not done; a test may stand several times, each with a 'label'.",
    ]
    if draft.tests:
        lines.append("tests:")
        for name in draft.tests:
            lines += _test(procedures()[name])
    else:
        lines.append("tests: []")
    if draft.kind == "drive" and not draft.tests:
        own = ", ".join(p.name for p in procedures().values() if "drive" in p.unit_kinds)
        lines.append(f"# What its parts were tested for counts for it. It may have tests of its own besides: {own}.")
    if draft.proposed and not draft.acceptance:
        lines += ["# The set for this kind and voltage; take the '#' away if its limits are yours:"]
        lines += [f"# acceptance: {_scalar(draft.proposed)}"]
    else:
        lines.append(f"acceptance: {_scalar(draft.acceptance)}" if draft.acceptance else "# acceptance: ...")
    return "\n".join(lines) + "\n"


def _parts(parts: Mapping[str, str] | None) -> list[str]:
    said = [
        "# The units it is made of, whose tests then count as its own, and how they are connected: which phase of",
        "# the motor is at the controller's A, B, C, and which sensor.",
    ]
    if not parts:
        return [*said, "# parts: {motor: ..., controller: ..., phases: ABC, sensors: ABC}"]
    named = [f"  {role}: {_scalar(name)}" for role, name in parts.items()]
    return [*said, "parts:", *named, "  # phases: ABC", "  # sensors: ABC"]


def _scalar(text: str | None) -> str:
    """Return text as a YAML scalar that reads back as text."""
    import yaml

    return yaml.safe_dump(text, allow_unicode=True, width=10**6).removesuffix("\n...\n").strip()


def _accuracy_kinds() -> str:
    from ..settings.unit import Accuracies

    return ", ".join(Accuracies.model_fields)


def _nameplate(draft: Draft) -> list[str]:
    examples = {
        "rated_voltage": "36 V",
        "rated_power": "250 W",
        "rated_speed": "230 rpm",
        "rated_current": "8.7 A     # from the supply, at rated power",
        "pole_pairs": "23",
        "gear_ratio": "1         # motor revolutions per output revolution; freewheel: true where it has one",
        "winding_material": "copper",
        "insulation_class": "F",
        "rolling_circumference": "2.10 m",
    }
    if draft.kind == "controller":
        examples = {key: examples[key] for key in ("rated_voltage", "rated_power", "rated_current")}
    lines = ["# What the maker states; none of it is taken for a measurement."]
    # A key with nothing below it stays a comment like its entries: uncommented, it would stand twice or be in the way.
    lines.append("nameplate:" if draft.nameplate else "# nameplate:")
    lines += [f"  {key}: {_number_or_text(value)}" for key, value in draft.nameplate.items()]
    lines += [f"#   {key}: {example}" for key, example in examples.items() if key not in draft.nameplate]
    return lines


def _number_or_text(value: str) -> str:
    return value if value.isdigit() else _scalar(value)


def _test(procedure: Procedure) -> list[str]:
    lines = [f"  - procedure: {procedure.name}", f"    log: {procedure.name}.csv"]
    if procedure.conditions:
        lines.append("    # conditions:")
        for condition in procedure.conditions:
            need = "required" if condition.required else "may be stated"
            if condition.or_column:
                need = f"state it, or have it as the column {condition.or_column}"
            unit = WRITTEN_UNIT.get(condition.kind, SI_UNIT[condition.kind])
            lines.append(f"    #   {condition.name}: ... {unit}".rstrip(" 1") + f"   # {need}: {condition.meaning}")
    return lines

"""What a unit still needs for its acceptance set, and what its tests need from each other."""

from __future__ import annotations

from collections.abc import Sequence

from ..derivations import derivations
from ..fitting.stood_in import LIMITS, LOSSES
from ..procedures import procedures
from ..settings.acceptance import AcceptanceSet
from ..settings.unit import UnitFile


def missing(file: UnitFile, acceptance: AcceptanceSet | None, parts: Sequence[UnitFile] = ()) -> list[str]:
    """Return one sentence for each thing that is missing; what a drive's ``parts`` give is there."""
    listed = {test.procedure for test in file.tests}
    tested = listed | {test.procedure for part in parts for test in part.tests}
    given = {name for procedure in tested for name in procedures()[procedure].gives}
    if file.stand_in:
        # Losses that nobody measured are assumed where a nameplate may stand in.
        given |= {name for part in parts for name in LIMITS if getattr(part.nameplate, name) is not None}
        given |= LOSSES
    derived: dict[str, list[str]] = {}
    for derivation in derivations().values():
        if file.kind in derivation.unit_kinds:
            for name in derivation.gives:
                derived[name] = [need.quantity for need in derivation.needs if need.required]
    lines = []
    for criterion in acceptance.criteria if acceptance else []:
        name = criterion.quantity
        if name in given:
            continue
        if name in derived:
            lacking = [need for need in derived[name] if need not in given and need not in derived]
            lines += [f"{name} needs {need}; {_ways(need, file)}" for need in lacking]
            continue
        lines.append(f"no test gives {name}; {_ways(name, file)}")
    for procedure in sorted(listed, key=lambda name: procedures()[name].order):
        for need in procedures()[procedure].needs:
            if need.required and need.quantity not in given:
                lines.append(f"{procedure} needs {need.quantity} ({need.why}); {_ways(need.quantity, file)}")
    return list(dict.fromkeys(lines))


def _ways(quantity: str, file: UnitFile) -> str:
    kinds = {file.kind, *(file.parts.roles if file.parts else ())}
    ways = [p.name for p in procedures().values() if quantity in p.gives and kinds & set(p.unit_kinds)]
    where = f" to {' or '.join([file.unit, *file.parts.roles.values()])}" if file.parts else ""
    return (
        f"add {' or '.join(ways)}{where}"
        if ways
        else f"it comes from the configuration or nameplate, not from a test of a {file.kind}"
    )

"""What a unit still needs for its acceptance set, and what its tests need from each other."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from ..derivations import derivations
from ..fitting.stood_in import LIMITS, LOSSES
from ..procedures import procedures
from ..settings.acceptance import AcceptanceSet
from ..settings.unit import UnitFile


def missing(
    file: UnitFile,
    acceptance: AcceptanceSet | None,
    parts: Sequence[UnitFile] = (),
    ungiven: Mapping[tuple[str, str], str] | None = None,
) -> list[str]:
    """Return one sentence for each thing that is missing; what a drive's ``parts`` give is there.

    ``ungiven`` says why a procedure, as it was done, does not give a quantity.
    """
    why = ungiven or {}
    reasons = {quantity: reason for (_, quantity), reason in why.items()}
    listed = {test.procedure for test in file.tests}
    given = {name for test in listed for name in procedures()[test].gives if (test, name) not in why}
    given |= {name for part in parts for test in part.tests for name in procedures()[test.procedure].gives}
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
            lines += [f"{name} needs {need}; {reasons.get(need) or _ways(need, file)}" for need in lacking]
            continue
        lines.append(f"no test gives {name}; {reasons.get(name) or _ways(name, file)}")
    for procedure in sorted(listed, key=lambda name: procedures()[name].order):
        for need in procedures()[procedure].needs:
            if need.required and need.quantity not in given:
                how = reasons.get(need.quantity) or _ways(need.quantity, file)
                lines.append(f"{procedure} needs {need.quantity} ({need.why}); {how}")
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

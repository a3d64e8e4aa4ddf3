"""Start a unit: write raw/NAME/unit.yaml with comments, and an empty log with the right headers for each test.

Nothing that exists is overwritten; a folder that holds logs and no unit.yaml gets one. On a terminal, what is not given
on the command line is asked for. What a test must state beside its log stands in unit.yaml as a comment to fill in;
'rotorproof check' says what is still open.
A drive is drafted without tests: those of its motor and its controller count for it.
"""

from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path

from ..drafts.acceptance_choice import of_kind, proposed
from ..drafts.unit_file import Draft, draft_log, draft_unit, tests_for
from ..errors import InputError, Problem
from ..jsonio import write_bytes
from ..procedures import procedures
from ..rendering.words import counted
from ..settings.acceptance import AcceptanceSet
from ..settings.folder import SettingsFolder
from ..settings.load import load_settings
from ..units import example, parse
from ._project import ROOT, as_asked, ask, on_terminal, overrides

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,79}")
_KINDS = ("motor", "controller", "drive")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command's arguments."""
    parser.add_argument("--name", help="name of the unit and of its folder: letters, digits, '-', '_', '.'")
    parser.add_argument("--kind", choices=_KINDS, help="what is under test")
    parser.add_argument("--model", help="what its maker calls it")
    parser.add_argument("--serial", help="its serial number")
    parser.add_argument("--motor", metavar="UNIT", help="of a drive: the unit that is its motor")
    parser.add_argument("--controller", metavar="UNIT", help="of a drive: the unit that is its controller")
    parser.add_argument("--acceptance", metavar="SET", help="acceptance set: a file of config/acceptance/")
    parser.add_argument(
        "--tests",
        nargs="+",
        metavar="PROCEDURE",
        help="tests to prepare (default: those the acceptance set needs, else all of the kind; of a drive none)",
    )
    parser.add_argument("--operator", help="who measures")
    parser.add_argument("--rated-voltage", metavar="VALUE", help="from the nameplate, with unit: '36 V'")
    parser.add_argument("--rated-power", metavar="VALUE", help="from the nameplate, with unit: '250 W'")
    parser.add_argument("--rated-speed", metavar="VALUE", help="from the nameplate, with unit: '230 rpm'")
    parser.add_argument("--pole-pairs", type=int, metavar="N", help="pole pairs of the motor")
    parser.add_argument("--config", nargs="+", default=[], metavar="KEY=VALUE", help="override settings")


def run(args: argparse.Namespace) -> int:
    """Write the unit's folder."""
    settings = load_settings(ROOT / "config" / "config.yaml", overrides(args.config))
    folder = SettingsFolder(ROOT / "config")
    sets = folder.names("acceptance")
    asked = on_terminal()
    raw = ROOT / settings.raw_dir
    name = args.name or (_asked("name of the unit", partial(_name_fault, raw)) if asked else "")
    if fault := _name_fault(raw, name):
        raise _wrong(f"--name {name!r}: {fault}")
    target = raw / name
    kind = args.kind or (ask("kind", "motor", _KINDS) if asked else "")
    if not kind:
        raise _wrong(f'--kind is needed: {", ".join(_KINDS)}; without a keyboard give ARGS="--kind motor"')
    model = args.model or (ask("model, empty to fill in later") if asked else "")
    serial = args.serial or (ask("serial number, empty to fill in later") if asked else "")
    parts = _parts(args, kind, raw)
    nameplate = _nameplate(args, kind, asked)
    limits = {name: found for name in sets if (found := _limits(folder, name))}
    voltage = parse(nameplate["rated_voltage"], "voltage") if "rated_voltage" in nameplate else None
    fitting = proposed(limits, kind, voltage)
    acceptance = args.acceptance or ""
    if not acceptance and asked and (choices := of_kind(limits, kind)):
        acceptance = ask("acceptance set, '-' for none", fitting or "-", [*choices, "-"]).removeprefix("-")
    if acceptance and acceptance not in sets:
        raise _wrong(f"there is no acceptance set {acceptance!r}; there are: {', '.join(sets) or 'none'}")
    chosen = folder.acceptance(acceptance) if acceptance else None
    wanted = args.tests or ([] if kind == "drive" else tests_for(kind, chosen))
    for procedure in wanted:
        known = procedures().get(procedure)
        if known is None or kind not in known.unit_kinds:
            possible = [p.name for p in procedures().values() if kind in p.unit_kinds]
            raise _wrong(f"{procedure!r} is no test of a {kind}; there are: {', '.join(possible)}")
    operator = args.operator or (ask("operator, empty to fill in later") if asked else "")
    draft = Draft(
        name,
        kind,
        acceptance or None,
        operator or None,
        nameplate,
        tuple(dict.fromkeys(wanted)),
        model=model or None,
        serial=serial or None,
        proposed=None if asked else fitting,
        parts=parts,
    )
    text = draft_unit(draft)
    already = sorted(path.name for path in target.iterdir()) if target.is_dir() else []
    logs = {procedure: f"{procedure}.csv" for procedure in draft.tests if f"{procedure}.csv" not in already}
    for procedure, log in logs.items():
        write_bytes(target / log, draft_log(procedures()[procedure]).encode())
    write_bytes(target / "unit.yaml", text.encode())
    print(f"wrote {_shown(target)}/unit.yaml and {counted(len(logs), 'empty log')}")
    if already:
        more = " and more" if len(already) > 5 else ""
        print(f"the folder holds {', '.join(already[:5])}{more}: name in 'tests' what is a log")
    if draft.proposed and not acceptance:
        there = f"there is the acceptance set {draft.proposed}; it is not chosen yet"
        print(f"for a {kind} of {nameplate['rated_voltage']} {there}")
    print(
        f"next: fill in unit.yaml (instruments and their accuracy), then 'make plan UNIT={name}{as_asked(args.config)}'"
    )
    return 0


def _limits(folder: SettingsFolder, name: str) -> AcceptanceSet | None:
    """Return a set, ``None`` if it cannot be used: 'check' says why, where a unit names it."""
    try:
        return folder.acceptance(name)
    except InputError:
        return None


def _parts(args: argparse.Namespace, kind: str, raw: Path) -> dict[str, str]:
    """Return the units that a drive is made of, as far as they are named."""
    parts = {role: name for role in ("motor", "controller") if (name := getattr(args, role))}
    if parts and kind != "drive":
        raise _wrong(f"--{next(iter(parts))}: a {kind} has no parts; only a drive is made of a motor and a controller")
    if len(parts) == 1:
        raise _wrong("a drive has a motor and a controller: name both, --motor and --controller, or neither")
    for role, name in parts.items():
        if not _NAME.fullmatch(name) or not (raw / name / "unit.yaml").is_file():
            raise _wrong(f"--{role} {name!r}: there is no such unit in {_shown(raw)}")
    return parts


def _name_fault(raw: Path, name: str) -> str | None:
    """Return why no unit can be called so."""
    if not _NAME.fullmatch(name):
        nearest = re.sub(r"[^A-Za-z0-9._-]+", "-", name).strip("-._")[:80]
        example = f", for example {nearest!r}" if nearest else ""
        return f"a name holds letters, digits, '-', '_' and '.' and begins with letter or digit{example}"
    place = raw / name
    # A folder of logs alone is one that the bench has filled before anybody wrote the file.
    if place.exists() and (not place.is_dir() or (place / "unit.yaml").exists()):
        return f"{_shown(place)} exists already; nothing was changed. Choose another name or edit what is there"
    return None


def _asked(question: str, fault: Callable[[str], str | None]) -> str:
    """Ask until the answer can be used: nobody types the others again for one slip."""
    while (found := fault(answer := ask(question))) is not None:
        print(found, file=sys.stderr)
    return answer


def _nameplate(args: argparse.Namespace, kind: str, asked: bool) -> dict[str, str]:
    questions = {"rated_voltage": "rated voltage, e.g. 36 V", "rated_power": "rated power, e.g. 250 W"}
    if kind != "controller":
        questions |= {"rated_speed": f"rated speed, e.g. {example('speed')}", "pole_pairs": "pole pairs"}
    found = {}
    for key, question in questions.items():
        value = getattr(args, key)
        if value is None and asked:
            value = _asked(f"{question}; empty if not known", partial(_value_fault, key))
        if value not in (None, ""):
            found[key] = str(value)
            if fault := _value_fault(key, found[key]):
                raise _wrong(f"--{key.replace('_', '-')}: {fault}")
    return found


def _value_fault(key: str, text: str) -> str | None:
    """Return why the nameplate cannot hold this, ``None`` for an empty text too."""
    from pydantic import ValidationError

    from ..settings.unit import Nameplate

    try:
        Nameplate.model_validate({key: text} if text else {})
    except ValidationError as error:
        entry = error.errors(include_url=False)[0]
        return str(entry.get("ctx", {}).get("error", entry["msg"]))
    return None


def _wrong(message: str) -> InputError:
    return InputError(Problem(message))


def _shown(path: Path) -> str:
    return str(path.relative_to(ROOT)) if path.is_relative_to(ROOT) else str(path)

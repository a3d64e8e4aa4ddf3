"""Do the steps of the workflow again on archived inputs and compare every number with the archived results."""

from __future__ import annotations

import json
import math
import os
import re
import shutil
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from .. import child
from ..bounded import Limits, memory_here, run
from ..decision.digits import judged, step
from ..errors import InputError, Problem
from ..files import sha256
from ..jsonio import read_json, write_json
from .bag import check_name, twins
from .software import ROOT, code_hash, software

if TYPE_CHECKING:
    from .verify import Verified

#: Room for the largest logs that are read at all (``logs.limits``) as far as this computer has it, and time for a drive
#: of many long ones.
LIMITS: Final = Limits(memory=memory_here(12 * 1024**3), seconds=1800, raised_by=("--memory", "--minutes"))
TASK: Final = "computing the results again"

#: A number that differs by no more steps of its last digit, as it is written, is the same one computed on another
#: processor: it fell on the other side of a half. The rest is the rounding of the difference itself.
STEPS = 1.001


#: How many differences are named one by one.
_NAMED = 20
#: Beside the inputs: what is compared with what is computed, and drawn, from them.
ARCHIVED, EVIDENCE, SIGN_OFF = "archived-results.json", "archived-evidence.json", "sign-off.json"
SIGNED, PAGES = "signed.pdf", "pages.json"


def lay_out(root: Path, found: Verified) -> None:
    """Write the inputs of a verified report into the empty folder ``root`` as a project holds them, and its results.

    Raises ``InputError`` for a name that leads elsewhere, or that another computer would take for the name of another,
    and for a file that is not, or no longer, the one that was verified.
    """
    evidence = found.evidence
    assert evidence is not None and found.results is not None
    sources = found.sources
    for name in sources:
        check_name(name)
        first, *rest = name.split("/")
        if first not in {*found.units, "config"} or not rest or {"", ".", ".."} & {*rest}:
            raise InputError(Problem("the evidence names a file outside the unit and the settings", name))
    for names in twins(sources):
        raise InputError(Problem(f"a computer may take these names for one: {', '.join(names)}"))
    for name, content in sources.items():
        target = root / (name if name.startswith("config/") else f"raw/{name}")
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
        except OSError:
            raise InputError(Problem("the evidence names a file where another name needs a folder", name)) from None
        if os.path.lexists(target):
            raise InputError(Problem("the evidence names a file in the place of another", name))
        if isinstance(content, Path):
            shutil.copyfile(content, target, follow_symlinks=False)
        else:
            target.write_bytes(content)
        if target.is_symlink() or sha256(target) != evidence.inputs[name]:
            raise InputError(Problem("the file changed while it was being verified", name))
    # The settings in force: the file with what the command line changed. Folders are those laid out here, whatever
    # folders the report was made from; other units are not here to compare with.
    settings = {
        key: value for key, value in evidence.settings.items() if key != "comparisons" and not key.endswith("_dir")
    }
    (root / "config").mkdir(exist_ok=True)
    # YAML knows JSON, but not its escapes in two halves of letters beyond the first 65536.
    (root / "config" / "config.yaml").write_text(json.dumps(settings, ensure_ascii=False), encoding="utf-8")
    write_json(root / ARCHIVED, found.results)
    if not other_software(evidence.software, evidence.code_sha256):
        assert found.sign_off is not None
        (root / SIGNED).write_bytes(found.signed)
        write_json(root / SIGN_OFF, found.sign_off.model_dump(by_alias=True))
        write_json(root / EVIDENCE, evidence.as_json())


def other_software(then: Mapping[str, str], code: str) -> list[str]:
    """Return in words what differs between the software of a report, its ``code`` by hash, and that which runs here."""
    now = software()
    changed = [
        f"{name} {then.get(name, '-')} then, {now.get(name, '-')} now"
        for name in sorted({*now, *then})
        if now.get(name) != then.get(name)
    ]
    if code != code_hash():
        changed.append("the program's own code, which the archive holds as it was")
    return changed


def compute(root: Path, unit: str, limits: Limits) -> None:
    """Compute the results of ``unit`` in the folder that ``lay_out`` filled, in a child under ``limits``."""
    run(child.python(ROOT / "scripts" / "recompute.py", root, unit, limits.as_argument()), limits, TASK, root)
    if not _results(root, unit).is_file():
        raise InputError(Problem(f"{TASK} gave no results"))


def compared(root: Path, unit: str) -> dict[str, Any]:
    """Compare the archived results in ``root`` with those computed there.

    Return how many ``numbers`` were compared, whether all is ``identical``, how many values are ``different``, the
    first ``differences`` in words, which ``pages`` are not those drawn here (``None``: none were drawn), and in what
    the ``evidence`` contradicts the archived files.
    """
    old, new = read_json(root / ARCHIVED), read_json(_results(root, unit))
    differences = list(_differences(old, new, "", None, old))
    return {
        "numbers": sum(1 for _ in _numbers(old)),
        "identical": old == new,
        "different": len(differences),
        "differences": differences[:_NAMED],
        **(read_json(root / PAGES) if (root / PAGES).is_file() else {"pages": None, "evidence": []}),
    }


def _results(root: Path, unit: str) -> Path:
    return root / "reports" / unit / "results.json"


def _numbers(data: Any) -> Iterator[float]:
    if isinstance(data, Mapping):
        for value in data.values():
            yield from _numbers(value)
    elif isinstance(data, list):
        for value in data:
            yield from _numbers(value)
    elif isinstance(data, int | float) and not isinstance(data, bool):
        yield data


def _differences(
    old: Any, new: Any, where: str, uncertainty: float | None, archived: Mapping[str, Any]
) -> Iterator[str]:
    """Yield one sentence per value that is not the same in both."""
    if isinstance(old, Mapping) and isinstance(new, Mapping):
        own = _uncertainty(old, uncertainty, archived)
        for key in sorted({*old, *new}, key=str):
            place = f"{where}.{key}" if where else str(key)
            if key not in new:
                yield f"{place}: archived, but not found again"
            elif key not in old:
                yield f"{place}: found now, but not archived"
            else:
                yield from _differences(old[key], new[key], place, own, archived)
    elif isinstance(old, list) and isinstance(new, list):
        if len(old) != len(new):
            yield f"{where}: {len(old)} entries archived, {len(new)} found now"
        for number, (one, other) in enumerate(zip(old, new, strict=False)):
            yield from _differences(one, other, f"{where}[{number}]", uncertainty, archived)
    elif _is_number(old) and _is_number(new):
        room = STEPS * max(step(_name(where), number, uncertainty) for number in (old, new))
        if not math.isclose(old, new, rel_tol=0.0, abs_tol=room):
            yield f"{where}: {old!r} archived, {new!r} found now"
    elif old != new:
        yield f"{where}: {old!r} archived, {new!r} found now"


def _uncertainty(entry: Mapping[str, Any], outer: float | None, archived: Mapping[str, Any]) -> float | None:
    """Return the standard uncertainty that the last digits of what ``entry`` holds go by."""
    if "value" in entry:
        # What a drive took from a part stands with its expanded uncertainty alone, which is a little larger.
        return entry.get("standard_uncertainty", entry.get("expanded_uncertainty", outer))
    if "acceptance_interval" in entry:
        found = judged(entry, archived)
        return 0.0 if found is None else found["standard_uncertainty"]
    return outer


def _name(where: str) -> str:
    """Return the name of a number after that of what holds it; details have digits of their own."""
    names = re.sub(r"\[\d+\]", "", where).split(".")
    return "details" if "details" in names else ".".join(names[-2:])


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)

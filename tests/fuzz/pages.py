"""The class that goes to the pages: a unit whose texts, values or log are spoiled, from raw log to PDF and register."""

from __future__ import annotations

import io
import json
import random
import shutil
import tempfile
from functools import cache
from pathlib import Path
from types import SimpleNamespace

import pikepdf

import register
from recompute import compute as recompute
from rotorproof.errors import InputError
from rotorproof.rendering.report import render_report
from rotorproof.workflow import RunPlan

from ..errors.bench import LIMITS, Bench
from . import spoiling
from .judging import Run, Unexpected, check_problems, check_results

#: Every text of a unit that only the pages show.
_TEXTS = """\
description: Rear hub motor
model: HM-36
serial: A/7
customer: A. Customer
received_on: 2026-04-30
place: Hall 2
"""
_OF_A_TEST = """\
    label: First
    remarks: Taken at noon
"""
_PHOTOGRAPH = "raw/BAD/photo.jpg"
_SPOILED = (_PHOTOGRAPH, "config/acceptance/own.yaml", "config/config.yaml", "raw/BAD/steps.csv", "raw/BAD/unit.yaml")
_CONFIG = """\
config_version: 1
workshop: Workshop at the Canal
workshop_address: Canal Street 1
"""
_ABOUT = "description: Limits of the maker\nsource: Maker's sheet 3\n"
#: What a page could take for something else: mark-up, templates, signs of layout, letters without a shape.
HOSTILE = (
    "<script>alert(1)</script>",
    "<img src='file:///etc/passwd'>",
    "<style>*{display:none}</style>",
    "</td></tr></table></body>",
    "]]><!--",
    "&lt;&nbsp;&#0;&#x110000;",
    "{{ 7 * 7 }}{% raw %}{# x #}",
    "url(file:///etc/passwd)",
    "\\\\input{/etc/passwd} $x_1$",
    "W" * 200,
    "W" * 4000,
    "a " * 2000,
    "\u0645\u0631\u062d\u0628\u0627 \u202eabc\u202c",
    "\u200b\u200d\ufeff\u00ad",
    "e" + "\u0301" * 150,
    "\U0001f600\U000e0041\ufffd\ue000",
    "\u4e2d\u6587" * 90,
    "=HYPERLINK(1)",
    "; 1; 2",
    "-1e999 %",
    "nan",
    "2026-02-30",
)


def draw_pages(rng: random.Random, folder: Path) -> tuple[bytes, Run]:
    """Spoil texts, values or the log of one unit beside another."""
    root = _fresh(folder / "pages")
    files = {name: (root / name).read_bytes() for name in _SPOILED}
    for name in rng.sample(_SPOILED, k=rng.choice((1, 1, 2))):
        if name == _PHOTOGRAPH:
            files[name] = spoiling.bytes_of(_picture(rng.choice(("JPEG", "PNG"))), rng)
        else:
            spoil = spoiling.table_of if name.endswith(".csv") else _with_texts
            files[name] = spoil(files[name].decode(), rng).encode("utf-8", "surrogateescape")
        (root / name).write_bytes(files[name])

    return b"\n-----\n".join(files.values()), lambda: _run(root)


def sound_pages(folder: Path) -> bool:
    """Run the unit as it is before it is spoiled."""
    return _run(_fresh(folder / "pages"))


def _run(root: Path) -> bool:
    plan = _plan(root)
    if plan is None:
        return False
    reported = [name for name in plan.units if _reported(plan, name, root)]
    if "GOOD" not in reported:
        raise Unexpected("another unit lost its report")
    if (root / "reports/GOOD/results.json").read_bytes() != _untouched():
        raise Unexpected("the results of another unit moved")
    _registered(plan, reported, root)
    return "BAD" in reported


def _fresh(root: Path) -> Path:
    """Make a workshop whose unit BAD has every text that a page may show, and limits of its own."""
    shutil.rmtree(root, ignore_errors=True)
    bench = Bench(root).build()
    bench.edit("config/config.yaml", "config_version: 1\n", _CONFIG)
    (root / "config/acceptance/own.yaml").write_text(_ABOUT + LIMITS, encoding="utf-8")
    bench.edit("raw/BAD/unit.yaml", "kind: motor\n", f"kind: motor\n{_TEXTS}")
    bench.edit("raw/BAD/unit.yaml", "    log: steps.csv\n", f"    log: steps.csv\n{_OF_A_TEST}")
    bench.edit("raw/BAD/unit.yaml", "acceptance: small", "acceptance: own")
    (root / _PHOTOGRAPH).write_bytes(_picture("JPEG"))
    return root


@cache
def _picture(format_: str) -> bytes:
    """Return a small photograph with a camera and a place in it."""
    from PIL import Image

    exif = Image.Exif()
    exif[0x010F] = "Camera"
    stream = io.BytesIO()
    Image.radial_gradient("L").convert("RGB").resize((120, 90)).save(stream, format_, exif=exif)
    return stream.getvalue()


def _with_texts(content: str, rng: random.Random) -> str:
    """Return a settings file with texts that a page could take for something else, or spoiled as any other."""
    if rng.random() < 0.3:
        return spoiling.yaml_of(content, rng)
    lines = content.split("\n")
    for _ in range(rng.randint(1, 4)):
        places = [k for k, line in enumerate(lines) if ": " in line and "{" not in line]
        if not places:
            break
        k = rng.choice(places)
        key = lines[k].partition(": ")[0]
        text = rng.choice(("", "Hub ")) + rng.choice(HOSTILE) * rng.choice((1, 1, 1, 3))
        lines[k] = f"{key}: {json.dumps(text[:9000], ensure_ascii=rng.random() < 0.5)}"
    return "\n".join(lines)


def _plan(root: Path) -> RunPlan | None:
    """Return the plan of a workshop, ``None`` where its settings are refused."""
    try:
        return RunPlan.load(root, {})
    except InputError as error:
        check_problems(error.problems)
        return None


def _reported(plan: RunPlan, name: str, root: Path) -> bool:
    """Take a unit from raw log to PDF as the rules do, and look at what its pages say."""
    asked = SimpleNamespace(unit=name)
    recompute(plan, name, root)
    work, out = root / "reports/.work" / name, root / "reports" / name
    if name == "GOOD":
        return True
    found = json.loads((out / "results.json").read_text(encoding="utf-8"))
    check_results(found, found["problems"])
    try:
        render_report(
            unit=plan.unit(asked),
            configuration=plan.configuration(asked),
            hashes=plan.hashes(asked),
            inputs=plan.inputs(asked),
            results_path=out / "results.json",
            readings_path=work / "readings.npz",
            fit_path=work / "fit.json",
            figures=out / "figures",
            report_path=out / "report.pdf",
            evidence_path=out / "evidence.json",
            stages_path=work / "stages.json",
        )
    except InputError as error:
        check_problems(error.problems)
        return False
    with pikepdf.open(out / "report.pdf") as pdf:
        if not 2 <= len(pdf.pages) <= 60:
            raise Unexpected(f"the report has {len(pdf.pages)} pages")
        allowed = {"/Link"}
        kinds = {str(note.Subtype) for page in pdf.pages for note in page.get("/Annots", [])}
        outward = [note for page in pdf.pages for note in page.get("/Annots", []) if "/A" in note]
        if not kinds <= allowed or outward or ("/Names" in pdf.Root and "/JavaScript" in pdf.Root.Names):
            raise Unexpected("the report holds more than pages")
    return True


def _registered(plan: RunPlan, reported: list[str], root: Path) -> None:
    register.main(
        units=[unit for unit in plan.all_units if unit["unit"] in reported],
        refused=plan.refused,
        signed=plan.signed,
        reports=root / "reports",
        comparisons={},
    )
    page = (root / "reports/index.html").read_text(encoding="utf-8")
    if not page.rstrip().endswith("</html>") or any(mark in page for mark in ("<script>alert", "<img src='file")):
        raise Unexpected("the register holds what a unit put there")


@cache
def _untouched() -> bytes:
    """Return the results of the other unit beside one that is sound."""
    with tempfile.TemporaryDirectory(prefix="rotorproof-fuzz-") as place:
        root = _fresh(Path(place))
        plan = RunPlan.load(root, {})
        recompute(plan, "GOOD", root)
        return (root / "reports/GOOD/results.json").read_bytes()

"""Render the register of all units as one static page that needs no network and no server."""

from __future__ import annotations

import base64
import hashlib
import json
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from markupsafe import Markup

from ..decision.models import Results
from ..evidence.export import export
from ..evidence.history import History, history
from ..evidence.revisions import all_signed
from ..jsonio import write_bytes, write_json
from ..season.bench import BASELINE, Standard
from ..season.gather import STANDARD, is_standard, standards
from ..season.population import FEWEST, Population, populations
from . import words
from .bench_view import bench_doubt, bench_view
from .environment import environment
from .population_view import population_view
from .register_view import NOT_REPORTED, VERDICTS, Beside, Row, columns, register_data, rows
from .style import MARKS, TEMPLATES
from .trends import trends

#: So many units with errors are listed with them; the others say them in their reports.
_MOST_FAILED = 100
#: Units without results and what is wrong with them, beside the reports.
REFUSED = "refused.json"
#: The files that hold all values, and what each is for.
TABLES = (("results.csv", "for a spreadsheet"), ("results.parquet", "for analysis"))


def write_register(
    *,
    units: Sequence[Mapping[str, Any]],
    refused: Mapping[str, Any],
    signed: Iterable[str],
    reports: Path,
    comparisons: Mapping[str, Sequence[str]] | None = None,
) -> None:
    """Write the register of ``units`` under ``reports``: its pages, its tables, and ``refused.json``.

    ``refused`` are the units without results, ``signed`` those that may have signed reports. Whether the last of these
    is of the present results is looked up here: the run that this belongs to may have made them anew. ``comparisons``
    are those that lie, or will lie, beside the reports, with their units. Units that a run knows no more are read from
    the archive.
    """
    results = {unit["unit"]: Results.read(reports / unit["unit"] / "results.json") for unit in units}
    fits = {name: reports / ".work" / name / "fit.json" for name in results}
    plans = reports / "plans"
    sheets = frozenset(path.name for path in plans.iterdir()) if plans.is_dir() else frozenset[str]()
    gone = history(reports, {*results, *refused, *signed}, {})
    # A weekly day of a check standard is history of the bench, on its page, and no unit of this one.
    gone.units = [one for one in gone.units if not is_standard(one.unit)]
    left = [*(one.unit["unit"] for one in gone.units), *(place.split("/")[-2] for place in gone.not_taken)]
    found = all_signed(reports, dict.fromkeys([*signed, *left]))
    render_register(
        units=units,
        results=results,
        fits=fits,
        refused=refused,
        signed=found,
        folder=reports,
        beside=Beside(comparisons=comparisons or {}, sheets=sheets),
        past=history(reports, results, STANDARD),
        gone=gone,
    )
    # For whoever puts many batches together: a page is nothing to read from.
    write_json(reports / REFUSED, refused)
    export(
        units=units,
        results=results,
        signed=found,
        csv_path=reports / "results.csv",
        parquet_path=reports / "results.parquet",
    )


def render_register(
    *,
    units: Sequence[Mapping[str, Any]],
    results: Mapping[str, Results],
    fits: Mapping[str, Path],
    refused: Mapping[str, Any],
    signed: Mapping[str, Sequence[Mapping[str, Any]]],
    folder: Path,
    beside: Beside,
    past: History | None = None,
    gone: History | None = None,
    tables: Sequence[tuple[str, str]] = TABLES,
) -> None:
    """Write the pages over all units' ``results`` into ``folder``.

    ``index.html`` is the register, ``bench.html`` what the check standards among the units say of the bench,
    ``models.html`` how the units of each model scatter. ``tables`` are the files that hold all values, and for what;
    ``past`` the check standards of which signed reports alone are left, ``gone`` the other such units.
    """
    earlier = past or History()
    days = [*units, *(one.unit for one in earlier.units)]
    judged = standards(days, {**results, **{one.unit["unit"]: one.results for one in earlier.units}}, fits)
    doubts = {unit["unit"]: found for unit in units if (found := bench_doubt(unit, judged))}
    listed = rows(units, results, refused, signed, replace(beside, doubts=doubts), gone)
    write_bytes(folder / "bench.html", bench_html(judged, beside.place, earlier).encode())
    write_bytes(folder / "models.html", models_html(populations(units, results)).encode())
    write_bytes(folder / "index.html", register_html(listed, beside.comparisons, tables).encode())


def bench_html(judged: Sequence[Standard], place: str = "", past: History | None = None) -> str:
    """Return the page of the check standards, whose reports lie at ``place``; nothing on it runs."""
    earlier = past or History()
    links = {one.unit["unit"]: one.report for one in earlier.units}
    return _still("register/bench.html.j2", standards=bench_view(judged, links, place), baseline=BASELINE, past=earlier)


def models_html(found: Sequence[Population]) -> str:
    """Return the page of the models; nothing on it runs."""
    return _still("register/population.html.j2", populations=population_view(found), fewest=FEWEST)


def _still(template: str, **shown: Any) -> str:
    style = (TEMPLATES / "register" / "register.css").read_text(encoding="utf-8")
    html: str = environment().get_template(template).render(style=style, style_hash=_hash(style), **shown)
    return html


def register_html(
    all_rows: Sequence[Row],
    comparisons: Mapping[str, Sequence[str]] | None = None,
    tables: Sequence[tuple[str, str]] = TABLES,
) -> str:
    """Return the page. Its policy lets nothing run but its own script, whatever a unit file may hold."""
    style = "\n".join([(TEMPLATES / "register" / "register.css").read_text(encoding="utf-8"), _verdict_colours()])
    script = (TEMPLATES / "register" / "register.js").read_text(encoding="utf-8")
    counts = Counter(row.verdict for row in all_rows)
    shown = columns(all_rows)
    failed = [row for row in all_rows if row.results is not None and row.errors]
    html: str = (
        environment()
        .get_template("register/register.html.j2")
        .render(
            style=style,
            script=script,
            style_hash=_hash(style),
            script_hash=_hash(script),
            columns=shown,
            data=_within_script(register_data(all_rows, shown)),
            counts=[(verdict, counts[verdict]) for verdict in VERDICTS if counts[verdict]],
            kinds=sorted({row.kind for row in all_rows}),
            trends=trends(all_rows),
            refused=[row for row in all_rows if row.verdict == NOT_REPORTED],
            failed=failed[:_MOST_FAILED],
            more_failed=len(failed) - len(failed[:_MOST_FAILED]),
            comparisons=comparisons or {},
            tables=tables,
            place=words.place,
        )
    )
    return html


def _within_script(data: Any) -> Markup:
    """Return JSON that stands in an element of a script: no text in it can end the element or open another."""
    text = json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    for sign in "<>&":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return Markup(text.replace("\u2028", "\\u2028").replace("\u2029", "\\u2029"))


def _verdict_colours() -> str:
    return "\n".join(f".v-{verdict.replace(' ', '-')} {{ color: {MARKS[verdict].colour}; }}" for verdict in VERDICTS)


def _hash(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()

"""Put the batches of a season into one register: reports/season, from the reports of each batch.

A batch is a folder of reports that was made with a 'reports_dir' of its own. Without names all such folders beside each
other under reports/ are taken. Nothing is computed again: the register, the bench's control charts and the scatter of
models are made over all of them, and every batch's results.parquet is put under season/results/batch=NAME. The exit
status is 0, or 2 where there is no batch or one cannot be used.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from ..decision.models import ProblemEntry, Results
from ..errors import InputError, Problem
from ..evidence.export_batches import collect
from ..evidence.history import History, Past, history
from ..evidence.revisions import all_signed
from ..jsonio import read_json
from ..rendering.register import REFUSED, render_register
from ..rendering.register_view import Beside
from ..season.gather import STANDARD
from ..settings.load import load_settings
from ._project import ROOT, folder, overrides

_HERE = "season"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command's arguments."""
    parser.add_argument("batches", nargs="*", metavar="FOLDER", help="folders of reports (default: all under reports/)")
    parser.add_argument(
        "--config", nargs="+", default=[], metavar="KEY=VALUE", help="override settings of config/config.yaml"
    )


def run(args: argparse.Namespace) -> int:
    """Write the register of the season."""
    settings = load_settings(ROOT / "config" / "config.yaml", overrides(args.config))
    reports = folder(settings.reports_dir)
    if args.batches:
        batches = _named(args.batches)
    else:
        found = sorted(path.parent for path in reports.glob("*/results.parquet"))
        batches = {path.name: path for path in found if path.name != _HERE}
    if not batches:
        print(
            f"error: {settings.reports_dir} holds no batch, a folder of reports of its own such as "
            f"{settings.reports_dir}/2026-05-02, made by 'make report ARGS=\"--config raw_dir=raw/2026-05-02 "
            f"reports_dir={settings.reports_dir}/2026-05-02\"'; or name such folders, as in "
            "'make season ARGS=\"demo/reports\"'",
            file=sys.stderr,
        )
        return 2
    target = reports / _HERE
    units: list[dict[str, Any]] = []
    results: dict[str, Results] = {}
    fits: dict[str, Path] = {}
    signed: dict[str, Any] = {}
    refused: dict[str, Any] = {}
    past = History()
    place = ""
    for name, batch in batches.items():
        not_reported = _refused(name, batch)
        members = {unit: facts for unit, facts in _members(name, batch).items() if unit not in not_reported}
        if not members and not not_reported:
            raise InputError(Problem("the folder holds no results of a unit; run its report", name))
        place = f"{os.path.relpath(batch.parent, target)}/"
        for unit, facts in members.items():
            known = f"{name}/{unit}"
            units.append({**facts, "unit": known})
            results[known] = Results.read(batch / unit / "results.json")
            fits[known] = batch / ".work" / unit / "fit.json"
        refused |= {f"{name}/{unit}": problems for unit, problems in not_reported.items()}
        _add(past, history(batch, members, STANDARD), name, place)
        for unit, rows in all_signed(batch, (*members, *not_reported)).items():
            signed[f"{name}/{unit}"] = [{**row, "report": f"{place}{name}/{row['report']}"} for row in rows]
    if len({batch.parent for batch in batches.values()}) > 1:
        raise InputError(Problem("the batches of a season lie in one folder, beside each other; move them there"))
    render_register(
        units=units,
        results=results,
        fits=fits,
        refused=refused,
        signed=signed,
        folder=target,
        beside=Beside(place=place),
        past=past,
        tables=(("results/", "a folder for each batch, for analysis"),),
    )
    collect(batches, target / "results")
    also = f", {len(refused)} refused" if refused else ""
    print(f"{len(units)} units of {len(batches)} batches{also}")
    print(os.path.relpath(target / "index.html"))
    return 0


def _named(folders: Sequence[str]) -> dict[str, Path]:
    """Return the batches by the names of their folders. Raises ``InputError`` where two have the same name."""
    found: dict[str, Path] = {}
    for written in folders:
        batch = Path(written).resolve()
        other = found.setdefault(batch.name, batch)
        if other != batch:
            words = f"two batches are named {batch.name!r}, this one and {other}; rename one of the folders"
            raise InputError(Problem(words, written))
    return found


def _add(past: History, of_batch: History, name: str, place: str) -> None:
    """Add what the archive of a batch holds to that of the season, named and seen as the season's page does."""
    for one in of_batch.units:
        unit = {**one.unit, "unit": f"{name}/{one.unit['unit']}"}
        past.units.append(Past(unit, one.results, f"{place}{name}/{one.report}"))
    past.not_taken |= {f"{name}/{folder}": why for folder, why in of_batch.not_taken.items()}


def _refused(name: str, batch: Path) -> dict[str, list[dict[str, Any]]]:
    """Return the units of a batch that have no results, with their problems. Raises ``InputError``."""
    path = batch / REFUSED
    if not path.is_file():
        words = "the batch does not say which of its units were refused, so none is listed; run its report again"
        print(Problem(words, f"{name}/{REFUSED}", severity="warning"), file=sys.stderr)
        return {}
    try:
        found = read_json(path)
        return {str(unit): [ProblemEntry(**one).model_dump() for one in problems] for unit, problems in found.items()}
    except (OSError, ValueError, TypeError, AttributeError):
        words = "the list of the refused units is damaged; run the batch's report again"
        raise InputError(Problem(words, f"{name}/{REFUSED}")) from None


def _members(name: str, batch: Path) -> dict[str, dict[str, Any]]:
    """Return the unit files of a batch by unit, as the evidence of each report holds them. Raises ``InputError``."""
    found = {}
    for path in sorted(batch.glob("*/results.json")):
        unit = path.parent.name
        try:
            found[unit] = dict(read_json(path.with_name("evidence.json"))["configuration"]["unit"])
        except (OSError, ValueError, KeyError, TypeError):
            words = "the evidence beside its results is lost or damaged; run its report again"
            raise InputError(Problem(words, f"{name}/{unit}/evidence.json")) from None
    return found

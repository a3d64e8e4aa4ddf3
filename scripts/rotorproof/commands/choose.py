"""Choose a motor and a controller from the stock for a vehicle: reports/choices/VEHICLE/choice.pdf and .html.

Takes every motor and controller whose report says accepted, alone and in every pair, and predicts them from their saved
fits over the duty that config.yaml states under 'duties' for the vehicle. Nothing is fitted again. The exit status is
0, or 1 where no pair can be predicted, and 2 where the settings do not say what is asked.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from ..decision.models import Results
from ..errors import InputError, Problem
from ..fitting.parts import Part, part
from ..fitting.store import load_fit
from ..rendering import numbers
from ..rendering.choice_view import ASKED, verdict, write_choice
from ..rendering.words import counted
from ..season.choice import choice_data
from ..season.gather import day_of, is_standard
from ..season.shelf import shelf
from ..season.stock import rank
from ..settings.application import Application, applications
from ..settings.run import Duty, RunSettings
from ..workflow import RunPlan
from ._project import ROOT, as_asked, overrides

_FILE = "config/config.yaml"
#: What the vehicle without a name is called under 'duties'.
_ONLY = "vehicle"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command's arguments."""
    parser.add_argument(
        "vehicle", nargs="?", default="", metavar="VEHICLE", help="one of 'vehicles' in config.yaml, or 'vehicle'"
    )
    parser.add_argument("--pack", default="", help="one of 'packs', where the vehicle goes with several")
    parser.add_argument(
        "--config", nargs="+", default=[], metavar="KEY=VALUE", help="override settings of config/config.yaml"
    )


def run(args: argparse.Namespace) -> int:
    """Rank the stock and say what was found."""
    plan = RunPlan.load(ROOT, overrides(args.config))
    application, duty = _asked(plan.settings, args.vehicle, args.pack)
    name = application.vehicle_name or _ONLY
    reports = ROOT / plan.reports
    stock: dict[str, list[Part]] = {"motor": [], "controller": []}
    days = []
    not_taken = dict.fromkeys(plan.refused, "refused: 'make check' says why")
    for unit in plan.all_units:
        kind, named = unit["kind"], unit["unit"]
        if kind not in stock or is_standard(unit):
            continue
        if why := _not_taken(reports, named, args.config):
            not_taken[named] = why
            continue
        stock[kind].append(part(kind, named, load_fit(_fit(reports, named))))
        days += [day] if (day := day_of(unit)) else []
    found = shelf(stock["motor"], stock["controller"], plan.settings, application, duty, name)
    ranked = {"pairs": rank(found.pairs), "motors": rank(found.motors), "controllers": rank(found.controllers)}
    about: dict[str, Any] = {
        "vehicle": name,
        "pack": application.pack_name or "pack",
        "workshop": plan.settings.workshop or "",
        "latest": max(days).isoformat() if days else "",
        "asked": _words(application, duty),
        "accepted": {kind: len(parts) for kind, parts in stock.items()},
    }
    folder = reports / "choices" / name
    write_choice(folder, choice_data(ranked, plan.settings.coverage_probability, about), found.left_out | not_taken)
    kinds = (("motor", found.motors), ("controller", found.controllers), ("pair", found.pairs))
    print(f"{', '.join(counted(len(these), kind) for kind, these in kinds)} for {name}")
    for one in ranked["pairs"][:5]:
        tie = " tie" if one.tied else ""
        lacking = one.candidate.lacking
        what = f"what was measured (not {', '.join(ASKED[key] for key in lacking)})" if lacking else "the duty"
        print(f"  {one.rank}{tie}  {one.candidate.name}  meets {what} with {numbers.probability(one.meets)}")
    print(os.path.relpath(folder / "choice.pdf"))
    if not found.pairs:
        print(verdict([], about["accepted"]), file=sys.stderr)
        for unit_name, why in (found.left_out | not_taken).items():
            print(f"  {unit_name} left out: {why}", file=sys.stderr)
    return 0 if found.pairs else 1


def _fit(reports: Path, unit: str) -> Path:
    return reports / ".work" / unit / "fit.json"


def _not_taken(reports: Path, unit: str, config: Sequence[str]) -> str:
    """Return why a unit is not in the stock; nothing where it is accepted."""
    results = reports / unit / "results.json"
    command = f"'make report UNIT={unit}{as_asked(config)}'"
    if not results.is_file():
        return f"no report there; run {command}"
    found = Results.read(results).verdict
    if found != "accepted":
        return found
    return "" if _fit(reports, unit).is_file() else f"its fit is gone; run {command}"


def _asked(settings: RunSettings, vehicle: str, pack: str) -> tuple[Application, Duty]:
    """Return vehicle, pack and duty. Raises ``InputError`` where they are not stated, or not uniquely."""
    if vehicle == _ONLY and not settings.vehicles:
        vehicle = ""
    if vehicle and vehicle not in settings.vehicles:
        there = (
            f"there are: {', '.join(settings.vehicles)}" if settings.vehicles else f"the only one is called {_ONLY!r}"
        )
        raise InputError(Problem(f"there is no vehicle {vehicle!r} under 'vehicles'; {there}", _FILE))
    every = [one for one in applications((), settings) if one.vehicle is not None and one.pack is not None]
    meant = [one for one in every if vehicle in ("", one.vehicle_name) and pack in ("", one.pack_name)]
    if len(meant) != 1:
        named = ", ".join(f"{one.vehicle_name or _ONLY} on {one.pack_name or 'the pack'}" for one in meant or every)
        how = 'make choose VEHICLE=NAME ARGS="--pack NAME"'
        words = f"say which vehicle and pack are meant ({how}); there are: {named or 'no pack with a vehicle'}"
        raise InputError(Problem(words, _FILE))
    (application,) = meant
    name = application.vehicle_name or _ONLY
    duty = settings.duties.get(name)
    if duty is None:
        words = (
            f"state under 'duties' what {name!r} must do, for example "
            f"'{name}: {{climb_grade: 6 percent, climb_speed: 12 km/h, start_grade: 10 percent}}'"
        )
        raise InputError(Problem(words, _FILE, column="duties"))
    if application.vehicle is not None and application.vehicle.cruise_speed is None:
        key = f"vehicles, {name}" if settings.vehicles else _ONLY
        words = (
            f"the vehicle {name!r} states no 'cruise_speed', which is part of the duty; write it beside the vehicle's "
            "'mass', for example 'cruise_speed: 20 km/h'"
        )
        raise InputError(Problem(words, _FILE, column=key))
    return application, duty


def _words(application: Application, duty: Duty) -> str:
    vehicle, pack = application.vehicle, application.pack
    assert vehicle is not None and pack is not None and vehicle.cruise_speed is not None
    level = f" on a grade of {vehicle.grade.text}" if vehicle.grade is not None and vehicle.grade.value else ""
    named = f" {application.pack_name}" if application.pack_name else ""
    return (
        f"{vehicle.mass.text} on the pack{named}, {pack.voltage_nominal.text}. Duty: cruise at "
        f"{vehicle.cruise_speed.text}{level}; the longest grade, {duty.climb_grade.text}, at "
        f"{duty.climb_speed.text} for ever; a start on {duty.start_grade.text}."
    )

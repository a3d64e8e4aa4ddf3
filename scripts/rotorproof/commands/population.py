"""Tell how the units of each model scatter, and write it down for use as the process of an acceptance set.

Reads the results that are there and computes none. With --write, config/processes/MODEL.yaml is written for each model;
an acceptance set uses it by 'process: {population: MODEL}' in a criterion, and a unit's file by 'population: MODEL', to
have the unit's tests compared with those of the others. It stays as it is until it is written again, so that no report
changes with the next unit. The exit status is 0, or 2 where no model has enough units or two models
would be one file.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence

from ..decision.models import Results
from ..jsonio import write_bytes
from ..quantities import quantities
from ..season.gather import day_of, is_standard
from ..season.population import FEWEST, Census, census, populations, ranges
from ..season.process import files_of, process_of
from ..signs import unit_text
from ..workflow import RunPlan
from ._project import ROOT, overrides


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command's arguments."""
    parser.add_argument("--write", action="store_true", help="write config/processes/MODEL.yaml for each model")
    parser.add_argument(
        "--config", nargs="+", default=[], metavar="KEY=VALUE", help="override settings of config/config.yaml"
    )


def run(args: argparse.Namespace) -> int:
    """Print the populations and write their files."""
    import yaml

    plan = RunPlan.load(ROOT, overrides(args.config))
    reports = ROOT / plan.reports
    units = [unit for unit in plan.all_units if (reports / unit["unit"] / "results.json").is_file()]
    results = {unit["unit"]: Results.read(reports / unit["unit"] / "results.json") for unit in units}
    found = populations(units, results)
    there = census(units)
    for line in _alike(there):
        print(f"warning: {line}", file=sys.stderr)
    if not found:
        print(f"error: {_too_few(there, plan.reports)}", file=sys.stderr)
        return 2
    models = [population.model for population in found]
    files = files_of(models, ROOT / "config" / "processes") if args.write else {}
    for population in found:
        print(f"{population.model}: {population.units} units")
        for one in population.constants:
            scatter = one.scatter
            print(
                f"  {quantities()[one.quantity].title}: {scatter.mean:.5g} {unit_text(one.unit)}, scatter between "
                f"units {scatter.between:.2g} ({scatter.between_low:.2g} to {scatter.between_high:.2g})"
            )
        if args.write:
            path = files[population.model]
            members = [unit for unit in units if not is_standard(unit) and day_of(unit) is not None]
            head = "# Written by 'make population': how the units of this model scattered.\n"
            written = process_of(population, members, ranges(population, units, results))
            content = yaml.safe_dump(written, sort_keys=False, allow_unicode=True)
            write_bytes(path, f"{head}{content}".encode())
            print(f"  config/processes/{path.name}")
    return 0


def _alike(there: Sequence[Census]) -> list[str]:
    """Return which units bear one serial number: they are taken for one that was measured again."""
    return [
        f"{one.model}: {', '.join(names)} have the serial number {serial!r} and count as one unit, as measured last"
        for one in there
        for serial, names in one.alike.items()
    ]


def _too_few(there: Sequence[Census], reports: str) -> str:
    """Say how many units of each model there are, and where they were looked for."""
    counted = ", ".join(f"{one.model} {one.units}" for one in there) or "none that names its model"
    if any(one.units >= FEWEST for one in there):
        return f"no constant was measured on {FEWEST} units of one model with different values; units found: {counted}"
    return (
        f"no model has {FEWEST} units with results under {reports}/; units found: {counted} (equal serial numbers "
        "count once, check standards not at all); run 'make report' on more first"
    )

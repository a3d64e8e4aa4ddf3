"""Make the acceptance reports of all units, or of those named.

Reads the raw logs, fits, decides and renders what is new or has changed, and ends with each unit's verdict.
The exit status is 0 when every unit could be reported on (a rejected unit is a result, not an error), 1 when
one could not, and 2 when the settings cannot be used.
"""

from __future__ import annotations

import argparse
import os

from ..child import SCRIPTS
from ..untouched import ended
from ._verdicts import Table


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command's arguments."""
    parser.add_argument("units", nargs="*", metavar="UNIT", help="units to report on (default: all)")
    parser.add_argument(
        "--config", nargs="+", default=[], metavar="KEY=VALUE", help="override settings of config/config.yaml"
    )
    parser.add_argument("--cores", type=int, default=os.cpu_count() or 1, help="jobs at once (default: all cores)")
    parser.add_argument("--quiet", action="store_true", help="say nothing but problems and the final table")
    parser.add_argument("--json", action="store_true", help="print the final table as JSON")


def run(args: argparse.Namespace) -> int:
    """Run the workflow and print the verdicts."""
    if not args.units and (table := ended(SCRIPTS.parent, args.config)) is not None:
        Table(**table).show(as_json=args.json)
        return 0
    # To load the rest takes longer than to find that nothing was written.
    from ._report import make

    return make(args)

"""The program's command line: ``python -m rotorproof COMMAND``; ``--help`` explains each."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence

from . import __doc__ as purpose
from . import __version__
from .commands import commands
from .errors import InputError


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status."""
    known = commands()
    parser = argparse.ArgumentParser(prog="rotorproof", description=purpose)
    parser.add_argument("--version", action="version", version=__version__)
    choices = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    for name, module in known.items():
        text = (module.__doc__ or "").strip()
        command = choices.add_parser(
            name,
            help=text.splitlines()[0],
            description=text,
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        module.add_arguments(command)
    chosen = parser.parse_args(arguments)
    try:
        return int(known[chosen.command].run(chosen))
    except InputError as error:
        for problem in error.problems:
            print(problem, file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("stopped; run the same command again to go on", file=sys.stderr)
        return 130


if __name__ == "__main__":
    sys.exit(main())

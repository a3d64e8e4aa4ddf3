"""Propose a layout for an unknown export, to be confirmed by whoever knows the logger.

Finds the text encoding, the delimiter, the decimal sign and the header, or the sheet and the row of the header of a
workbook (.xlsx), and says what each column seems to be by its name and unit, and how sure that is. Nothing is guessed
in silence: every line of the proposal says what it rests on, and what could be read in two ways is asked for. Without
--write the proposal goes to the screen; with it, to config/layouts/NAME.yaml.
"""

from __future__ import annotations

import argparse
import re
import sys
from pathlib import Path

from ..columns import COLUMNS
from ..drafts.layout_file import Proposal, propose, render, unit_fault
from ..errors import InputError, Problem
from ..jsonio import write_bytes
from ..logs.headings import OPEN, SURE
from ..settings.documents import near_names
from ._project import ROOT, ask, on_terminal


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command's arguments."""
    parser.add_argument("file", type=Path, metavar="FILE", help="an export of the logger or scope")
    parser.add_argument("--name", help="name of the layout (default: from the file's name)")
    parser.add_argument(
        "--write", action="store_true", help="write config/layouts/NAME.yaml; never over an existing one"
    )
    parser.add_argument("--sheet", help="the sheet of a workbook, where it cannot be told")
    parser.add_argument("--delimiter", help="the delimiter, where it cannot be told (one character, or 'whitespace')")
    parser.add_argument(
        "--decimal", choices=(".", ","), metavar="SIGN", help="the decimal sign, '.' or ',', where it cannot be told"
    )


def run(args: argparse.Namespace) -> int:
    """Propose the layout, ask on a terminal, and print or write it."""
    name = args.name or re.sub(r"[^A-Za-z0-9._-]+", "-", args.file.name.split(".")[0]).strip("-.") or "logger"
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]{0,79}", name):
        raise InputError(Problem(f"--name {name!r}: a name holds letters, digits, '-', '_' and '.'"))
    _must_be_there(args.file)
    target = ROOT / "config" / "layouts" / f"{name}.yaml"
    if args.write and target.exists():
        raise InputError(
            Problem(f"config/layouts/{name}.yaml exists already; nothing was changed. Give another --name")
        )
    proposal = propose(args.file, str(args.file), delimiter=args.delimiter, decimal=args.decimal, sheet=args.sheet)
    if on_terminal() and args.write:
        _confirm(proposal)
    text = render(proposal, args.file.name)
    if not args.write:
        print(text, end="")
        return 0
    write_bytes(target, text.encode())
    print(f"wrote config/layouts/{name}.yaml; use it with 'layout: {name}' in unit.yaml, after a look at every line")
    return 0


def _must_be_there(path: Path) -> None:
    """Raise ``InputError`` where the export is not there: no unit.yaml names it, so the log reader's words mislead."""
    if path.exists():
        return
    beside = [found.name for found in path.parent.iterdir()] if path.parent.is_dir() else []
    near = near_names(path.name, beside)
    hint = f"is {near[0]!r} meant?" if near else "give the path of an export, from the project's folder on"
    raise InputError(Problem(f"the file does not exist; {hint}", str(path)))


def _confirm(proposal: Proposal) -> None:
    for column in proposal.columns:
        if column.text:
            continue
        guess = column.canonical or ""
        may_be = f"; {' or '.join(column.candidates)}?" if column.candidates and not guess else ""
        answer = ask(
            f"column {column.number} {column.header!r} ({column.sure}{may_be}): which ('-': none)", guess or "-"
        )
        while answer != "-" and answer not in COLUMNS:
            answer = ask(f"{answer!r} is not one of: {', '.join(COLUMNS)}; which", guess or "-")
        column.canonical = None if answer == "-" else answer
        if column.canonical:
            column.unit = _unit(column.canonical, column.unit)
            column.reason = "confirmed on the terminal"
            column.sure = SURE
        else:
            column.sure, column.candidates = OPEN, ()


def _unit(canonical: str, guess: str | None) -> str | None:
    """Ask for a column's unit until the answer is one of its kind; an empty answer without a guess leaves it open."""
    guess = guess if guess and unit_fault(guess, canonical) is None else ""
    while (answer := ask("  its unit", guess)) and (fault := unit_fault(answer, canonical)) is not None:
        print(f"  {fault}", file=sys.stderr)
    return answer or None

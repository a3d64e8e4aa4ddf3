"""The program's command line: ``python -m rotorproof COMMAND``; ``--help`` explains each."""

from __future__ import annotations

import sys

# Started without -P, Python would take modules from the folder it was started in before those of its own library.
if __name__ == "__main__" and not sys.flags.safe_path:
    del sys.path[0]

import argparse
import contextlib
import errno
import os
from collections.abc import Sequence
from typing import NoReturn

from . import __doc__ as purpose
from . import __version__
from .commands import command, names
from .errors import InputError, visible
from .signs import spell_on


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status."""
    given = sys.argv[1:] if arguments is None else list(arguments)
    # To load all commands takes longer than most of them do; only a list of them needs every one.
    known = {name: command(name) for name in ([given[0]] if given and given[0] in names() else names())}
    parser = argparse.ArgumentParser(prog="rotorproof", description=purpose)
    parser.add_argument("--version", action="version", version=__version__)
    choices = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    for name, module in known.items():
        text = (module.__doc__ or "").strip()
        of_command = choices.add_parser(
            name,
            help=text.splitlines()[0],
            description=text,
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        module.add_arguments(of_command)
    chosen = parser.parse_args(given)
    try:
        return int(known[chosen.command].run(chosen))
    except InputError as error:
        for problem in error.problems:
            print(problem, file=sys.stderr)
        return 2
    except OSError as error:
        if error.errno in _NO_RIGHT and error.filename:
            print(
                f"{os.strerror(error.errno)}: {visible(str(error.filename))}: give the user who runs this the right to "
                "it, and run the same command again",
                file=sys.stderr,
            )
            return 2
        if error.errno not in _NO_ROOM:
            raise
        print(
            f"{os.strerror(error.errno)}: make room on the disk that holds the reports, and run the same command "
            "again; what was written before is kept",
            file=sys.stderr,
        )
        return 2
    except KeyboardInterrupt:
        print("stopped; run the same command again to go on", file=sys.stderr)
        return 130


#: The disk, a quota or a limit on files leaves no room for what is to be written.
_NO_ROOM = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
#: The system lets this user not read, write or look.
_NO_RIGHT = {errno.EACCES, errno.EPERM, errno.EROFS}
#: What a shell gives for a program that was ended because nobody reads its output any more (128 + SIGPIPE).
_NO_READER = 141


def program() -> NoReturn:
    """Run the command of the command line and end the process with its status.

    Threads of a library (pyarrow's read ahead) can still run while the interpreter takes itself apart, and then abort
    the process: it ends at once, as soon as all that was printed is out.
    """
    spell_on(sys.stdout, sys.stderr)
    try:
        status = main()
        sys.stdout.flush()
    except BrokenPipeError:
        status = _NO_READER  # such as 'rotorproof check | head'
    with contextlib.suppress(OSError):
        sys.stderr.flush()
    os._exit(status)


if __name__ == "__main__":
    program()

"""Runs commands of the program in forks of one process that has loaded the libraries, not the program.

Loading PDF, signature and page libraries takes most of a command's processor time. A fork begins where they are loaded,
and takes the program itself from the folder it is told, as a process of its own would. How a process starts, and where
it takes its modules from, is the matter of test_nothing_runs.py and of the runs of the workflow; they start their own.
"""

from __future__ import annotations

import contextlib
import gc
import importlib
import json
import os
import runpy
import select
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

#: In s: as tests.patience has it, which is not on the path of the process that forks.
HUNG = 4 * 3600.0
_LIBRARIES = (
    "jinja2",
    "matplotlib.figure",
    "numpy",
    "pyarrow.parquet",
    "pikepdf",
    "pydantic",
    "pyhanko.sign.signers",
    "pyhanko.sign.validation",
    "scipy.stats",
    "weasyprint",
    "yaml",
)
#: Libraries then start no threads, of which a fork would keep only the locks.
_NO_THREADS = {
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
    "JE_ARROW_MALLOC_CONF": "background_thread:false",
}


class Forks:
    """The process that forks, spoken to in lines of JSON."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self._process = process

    def run(
        self, arguments: Sequence[str], folder: Path, environment: Mapping[str, str]
    ) -> subprocess.CompletedProcess[str]:
        """Run ``python -m rotorproof`` with the program of ``folder``, in that folder, without a standard input."""
        assert self._process.stdin is not None and self._process.stdout is not None
        with tempfile.TemporaryDirectory() as place:
            asked = {"arguments": list(arguments), "folder": str(folder), "environment": dict(environment), "to": place}
            self._process.stdin.write(json.dumps(asked) + "\n")
            self._process.stdin.flush()
            assert select.select([self._process.stdout], [], [], HUNG)[0], f"{arguments} hangs"
            status = int(self._process.stdout.readline())
            said = [(Path(place) / name).read_text(encoding="utf-8") for name in ("out", "err")]
        return subprocess.CompletedProcess(["rotorproof", *arguments], status, *said)


@contextlib.contextmanager
def forks() -> Iterator[Forks]:
    """Start the process that forks, and end it."""
    # Nothing of the program on its path: a fork adds that of the folder under test.
    alone = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"}
    with subprocess.Popen(
        [sys.executable, "-P", __file__],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env={**alone, **_NO_THREADS},
    ) as process:
        yield Forks(process)
        assert process.stdin is not None
        process.stdin.close()


def _child(asked: dict[str, object]) -> None:
    place = Path(str(asked["to"]))
    for number, name in ((1, "out"), (2, "err")):
        os.dup2(os.open(place / name, os.O_WRONLY | os.O_CREAT), number)
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
    os.chdir(str(asked["folder"]))
    os.environ.clear()
    os.environ.update(asked["environment"])  # type: ignore[call-overload]
    # As `python -P -m` finds it, which is how the Makefile starts it: by the folders of PYTHONPATH, before all others.
    sys.path[:0] = os.environ["PYTHONPATH"].split(os.pathsep)
    sys.argv = ["rotorproof", *asked["arguments"]]  # type: ignore[misc]
    runpy.run_module("rotorproof", run_name="__main__", alter_sys=True)


def _serve() -> None:
    for name in _LIBRARIES:
        importlib.import_module(name)
    # Much of the library of pages is loaded at its first use; its thread that looks up fonts ends with the page.
    importlib.import_module("weasyprint").HTML(string="<p>x</p>").write_pdf()
    gc.collect()
    while len(list(Path("/proc/self/task").iterdir())) > 1:
        time.sleep(0.005)
    assert not [name for name in sys.modules if name.startswith("rotorproof")]
    gc.freeze()
    for line in sys.stdin:
        child = os.fork()
        if not child:
            status = 1
            try:
                _child(json.loads(line))
                status = 0
            except SystemExit as end:
                status = end.code if isinstance(end.code, int) else int(end.code is not None)
            except BaseException:
                sys.excepthook(*sys.exc_info())  # type: ignore[arg-type]
            sys.stdout.flush()
            sys.stderr.flush()
            os._exit(status)
        print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)


if __name__ == "__main__":
    _serve()

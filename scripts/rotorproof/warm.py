"""Keep one process warm for a run: libraries loaded once, each job a fork of it.

A job of the workflow is a new process, and loading the libraries takes it longer than reading or deciding. A run
started by a command therefore starts a server beside the workflow; a rule's script that finds its socket in the
environment hands its work over and waits. Without one (a cluster, a bare workflow run), or where the server is gone,
the script does the same work itself.
"""

from __future__ import annotations

import contextlib
import gc
import importlib
import importlib.util
import os
import pickle
import secrets
import select
import signal
import socket
import struct
import subprocess
import sys
import threading
import time
import traceback
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, NoReturn

from . import child
from .errors import InputError, Problem
from .step_log import logged

#: Names the socket of the server, in the environment of a run.
VARIABLE = "ROTORPROOF_WARM"
_SCRIPTS = Path(__file__).resolve().parents[1]
_JOBS = ("read", "fit", "decide", "register")
_LOST = 70
#: A process with threads should not be forked: what a library's thread held locked stays locked in the fork. These
#: keep the libraries from starting any; a job's fork may.
_NO_THREADS = {
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
    "JE_ARROW_MALLOC_CONF": "background_thread:false",
}
#: What a rule's script does: it returns the traces of failures that cost single results alone, if any.
Work = Callable[..., Sequence[str] | None]
#: New objects, and rounds over the young and the older ones, before the collector of garbage looks at them.
_SELDOM = (100_000, 20, 100)
#: Named, not imported: a rule depends on the modules that its script imports, and every script imports this one.
_LIBRARIES = (
    "jinja2",
    "matplotlib.backends.backend_svg",
    "matplotlib.figure",
    "pikepdf",
    "pyarrow.csv",
    "pyarrow.parquet",
    "scipy.integrate",
    "scipy.interpolate",
    "scipy.optimize",
    "scipy.signal",
    "scipy.spatial",
    "scipy.stats",
    "weasyprint",
    "rotorproof.decision.results",
    "rotorproof.fitting.unit_fit",
    "rotorproof.logs.unit_logs",
    "rotorproof.rendering.figures",
    "rotorproof.rendering.pdf",
    "rotorproof.rendering.register",
    "rotorproof.rendering.report",
)


def job(script: str, main: Work, log: Path, /, **arguments: Any) -> None:
    """Do a rule's work: ``main`` of the file ``script`` with these arguments, here or in the warm server.

    ``log`` says how it ended. Ends the program with the work's own exit status if it failed in the server.
    """
    address = os.environ.get(VARIABLE)
    name = Path(script).stem
    if address and name in _JOBS:
        with socket.socket(socket.AF_UNIX) as connection:
            try:
                connection.connect(f"\0{address}")
            except OSError:
                pass  # the server is gone: nothing was handed over yet
            else:
                status = _handed_over(connection, name, log, arguments)
                if status != 0:
                    raise SystemExit(status)
                return
    logged(main, arguments, log)


def leave() -> NoReturn:
    """End a script whose work is done: threads of a library could abort the end of an interpreter."""
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(0)


def _handed_over(connection: socket.socket, name: str, log: Path, arguments: Mapping[str, Any]) -> int:
    sys.stdout.flush()
    sys.stderr.flush()
    work = pickle.dumps((name, str(Path.cwd()), log, dict(arguments)))
    socket.send_fds(connection, [struct.pack("!Q", len(work))], [1, 2])
    connection.sendall(work)
    answer = connection.recv(1)
    if not answer:
        why = "error: the process that did this step ended without an answer (killed, or out of memory)\n"
        log.parent.mkdir(parents=True, exist_ok=True)
        log.write_text(why, encoding="utf-8")
        sys.stderr.write(why)
        return _LOST
    return answer[0]


@contextlib.contextmanager
def server() -> Iterator[dict[str, str]]:
    """Run a server for the length of the block; yield what a run's environment needs to find it.

    The server ends with this process, however it ends: it waits on a pipe that only this process holds.
    """
    # A name without a file: nothing is left behind, even where all processes of a run are killed at once.
    name = f"rotorproof-{os.getpid()}-{secrets.token_hex(8)}"
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(f"\0{name}")
        listener.listen(64)
        handle = listener.fileno()
        command = child.python("-m", "rotorproof.warm", str(handle))
        process = subprocess.Popen(
            command, stdin=subprocess.PIPE, env={**child.environment(), **_NO_THREADS}, cwd=_SCRIPTS, pass_fds=[handle]
        )
    assert process.stdin is not None
    try:
        yield {VARIABLE: name}
    finally:
        process.stdin.close()
        process.wait()


def _serve(listener: socket.socket) -> None:
    """Answer requests until the standard input ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the run's own process is told, and ends this one
    # While the engine starts, which takes as long: the first job finds all of it there.
    works = _loaded(_over)
    if not works:
        return
    _let_threads_end()
    _spare_the_collector()
    while True:
        ready = select.select([listener.fileno(), 0], [], [])[0]
        if 0 in ready:
            break
        _bury(os.WNOHANG)
        connection = listener.accept()[0]
        with connection:
            if _same_user(connection) and os.fork() == 0:
                listener.close()
                os._exit(_child(connection, works))
    _bury(0)


def _same_user(connection: socket.socket) -> bool:
    """Tell whether whoever connected is this user: the name of the socket guards nothing."""
    found = connection.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i"))
    return int(struct.unpack("3i", found)[1]) == os.getuid()


def _bury(options: int) -> None:
    """Take note of jobs that have ended, so that the run's use of time and memory counts them."""
    with contextlib.suppress(ChildProcessError):
        while os.waitpid(-1, options)[0]:
            pass


def _child(connection: socket.socket, works: Mapping[str, Work]) -> int:
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    try:
        head, handles, _, _ = socket.recv_fds(connection, 8, 2)
        for handle, target in zip(handles, (1, 2), strict=True):
            os.dup2(handle, target)
            os.close(handle)
        (length,) = struct.unpack("!Q", head)
        work = bytearray()
        while len(work) < length:
            piece = connection.recv(length - len(work))
            if not piece:
                return _LOST
            work += piece
        name, folder, log, arguments = pickle.loads(work)  # from a process of this user: see _same_user
        os.chdir(folder)
        threading.Thread(target=_end_with, args=(connection,), daemon=True).start()
        status = _status(works[name], arguments, log)
        sys.stdout.flush()
        sys.stderr.flush()
        connection.sendall(bytes([status]))
        return status
    except BaseException:
        traceback.print_exc()
        return _LOST


def _end_with(connection: socket.socket) -> None:
    """End this job when the script that waits for it is ended."""
    if not connection.recv(1):
        os._exit(_LOST)


def _status(main: Work, arguments: Mapping[str, Any], log: Path) -> int:
    try:
        logged(main, arguments, log)
    except InputError as error:
        sys.stderr.write(f"{error}\n")
        return 1
    except SystemExit as error:
        if error.code is None or isinstance(error.code, int):
            return (error.code or 0) & 255
        sys.stderr.write(f"{error.code}\n")
        return 1
    except BaseException:
        traceback.print_exc()
        return 1
    return 0


def _over() -> bool:
    """Tell whether the run has ended: its process has closed the standard input."""
    return bool(select.select([0], [], [], 0)[0])


def _loaded(over: Callable[[], bool] = lambda: False) -> dict[str, Work]:
    """Return the works of all rules, their libraries loaded; none if the run is ``over`` before."""
    # What cannot be loaded or tried out here fails in the step that needs it, which says so; the others go on.
    for name in _LIBRARIES:
        if over():
            return {}
        with contextlib.suppress(Exception):
            importlib.import_module(name)
    works = {}
    for name in _JOBS:
        specification = importlib.util.spec_from_file_location(f"rule_{name}", _SCRIPTS / f"{name}.py")
        assert specification is not None and specification.loader is not None
        module = importlib.util.module_from_spec(specification)
        try:
            specification.loader.exec_module(module)
            works[name] = module.main
        except Exception as error:
            works[name] = _not_loaded(name, error)
    with contextlib.suppress(Exception):
        _try_out()
    return works


def _not_loaded(name: str, why: Exception) -> Work:
    """Return the work of a script that cannot be loaded: to say so."""
    problem = Problem(
        f"this step's script cannot be loaded ({type(why).__name__}: {why}); put back the file as it was delivered",
        file=f"scripts/{name}.py",
    )

    def work(**_: object) -> None:
        raise InputError(problem)

    return work


def _let_threads_end() -> None:
    """Free what was tried out, and with it the thread that looks up fonts for a page; it ends a moment later."""
    gc.collect()
    for _ in range(200):
        if len(list(Path("/proc/self/task").iterdir())) == 1:
            break
        time.sleep(0.005)


def _spare_the_collector() -> None:
    """Let a job look for garbage seldom, and never in what was loaded before: it took a fifth of the time of a page.

    A job is short, and nearly all that it makes is freed without being looked for.
    """
    gc.freeze()
    gc.set_threshold(*_SELDOM)


def _try_out() -> None:
    """Do a little of everything once: much is loaded, compiled or looked up at its first use only."""
    for name, function in (("procedures", "procedures"), ("derivations", "derivations"), ("quantities", "quantities")):
        getattr(importlib.import_module(f"rotorproof.{name}"), function)()
    base, numpy = importlib.import_module("rotorproof.procedures.base"), importlib.import_module("numpy")
    axis = base.Axis("x", "length", "m")
    series = base.Series("y", numpy.array([1.0, 2.0]), numpy.array([1.0, 2.0]))
    importlib.import_module("rotorproof.rendering.figures").svg(base.Panel("x", "x", axis, axis, [series], "x"))
    importlib.import_module("rotorproof.rendering.pdf").write("<p>x</p>", "", images={}, identifier="x")
    environment = importlib.import_module("rotorproof.rendering.environment").environment()
    for template in environment.list_templates(filter_func=lambda name: name.startswith("report")):
        environment.get_template(template)


if __name__ == "__main__":
    _serve(socket.socket(fileno=int(sys.argv[1])))

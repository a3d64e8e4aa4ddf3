"""Commands of a workshop as forks of one process that has their libraries loaded: a tenth of the time of a start.

A run of the workflow is a dozen processes, each of which spends most of its time on loading. Here every one of them
that is a Python is a fork instead, in the process group of whoever started it, so that a kill of the group meets all.
What they do, and in which order, is the program's own; how a Python starts is not tried here.
"""

from __future__ import annotations

import array
import contextlib
import fcntl
import gc
import importlib
import json
import os
import runpy
import secrets
import signal
import socket
import struct
import subprocess
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, NoReturn

#: Stands in the place of the interpreter: hands over its arguments, folder, environment and open files, and waits.
_LAUNCHER = """#!{python} -IS
import array, json, os, socket, struct, sys
handles = []
for name in os.listdir("/proc/self/fd"):
    try:
        if os.get_inheritable(int(name)) or int(name) < 3:
            handles.append(int(name))
    except OSError:
        pass
work = json.dumps(dict(argv=sys.argv[1:], cwd=os.getcwd(), env=dict(os.environ), group=os.getpgrp(), handles=handles))
with socket.socket(socket.AF_UNIX) as connection:
    connection.connect("\\0{name}")
    rights = [(socket.SOL_SOCKET, socket.SCM_RIGHTS, array.array("i", handles))]
    connection.sendmsg([struct.pack("!Q", len(work.encode()))], rights)
    connection.sendall(work.encode())
    answer = connection.recv(1)
os._exit(answer[0] if answer else 70)
"""
_LIBRARIES = (
    "matplotlib.figure",
    "pyhanko.sign.signers",
    "pyhanko.sign.validation",
    "snakemake.cli",
    "rotorproof.commands._report",
    "rotorproof.commands.sign",
    "rotorproof.commands.verify",
    "rotorproof.evidence.recompute",
    "rotorproof.evidence.verify",
    "rotorproof.settled",
)
_ALONE = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "JE_ARROW_MALLOC_CONF": "background_thread:false"}


def as_user(user: int | None) -> dict[str, Any]:
    """Return what starts a process as another user, without the groups of this one."""
    return {} if user is None else {"user": user, "group": user, "extra_groups": []}


@contextlib.contextmanager
def forks(place: Path, scripts: Path, python: str, user: int | None = None) -> Iterator[Path]:
    """Serve forks with the program in ``scripts``; yield what is started in place of the interpreter ``python``."""
    name = f"faults-{os.getpid()}-{secrets.token_hex(8)}"
    launcher = place / "python"
    launcher.write_text(_LAUNCHER.format(python=python, name=name), encoding="utf-8")
    launcher.chmod(0o755)
    environment = {**os.environ, **_ALONE, "PYTHONPATH": str(scripts), "HOME": str(place)}
    with subprocess.Popen(
        [python, "-P", "-s", "-c", Path(__file__).read_text(encoding="utf-8"), name, str(launcher)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        env=environment,
        cwd=place,
        **as_user(user),
    ) as process:
        assert process.stdout is not None
        try:
            assert process.stdout.readline() == b"ready\n"
            yield launcher
        finally:
            process.kill()


def _serve(name: str, launcher: str) -> NoReturn:
    sys.executable = launcher
    warm = importlib.import_module("rotorproof.warm")
    warm._loaded()
    for library in _LIBRARIES:
        importlib.import_module(library)
    warm._let_threads_end()
    gc.freeze()
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(f"\0{name}")
        listener.listen(64)
        print("ready", flush=True)
        while True:
            connection = listener.accept()[0]
            if os.fork() == 0:
                listener.close()
                signal.signal(signal.SIGCHLD, signal.SIG_DFL)
                _answer(connection)
            connection.close()


def _answer(connection: socket.socket) -> NoReturn:
    """Fork once more, and tell the launcher how that ended; it may have been killed in between."""
    work, handles = _asked(connection)
    child = os.fork()
    if child == 0:
        connection.close()
        _become(work, handles)
    for handle in handles:
        os.close(handle)
    status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    with contextlib.suppress(OSError):
        connection.sendall(bytes([status & 255]))
    os._exit(0)


def _asked(connection: socket.socket) -> tuple[dict[str, Any], list[int]]:
    handles = array.array("i")
    head, ancillary, _, _ = connection.recvmsg(8, socket.CMSG_SPACE(250 * handles.itemsize))
    for _, _, data in ancillary:
        handles.frombytes(data[: len(data) - len(data) % handles.itemsize])
    if len(head) < 8:  # killed before it asked
        os._exit(0)
    (length,) = struct.unpack("!Q", head)
    text = bytearray()
    while len(text) < length:
        piece = connection.recv(length - len(text))
        if not piece:
            os._exit(0)
        text += piece
    return json.loads(text), list(handles)


def _become(work: Mapping[str, Any], received: list[int]) -> NoReturn:
    """Be the Python that was asked for."""
    status = 1
    try:
        try:
            os.setpgid(0, work["group"])
        except OSError:  # the group has been killed meanwhile
            os._exit(1)
        # First out of the way of the numbers that they are to have.
        for handle, target in zip(_lifted(received), work["handles"], strict=True):
            os.dup2(handle, target, inheritable=True)
            os.close(handle)
        # The server's own know whether its files can be wound back.
        sys.stdin, sys.stdout = open(0, closefd=False), open(1, "w", closefd=False)  # noqa: SIM115
        sys.stderr = open(2, "w", 1, errors="backslashreplace", closefd=False)  # noqa: SIM115
        os.chdir(work["cwd"])
        os.environ.clear()
        os.environ.update(work["env"])
        _run([argument for argument in work["argv"] if argument not in ("-P", "-s")])
        status = 0
    except SystemExit as end:
        status = end.code if isinstance(end.code, int) else int(end.code is not None)
        if isinstance(end.code, str):
            sys.stderr.write(f"{end.code}\n")
    except BaseException:
        sys.excepthook(*sys.exc_info())  # type: ignore[arg-type]
    finally:
        with contextlib.suppress(Exception):
            sys.stdout.flush()
            sys.stderr.flush()
        os._exit(status & 255)


def _lifted(handles: list[int]) -> list[int]:
    lifted = [fcntl.fcntl(handle, fcntl.F_DUPFD, 500) for handle in handles]
    for handle in handles:
        os.close(handle)
    return lifted


def _run(arguments: list[str]) -> None:
    if arguments[0] == "-m":
        sys.argv = arguments[1:]
        # Loaded for those who import it; who is it is another.
        sys.modules.pop(arguments[1], None)
        runpy.run_module(arguments[1], run_name="__main__", alter_sys=True)
    else:
        sys.argv = arguments
        runpy.run_path(arguments[0], run_name="__main__")


if __name__ == "__main__":
    _serve(*sys.argv[1:])

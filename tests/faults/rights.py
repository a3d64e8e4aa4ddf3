"""Rights withheld from files and folders, for whoever runs the program: a user who is not root."""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from tests.workflow.conftest import contents

from .bench import NOBODY, UNITS, Bench


@dataclass(frozen=True)
class Withheld:
    """A path from the project's folder, the rights that are left there, and the unit that this costs, if any."""

    path: str
    mode: int
    unit: str | None = None
    command: str = "report"


EVERY = (
    Withheld("reports", 0o555),
    Withheld("reports/.work", 0o555),
    Withheld("reports/.work/CT-1", 0o555, UNITS[0]),
    Withheld("reports/CT-1", 0o555, UNITS[0]),
    Withheld("raw", 0o000),
    Withheld("raw/CT-1", 0o000, UNITS[0]),
    Withheld("raw/CT-1", 0o444, UNITS[0]),
    Withheld("raw/CT-1/unit.yaml", 0o000, UNITS[0]),
    Withheld("raw/CT-1/steps.csv", 0o000, UNITS[0]),
    Withheld("raw/CT-1/logs", 0o000, UNITS[0]),
    Withheld("raw/CT-1/intake.sha256", 0o000, UNITS[0]),
    Withheld("config/config.yaml", 0o000),
    Withheld("config/acceptance/small.yaml", 0o000),
    Withheld("reports/archive", 0o555, command="sign"),
)


@contextlib.contextmanager
def workshop() -> Iterator[Bench]:
    """Make a workshop of a user who is not root. Raises ``NotHereError`` where none can run a Python."""
    user = NOBODY if os.geteuid() == 0 else None
    # In a folder of its own: those of the test runner let nobody else through.
    with tempfile.TemporaryDirectory(prefix="faults-") as place:
        Path(place).chmod(0o755)
        with Bench.made(Path(place), forked=True, user=user) as made:
            yield made


@contextlib.contextmanager
def withheld(bench: Bench, what: Withheld) -> Iterator[None]:
    """Take rights away for a while, from a unit that has a list of its logs and, if asked for, its log in a folder."""
    root, unit = bench.project.root, bench.project.root / "raw" / UNITS[0]
    before = {path: path.read_bytes() for path in (unit / "unit.yaml", unit / "steps.csv")}
    if what.path.endswith("logs"):
        (unit / "logs").mkdir()
        (unit / "steps.csv").rename(unit / "logs/steps.csv")
        (unit / "unit.yaml").write_bytes(before[unit / "unit.yaml"].replace(b"log: steps", b"log: logs/steps"))
    if what.path.endswith("intake.sha256"):
        (unit / "intake.sha256").write_text("# taken in on 2026-05-02\n", encoding="utf-8")
    path = root / what.path
    if not path.exists():
        path.mkdir(parents=True)
    mode = path.stat().st_mode
    bench.owned()
    path.chmod(what.mode)
    try:
        yield
    finally:
        with contextlib.suppress(FileNotFoundError):
            path.chmod(mode)
        shutil.rmtree(unit / "logs", ignore_errors=True)
        (unit / "intake.sha256").unlink(missing_ok=True)
        for file, content in before.items():
            file.write_bytes(content)
        bench.owned()


def harm(bench: Bench, what: Withheld) -> list[str]:
    """Run a command that lacks rights, and return what is not as it must be."""
    bench.fresh()
    if what.command == "sign":
        bench.run("report", "--quiet")
    with withheld(bench, what):
        during = bench.run(*(("report", "--quiet") if what.command == "report" else bench.signing()))
    print(during.stdout + during.stderr)
    said = during.stdout + during.stderr
    found = []
    if "Traceback" in said:
        found.append("a traceback")
    if "ermission denied" not in said:
        found.append("it is not said that rights are lacking")
    other = UNITS[1]
    if what.unit is not None:
        now = contents(bench.reports / other) if (bench.reports / other).is_dir() else {}
        whole = {k.removeprefix(f"{other}/"): v for k, v in bench.whole.items() if k.startswith(f"{other}/")}
        found += [f"{name} of another unit is not what it was" for name in whole if now.get(name) != whole[name]]
    return found

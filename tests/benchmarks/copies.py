"""A project of its own and as many units as wanted: copies of the invented workshop's first motor."""

from __future__ import annotations

import compileall
import os
import shutil
from pathlib import Path

import numpy as np
import pyarrow as pa
import yaml
from pyarrow import csv as arrow_csv

from tests.simulation.demo import RAW
from tests.simulation.demo.motors import motors
from tests.simulation.open_circuit import Scope, record

from .measure import ROOT

UNIT = "AL-M1"
#: A line of a long open-circuit log has some 33 bytes.
_BYTES_PER_ROW = 33


def project(folder: Path) -> Path:
    """Copy what a run needs, so that its settings can be changed; return the project's root."""
    root = folder / "project"
    if not root.exists():
        for name in ("scripts", "config", "templates"):
            shutil.copytree(ROOT / name, root / name, ignore=shutil.ignore_patterns("__pycache__"))
        shutil.copy(ROOT / "Snakefile", root / "Snakefile")
        settings = root / "config" / "config.yaml"
        found = yaml.safe_load(settings.read_text(encoding="utf-8"))
        found.pop("comparisons", None)
        settings.write_text(yaml.safe_dump(found), encoding="utf-8")
        compileall.compile_dir(root / "scripts", quiet=1)
    return root


def made(raw: Path, units: int, *, megabytes: float = 0.0, procedures: tuple[str, ...] = ()) -> None:
    """Make ``units`` units; their logs are one set of files, linked.

    With ``megabytes`` the open-circuit logs are long captures that bring a unit to that size; with ``procedures`` a
    unit has these tests only, each with its first log.
    """
    store = raw.parent / f"{raw.name}-logs"
    shutil.copytree(RAW / UNIT, store)
    described = yaml.safe_load((store / "unit.yaml").read_text(encoding="utf-8"))
    if procedures:
        first = {}
        for test in described["tests"]:
            first.setdefault(test["procedure"], test)
        described["tests"] = [first[name] for name in procedures]
        del described["acceptance"]
    captures = sorted(store.glob("open-circuit-*.csv"))
    for number, path in enumerate(captures if megabytes else ()):
        _capture(path, int(1e6 * megabytes / len(captures)), number)
    logs = {test["log"] for test in described["tests"]}
    for number in range(units):
        folder = raw / f"W{number:04d}"
        folder.mkdir(parents=True)
        text = yaml.safe_dump({**described, "unit": folder.name}, sort_keys=False)
        (folder / "unit.yaml").write_text(text, encoding="utf-8")
        for name in logs:
            os.link(store / name, folder / name)


def done(one: Path, its_reports: Path, raw: Path, reports: Path, units: int) -> None:
    """Make ``units`` units, and their reports, of the first unit of ``one``, whose reports are made.

    All share its files by links but for their own ``unit.yaml``.
    """
    first = min(one.iterdir())
    text = (first / "unit.yaml").read_text(encoding="utf-8")
    for number in range(units):
        name = f"W{number:04d}"
        shutil.copytree(first, raw / name, copy_function=os.link)
        (raw / name / "unit.yaml").unlink()
        (raw / name / "unit.yaml").write_text(text.replace(first.name, name), encoding="utf-8")
        for place in (Path(), Path(".work")):
            shutil.copytree(its_reports / place / first.name, reports / place / name, copy_function=os.link)
    for path in its_reports.iterdir():
        if path.is_file():
            os.link(path, reports / path.name)


def _capture(path: Path, size: int, seed: int) -> None:
    """Write a long capture of the same motor at the speed that the log's name states."""
    rows = size // _BYTES_PER_ROW
    speed = float(path.stem.removeprefix("open-circuit-").removesuffix("rpm"))
    scope = Scope(rate=50_000.0, step=0.02, noise=0.06)
    motor = next(motor for motor in motors() if motor.name == UNIT)
    log = record(motor.machine, scope, np.random.default_rng(seed), speed_rpm=speed, seconds=rows / scope.rate)
    table = pa.table(
        {
            "time [ms]": np.round(1e3 * log["time"], 2),
            **{f"{name} [V]": np.round(log[name], 2) for name in ("voltage_ab", "voltage_bc", "voltage_ca")},
            "speed [rpm]": np.round(log["speed"] * 30 / np.pi, 1),
        }
    )
    path.unlink()
    arrow_csv.write_csv(table, path)

"""Classes of inputs: each draws one spoiled input and gives a function that runs it."""

from __future__ import annotations

import math
import random
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

from rotorproof.errors import InputError
from rotorproof.logs import limits
from rotorproof.logs.table import read_table
from rotorproof.settings.layout import BUILTIN, Layout, LayoutColumn
from rotorproof.settings.load import load_project, load_settings
from rotorproof.settings.run import Limits
from rotorproof.uncertainty.accuracy import parse_accuracy
from rotorproof.uncertainty.specification import parse_specification
from rotorproof.units import SI_UNIT, beyond, conversion, parse
from tests.simulation.demo import RAW

from ..errors.bench import UNIT, Bench, log_text, process
from . import seeds, spoiling
from .judging import Run, Unexpected, check_problems, check_results
from .pages import draw_pages

#: Draws an input: what it is (to be kept if it fails), and how it is run.
Draw = Callable[[random.Random, Path], tuple[bytes, Run]]

_WANTED = ("time", "voltage_ab", "current_ab")
_GATES = ("time", "gate_ah", "gate_al", "gate_bh", "gate_bl", "gate_ch", "gate_cl")
_PRINTED = (
    "V mV A N\u00b7m kg m^2 rad/s rpm degC K ohm % percent 1 s m/s^2 V/(rad/s) 9 ** ^ ( ) * / . , - + e9 1e999 +/- "
)
_PRINTED += "\u00b5 \u00b0 \u03a9 range of digits reading ppm FS inf nan 0x1F __ { } %s"
#: Pieces of texts with a unit, good and bad.
WORDS = (*_PRINTED.split(), " ", "  ", "\t", "\0", "\n")


def _log(content: bytes, folder: Path, wanted: tuple[str, ...], layout: Layout) -> Run:
    def run() -> bool:
        limits.use(Limits(reading_seconds=5, reading_memory_mb=400))
        path = folder / "log"
        path.write_bytes(content)
        try:
            found = read_table(path, layout, wanted, shown="U/log", time_ordered=True, minimum_rows=2)
        except InputError as error:
            for problem in error.problems:
                if problem.file != "U/log" or not 10 < len(problem.message) < 700:
                    raise Unexpected(repr(problem)) from None
            return False
        for name, values in found.columns.items():
            if not np.isfinite(values).all():
                raise Unexpected(f"{name} holds what is no number")
        return True

    return run


def _format(name: str) -> Draw:
    def draw(rng: random.Random, folder: Path) -> tuple[bytes, Run]:
        sound = seeds.logs()[name]
        content = spoiling.bytes_of(sound, rng)
        if name in seeds.PACKED and rng.random() < 0.5:
            content = seeds.PACKED[name](spoiling.table_of(seeds.logs()["text"].decode(), rng).encode())
        layout = BUILTIN["auto"] if name.startswith("text") and rng.random() < 0.5 else BUILTIN["plain"]
        if name in ("text", "text, clock times") and rng.random() < 0.5:
            content = spoiling.table_of(sound.decode(), rng).encode()
        if name == "WAV":
            layout = Layout(columns={"voltage_ab": LayoutColumn(column=1, unit="V", scale=10.0)})
        return content, _log(content, folder, _GATES if name == "VCD" else _WANTED, layout)

    return draw


def _texts(rng: random.Random, folder: Path) -> tuple[bytes, Run]:
    del folder
    words = [rng.choice(WORDS) * (rng.choice((1, 1, 1, 2, 50, 20_000))) for _ in range(rng.randint(1, 8))]
    text = rng.choice(("", "36 ", "0.05 % + ")) + rng.choice(("", " ")).join(words)
    kind = rng.choice(sorted(SI_UNIT))

    def run() -> bool:
        used = False
        for read in (conversion.__wrapped__, parse, parse_accuracy, parse_specification):
            try:
                found = read(text, kind)
            except ValueError as error:
                if len(str(error)) > 700:
                    raise Unexpected(str(error)[:200]) from None
                continue
            used = True
            value = getattr(found, "value", getattr(found, "fixed", getattr(found, "factor", 0.0)))
            if not math.isfinite(value) or (read is parse and beyond(value, kind)):
                raise Unexpected(f"{text!r} was read as {value}")
        return used

    return text.encode("utf-8", "replace"), run


_LAYOUT = "brake-stand-field-oriented"


def _settings(which: str) -> Draw:
    """Spoil one settings file of the demo's kind and load the project with it."""

    def draw(rng: random.Random, folder: Path) -> tuple[bytes, Run]:
        root = _project(folder)
        path = root / which
        content = spoiling.yaml_of(path.read_text(encoding="utf-8"), rng).encode("utf-8", "surrogateescape")
        path.write_bytes(content)

        def run() -> bool:
            try:
                project = load_project(load_settings(root / "config/config.yaml"), root / "config", root)
            except InputError as error:
                check_problems(error.problems)
                return False
            for problems in project.refused.values():
                check_problems(problems)
            if "GOOD" not in project.units and which.startswith("raw/BAD"):
                raise Unexpected("another unit was refused")
            return not project.refused

        return content, run

    return draw


def _project(folder: Path) -> Path:
    """Make a project whose unit BAD has all that a unit file may have."""
    root = folder / "project"
    shutil.rmtree(root, ignore_errors=True)
    Bench(root).build()
    config = (seeds.ROOT / "config/config.yaml").read_text(encoding="utf-8").split("# Units set side")[0]
    (root / "config/config.yaml").write_text(config)
    for name in ("instruments", "layouts", "acceptance"):
        shutil.copytree(seeds.ROOT / "config" / name, root / "config" / name, dirs_exist_ok=True)
    shutil.copytree(seeds.ROOT / "tests/data/layouts", root / "config/layouts", dirs_exist_ok=True)
    unit = (RAW / "AL-M1/unit.yaml").read_text(encoding="utf-8").replace("unit: AL-M1", "unit: BAD")
    # The logs need not be there for their layout to be looked at.
    unit = unit.replace("log: load.csv", f"log: load.csv\n    layout: {_LAYOUT}")
    (root / "raw/BAD/unit.yaml").write_text(unit)
    return root


def _stages(rng: random.Random, folder: Path) -> tuple[bytes, Run]:
    """Take a spoiled unit beside a good one from raw logs to results."""
    root = folder / "stages"
    shutil.rmtree(root, ignore_errors=True)
    bench = Bench(root).build()
    unit, log = UNIT.replace("NAME", "BAD"), log_text()
    unit = spoiling.yaml_of(unit, rng) if rng.random() < 0.4 else unit
    log = spoiling.table_of(log, rng) if rng.random() < 0.8 else log
    (bench.bad / "unit.yaml").write_bytes(unit.encode("utf-8", "surrogateescape"))
    (bench.bad / "steps.csv").write_bytes(log.encode("utf-8", "surrogateescape"))

    def run() -> bool:
        outcome = process(root)
        if "GOOD" not in outcome.results:
            raise Unexpected("another unit lost its results")
        return check_results(outcome.results.get("BAD"), outcome.problems.get("BAD", []))

    return f"{unit}\n-----\n{log}".encode("utf-8", "surrogateescape"), run


def demo_logs() -> Iterator[tuple[str, str]]:
    """Yield unit and log of the demo's text logs that are small enough to be tried by the thousand."""
    for path in sorted(RAW.glob("*/*.csv")):
        if path.stat().st_size < 300_000:
            yield path.parent.name, path.name


def _procedures(rng: random.Random, folder: Path) -> tuple[bytes, Run]:
    """Spoil one log of the demo and take its unit, with that test alone, from raw log to results."""
    import yaml

    unit, name = rng.choice(list(demo_logs()))
    source = RAW / unit
    root = folder / "procedures"
    shutil.rmtree(root, ignore_errors=True)
    shutil.copytree(seeds.ROOT / "config", root / "config")
    (root / "raw" / unit).mkdir(parents=True)
    config = (seeds.ROOT / "config/config.yaml").read_text(encoding="utf-8").split("# Units set side")[0]
    (root / "config/config.yaml").write_text(config)
    data = yaml.safe_load((source / "unit.yaml").read_text(encoding="utf-8"))
    data["tests"] = [test for test in data["tests"] if test["log"] == name]
    data.pop("parts", None)
    (root / "raw" / unit / "unit.yaml").write_text(yaml.safe_dump(data))
    log = spoiling.table_of((source / name).read_text(encoding="utf-8"), rng)
    (root / "raw" / unit / name).write_text(log)

    def run() -> bool:
        outcome = process(root)
        return check_results(outcome.results.get(unit), outcome.problems.get(unit, []))

    return f"# {unit}/{name}\n{log}".encode(), run


CLASSES: dict[str, Draw] = {
    **{f"log, {name}": _format(name) for name in seeds.FORMATS},
    "texts with a unit": _texts,
    "unit.yaml": _settings("raw/BAD/unit.yaml"),
    "config.yaml": _settings("config/config.yaml"),
    "a layout": _settings(f"config/layouts/{_LAYOUT}.yaml"),
    "an acceptance set": _settings("config/acceptance/hub-motor-36V.yaml"),
    "read, fit and decide, one unit beside another": _stages,
    "read, fit and decide, each procedure of the demo": _procedures,
    "read, fit, decide, draw and render, one unit beside another": draw_pages,
}

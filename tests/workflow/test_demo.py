"""The demo: its logs are what the simulator writes, its intervals hold the truth, its planted faults are named."""

from __future__ import annotations

import json
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Any

import pytest

from rotorproof.checking.look import reading_problems
from rotorproof.fitting.grouping import TestLog
from rotorproof.fitting.parts import part
from rotorproof.fitting.store import load_fit, save_fit
from rotorproof.fitting.unit_fit import best_forms, fit_unit
from rotorproof.logs.unit_logs import read_unit
from rotorproof.procedures.base import Log
from rotorproof.settings.load import conditions_of, load_project, load_settings
from rotorproof.uncertainty.coverage import interval
from rotorproof.witness.search import second_witness
from tests.simulation.demo import RAW
from tests.simulation.demo.__main__ import write_demo

ROOT = Path(__file__).parents[2]
TRUTH = json.loads((ROOT / "tests/data/demo-truth.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def fits(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """Return the fit of every demo unit; that of a drive takes its parts as they were stored."""
    stored = tmp_path_factory.mktemp("fits")
    settings = load_settings(ROOT / "config/config.yaml", {"raw_dir": str(RAW)})
    project = load_project(settings, ROOT / "config", ROOT)
    assert not project.refused
    found = {}
    for name, unit in sorted(project.units.items(), key=lambda entry: entry[1].file.parts is not None):
        readings = read_unit(name, unit.folder, unit.file.tests, unit.layouts)
        assert not readings.problems
        assert not reading_problems(unit.file, readings)
        logs = []
        for test, columns in zip(unit.file.tests, readings.columns, strict=True):
            assert columns is not None
            written = conditions_of(test)
            values = {key: measured.value for key, measured in written.items()}
            logs.append(TestLog(test, Log(test.label or test.procedure, columns, values), written))
        roles = unit.file.parts.roles if unit.file.parts else {}
        parts = [part(role, other, load_fit(stored / f"{other}.json")) for role, other in roles.items()]
        found[name] = fit_unit(unit.file, logs, settings, unit.shown, parts)
        assert second_witness(unit.file, logs, settings, found[name], parts) == [], "a sound unit is not doubted"
        save_fit(stored / f"{name}.json", stored / f"{name}.npz", found[name])
    return found


def test_each_fit_says_which_parameters_rest_on_it(fits: dict[str, Any]) -> None:
    """A misfit then widens those alone; a name that no block bears would widen none."""
    outcomes = [outcome for fit in fits.values() for outcome in fit.outcomes]
    assert len(outcomes) > 20
    for outcome in outcomes:
        labels = {block.label for block in outcome.fit.blocks}
        for left in outcome.fit.residuals:
            # A block may be missing with the quantity that it would give, not all of them.
            assert labels & set(left.blocks), f"{outcome.procedure}: {left.name}"


def test_the_committed_logs_are_what_the_simulator_writes(tmp_path: Path) -> None:
    truth = write_demo(tmp_path)
    for name in truth:
        ours, committed = tmp_path / name, RAW / name
        names = sorted(path.name for path in ours.iterdir())
        assert names == sorted(path.name for path in committed.iterdir())
        for file in names:
            assert first_difference(ours / file, committed / file) is None, f"{name}/{file}"
    assert flat(truth) == pytest.approx(flat(TRUTH), rel=1e-9)


def first_difference(one: Path, other: Path) -> str | None:
    """Return the first line in which two text files differ by more than one last digit of a reading."""
    lines, others = (path.read_text(encoding="utf-8").splitlines() for path in (one, other))
    if len(lines) != len(others):
        return f"{len(lines)} lines, not {len(others)}"
    for number, (ours, theirs) in enumerate(zip(lines, others, strict=True), start=1):
        if ours == theirs:
            continue
        cells, their_cells = ours.split(","), theirs.split(",")
        if len(cells) != len(their_cells) or not all(map(alike, cells, their_cells)):
            return f"line {number}: {ours!r}, not {theirs!r}"
    return None


def alike(cell: str, other: str) -> bool:
    """Tell whether two cells are the same text, or numbers to one place that differ by one in it."""
    try:
        a, b = (Decimal(text.removeprefix("#")) for text in (cell, other))  # "#" stands before the times of a VCD
    except InvalidOperation:
        return cell == other
    place = a.as_tuple().exponent
    return place == b.as_tuple().exponent and abs(a - b) <= Decimal(1).scaleb(int(place))


def flat(truth: dict[str, dict[str, float]]) -> dict[str, float]:
    """Return the truth by unit and quantity in one."""
    return {f"{unit} {name}": value for unit, found in truth.items() for name, value in found.items()}


@pytest.mark.parametrize(("unit", "quantity"), [(unit, name) for unit in TRUTH for name in TRUTH[unit]])
def test_the_interval_holds_the_simulators_truth(fits: dict[str, Any], unit: str, quantity: str) -> None:
    forms = {**best_forms(fits[unit].outcomes), **fits[unit].adjusted.forms}
    for derived in fits[unit].derived:
        forms |= derived.forms
    cover = interval(forms[quantity])
    slack = 1e-9 * abs(TRUTH[unit][quantity])
    assert cover.low - slack <= TRUTH[unit][quantity] <= cover.high + slack


def test_no_procedure_failed_unforeseen(fits: dict[str, Any]) -> None:
    assert [fit.tracebacks for fit in fits.values() if fit.tracebacks] == []

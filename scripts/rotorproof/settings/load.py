"""Load and check every settings file before any job starts; all problems at once, each with file and line."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any

from ..errors import InputError, Problem
from ..files import lies_within
from ..procedures import procedures
from ..procedures.base import Condition
from ..units import ABOVE_ZERO, SI_UNIT, Measured, conversion, parse
from .acceptance import AcceptanceSet, ProcessFile
from .application import not_there
from .documents import Document, near_names, read_document
from .fields import LONGEST_NAME
from .folder import SettingsFolder
from .layout import BUILTIN, Layout
from .run import RunSettings
from .unit import Test, UnitFile
from .validation import Complaints, nearest, validated

#: Marks that stand for other names somewhere: in patterns, shells and mark-up. A log's name holds none.
_MARKS = "\\ { } * ? < > | : \" ' ` $ ; &"
_NO_NAME = set(_MARKS.replace(" ", ""))

#: Names in the reports folder that are not units.
RESERVED = (
    "archive",
    "bench.html",
    "choices",
    "comparisons",
    "index.html",
    "models.html",
    "plans",
    "refused.json",
    "results.csv",
    "results.parquet",
    "season",
)


@dataclass(frozen=True)
class Unit:
    """A checked unit: its file, the folder, the acceptance set, the layouts its tests use, the model it is one of."""

    file: UnitFile
    folder: Path
    shown: str
    acceptance: AcceptanceSet | None
    layouts: Mapping[str, Layout]
    document: Document
    population: ProcessFile | None = None


@dataclass
class Project:
    """Everything a run works on, and what is wrong with it."""

    settings: RunSettings
    units: dict[str, Unit] = field(default_factory=dict)
    refused: dict[str, list[Problem]] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    #: Folders of units beside the units, each a batch of its own that this run leaves alone.
    batches: list[Problem] = field(default_factory=list)

    def parts(self, name: str) -> list[UnitFile]:
        """Return the files of the units that a unit is made of."""
        parts = self.units[name].file.parts
        return [self.units[part].file for part in parts.roles.values()] if parts else []


def load_settings(path: Path, overrides: Mapping[str, Any] | None = None) -> RunSettings:
    """Read ``config.yaml``; ``overrides`` (from the command line) win. Raises ``InputError``."""
    document = read_document(path, "config/config.yaml")
    if isinstance(document.data, dict) and overrides:
        document.data.update(overrides)
    return validated(document, RunSettings)


def load_project(settings: RunSettings, config: Path, root: Path) -> Project:
    """Check every unit under ``raw_dir``. A unit with problems is refused; the others go on."""
    project = Project(settings)
    folder = SettingsFolder(config)
    raw = Path(settings.raw_dir)
    raw = raw if raw.is_absolute() else root / raw
    try:
        if not raw.is_dir():
            words = f"the folder {settings.raw_dir!r} does not exist; put one folder per unit there"
            project.problems.append(Problem(words, severity="error"))
            return project
        entries = sorted(path for path in raw.iterdir() if path.is_dir() and not path.name.startswith("."))
    except OSError as error:
        words = f"the folder {settings.raw_dir!r} cannot be read: {error.strerror}"
        project.problems.append(Problem(words, severity="error"))
        return project
    for entry in entries:
        if units := _units_within(entry):
            project.batches.append(_batch(settings, entry.name, units))
            continue
        try:
            unit = load_unit(entry, folder, f"{entry.name}/unit.yaml")
        except InputError as error:
            project.refused[entry.name] = list(error.problems)
        except Exception as error:  # whatever a file brings about is its own unit's, never the others'
            project.refused[entry.name] = [_unforeseen(f"{entry.name}/unit.yaml", error)]
        else:
            project.units[entry.name] = unit
    _check_meant(project)
    check_parts(project)
    return project


def _units_within(entry: Path) -> int:
    """Return how many folders of units lie in one that is none itself; 0 for a unit's folder, or one not readable."""
    try:
        if (entry / "unit.yaml").exists():
            return 0
        return sum((path / "unit.yaml").is_file() for path in entry.iterdir() if path.is_dir())
    except OSError:
        return 0


def _batch(settings: RunSettings, name: str, units: int) -> Problem:
    raw = f"{settings.raw_dir}/{name}"
    held = f"{units} unit{'s' if units > 1 else ''}"
    return Problem(
        f"{raw} holds {held}: a batch of its own, which this run leaves alone; name it: make report "
        f'ARGS="--config raw_dir={raw} reports_dir={settings.reports_dir}/{name}"',
        severity="warning",
    )


def _unforeseen(shown: str, error: Exception) -> Problem:
    words = " ".join(f"{type(error).__name__}: {error}".split())[:120]
    return Problem(
        f"the file failed its checks in a way their authors did not foresee ({words}); please report it", shown
    )


def _check_meant(project: Project) -> None:
    """Refuse every unit that is meant for, or judged on, a pack or vehicle that config.yaml does not name."""
    _refuse(project, lambda unit: not_meant(unit, project.settings))


def not_meant(unit: Unit, settings: RunSettings) -> list[Problem]:
    """Return which packs and vehicles that a unit is meant for, or judged on, config.yaml does not name."""
    complaints = Complaints(unit.document)
    for index, meant in enumerate(unit.file.meant):
        if found := not_there(meant, settings):
            complaints.add(found[1], "for", index, found[0], key="for")
    for criterion in unit.acceptance.criteria if unit.acceptance else ():
        if criterion.for_ is not None and (found := not_there(criterion.for_, settings)):
            words = f"the acceptance set {unit.file.acceptance!r} limits {criterion.quantity}, but {found[1]}"
            complaints.add(words, "acceptance")
    return complaints.found


def _refuse(project: Project, wrong: Callable[[Unit], list[Problem]]) -> None:
    for name, unit in list(project.units.items()):
        if found := wrong(unit):
            project.refused[name] = found
            del project.units[name]


def check_parts(project: Project) -> None:
    """Refuse every drive whose parts are not there, are of another kind or are refused themselves.

    A part is a motor or a controller and has no parts, so no unit can depend on itself.
    """
    _refuse(project, lambda unit: unfit_parts(unit, lambda role, part: _unfit(project, role, part)))


def unfit_parts(unit: Unit, why: Callable[[str, str], str | None]) -> list[Problem]:
    """Return which parts a drive cannot have: ``why`` says it of a role and a unit's name, ``None`` where it fits."""
    complaints = Complaints(unit.document)
    for role, part in unit.file.parts.roles.items() if unit.file.parts else ():
        if reason := why(role, part):
            complaints.add(f"the {role} {part!r} {reason}", "parts", role, key=f"parts.{role}")
    return complaints.found


def no_such_part(part: str, there: Collection[str], raw_dir: str) -> str:
    """Say that a part is no unit's folder, and which may be meant."""
    near = nearest(part, there)
    return f"is no folder under {raw_dir!r}; {f'did you mean {near!r}?' if near else 'put its folder there'}"


def another_kind(kind: str, role: str) -> str | None:
    """Say that a part is of another kind than its role asks for, ``None`` where it is not."""
    return None if kind == role else f"is a {kind}; name a {role} here"


def _unfit(project: Project, role: str, part: str) -> str | None:
    """Return why a unit cannot be a part in this role."""
    if part in project.refused:
        return "cannot be reported on itself; mend first what is said about it"
    if part not in project.units:
        return no_such_part(part, project.units, project.settings.raw_dir)
    return another_kind(project.units[part].file.kind, role)


def load_unit_file(entry: Path, folder: SettingsFolder, shown: str) -> tuple[Document, UnitFile]:
    """Read a unit file by itself; logs, layouts and limits of a draft may be open. Raises ``InputError``."""
    try:
        names = [path.name for path in entry.iterdir()]
    except OSError as error:
        raise InputError(Problem(f"the folder cannot be read: {error.strerror}", file=shown)) from None
    if "unit.yaml" not in names:
        near = near_names("unit.yaml", names)
        hint = f"; rename {near[0]!r} to unit.yaml" if near else "; every unit under test needs one"
        raise InputError(Problem(f"the folder has no unit.yaml{hint}", file=shown))
    if not lies_within(entry / "unit.yaml", entry):
        raise InputError(Problem("unit.yaml is a link out of the unit's folder; copy the file in", file=shown))
    document = read_document(entry / "unit.yaml", shown)
    _fill_in_classes(document, folder)
    return document, validated(document, UnitFile)


def load_unit(entry: Path, folder: SettingsFolder, shown: str, *, draft: bool = False) -> Unit:
    """Read and check one unit folder. Raises ``InputError`` with every problem found.

    A ``draft`` may leave open what is known once its tests are made: the conditions that they need.
    """
    document, file = load_unit_file(entry, folder, shown)
    complaints = Complaints(document)
    if file.unit != entry.name:
        complaints.add(f"the unit is {file.unit!r} but its folder is {entry.name!r}; they must be equal", "unit")
    if file.unit.lower() in RESERVED:
        complaints.add(f"no unit can be called {file.unit!r}: the reports keep something else under that name", "unit")
    acceptance = _acceptance(file.acceptance, folder, complaints)
    if acceptance is not None and acceptance.unit_kind not in (None, file.kind):
        words = (
            f"the acceptance set {file.acceptance!r} is for a {acceptance.unit_kind}, and this unit is a {file.kind}"
        )
        complaints.add(f"{words}; name another set or correct the kind", "acceptance")
    population = _population(file, folder, complaints)
    layouts: dict[str, Layout] = {}
    for index, test in enumerate(file.tests):
        _check_layout(test, index, folder, layouts, complaints)
        _check_log(test, index, entry, complaints)
        _check_procedure(test, index, file.kind, complaints, draft=draft)
    complaints.stop()
    return Unit(file, entry, shown, acceptance, layouts, document, population)


def _acceptance(name: str | None, folder: SettingsFolder, complaints: Complaints) -> AcceptanceSet | None:
    if name is None:
        return None
    try:
        return folder.acceptance(name)
    except InputError as error:
        if folder.has("acceptance", name):
            complaints.take(error.problems)
        else:
            there = ", ".join(folder.names("acceptance")) or "none"
            complaints.add(f"there is no acceptance set {name!r}; there are: {there}", "acceptance")
    return None


def _population(file: UnitFile, folder: SettingsFolder, complaints: Complaints) -> ProcessFile | None:
    """Return how the other units of a unit's model came out, where it names the file that says so."""
    name, found = file.population, None
    if name is None:
        return None
    try:
        found = folder.process(name)
    except InputError as error:
        if folder.has("processes", name):
            complaints.take(error.problems)
        else:
            there = ", ".join(folder.names("processes")) or "none; 'make population' writes them"
            complaints.add(f"there is no population {name!r}; there are: {there}", "population")
        return None
    if found.model != file.model:
        own = f"the model {file.model!r}" if file.model else "no model"
        words = f"the population {name!r} is of the model {found.model!r}, and this unit names {own}"
        complaints.add(f"{words}; name another population or correct the model", "population")
    elif found.kind not in (None, file.kind):
        complaints.add(f"the population {name!r} is of {found.kind}s, and this unit is a {file.kind}", "population")
    elif not found.ranges:
        complaints.add(
            f"the population {name!r} holds no range to compare with; write it again by 'make population'", "population"
        )
    return found


def _fill_in_classes(document: Document, folder: SettingsFolder) -> None:
    """Give each instrument that is ``like`` a class what it does not state itself. Raises ``InputError``."""
    complaints = Complaints(document)
    instruments = document.data.get("instruments") if isinstance(document.data, dict) else None
    for key, entry in instruments.items() if isinstance(instruments, dict) else ():
        like = entry.get("like") if isinstance(entry, dict) else None
        if like is None:
            continue
        names = folder.names("instruments")
        if like not in names:
            near = nearest(str(like), names)
            hint = f"did you mean {near!r}?" if near else f"there are: {', '.join(names) or 'none'}"
            complaints.add(f"there is no class of instruments {like!r}; {hint}", "instruments", key, "like")
            continue
        try:
            typical = folder.instrument(like)
        except InputError as error:
            complaints.take(error.problems)
            continue
        own = entry.get("accuracy")
        if own is None or isinstance(own, dict):
            # A kind that is named and left empty states nothing.
            stated = {kind: value for kind, value in (own or {}).items() if value is not None}
            entry["accuracy"] = {**typical["accuracy"], **stated}
            entry["typical"] = [kind for kind in typical["accuracy"] if kind not in stated]
        entry.setdefault("channels", typical.get("channels"))
    complaints.stop()


def conditions_of(test: Test) -> dict[str, Measured]:
    """Return the conditions of a checked test in SI."""
    known = {condition.name: condition for condition in procedures()[test.procedure].conditions}
    return {name: _condition(known[name], value) for name, value in test.conditions.items()}


def _condition(condition: Condition, value: Any) -> Measured:
    """Read a condition: a value with its unit, or one of the condition's words. Raises ``ValueError``."""
    if condition.choices:
        if value not in condition.choices:
            raise ValueError(f"{value!r} is none of the words possible here: {', '.join(condition.choices)}")
        return Measured(float(condition.choices.index(value)), None, str(value))
    if not isinstance(value, str):
        conversion("", condition.kind)
    measured = parse(str(value), condition.kind)
    if condition.kind in ABOVE_ZERO and measured.value <= 0:
        raise ValueError(f"{measured.text!r} must be above 0 {SI_UNIT[condition.kind]}; correct it")
    return measured


def _check_layout(
    test: Test, index: int, folder: SettingsFolder, layouts: dict[str, Layout], complaints: Complaints
) -> None:
    if test.layout in layouts:
        return
    try:
        layouts[test.layout] = folder.layout(test.layout)
    except InputError as error:
        if folder.has("layouts", test.layout):
            complaints.take(error.problems)
        else:
            there = ", ".join(sorted({*BUILTIN, *folder.names("layouts")}))
            complaints.add(f"there is no layout {test.layout!r}; there are: {there}", "tests", index, "layout")


def _check_log(test: Test, index: int, entry: Path, complaints: Complaints) -> None:
    path = Path(test.log)
    if not test.log.isprintable() or set(test.log) & _NO_NAME or not path.parts:
        words = f"{test.log!r} is no name for a log; use '/' between folders and none of {_MARKS}"
        complaints.add(words, "tests", index, "log")
    elif any(len(part.encode()) > LONGEST_NAME for part in path.parts):
        words = f"the name of the log {test.log[:20]!r}... is longer than a disk takes; shorten it"
        complaints.add(words, "tests", index, "log")
    elif path.is_absolute() or ".." in path.parts or not lies_within(entry / path, entry):
        complaints.add(f"the log {test.log!r} lies outside the unit's folder; copy it in", "tests", index, "log")
    elif test.log != (plain := PurePosixPath(test.log.strip()).as_posix()):
        # Everything made from a log goes by its name, so that one log has one name.
        complaints.add(f"write the log {test.log!r} as {plain!r}", "tests", index, "log")


def _check_procedure(test: Test, index: int, kind: str, complaints: Complaints, *, draft: bool) -> None:
    procedure = procedures().get(test.procedure)
    if procedure is None:
        near = nearest(test.procedure, procedures())
        hint = f" (did you mean {near!r}?)" if near else ""
        words = f"there is no procedure {test.procedure!r}{hint}; there are: {', '.join(procedures())}"
        complaints.add(words, "tests", index, "procedure")
        return
    if kind not in procedure.unit_kinds:
        words = f"{test.procedure!r} is a test of a {' or '.join(procedure.unit_kinds)}, not of a {kind}"
        complaints.add(words, "tests", index, "procedure")
    known = {condition.name: condition for condition in procedure.conditions}
    usable = [*procedure.columns(), *known]
    for name in test.instruments:
        if name not in usable:
            words = f"{test.procedure!r} has no column or condition {name!r}; it uses: {', '.join(usable)}"
            complaints.add(words, "tests", index, "instruments", name)
    _check_conditions(test, index, known, complaints, draft=draft)


def _check_conditions(
    test: Test, index: int, known: Mapping[str, Condition], complaints: Complaints, *, draft: bool
) -> None:
    where = ("tests", index, "conditions")
    for name, value in test.conditions.items():
        if name not in known:
            words = f"{test.procedure!r} knows no condition {name!r}; it knows: {', '.join(known) or 'none'}"
            complaints.add(words, *where, name)
            continue
        try:
            _condition(known[name], value)
        except ValueError as error:
            complaints.add(str(error), *where, name)
    for condition in known.values():
        if condition.required and condition.name not in test.conditions and not draft:
            complaints.add(f"{test.procedure!r} needs the condition {condition.name!r}: {condition.meaning}", *where)

"""Load and check every settings file before any job starts; all problems at once, each with file and line."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from ..errors import InputError, Problem
from ..files import lies_within
from ..procedures import procedures
from ..procedures.base import Condition, Quantity
from ..quantities import quantities
from ..units import ABOVE_ZERO, SI_UNIT, Measured, conversion, parse
from .acceptance import AcceptanceSet, ProcessSpread, difference
from .documents import Document, near_names, read_document, written_key
from .fields import Strict
from .layout import BUILTIN, Layout
from .run import RunSettings
from .unit import InstrumentClass, Test, UnitFile

Model = TypeVar("Model", bound=Strict)


def validated(document: Document, model: type[Model]) -> Model:
    """Return the document as ``model``. Raises ``InputError`` with every problem, by line."""
    if not isinstance(document.data, dict):
        raise InputError(
            Problem("the file must hold 'key: value' lines; it is empty or something else", document.shown)
        )
    try:
        return model.model_validate(document.data)
    except ValidationError as error:
        raise InputError(
            [_problem(document, dict(entry), model) for entry in error.errors(include_url=False)]
        ) from None


#: A number without a unit.
_PLAIN = re.compile(r"[-+.0-9eE]+")
#: What the validator's own kinds of refusal ask for, in the words of someone who writes the file.
_EXPECTED = {
    "list_type": "a list, whose entries begin with '- '",
    "dict_type": "'key: value' lines",
    "model_type": "'key: value' lines",
    "string_type": "text; put it in quotes if it looks like a number",
    "int_type": "a whole number",
    "int_parsing": "a whole number",
    "int_from_float": "a whole number",
    "float_type": "a number",
    "float_parsing": "a number",
    "bool_type": "true or false",
    "bool_parsing": "true or false",
    "date_type": "a date such as 2026-05-02",
    "date_parsing": "a date such as 2026-05-02",
    "date_from_datetime_parsing": "a date such as 2026-05-02",
    "date_from_datetime_inexact": "a date without a time, such as 2026-05-02",
}


def _problem(document: Document, entry: Mapping[str, Any], model: type[Strict]) -> Problem:
    where = tuple(part for part in entry["loc"] if not (isinstance(part, str) and part.startswith("function-")))
    where += getattr(entry.get("ctx", {}).get("error"), "where", ())
    key = written_key(where) or None
    kind, context = entry["type"], entry.get("ctx", {})
    given = entry.get("input")
    shown = f" (found {_short(given)})" if isinstance(given, str | int | float) and kind != "missing" else ""
    if kind == "extra_forbidden":
        allowed = _allowed(model, where[:-1])
        near = difflib.get_close_matches(str(where[-1]), allowed, n=1)
        hint = f"; did you mean {near[0]!r}?" if near else ""
        message = f"the key {where[-1]!r} is not known{hint} Allowed here: {', '.join(allowed)}"
        message = message.replace("known Allowed", "known. Allowed")
    elif kind == "missing":
        message = f"the key {where[-1]!r} is missing"
    elif kind == "value_error":
        message = f"{context.get('error', entry['msg'])}"
    elif kind == "literal_error":
        message = f"must be one of {context.get('expected')}{shown}"
    elif kind == "string_pattern_mismatch":
        message = f"may hold letters, digits, '-', '_' and '.' only, and begins with a letter or digit{shown}"
    elif kind == "string_too_long":
        message = f"may have at most {context['max_length']} characters{shown}"
    elif kind in _EXPECTED:
        message = f"must be {_EXPECTED[kind]}{shown}"
    else:
        message = f"{entry['msg'][0].lower()}{entry['msg'][1:]}{shown}"
    return Problem(message, file=document.shown, line=document.line(where), column=key)


def _short(value: str | float) -> str:
    """Return a value as its writer wrote it, cut to what a line can hold."""
    text = repr(value)
    return text if len(text) <= 80 else f"{text[:60]}..., {len(text)} characters"


def _allowed(model: type[Strict], where: tuple[Any, ...]) -> list[str]:
    """Return the keys that the model allows at ``where``, as far as they can be told."""
    import typing

    current: Any = model
    for part in where:
        if isinstance(part, int):
            continue
        if not (isinstance(current, type) and issubclass(current, Strict)):
            return []
        info = current.model_fields.get(part)
        if info is None:
            continue  # the name of an entry in a mapping
        stack, found = [info.annotation], None
        while stack:
            item = stack.pop()
            if isinstance(item, type) and issubclass(item, Strict):
                found = item
                break
            stack.extend(typing.get_args(item))
        current = found
    return list(current.model_fields) if isinstance(current, type) and issubclass(current, Strict) else []


#: Marks that stand for other names somewhere: in patterns, shells and mark-up. A log's name holds none.
_MARKS = "\\ { } * ? < > | : \" ' ` $ ; &"
_NO_NAME = set(_MARKS.replace(" ", ""))

#: Names in the reports folder that are not units.
RESERVED = ("archive", "comparisons", "plans", "index.html", "results.csv", "results.parquet")


@dataclass(frozen=True)
class Unit:
    """A checked unit: its file, the folder, the acceptance set and the layouts its tests use."""

    file: UnitFile
    folder: Path
    shown: str
    acceptance: AcceptanceSet | None
    layouts: Mapping[str, Layout]
    document: Document


@dataclass
class Project:
    """Everything a run works on, and what is wrong with it."""

    settings: RunSettings
    units: dict[str, Unit] = field(default_factory=dict)
    refused: dict[str, list[Problem]] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)

    def parts(self, name: str) -> list[UnitFile]:
        """Return the files of the units that a unit is made of."""
        parts = self.units[name].file.parts
        return [self.units[part].file for part in parts.roles.values()] if parts else []


class SettingsFolder:
    """The ``config`` folder: acceptance sets and layouts, each read once when first asked for."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._cache: dict[tuple[str, str], Strict] = {}

    def names(self, kind: str) -> list[str]:
        """Return the names of the files of ``kind`` (``acceptance`` or ``layouts``)."""
        return sorted(path.stem for path in (self.folder / kind).glob("*.yaml"))

    def acceptance(self, name: str) -> AcceptanceSet:
        """Return an acceptance set, its quantities and limits checked. Raises ``InputError``."""
        return self._get("acceptance", name, AcceptanceSet, _check_criteria)

    def layout(self, name: str) -> Layout:
        """Return a layout. Raises ``InputError``."""
        builtin = BUILTIN.get(name)
        if builtin is not None and not (self.folder / "layouts" / f"{name}.yaml").exists():
            return builtin
        return self._get("layouts", name, Layout, None)

    def instrument(self, name: str) -> dict[str, Any]:
        """Return a class of instruments as written, once it is checked. Raises ``InputError``."""
        path = self.folder / "instruments" / f"{name}.yaml"
        self._get("instruments", name, InstrumentClass, None)
        return dict(read_document(path).data)

    def _get(self, kind: str, name: str, model: type[Model], check: Any) -> Model:
        if (kind, name) not in self._cache:
            path = self.folder / kind / f"{name}.yaml"
            document = read_document(path, f"config/{kind}/{name}.yaml")
            found = validated(document, model)
            if check:
                check(document, found)
            self._cache[kind, name] = found
        return self._cache[kind, name]  # type: ignore[return-value]


def _check_criteria(document: Document, found: AcceptanceSet) -> None:
    problems = []
    for index, criterion in enumerate(found.criteria):
        where = ("criteria", index, "quantity")
        known = quantities().get(criterion.quantity)
        if known is None:
            near = difflib.get_close_matches(criterion.quantity, quantities(), n=3)
            hint = f"; near it: {', '.join(near)}" if near else ""
            problems.append(
                Problem(
                    f"no procedure gives {criterion.quantity!r}{hint}", document.shown, document.line(where), "quantity"
                )
            )
            continue
        limits = {}
        for side in ("min", "max"):
            value = getattr(criterion, side)
            if value is None:
                continue
            try:
                limits[side] = _limit(str(value), known)
            except ValueError as error:
                problems.append(Problem(str(error), document.shown, document.line(("criteria", index, side)), side))
        if criterion.process is not None:
            problems.extend(_process_problems(document, index, criterion.process, known.kind))
        if len(limits) == 2 and limits["min"] > limits["max"]:
            problems.append(
                Problem(f"'min' lies above 'max' for {criterion.quantity}", document.shown, document.line(where), "min")
            )
    if problems:
        raise InputError(problems)


def _limit(text: str, quantity: Quantity) -> float:
    """Return a written limit in SI. Raises ``ValueError`` as ``parse`` does, and for a share without its unit."""
    limit = parse(text, quantity.kind)
    if quantity.unit == "percent" and _PLAIN.fullmatch(limit.text):
        raise ValueError(f"a unit is missing; write '{limit.text} percent' if that is meant")
    return limit.value


def _process_problems(document: Document, index: int, process: ProcessSpread, kind: str) -> list[Problem]:
    problems = []
    readers = {"mean": lambda text: parse(text, kind).value, "standard_deviation": lambda text: difference(text, kind)}
    for key, read in readers.items():
        where = ("criteria", index, "process", key)
        try:
            value = read(getattr(process, key))
        except ValueError as error:
            problems.append(Problem(str(error), document.shown, document.line(where), key))
            continue
        if key == "standard_deviation" and value <= 0:
            problems.append(Problem("the spread of a process is positive", document.shown, document.line(where), key))
    return problems


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
    if not raw.is_dir():
        project.problems.append(
            Problem(f"the folder {settings.raw_dir!r} does not exist; put one folder per unit there", severity="error")
        )
        return project
    for entry in sorted(path for path in raw.iterdir() if path.is_dir() and not path.name.startswith(".")):
        try:
            unit = load_unit(entry, folder, f"{entry.name}/unit.yaml")
        except InputError as error:
            project.refused[entry.name] = list(error.problems)
        else:
            project.units[entry.name] = unit
    _check_parts(project)
    return project


def _check_parts(project: Project) -> None:
    """Refuse every drive whose parts are not there, are of another kind or are refused themselves.

    A part is a motor or a controller and has no parts, so no unit can depend on itself.
    """
    for name, unit in list(project.units.items()):
        problems = []
        for role, part in unit.file.parts.roles.items() if unit.file.parts else ():
            why = _unfit(project, role, part)
            if why:
                line = unit.document.line(("parts", role))
                problems.append(Problem(f"the {role} {part!r} {why}", unit.shown, line, f"parts.{role}"))
        if problems:
            project.refused[name] = problems
            del project.units[name]


def _unfit(project: Project, role: str, part: str) -> str | None:
    """Return why a unit cannot be a part in this role."""
    if part in project.refused:
        return "cannot be reported on itself; mend first what is said about it"
    if part not in project.units:
        near = difflib.get_close_matches(part, project.units, n=1)
        hint = f"did you mean {near[0]!r}?" if near else "put its folder there"
        return f"is no folder under {project.settings.raw_dir!r}; {hint}"
    kind = project.units[part].file.kind
    return None if kind == role else f"is a {kind}; name a {role} here"


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
    problems = _fill_in_classes(document, folder)
    if problems:
        raise InputError(problems)
    return document, validated(document, UnitFile)


def load_unit(entry: Path, folder: SettingsFolder, shown: str) -> Unit:
    """Read and check one unit folder. Raises ``InputError`` with every problem found."""
    document, file = load_unit_file(entry, folder, shown)
    problems: list[Problem] = []
    if file.unit != entry.name:
        problems.append(
            Problem(
                f"the unit is {file.unit!r} but its folder is {entry.name!r}; they must be equal",
                shown,
                document.line(("unit",)),
                "unit",
            )
        )
    if file.unit.lower() in RESERVED:
        problems.append(
            Problem(f"no unit can be called {file.unit!r}: the reports keep something else under that name", shown)
        )
    acceptance = None
    if file.acceptance is not None:
        try:
            acceptance = folder.acceptance(file.acceptance)
        except InputError as error:
            if (folder.folder / "acceptance" / f"{file.acceptance}.yaml").exists():
                problems.extend(error.problems)
            else:
                problems.append(
                    Problem(
                        f"there is no acceptance set {file.acceptance!r}; there are: "
                        f"{', '.join(folder.names('acceptance')) or 'none'}",
                        shown,
                        document.line(("acceptance",)),
                        "acceptance",
                    )
                )
    layouts: dict[str, Layout] = {}
    for index in range(len(file.tests)):
        _check_test(file, index, entry, folder, layouts, document, problems)
    if problems:
        raise InputError(problems)
    return Unit(file, entry, shown, acceptance, layouts, document)


def _fill_in_classes(document: Document, folder: SettingsFolder) -> list[Problem]:
    """Give each instrument that is ``like`` a class what it does not state itself; return what is wrong with that."""
    problems: list[Problem] = []
    instruments = document.data.get("instruments") if isinstance(document.data, dict) else None
    for key, entry in instruments.items() if isinstance(instruments, dict) else ():
        like = entry.get("like") if isinstance(entry, dict) else None
        if like is None:
            continue
        names = folder.names("instruments")
        if like not in names:
            near = difflib.get_close_matches(str(like), names, n=1)
            hint = f"; did you mean {near[0]!r}?" if near else f"; there are: {', '.join(names) or 'none'}"
            where = ("instruments", key, "like")
            problems.append(
                Problem(
                    f"there is no class of instruments {like!r}{hint}", document.shown, document.line(where), "like"
                )
            )
            continue
        try:
            typical = folder.instrument(like)
        except InputError as error:
            problems.extend(problem for problem in error.problems if problem not in problems)
            continue
        own = entry.get("accuracy")
        if own is None or isinstance(own, dict):
            entry["accuracy"] = {**typical["accuracy"], **(own or {})}
        entry.setdefault("channels", typical.get("channels", "shared"))
    return problems


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


def _check_test(
    file: UnitFile,
    index: int,
    entry: Path,
    folder: SettingsFolder,
    layouts: dict[str, Layout],
    document: Document,
    problems: list[Problem],
) -> None:
    test = file.tests[index]

    def complain(message: str, *where: str) -> None:
        problems.append(
            Problem(message, document.shown, document.line(("tests", index, *where)), where[-1] if where else None)
        )

    procedure = procedures().get(test.procedure)
    if procedure is None:
        near = difflib.get_close_matches(test.procedure, procedures(), n=1)
        hint = f" (did you mean {near[0]!r}?)" if near else ""
        complain(f"there is no procedure {test.procedure!r}{hint}; there are: {', '.join(procedures())}", "procedure")
        return
    if file.kind not in procedure.unit_kinds:
        complain(
            f"{test.procedure!r} is a test of a {' or '.join(procedure.unit_kinds)}, not of a {file.kind}", "procedure"
        )
    outside = Path(test.log).is_absolute() or ".." in Path(test.log).parts
    if not test.log.isprintable() or set(test.log) & _NO_NAME or not Path(test.log).parts:
        complain(f"{test.log!r} is no name for a log; use '/' between folders and none of {_MARKS}", "log")
    elif outside or not lies_within(entry / test.log, entry):
        complain(f"the log {test.log!r} lies outside the unit's folder; copy it in", "log")
    if test.layout not in layouts:
        try:
            layouts[test.layout] = folder.layout(test.layout)
        except InputError as error:
            if (folder.folder / "layouts" / f"{test.layout}.yaml").exists():
                problems.extend(problem for problem in error.problems if problem not in problems)
            else:
                known_layouts = ", ".join(sorted({*BUILTIN, *folder.names("layouts")}))
                complain(
                    f"there is no layout {test.layout!r}; there are: {known_layouts}",
                    "layout",
                )
    known = {condition.name: condition for condition in procedure.conditions}
    for name in test.instruments:
        if name not in procedure.columns() and name not in known:
            complain(
                f"{test.procedure!r} has no column or condition {name!r}; it uses: "
                f"{', '.join([*procedure.columns(), *known])}",
                "instruments",
                name,
            )
    for name, value in test.conditions.items():
        condition = known.get(name)
        if condition is None:
            complain(
                f"{test.procedure!r} knows no condition {name!r}; it knows: {', '.join(known) or 'none'}",
                "conditions",
                name,
            )
            continue
        try:
            _condition(condition, value)
        except ValueError as error:
            complain(str(error), "conditions", name)
    for condition in procedure.conditions:
        if condition.required and condition.name not in test.conditions:
            complain(f"{test.procedure!r} needs the condition {condition.name!r}: {condition.meaning}", "conditions")

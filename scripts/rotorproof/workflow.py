"""What the Snakefile asks: the checked project, cut into the slices each rule depends on."""

from __future__ import annotations

import gc
import json
import re
import sys
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from .contents import Contents
from .errors import InputError, Problem
from .evidence.history import archived_names
from .evidence.revisions import all_signed
from .evidence.software import code_hash, software
from .files import is_readable, is_regular, lies_within, sha256, sha256_of
from .fingerprint import fingerprint
from .logs import photograph
from .logs.intake import NAME as INTAKE
from .procedures import procedures
from .procedures.base import Procedure
from .settings.load import Project, Unit, load_project, load_settings
from .settings.run import RunSettings
from .settings.unit import LARGEST_RESULTS

_FIT_UNIT_KEYS = (
    *("unit", "kind", "tested_on", "nameplate", "ambient", "instruments"),
    *("parts", "drive", "for", "stand_in", "tests", "earlier", "population"),
)
_FIT_SETTINGS = ("config_version", "winding_constant", "pack", "vehicle", "packs", "vehicles", "coverage_probability")
#: What is made for a unit: the steps on the way, under ``.work``, and what a reader sees.
STEPS = ("readings.npz", "fit.json", "panels.npz", "stages.json")
FIGURES = "figures"
RESULTS = ("results.json", FIGURES, "report.pdf", "evidence.json")


@dataclass(frozen=True)
class RunPlan:
    """A project as the workflow sees it. Functions of ``wildcards`` return one unit's slice."""

    root: Path
    settings: RunSettings
    project: Project
    raw_settings: Mapping[str, Any]

    @classmethod
    def load(cls, root: Path, overrides: Mapping[str, Any]) -> RunPlan:
        """Check everything. Raises ``InputError`` with every problem of settings that cannot be used."""
        from .settings.documents import read_document

        # What is loaded here stays until the end. To look for garbage among ever more of it would take a quarter of
        # the time with a thousand units, and more for each unit the more there are.
        collected = gc.isenabled()
        gc.disable()
        try:
            path = root / "config" / "config.yaml"
            settings = load_settings(path, overrides)
            raw = {**(read_document(path).data or {}), **overrides}
            project = load_project(settings, root / "config", root)
            if project.problems:
                raise InputError(project.problems)
        finally:
            gc.freeze()
            if collected:
                gc.enable()
        return cls(root, settings, project, _json(raw))

    @property
    def reports(self) -> str:
        """Return the folder of the reports as the rules name it."""
        return self.settings.reports_dir

    @property
    def units(self) -> list[str]:
        """Return the names of the units that can be reported on."""
        return list(self.project.units)

    def made(self, unit: str) -> list[str]:
        """Return every file and folder that is made for a unit."""
        steps = [f"{self.reports}/.work/{unit}/{name}" for name in STEPS]
        return steps + [f"{self.reports}/{unit}/{name}" for name in RESULTS]

    @property
    def unit_pattern(self) -> str:
        """Return the wildcard constraint: exactly the known units."""
        return "|".join(re.escape(name) for name in self.units) or "(?!)"

    def _unit(self, wildcards: Any) -> Unit:
        return self.project.units[wildcards.unit]

    def folder(self, wildcards: Any) -> str:
        """Return the raw folder of a unit."""
        return str(self._unit(wildcards).folder)

    def logs(self, wildcards: Any) -> list[str]:
        """Return the logs of a unit that exist; an absent one is reported by the rule that reads."""
        unit = self._unit(wildcards)
        paths = dict.fromkeys(unit.folder / test.log for test in unit.file.tests)
        return [str(path) for path in paths if is_regular(path)]

    def stamps(self, wildcards: Any) -> dict[str, str]:
        """Return the SHA-256 of each log of a unit, of the list of those taken in and of its photograph.

        By the place in the folder.

        A log is read again when its content has changed, or lies under another name. Its times say nothing about that:
        one that is copied over from elsewhere may be as old, or older.
        """
        folder = self._unit(wildcards).folder
        listed = folder / INTAKE
        picture = photograph.in_folder(folder)
        paths = [*map(Path, self.logs(wildcards)), *([listed] if is_readable(listed) else []), *filter(None, [picture])]
        return {path.relative_to(folder).as_posix(): self._contents.sha256(path) for path in paths}

    def earlier(self, wildcards: Any) -> dict[str, str]:
        """Return the SHA-256 of each file of earlier results that a unit names, as far as there is one to read."""
        found = _earlier_files(self._unit(wildcards))
        return {name: self._contents.sha256(path) for name, path in found.items()}

    @cached_property
    def _contents(self) -> Contents:
        return Contents(self.root / self.reports / ".work" / "contents.json")

    def untouched(self) -> bool:
        """Tell whether no log has been written or replaced since its hash was taken."""
        return self._contents.untouched()

    def note_contents(self) -> None:
        """Keep the hashes of the logs for the next run."""
        self._contents.note()

    def tests(self, wildcards: Any) -> list[dict[str, Any]]:
        """Return what reading depends on of each test."""
        found = []
        for test in self.unit(wildcards).get("tests") or []:
            keys = ["procedure", "log", "layout", "window"]
            if _reduces(test["procedure"]):
                keys.append("conditions")  # a capture is reduced while it is read, under its conditions
            found.append({key: test[key] for key in keys if key in test})
        return found

    def layouts(self, wildcards: Any) -> dict[str, Any]:
        """Return the layouts that a unit's logs use."""
        return {name: layout.model_dump() for name, layout in self._unit(wildcards).layouts.items()}

    def unit(self, wildcards: Any) -> dict[str, Any]:
        """Return the whole unit file as plain data."""
        return _json(self._unit(wildcards).document.data)

    def measured_part(self, wildcards: Any) -> dict[str, Any]:
        """Return the part of the unit file that fitting, and a look at the readings, depend on."""
        data = self.unit(wildcards)
        return {key: data[key] for key in _FIT_UNIT_KEYS if key in data}

    @property
    def fit_settings(self) -> dict[str, Any]:
        """Return the run settings that fitting depends on."""
        return {key: self.raw_settings[key] for key in _FIT_SETTINGS if key in self.raw_settings}

    def of_parts(self, pattern: str) -> Callable[[Any], list[str]]:
        """Return a function of a unit's wildcards: the file ``pattern`` names for each part it is made of."""

        def files(wildcards: Any) -> list[str]:
            parts = self._unit(wildcards).file.parts
            return [pattern.format(unit=part) for part in parts.roles.values()] if parts else []

        return files

    def acceptance(self, wildcards: Any) -> dict[str, Any] | None:
        """Return the acceptance set of a unit as plain data."""
        found = self._unit(wildcards).acceptance
        return None if found is None else found.model_dump(exclude_none=True, by_alias=True)

    def fault_tests(self, wildcards: Any) -> dict[str, Any] | None:
        """Return the limits by which fault cases are judged, as far as the acceptance set states any."""
        found = self._unit(wildcards).acceptance
        limits = None if found is None else found.fault_tests
        return None if limits is None else limits.model_dump(mode="json", exclude_none=True)

    def population(self, wildcards: Any) -> dict[str, Any] | None:
        """Return how other units of a unit's model came out, as plain data, where its file names them."""
        found = self._unit(wildcards).population
        return None if found is None else found.model_dump(mode="json", exclude_none=True)

    def configuration(self, wildcards: Any) -> dict[str, Any]:
        """Return the whole configuration behind a unit's report."""
        # Folders are where a run happens to lie, comparisons what is made of reports: no part of what was measured.
        settings = {
            key: value for key, value in self.raw_settings.items() if key != "comparisons" and not key.endswith("_dir")
        }
        found = {
            "settings": settings,
            "unit": self.unit(wildcards),
            "acceptance": self.acceptance(wildcards),
            "population": self.population(wildcards),
            "layouts": self.layouts(wildcards),
        }
        # A drive's pages say what its parts are.
        _, *parts = self._with_parts(wildcards)
        return {**found, "parts": {part.file.unit: _json(part.document.data) for part in parts}} if parts else found

    def hashes(self, wildcards: Any) -> dict[str, str]:
        """Return the SHA-256 of the settings files behind a unit's report."""
        return {name: sha256(path) for name, path in self.settings_files(wildcards).items()}

    def settings_files(self, wildcards: Any) -> dict[str, Path]:
        """Return the settings files behind a unit's report, and its parts', by the names that its evidence uses."""
        files: dict[str, Path] = {}
        for unit in self._with_parts(wildcards):
            files |= {unit.shown: unit.folder / "unit.yaml"}
            if is_readable(unit.folder / INTAKE):
                files[f"{unit.file.unit}/{INTAKE}"] = unit.folder / INTAKE
            if picture := photograph.in_folder(unit.folder):
                files[f"{unit.file.unit}/{picture.name}"] = picture
            files |= {f"{unit.file.unit}/{name}": path for name, path in _earlier_files(unit).items()}
            names = [f"acceptance/{unit.file.acceptance}"] if unit.file.acceptance else []
            criteria = unit.acceptance.criteria if unit.acceptance else []
            populations = {one.process.population for one in criteria if one.process and one.process.population}
            populations |= {unit.file.population} if unit.file.population else set()
            names += [f"processes/{name}" for name in sorted(populations)]
            names += [
                f"instruments/{like}" for like in sorted({i.like for i in unit.file.instruments.values() if i.like})
            ]
            # A layout that is built in has no file.
            names += [
                f"layouts/{name}" for name in unit.layouts if (self.root / f"config/layouts/{name}.yaml").is_file()
            ]
            files |= {name: self.root / name for name in ("config/config.yaml", *(f"config/{n}.yaml" for n in names))}
        return files

    def photographs_left_out(self, units: Iterable[str]) -> list[Problem]:
        """Return which photographs of ``units`` are not kept with their reports, of which no result may speak."""
        folders = {name: self.project.units[name].folder for name in units}
        return [problem for name, folder in folders.items() for problem in photograph.left_out(folder, name)]

    def _with_parts(self, wildcards: Any) -> list[Unit]:
        """Return a unit, then the units that it is made of."""
        unit = self._unit(wildcards)
        return [unit, *(self.project.units[part.unit] for part in self.project.parts(unit.file.unit))]

    def inputs(self, wildcards: Any) -> dict[str, str]:
        """Return the path of every settings file and log behind a unit's report by the name its evidence uses.

        Those of the parts of a drive are behind its report like its own.
        """
        found: dict[str, Path] = {}
        for unit in self._with_parts(wildcards):
            logs = {f"{unit.file.unit}/{test.log}": unit.folder / test.log for test in unit.file.tests}
            found |= {name: path for name, path in logs.items() if is_regular(path)}
        return {name: str(path) for name, path in {**found, **self.settings_files(wildcards)}.items()}

    @property
    def all_units(self) -> list[dict[str, Any]]:
        """Return all unit files as plain data."""
        return [_json(unit.document.data) for unit in self.project.units.values()]

    @property
    def refused(self) -> dict[str, list[dict[str, Any]]]:
        """Return the units that cannot be reported on, with their problems."""
        return {name: [p.as_json() for p in problems] for name, problems in self.project.refused.items()}

    @property
    def signed(self) -> dict[str, list[dict[str, Any]]]:
        """Return the signed reports of every unit that has any, but not whether they are of the present results.

        A run that is planned here may change the results: the register looks when it is written.
        """
        found = all_signed(self.root / self.reports, (*self.units, *self.project.refused))
        return {name: [{k: row[k] for k in row if k != "current"} for row in rows] for name, rows in found.items()}

    @property
    def archived(self) -> list[str]:
        """Return the newest signed report of each unit that is no longer among those of the run."""
        return archived_names(self.root / self.reports, self.project.units)

    @property
    def comparisons(self) -> dict[str, list[str]]:
        """Return the units of each comparison that can be made."""
        named = {comparison.name: comparison.units for comparison in self.settings.comparisons}
        return {name: units for name, units in named.items() if set(units) <= set(self.units)}

    @property
    def comparison_problems(self) -> list[Problem]:
        """Return why the other comparisons cannot be made."""
        problems = []
        for place, comparison in enumerate(self.settings.comparisons):
            lacking = [unit for unit in comparison.units if unit not in self.units]
            if lacking:
                refused = [unit for unit in lacking if unit in self.project.refused]
                absent = f"is not under {self.settings.raw_dir}/, or cannot be reported on"
                why = "cannot be reported on" if refused == lacking else absent
                problems.append(
                    Problem(
                        f"the comparison {comparison.name!r} cannot be made: {', '.join(lacking)} {why}; mend the "
                        "unit, or take it out of the comparison",
                        file="config/config.yaml",
                        column=f"comparisons, entry {place + 1}, units",
                        severity="warning",
                    )
                )
        return problems

    @property
    def comparison_pattern(self) -> str:
        """Return the wildcard constraint: exactly the comparisons that can be made."""
        return "|".join(re.escape(name) for name in self.comparisons) or "(?!)"

    @property
    def comparison_reports(self) -> list[str]:
        """Return the reports of all comparisons."""
        return [f"{self.reports}/comparisons/{name}/comparison.pdf" for name in self.comparisons]

    def compared(self, pattern: str) -> Callable[[Any], list[str]]:
        """Return a function of a comparison's wildcards: the file ``pattern`` names for each of its units."""
        return lambda wildcards: [pattern.format(unit=unit) for unit in self.comparisons[wildcards.comparison]]

    def compared_units(self, wildcards: Any) -> list[dict[str, Any]]:
        """Return the unit files of a comparison as plain data, those of a drive's parts under ``made_of``."""
        units = [self.project.units[unit] for unit in self.comparisons[wildcards.comparison]]
        return [
            {
                **_json(unit.document.data),
                "made_of": [_json(self.project.units[one.unit].document.data) for one in parts],
            }
            for unit in units
            for parts in [self.project.parts(unit.file.unit)]
        ]

    @property
    def refusal(self) -> str:
        """Return the file that is never written while a unit is refused."""
        return f"{self.reports}/.work/all-units-reported"

    @property
    def refusals(self) -> list[str]:
        """Return the target that fails the run if any unit is refused."""
        return [self.refusal] if self.project.refused else []

    def refusal_message(self, wildcards: Any) -> str:
        """Return what is wrong with the refused units, one problem a line.

        A function for the engine, which takes braces in any other text for names to be filled in.
        """
        del wildcards
        return "\n".join(str(problem) for problems in self.project.refused.values() for problem in problems)

    def code(self, rule: str) -> str:
        """Return the fingerprint of the code, the templates and the libraries' versions that a rule depends on."""
        return self._codes[rule]

    @cached_property
    def _codes(self) -> dict[str, str]:
        scripts = self.root / "scripts"
        templates = sorted(path for path in (self.root / "templates").rglob("*") if path.is_file())
        fonts = [path for path in templates if "fonts" in path.parts]
        extra = {"fit": fonts, "decide": templates, "register": templates, "compare": templates}
        rules = ("read", "fit", "decide", "register", "compare")
        # Evidence names the libraries and the hash of all code, so a report must not outlive either.
        versions = sha256_of(json.dumps(software()).encode())[:8]
        hashes: dict[Path, bytes] = {}
        codes = {}
        for rule in rules:
            code = fingerprint(scripts / f"{rule}.py", extra.get(rule, ()), hashes=hashes)
            codes[rule] = f"{code}-{versions}"
        codes["decide"] += f"-{code_hash()[:16]}"
        # Reading asks a procedure for its columns, not for its formulas: see ``read_facts``.
        codes["read"] = f"{fingerprint(scripts / 'read.py', formulas=False, hashes=hashes)}-{versions}"
        return codes

    def read_facts(self, wildcards: Any) -> list[list[Any]]:
        """Return what reading asks of each procedure of a unit: its columns, and its code where it reduces."""
        facts = []
        for name in dict.fromkeys(test.procedure for test in self._unit(wildcards).file.tests):
            procedure = procedures()[name]
            code = ""
            if _reduces(name):
                code = fingerprint(Path(str(sys.modules[type(procedure).__module__].__file__)), formulas=False)
            facts.append(
                [
                    name,
                    list(procedure.columns()),
                    [item if isinstance(item, str) else list(item) for item in procedure.required_columns],
                    procedure.minimum_rows,
                    procedure.time_ordered,
                    code,
                ]
            )
        return facts


def _earlier_files(unit: Unit) -> dict[str, Path]:
    """Return the files of earlier results that a unit names; of one that cannot be used the rule that fits speaks."""
    paths = {one.results: unit.folder / one.results for one in unit.file.earlier}
    return {
        name: path
        for name, path in paths.items()
        if lies_within(path, unit.folder) and is_readable(path) and path.stat().st_size <= LARGEST_RESULTS
    }


def _reduces(procedure: str) -> bool:
    """Tell whether a procedure's logs are reduced while they are read."""
    return type(procedures()[procedure]).reducer is not Procedure.reducer


def _json(data: Any) -> Any:
    """Return plain data with dates as text, as JSON would hold it."""
    return json.loads(json.dumps(data, default=str))

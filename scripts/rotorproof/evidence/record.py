"""The evidence behind a report: every input's hash, every software version, the whole configuration."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from ..errors import InputError, Problem
from ..files import sha256, sha256_of
from ..jsonio import strictly, to_json
from ..logs import photograph
from ..logs.intake import NAME as INTAKE
from .attachments import Attachment, within_limit
from .software import code_hash, software

#: As the settings allow it; what lies in an archive may have been made by any hand.
UnitName = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]*$", max_length=80)]


#: What one of several is called in a sentence.
_ONE = {"layouts": "layout", "parts": "part"}


class PartBehind(BaseModel):
    """The report of a part behind that of a drive."""

    report_id: str
    results_sha256: str


class Evidence(BaseModel):
    """The content of ``evidence.json``: what must be there for anything to be checked against it; more may be."""

    model_config = ConfigDict(extra="allow", populate_by_name=True, frozen=True)

    schema_: Literal[1] = Field(alias="schema")
    unit: UnitName
    parts: dict[UnitName, PartBehind] = {}
    inputs: dict[str, str]
    not_attached: list[str]
    outputs: dict[str, str]
    software: dict[str, str]
    code_sha256: str
    #: ``settings``, ``unit``, ``acceptance`` and ``layouts``, as they were in force; of a drive also the unit files of
    #: its ``parts``, by their names.
    configuration: dict[str, Any]
    #: The number that the report bears; it is made from all the others.
    report_id: str = ""

    @property
    def settings(self) -> dict[str, Any]:
        """Return the settings of the run."""
        found: dict[str, Any] = self.configuration["settings"]
        return found

    @property
    def acceptance(self) -> dict[str, Any]:
        """Return the acceptance set, empty where the unit names none."""
        return self.configuration.get("acceptance") or {}

    def as_json(self) -> dict[str, Any]:
        """Return plain data for the file."""
        return self.model_dump(mode="json", by_alias=True, exclude_unset=True)


def read_evidence(raw: bytes) -> Evidence:
    """Return the content of ``evidence.json``. Raises ``ValueError`` where it is not that of this program."""
    found = Evidence.model_validate(strictly(raw))
    if not isinstance(found.configuration.get("settings"), dict):
        raise ValueError("the evidence holds no settings")
    return found


def evidence_record(
    *,
    unit: str,
    log_hashes: Mapping[str, str],
    settings_hashes: Mapping[str, str],
    configuration: Mapping[str, Any],
    inputs: Mapping[str, Path],
    made: Mapping[str, Path],
    parts: Sequence[Path] = (),
) -> Evidence:
    """Return the content of ``evidence.json``, without the report's number.

    ``log_hashes`` holds the SHA-256 of each log as it was read, by its path in the unit's folder;
    ``settings_hashes`` those of the settings files, by the name they are shown under; ``inputs`` the paths
    of both; ``made`` the files the workflow made on the way to the report, or folders of such files, by name;
    ``parts`` the ``evidence.json`` of the units that a drive is made of, whose reports stand behind this one.
    """
    outputs: dict[str, str] = {}
    for name, path in made.items():
        if path.is_dir():
            outputs |= {f"{name}/{p.name}": sha256(p) for p in plain_files(path)}
        else:
            outputs[name] = sha256(path)
    sizes = {name: path.stat().st_size for name, path in inputs.items() if name not in settings_hashes}
    behind: dict[str, PartBehind] = {}
    logs = {f"{unit}/{log}": value for log, value in sorted(log_hashes.items())}
    for path in parts:
        of_part = read_evidence(path.read_bytes())
        # As the part's own report has them: that is what the drive's fit came from.
        logs |= {name: value for name, value in of_part.inputs.items() if name not in settings_hashes}
        results = of_part.outputs["results.json"]
        behind[of_part.unit] = PartBehind(report_id=of_part.report_id, results_sha256=results)
    found = Evidence(
        schema_=1,
        unit=unit,
        inputs={**logs, **settings_hashes},
        not_attached=sorted(set(sizes) - set(within_limit(sizes))),
        outputs=outputs,
        software=software(),
        code_sha256=code_hash(),
        configuration=dict(configuration),
    )
    return found.model_copy(update={"parts": behind}) if behind else found


def contradictions(proof: Evidence, configuration: Mapping[str, Any], inputs: Iterable[str]) -> list[str]:
    """Return in what the evidence differs from its own input files, in words; nothing where it states what they do.

    ``configuration`` and the names of ``inputs`` are those that the files give. Settings of the run are not asked:
    those of the evidence are in force, with what a command line had changed of the file.
    """
    found = json.loads(to_json(proof.model_copy(update={"configuration": dict(configuration)}).as_json()))
    said = []
    for part in sorted({*proof.configuration, *found["configuration"]} - {"settings"}):
        stated, filed = proof.configuration.get(part), found["configuration"].get(part)
        if stated != filed:
            places = ""
            if isinstance(stated, Mapping) and isinstance(filed, Mapping):
                keys = {*stated, *filed}
                places = f": {', '.join(sorted(key for key in keys if stated.get(key) != filed.get(key)))}"
            said.append(f"the evidence states another {_ONE.get(part, part)} than the archived files{places}")
    if names := sorted({*proof.inputs} ^ {*inputs}):
        said.append(f"the evidence names other inputs than the archived files ask for: {', '.join(names)}")
    return said


def stage_hashes(stages: Mapping[str, Path]) -> dict[str, str]:
    """Return the SHA-256 of what was computed on the way to a report, by name.

    These files hold numbers to the last digit, which is the processor's: what is published does not name them.
    """
    return {name: sha256(path) for name, path in stages.items()}


def plain_files(folder: Path) -> list[Path]:
    """Return the files of a folder by name, without the hidden ones that programs leave for themselves."""
    return sorted(path for path in folder.iterdir() if path.is_file() and not path.name.startswith("."))


def evidence_attachments(
    results: bytes, evidence: bytes, record: Evidence, inputs: Mapping[str, Path]
) -> list[Attachment]:
    """Return what a report carries inside: results, evidence, the settings files and the raw logs.

    ``record`` is the content of ``evidence``, ``inputs`` the paths by the names it uses. Logs that it names as
    not attached are left out. Raises ``InputError`` for a file that has changed since it was read.
    """
    found = [
        Attachment("results.json", results, "The results as data", "Data"),
        Attachment("evidence.json", evidence, "Hashes of all inputs, software versions, configuration", "Supplement"),
    ]
    problems = []
    taken = {attachment.name for attachment in found}
    for name in sorted(inputs):
        if name in record.not_attached:
            continue
        try:
            content = inputs[name].read_bytes()
        except OSError as error:
            # A log that could not be read is in no result; that it is missing is said on page 1.
            if name in record.inputs:
                problems.append(Problem(f"the file cannot be read any more: {error.strerror}", name))
            continue
        if sha256_of(content) != record.inputs.get(name):
            problems.append(Problem("the file changed while the report was being made; run the report again", name))
        found.append(Attachment(_flat(name, taken), content, f"{_what(name)}: {name}", "Source"))
    if problems:
        raise InputError(problems)
    return found


def _what(name: str) -> str:
    """Return what an input is, by the name that the evidence has for it."""
    if name.endswith("/unit.yaml") or name.startswith("config/"):
        return "Settings as used"
    if name.endswith(".json"):
        return "Results of an earlier test"
    if name.rpartition("/")[2] in photograph.NAMES:
        return "Photograph of the unit"
    return "Logs as they were taken in" if name.endswith(f"/{INTAKE}") else "Raw log as read"


def _flat(name: str, taken: set[str]) -> str:
    """Return a name without folders, which readers of PDF refuse or drop, and add it to those taken."""
    base = name.replace("/", "_").replace("\\", "_")
    flat = base
    number = 1
    while flat in taken:
        number += 1
        stem, dot, ending = base.rpartition(".")
        flat = f"{stem}-{number}.{ending}" if dot else f"{base}-{number}"
    taken.add(flat)
    return flat

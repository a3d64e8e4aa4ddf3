"""Render one unit's report as PDF, and the evidence beside it."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from markupsafe import Markup

from ..decision.models import Results
from ..errors import InputError
from ..evidence.attachments import attach
from ..evidence.record import Evidence, evidence_attachments, evidence_record, stage_hashes
from ..fitting.store import load_fit
from ..fitting.stored import StoredFit
from ..jsonio import to_json, write_bytes, write_json
from ..logs import photograph
from ..logs.store import Readings, load_readings
from ..procedures import procedures
from ..procedures.base import Hint
from ..quantities import quantities
from ..settings.application import applications
from ..settings.run import RunSettings
from ..settings.unit import UnitFile
from ..units import Measured
from . import numbers, words
from .environment import environment
from .identity import report_id
from .not_computed import not_computed
from .problem_view import problem_views
from .quantity_view import (
    application_views,
    criterion_view,
    definition,
    marked_origins,
    origin_notes,
    quantity_view,
    rule_notes,
    taken_views,
    value_html,
    written,
)
from .section_view import all_instruments
from .section_view import sections as sections_of
from .style import TEMPLATES
from .summary_view import summary

#: Entry of the nameplate -> the quantity that stands beside it; its title says what it is.
_BESIDE = {
    "rated_speed": "pack_no_load_speed",
    "rated_current": "continuous_current",
    "rated_torque": "rated_torque",
    "pole_pairs": "pole_pairs",
}


def render_report(
    *,
    unit: Mapping[str, Any],
    configuration: Mapping[str, Any],
    hashes: Mapping[str, str],
    inputs: Mapping[str, str],
    results_path: Path,
    readings_path: Path,
    fit_path: Path,
    figures: Path,
    report_path: Path,
    evidence_path: Path,
    stages_path: Path,
    parts: Sequence[Path] = (),
) -> None:
    """Write the PDF and ``evidence.json`` of one unit, and which fit and readings they rest on (``stages_path``).

    ``hashes`` are those of the settings files; the logs' come with the readings. ``inputs`` are the paths of
    both, to be attached; ``parts`` the evidence of the units that a drive is made of. Raises ``InputError`` for
    an input that has changed since it was read.
    """
    files = {name: Path(path) for name, path in inputs.items()}
    readings = load_readings(readings_path)
    proof = evidence_record(
        unit=unit["unit"],
        log_hashes=readings.sha256,
        settings_hashes=hashes,
        configuration=configuration,
        inputs=files,
        made={"results.json": results_path, "figures": figures},
        parts=parts,
    )
    content, identifier = report_pdf(
        unit=unit,
        results=Results.read(results_path),
        readings=readings,
        fit=load_fit(fit_path),
        figures=figures,
        proof=proof,
        inputs=files,
    )
    proof = proof.model_copy(update={"report_id": identifier})
    evidence = to_json(proof.as_json()).encode()
    attachments = evidence_attachments(results_path.read_bytes(), evidence, proof, files)
    write_bytes(report_path, attach(content, attachments))
    write_bytes(evidence_path, evidence)
    write_json(stages_path, stage_hashes({"fit.json": fit_path, "readings.npz": readings_path}))


def report_pdf(
    *,
    unit: Mapping[str, Any],
    results: Results,
    readings: Readings,
    fit: StoredFit,
    figures: Path,
    proof: Evidence,
    inputs: Mapping[str, Path],
    sign_off: Mapping[str, Any] | None = None,
) -> tuple[bytes, str]:
    """Return the report as PDF, not packed yet, and its identifier. A ``sign_off`` stands on page 1.

    So does the photograph of the unit, if it is among the ``inputs`` and can be shown: why not is among the problems.
    """
    from . import pdf

    model = UnitFile.model_validate(unit)
    identifier = number_of(results, proof, sign_off)
    name = photograph.of_unit(inputs, model.unit)
    picture = None
    with contextlib.suppress(InputError):
        picture = photograph.small(inputs[name], name) if name else None
    html = report_html(
        model, results, fit, readings, proof, identifier, sign_off=sign_off, photo=name if picture else None
    )
    css = (TEMPLATES / "report.css").read_text(encoding="utf-8")
    images = {path.name: path.read_bytes() for path in sorted(figures.glob("*.svg"))}
    if picture:
        images["photograph.jpg"] = picture.content
    return pdf.write(html, css, images=images, identifier=identifier, packed=False), identifier


def number_of(results: Results, proof: Evidence, sign_off: Mapping[str, Any] | None = None) -> str:
    """Return the number that a report bears, from what it is made from."""
    made_from = {key: proof.as_json().get(key) for key in ("inputs", "configuration", "code_sha256", "parts")}
    return report_id(to_json(content).encode() for content in (made_from, results.as_json(), sign_off))


def report_html(
    unit: UnitFile,
    results: Results,
    fit: StoredFit,
    readings: Readings,
    proof: Evidence,
    identifier: str,
    *,
    sign_off: Mapping[str, Any] | None = None,
    photo: str | None = None,
) -> str:
    """Return the report as HTML; ``photo`` is the name of the unit's photograph among the inputs."""
    acceptance = proof.acceptance
    sections = sections_of(unit, fit, readings, results)
    lacking = [criterion for criterion in results.criteria if criterion.decision == "not measured"]
    criteria = [criterion_view(criterion, results) for criterion in results.criteria]
    criteria = marked_origins(sorted(criteria, key=lambda view: words.DECISIVE.index(view.decision)))
    html: str = (
        environment()
        .get_template("report.html.j2")
        .render(
            unit=unit,
            nameplate=_nameplate(unit, results),
            facts=_facts(unit, proof, identifier, sign_off),
            parts=_parts(results, proof),
            photo=photo,
            workshop=proof.settings.get("workshop") or "",
            report_id=identifier,
            probability=numbers.plain(100 * _probability(proof)),
            results=results,
            verdict_reason=words.verdict_reason(results),
            verdict_doubt=words.verdict_doubt(results),
            verdict_meaning=words.verdict_meaning(results),
            limits_about=acceptance.get("description") or "",
            limits_source=(acceptance.get("source") or "").rstrip("."),
            summary=summary(
                results,
                {c.quantity: _givers(c.quantity, unit) for c in results.criteria},
                _hints(fit),
                {c.quantity: _made_in_vain(c.quantity, unit, fit, results) for c in results.criteria},
                {c.name: found for c in lacking if (found := not_computed(c, unit, fit)) is not None},
            ),
            criteria=criteria,
            origins=origin_notes(criteria),
            wires=words.wires_note(results),
            rules=rule_notes(criteria),
            problems=problem_views(results.problems),
            counts={kind: sum(p.severity == kind for p in results.problems) for kind in words.SEVERITY},
            quantities=[
                quantity_view(name, results.quantities[name]) for name in _named(results) if name in results.quantities
            ],
            taken=taken_views(results),
            applications=application_views(results),
            sections=sections,
            instruments=all_instruments(sections),
            without_result=_without_result(unit, fit),
            not_made=_not_made(unit, fit, results),
            definitions=[definition(quantities()[name]) for name in _named(results)],
            evidence=proof,
            sign_off=sign_off,
        )
    )
    return html


def _facts(
    unit: UnitFile, proof: Evidence, identifier: str, sign_off: Mapping[str, Any] | None
) -> list[tuple[str, str]]:
    """Return what page 1 says of the unit, the test and the report: name and text, in pairs of two."""
    settings = proof.settings
    workshop = ", ".join(filter(None, [settings.get("workshop"), settings.get("workshop_address")]))
    stated = (
        ("Kind", unit.kind),
        ("Tested on", unit.tested_on),
        ("Model", unit.model),
        ("Issued on", sign_off["signed_at"][:10] if sign_off else "with its signature"),
        ("Serial number", unit.serial),
        ("Operator", unit.operator),
        ("Acceptance set", unit.acceptance or "none named"),
        ("Workshop", workshop),
        ("Report", identifier),
        ("Ambient", _ambient(unit)),
        *_meant(unit, settings),
    )
    where = (("Customer", unit.customer), ("Received on", unit.received_on), ("Place of the test", unit.place))
    # What a drive without tests of its own does not say, the lines of its parts do.
    of_their_own = ("Model", "Serial number", "Ambient") if unit.parts and not unit.tests else ()
    return [
        *((name, str(value or "not stated")) for name, value in stated if value or name not in of_their_own),
        *((name, str(value)) for name, value in where if value is not None),
    ]


def _parts(results: Results, proof: Evidence) -> list[dict[str, str]]:
    """Return what page 1 says of each part of a drive; its file is in the evidence, and attached."""
    found = []
    for one in results.parts or ():
        file = UnitFile.model_validate(proof.configuration["parts"][one.unit])
        found.append(
            {
                "role": one.role,
                "unit": one.unit,
                "model": file.model or "not stated",
                "serial": file.serial or "not stated",
                "tested_on": str(file.tested_on or "not stated"),
                "ambient": _ambient(file) or "not stated",
                "verdict": one.verdict,
                "report_id": proof.parts[one.unit].report_id,
            }
        )
    return found


def _meant(unit: UnitFile, settings: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return the packs and vehicles that predictions are for: a reader asks what a unit may be put on."""
    if unit.kind == "controller" or not ({"pack", "packs", "vehicle", "vehicles"} & set(settings)):
        return []
    meant = applications(unit.meant, RunSettings.model_validate(settings))
    packs = {one.pack_name: one.pack for one in meant if one.pack}
    vehicles = {one.vehicle_name: one.vehicle for one in meant if one.vehicle}
    told = [
        f"{name}{': ' * bool(name)}{written(p.voltage_nominal.text)}, {written(p.voltage_empty.text)} empty to "
        f"{written(p.voltage_full.text)} full"
        for name, p in packs.items()
    ]
    ridden = [f"{name}{': ' * bool(name)}{written(v.mass.text)}" for name, v in vehicles.items()]
    return [("Predicted on", "; ".join(told) or "no pack"), ("Vehicle", "; ".join(ridden) or "none")]


def _ambient(unit: UnitFile) -> str:
    parts = (("", unit.ambient.temperature), ("humidity ", unit.ambient.humidity))
    return ", ".join(f"{name}{written(value.text)}" for name, value in parts if value is not None)


def _probability(proof: Evidence) -> float:
    return float(proof.settings.get("coverage_probability", 0.95))


def _named(results: Results) -> list[str]:
    """Return every quantity the report speaks of, in the order of the registry."""
    spoken = {*results.quantities, *(criterion.quantity for criterion in results.criteria)}
    spoken |= {name for one in results.applications or () for name in one.quantities}
    return [name for name in quantities() if name in spoken]


def _givers(quantity: str, unit: UnitFile) -> list[str]:
    return [p.title for p in procedures().values() if quantity in p.gives and unit.kind in p.unit_kinds]


def _made_in_vain(quantity: str, unit: UnitFile, fit: StoredFit, results: Results) -> dict[str, str]:
    """Return the titles of the tests of the unit that are made for a quantity and gave none, each with the reason."""
    found: dict[str, str] = {}
    for test in unit.tests:
        procedure = procedures()[test.procedure]
        if quantity not in procedure.gives or procedure.title in found:
            continue
        reasons = [
            one.missing[quantity] for one in fit.outcomes if one.maker == test.procedure and quantity in one.missing
        ]
        log = f"{unit.unit}/{test.log}"
        reasons += [
            problem.message
            for problem in results.problems
            if problem.severity == "error" and (problem.procedure == test.procedure or problem.file == log)
        ]
        found[procedure.title] = reasons[0].partition("; ")[0].rstrip(".") if reasons else "no reason is recorded"
    return found


def _hints(fit: StoredFit) -> dict[str, list[Hint]]:
    """Return what the tests of the unit and of its parts saw, by the name of what made it."""
    found: dict[str, list[Hint]] = {}
    for made in (*fit.makers, *(made for one in fit.parts for made in one.outcomes)):
        found.setdefault(made.maker, []).extend(made.hints)
    return found


def _without_result(unit: UnitFile, fit: StoredFit) -> list[tuple[str, str]]:
    """Return title and log of every test whose log gave no result; the problems say why."""
    used = {place for outcome in fit.outcomes for place in outcome.tests}
    return [
        (procedures()[test.procedure].title, test.log) for place, test in enumerate(unit.tests) if place not in used
    ]


def _not_made(unit: UnitFile, fit: StoredFit, results: Results) -> list[tuple[str, str]]:
    """Return title and purpose of every procedure for this kind of unit that neither it nor a part went through.

    One that gives nothing but what another test has given, with other instruments, is not missed.
    """
    made = {test.procedure for test in unit.tests}
    made |= {outcome.maker for part in fit.parts for outcome in part.outcomes}
    return [
        (p.title, p.purpose)
        for p in procedures().values()
        if unit.kind in p.unit_kinds and p.name not in made and not set(p.gives) <= set(results.quantities)
    ]


def _nameplate(unit: UnitFile, results: Results) -> list[tuple[str, str, Markup | str]]:
    """Return each entry of the nameplate, and what was found of the same or the nearest kind."""
    rows: list[tuple[str, str, Markup | str]] = []
    for name, value in unit.nameplate:
        if value is None:
            continue
        if isinstance(value, Measured):
            shown = written(value.text)
        elif isinstance(value, bool):
            shown = "yes" if value else "no"
        else:
            shown = f"{value:g}" if isinstance(value, float) else str(value)
        beside = _BESIDE.get(name, "")
        found = results.quantities.get(beside)
        measured = (
            "" if found is None else Markup("{}: {}").format(quantities()[beside].title, value_html(beside, found))
        )
        rows.append((name.replace("_", " "), shown, measured))
    return rows

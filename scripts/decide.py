"""Decide on one unit against its acceptance set and write its report (adapter of the rule ``decide``)."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any


def main(
    *,
    configuration: Mapping[str, Any],
    probability: float,
    hashes: Mapping[str, str],
    inputs: Mapping[str, str],
    readings: Path,
    fit: Path,
    figures: Path,
    results: Path,
    report: Path,
    evidence: Path,
    stages: Path,
    results_of_parts: Sequence[Path] = (),
    evidence_of_parts: Sequence[Path] = (),
) -> list[str]:
    """Write ``results``, ``evidence`` and ``stages`` (JSON), and ``report`` (PDF).

    ``configuration`` is all of a unit's, its file and its acceptance set among it; ``results_of_parts`` and
    ``evidence_of_parts`` are of the parts of a drive. Returns the traces of what failed.
    """
    from rotorproof.rendering.report import render_report

    traces = decide(
        unit=configuration["unit"],
        acceptance=configuration["acceptance"],
        probability=probability,
        readings=readings,
        fit=fit,
        results=results,
        parts=results_of_parts,
    )
    render_report(
        unit=configuration["unit"],
        configuration=configuration,
        hashes=hashes,
        inputs=inputs,
        results_path=results,
        readings_path=readings,
        fit_path=fit,
        figures=figures,
        report_path=report,
        evidence_path=evidence,
        stages_path=stages,
        parts=evidence_of_parts,
    )
    return traces


def decide(
    *,
    unit: Mapping[str, Any],
    acceptance: Mapping[str, Any] | None,
    probability: float,
    readings: Path,
    fit: Path,
    results: Path,
    parts: Sequence[Path] = (),
) -> list[str]:
    """Write ``results`` (``results.json``) alone; ``parts`` are the results of the parts of a drive.

    What looks wrong in the readings is looked for here, where they are at hand, and does not wait for a fit.
    Returns the traces of what failed.
    """
    from rotorproof.checking.look import reading_problems
    from rotorproof.decision.models import Results
    from rotorproof.decision.results import build_results
    from rotorproof.fitting.store import load_fit
    from rotorproof.jsonio import write_json
    from rotorproof.logs.store import load_readings
    from rotorproof.planning.rehearsal import further
    from rotorproof.settings.acceptance import AcceptanceSet
    from rotorproof.settings.unit import UnitFile

    limits = None if acceptance is None else AcceptanceSet.model_validate(acceptance)
    model = UnitFile.model_validate(unit)
    read = load_readings(readings)
    traces: list[str] = []
    problems = [*read.problems, *reading_problems(model, read, traces)]
    made_of = [Results.read(path) for path in parts]
    found = build_results(
        model.unit,
        model.kind,
        load_fit(fit),
        problems,
        limits,
        probability,
        made_of,
        further=further(model, probability, {test.procedure for test in model.tests}),
    )
    write_json(results, found.as_json())
    return traces


if "snakemake" in globals():
    from rotorproof.warm import job

    job(
        __file__,
        main,
        Path(snakemake.log[0]),
        configuration=snakemake.params.configuration,
        probability=snakemake.params.probability,
        hashes=snakemake.params.hashes,
        inputs=snakemake.params.inputs,
        readings=Path(snakemake.input.readings),
        fit=Path(snakemake.input.fit),
        figures=Path(snakemake.input.figures),
        results=Path(snakemake.output.results),
        report=Path(snakemake.output.report),
        evidence=Path(snakemake.output.evidence),
        stages=Path(snakemake.output.stages),
        results_of_parts=[Path(path) for path in snakemake.input.results_of_parts],
        evidence_of_parts=[Path(path) for path in snakemake.input.evidence_of_parts],
    )

"""Render the report of one unit (adapter of the rule ``render``)."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any


def main(
    *,
    unit: Mapping[str, Any],
    configuration: Mapping[str, Any],
    hashes: Mapping[str, str],
    inputs: Mapping[str, str],
    results: Path,
    readings: Path,
    fit: Path,
    figures: Path,
    report: Path,
    evidence: Path,
    stages: Path,
    parts: Sequence[Path] = (),
) -> None:
    """Write ``report`` (PDF), ``evidence`` and ``stages`` (JSON); ``parts`` is the evidence of a drive's parts."""
    from rotorproof.rendering.report import render_report

    render_report(
        unit=unit,
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
        parts=parts,
    )


if "snakemake" in globals():
    from rotorproof.warm import job

    job(
        __file__,
        main,
        Path(snakemake.log[0]),
        unit=snakemake.params.unit,
        configuration=snakemake.params.configuration,
        hashes=snakemake.params.hashes,
        inputs=snakemake.params.inputs,
        results=Path(snakemake.input.results),
        readings=Path(snakemake.input.readings),
        fit=Path(snakemake.input.fit),
        figures=Path(snakemake.input.figures),
        report=Path(snakemake.output.report),
        evidence=Path(snakemake.output.evidence),
        stages=Path(snakemake.output.stages),
        parts=[Path(path) for path in snakemake.input.parts],
    )

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
    parts: Sequence[Path] = (),
) -> None:
    """Write ``report`` (PDF) and ``evidence`` (JSON) of a unit; ``parts`` is the evidence of a drive's parts."""
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
        parts=parts,
    )


if "snakemake" in globals():
    from rotorproof.warm import job

    job(
        __file__,
        main,
        unit=snakemake.params.unit,  # noqa: F821
        configuration=snakemake.params.configuration,  # noqa: F821
        hashes=snakemake.params.hashes,  # noqa: F821
        inputs=snakemake.params.inputs,  # noqa: F821
        results=Path(snakemake.input.results),  # noqa: F821
        readings=Path(snakemake.input.readings),  # noqa: F821
        fit=Path(snakemake.input.fit),  # noqa: F821
        figures=Path(snakemake.input.figures),  # noqa: F821
        report=Path(snakemake.output.report),  # noqa: F821
        evidence=Path(snakemake.output.evidence),  # noqa: F821
        parts=[Path(path) for path in snakemake.input.parts],  # noqa: F821
    )

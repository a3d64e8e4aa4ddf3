"""Decide on one unit against its acceptance set (adapter of the rule ``decide``)."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from rotorproof.decision.results import build_results
from rotorproof.fitting.store import load_fit
from rotorproof.jsonio import write_json
from rotorproof.logs.store import load_readings
from rotorproof.settings.acceptance import AcceptanceSet


def main(
    *,
    unit: str,
    kind: str,
    acceptance: Mapping[str, Any] | None,
    probability: float,
    readings: Path,
    fit: Path,
    results: Path,
) -> None:
    """Write ``results`` (``results.json``) from the fits and the acceptance set."""
    limits = None if acceptance is None else AcceptanceSet.model_validate(acceptance)
    problems = [problem.as_json() for problem in load_readings(readings).problems]
    write_json(results, build_results(unit, kind, load_fit(fit), problems, limits, probability))


if "snakemake" in globals():
    main(
        unit=snakemake.wildcards.unit,  # noqa: F821
        kind=snakemake.params.kind,  # noqa: F821
        acceptance=snakemake.params.acceptance,  # noqa: F821
        probability=snakemake.params.probability,  # noqa: F821
        readings=Path(snakemake.input.readings),  # noqa: F821
        fit=Path(snakemake.input.fit),  # noqa: F821
        results=Path(snakemake.output.results),  # noqa: F821
    )

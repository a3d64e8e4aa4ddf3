"""Decide on one unit against its acceptance set (adapter of the rule ``decide``)."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any


def main(
    *,
    unit: Mapping[str, Any],
    acceptance: Mapping[str, Any] | None,
    probability: float,
    readings: Path,
    fit: Path,
    results: Path,
    parts: Sequence[Path] = (),
) -> list[str]:
    """Write ``results`` (``results.json``); ``parts`` are the results of the parts of a drive.

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
        unit=snakemake.params.unit,
        acceptance=snakemake.params.acceptance,
        probability=snakemake.params.probability,
        readings=Path(snakemake.input.readings),
        fit=Path(snakemake.input.fit),
        results=Path(snakemake.output.results),
        parts=[Path(path) for path in snakemake.input.parts],
    )

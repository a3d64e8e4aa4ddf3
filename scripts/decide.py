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
    log: Path | None = None,
) -> None:
    """Write ``results`` (``results.json``); ``parts`` are the results of the parts of a drive.

    What looks wrong in the readings is looked for here, where they are at hand, and does not wait for a fit.
    """
    from rotorproof.checking.look import reading_problems
    from rotorproof.decision.results import build_results
    from rotorproof.fitting.store import load_fit
    from rotorproof.jsonio import read_json, write_json
    from rotorproof.logs.store import load_readings
    from rotorproof.settings.acceptance import AcceptanceSet
    from rotorproof.settings.unit import UnitFile

    limits = None if acceptance is None else AcceptanceSet.model_validate(acceptance)
    model = UnitFile.model_validate(unit)
    read = load_readings(readings)
    traces: list[str] = []
    problems = [problem.as_json() for problem in [*read.problems, *reading_problems(model, read, traces)]]
    made_of = [read_json(path) for path in parts]
    write_json(results, build_results(model.unit, model.kind, load_fit(fit), problems, limits, probability, made_of))
    if log is not None:
        log.write_text("\n".join(traces), encoding="utf-8")


if "snakemake" in globals():
    from rotorproof.warm import job

    job(
        __file__,
        main,
        unit=snakemake.params.unit,  # noqa: F821
        acceptance=snakemake.params.acceptance,  # noqa: F821
        probability=snakemake.params.probability,  # noqa: F821
        readings=Path(snakemake.input.readings),  # noqa: F821
        fit=Path(snakemake.input.fit),  # noqa: F821
        results=Path(snakemake.output.results),  # noqa: F821
        parts=[Path(path) for path in snakemake.input.parts],  # noqa: F821
        log=Path(snakemake.log[0]),  # noqa: F821
    )

"""Set units side by side (adapter of the rule ``compare``)."""

from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import numpy as np

from rotorproof.decision.comparison import Measured, compare
from rotorproof.decision.models import Results
from rotorproof.fitting.store import load_fit
from rotorproof.jsonio import write_json
from rotorproof.rendering.comparison import overlays, render_comparison


def main(
    *,
    name: str,
    units: Sequence[Mapping[str, Any]],
    workshop: str,
    probability: float,
    results: Sequence[Path],
    fits: Sequence[Path],
    panels: Sequence[Path],
    comparison: Path,
    report: Path,
) -> None:
    """Write ``comparison`` (JSON) and ``report`` (PDF); the sequences are in one order, one entry per unit."""
    measured = [
        Measured(facts, Results.read(result), load_fit(fit))
        for facts, result, fit in zip(units, results, fits, strict=True)
    ]
    found = compare(name, measured, probability)
    with ExitStack() as stack:
        arrays = {unit.name: stack.enter_context(np.load(path)) for unit, path in zip(measured, panels, strict=True)}
        overlaid = overlays({unit.name: unit.fit for unit in measured}, arrays)
    render_comparison(found, overlaid, workshop, report)
    write_json(comparison, found.as_json())


if "snakemake" in globals():
    from rotorproof.warm import job

    job(
        __file__,
        main,
        Path(snakemake.log[0]),
        name=snakemake.wildcards.comparison,
        units=snakemake.params.units,
        workshop=snakemake.params.workshop,
        probability=snakemake.params.probability,
        results=[Path(path) for path in snakemake.input.results],
        fits=[Path(path) for path in snakemake.input.fits],
        panels=[Path(path) for path in snakemake.input.panels],
        comparison=Path(snakemake.output.comparison),
        report=Path(snakemake.output.report),
    )

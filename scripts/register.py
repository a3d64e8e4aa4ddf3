"""Write the register of all units (adapter of the rule ``register``)."""

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any


def main(
    *,
    units: Sequence[Mapping[str, Any]],
    refused: Mapping[str, Any],
    signed: Iterable[str],
    reports: Path,
    comparisons: Mapping[str, Sequence[str]] | None = None,
) -> None:
    """Write the register of ``units`` and the ``refused`` under ``reports``; ``signed`` may have signed reports."""
    from rotorproof.rendering.register import write_register

    write_register(units=units, refused=refused, signed=signed, reports=reports, comparisons=comparisons)


if "snakemake" in globals():
    from rotorproof.warm import job

    job(
        __file__,
        main,
        Path(snakemake.log[0]),
        units=snakemake.params.units,
        refused=snakemake.params.refused,
        signed=snakemake.params.signed,
        reports=Path(snakemake.params.reports),
        comparisons=snakemake.params.comparisons,
    )

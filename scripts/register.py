"""Write the register of all units (adapter of the rule ``register``)."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from rotorproof.evidence.export import export
from rotorproof.rendering.register import render_register


def main(
    *,
    units: Sequence[Mapping[str, Any]],
    refused: Mapping[str, Any],
    signed: Mapping[str, Sequence[Mapping[str, Any]]],
    reports: Path,
    index: Path,
    csv: Path,
    parquet: Path,
) -> None:
    """Write the register of ``units`` under ``reports`` as ``index`` (HTML), and all values as ``csv`` and ``parquet``.

    ``refused`` are the units without results, ``signed`` the signed reports by unit.
    """
    render_register(units=units, refused=refused, signed=signed, reports=reports, index=index)
    export(units=units, signed=signed, reports=reports, csv_path=csv, parquet_path=parquet)


if "snakemake" in globals():
    main(
        units=snakemake.params.units,  # noqa: F821
        refused=snakemake.params.refused,  # noqa: F821
        signed=snakemake.params.signed,  # noqa: F821
        reports=Path(snakemake.params.reports),  # noqa: F821
        index=Path(snakemake.output.index),  # noqa: F821
        csv=Path(snakemake.output.csv),  # noqa: F821
        parquet=Path(snakemake.output.parquet),  # noqa: F821
    )

"""Write the register of all units (adapter of the rule ``register``)."""

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from rotorproof.evidence.export import export
from rotorproof.evidence.revisions import all_signed
from rotorproof.rendering.register import render_register


def main(
    *,
    units: Sequence[Mapping[str, Any]],
    refused: Mapping[str, Any],
    signed: Iterable[str],
    reports: Path,
    index: Path,
    csv: Path,
    parquet: Path,
) -> None:
    """Write the register of ``units`` under ``reports`` as ``index`` (HTML), and all values as ``csv`` and ``parquet``.

    ``refused`` are the units without results, ``signed`` those with signed reports. Whether the last of these is of
    the present results is looked up here: the run that this belongs to may have made them anew.
    """
    found = all_signed(reports, signed)
    render_register(units=units, refused=refused, signed=found, reports=reports, index=index)
    export(units=units, signed=found, reports=reports, csv_path=csv, parquet_path=parquet)


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

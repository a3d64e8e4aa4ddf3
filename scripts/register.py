"""Write the register of all units (adapter of the rule ``register``)."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from rotorproof.rendering.register import render_register


def main(*, units: Sequence[Mapping[str, Any]], refused: Mapping[str, Any], reports: Path, index: Path) -> None:
    """Write ``index`` (HTML) over the results of ``units`` under ``reports`` and the ``refused`` ones."""
    render_register(units=units, refused=refused, reports=reports, index=index)


if "snakemake" in globals():
    main(
        units=snakemake.params.units,  # noqa: F821
        refused=snakemake.params.refused,  # noqa: F821
        reports=Path(snakemake.params.reports),  # noqa: F821
        index=Path(snakemake.output.index),  # noqa: F821
    )

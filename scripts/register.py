"""Write the register of all units (adapter of the rule ``register``)."""

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any


def main(
    *, units: Sequence[Mapping[str, Any]], refused: Mapping[str, Any], signed: Iterable[str], reports: Path
) -> None:
    """Write the register of ``units`` and the ``refused`` under ``reports``; ``signed`` may have signed reports."""
    from rotorproof.rendering.register import write_register

    write_register(units=units, refused=refused, signed=signed, reports=reports)


if "snakemake" in globals():
    main(
        units=snakemake.params.units,  # noqa: F821
        refused=snakemake.params.refused,  # noqa: F821
        signed=snakemake.params.signed,  # noqa: F821
        reports=Path(snakemake.params.reports),  # noqa: F821
    )

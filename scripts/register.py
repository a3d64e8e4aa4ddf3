"""Write the register of all units (adapter of the rule ``register``)."""

if "snakemake" in globals():
    from pathlib import Path

    from rotorproof.rendering.register import write_register

    write_register(
        units=snakemake.params.units,  # noqa: F821
        refused=snakemake.params.refused,  # noqa: F821
        signed=snakemake.params.signed,  # noqa: F821
        reports=Path(snakemake.params.reports),  # noqa: F821
    )

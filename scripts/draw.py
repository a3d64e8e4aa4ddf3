"""Draw the figures of one unit (adapter of the rule ``draw``)."""

from pathlib import Path


def main(*, fit: Path, panels: Path, figures: Path) -> None:
    """Draw every panel of a unit into the folder ``figures``, one file per panel."""
    import numpy as np

    from rotorproof.fitting.store import load_fit, load_panels
    from rotorproof.rendering.figures import draw, figure_name

    figures.mkdir(parents=True, exist_ok=True)
    described = load_fit(fit)
    with np.load(panels) as arrays:
        for made in described.makers:
            for panel in load_panels(made.panels, arrays):
                draw(panel, figures / figure_name(made.label, panel.name))


if "snakemake" in globals():
    from rotorproof.warm import job

    job(
        __file__,
        main,
        Path(snakemake.log[0]),
        fit=Path(snakemake.input.fit),
        panels=Path(snakemake.input.panels),
        figures=Path(snakemake.output.figures),
    )

"""Read the raw logs of one unit (adapter of the rule ``read``)."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any


def main(
    *,
    unit: str,
    folder: Path,
    tests: list[Mapping[str, Any]],
    layouts: Mapping[str, Any],
    readings: Path,
    log: Path | None = None,
) -> None:
    """Read the logs named by ``tests`` in ``folder`` and write ``readings``."""
    from rotorproof.logs.store import save_readings
    from rotorproof.logs.unit_logs import read_unit
    from rotorproof.settings.layout import Layout
    from rotorproof.settings.unit import Test

    models = {name: Layout.model_validate(data) for name, data in layouts.items()}
    found = read_unit(unit, folder, [Test.model_validate(test) for test in tests], models)
    save_readings(readings, found)
    if log is not None:
        log.write_text("\n".join(found.tracebacks), encoding="utf-8")


if "snakemake" in globals():
    from rotorproof.warm import job, leave

    job(
        __file__,
        main,
        unit=snakemake.wildcards.unit,  # noqa: F821
        folder=Path(snakemake.params.folder),  # noqa: F821
        tests=snakemake.params.tests,  # noqa: F821
        layouts=snakemake.params.layouts,  # noqa: F821
        readings=Path(snakemake.output.readings),  # noqa: F821
        log=Path(snakemake.log[0]),  # noqa: F821
    )
    leave()

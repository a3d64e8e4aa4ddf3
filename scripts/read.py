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
    limits: Mapping[str, Any] | None = None,
    stamps: Mapping[str, str] | None = None,
) -> list[str]:
    """Read the logs named by ``tests`` in ``folder`` and write ``readings``; return the traces of what failed.

    ``stamps`` holds the SHA-256 of the logs that the run goes by; without them, each log is taken as it is.
    """
    from rotorproof.errors import InputError
    from rotorproof.logs.limits import use
    from rotorproof.logs.store import save_readings
    from rotorproof.logs.unit_logs import changed_meanwhile, read_unit, states_of
    from rotorproof.settings.layout import Layout
    from rotorproof.settings.run import Limits
    from rotorproof.settings.unit import Test

    use(Limits.model_validate(limits or {}))
    models = {name: Layout.model_validate(data) for name, data in layouts.items()}
    checked = [Test.model_validate(test) for test in tests]
    logs = list(dict.fromkeys(test.log for test in checked))
    before = states_of(folder, logs)
    found = read_unit(unit, folder, checked, models)
    if problems := changed_meanwhile(unit, found.sha256, stamps or {}, before, states_of(folder, logs)):
        raise InputError(problems)
    save_readings(readings, found)
    return found.tracebacks


if "snakemake" in globals():
    from rotorproof.warm import job, leave

    job(
        __file__,
        main,
        Path(snakemake.log[0]),
        unit=snakemake.wildcards.unit,
        folder=Path(snakemake.params.folder),
        tests=snakemake.params.tests,
        layouts=snakemake.params.layouts,
        limits=snakemake.params.limits,
        stamps=snakemake.params.stamps,
        readings=Path(snakemake.output.readings),
    )
    leave()

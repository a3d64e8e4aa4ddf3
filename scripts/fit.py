"""Fit all procedures of one unit and draw their figures (adapter of the rule ``fit``)."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any


def main(*, fit: Path, panels: Path, figures: Path, **given: Any) -> list[str]:
    """Fit what is ``given`` as ``estimate`` does, then draw the figures; return the traces of what failed."""
    traces = estimate(fit=fit, panels=panels, **given)
    return traces + draw(unit=given["unit"]["unit"], fit=fit, panels=panels, figures=figures)


def estimate(
    *,
    unit: Mapping[str, Any],
    settings: Mapping[str, Any],
    readings: Path,
    fit: Path,
    panels: Path,
    parts: Sequence[Path] = (),
    folder: Path | None = None,
    earlier: Mapping[str, str] | None = None,
    population: Mapping[str, Any] | None = None,
    faults: Mapping[str, Any] | None = None,
) -> list[str]:
    """Fit the logs in ``readings`` and write ``fit`` (JSON) and ``panels`` (arrays of the figures).

    ``parts`` are the fits of a drive's parts, in the order in which its file names them.
    ``folder`` is the unit's own, which a unit that names earlier results needs; ``earlier`` holds the SHA-256 of those.
    What the tests say is compared with the nameplate and with ``population``, how other units of the model came out,
    and a slip that would explain a disagreement is named. ``faults`` are limits by which fault cases are judged.
    Returns the traces of what failed.
    """
    from rotorproof.decision.earlier import earlier_tests
    from rotorproof.fitting.grouping import TestLog
    from rotorproof.fitting.parts import part
    from rotorproof.fitting.store import load_fit, save_fit
    from rotorproof.fitting.unit_fit import fit_unit
    from rotorproof.logs.store import load_readings
    from rotorproof.procedures.base import Log
    from rotorproof.settings.acceptance import FaultTests, ProcessFile
    from rotorproof.settings.load import conditions_of
    from rotorproof.settings.run import RunSettings
    from rotorproof.settings.unit import UnitFile
    from rotorproof.witness.search import second_witness

    model = UnitFile.model_validate(unit)
    roles = model.parts.roles if model.parts else {}
    made_of = [part(role, name, load_fit(path)) for (role, name), path in zip(roles.items(), parts, strict=True)]
    entries = []
    read = load_readings(readings)
    for test, columns, step in zip(model.tests, read.columns, read.time_resolution, strict=True):
        if columns is None:
            continue
        written = conditions_of(test)
        values = {name: measured.value for name, measured in written.items()}
        entries.append(TestLog(test, Log(test.label or test.procedure, columns, values, time_resolution=step), written))
    run = RunSettings.model_validate(settings)
    if model.earlier and folder is None:
        raise ValueError("earlier results lie in the unit's folder, which was not given")
    before, problems = earlier_tests(model, folder, earlier) if folder else ([], [])
    judged_by = FaultTests.model_validate(faults) if faults else None
    result = fit_unit(model, entries, run, f"{model.unit}/unit.yaml", made_of, earlier=before, faults=judged_by)
    result.problems += problems
    siblings = ProcessFile.model_validate(population) if population else None
    result.problems += second_witness(model, entries, run, result, made_of, siblings, judged_by)
    save_fit(fit, panels, result)
    return result.tracebacks


def draw(*, unit: str, fit: Path, panels: Path, figures: Path) -> list[str]:
    """Draw every panel of a stored fit into the folder ``figures``, one file per panel.

    One that cannot be drawn costs its own figure alone: ``fit`` then says which, as a warning and in the panel itself.
    Returns the traces of those. Raises ``OSError`` where a file cannot be written.
    """
    import traceback
    from dataclasses import replace

    import numpy as np

    from rotorproof.errors import trace_of, unforeseen
    from rotorproof.fitting.store import load_fit, load_panels
    from rotorproof.jsonio import write_json
    from rotorproof.rendering.figures import draw as draw_panel
    from rotorproof.rendering.figures import figure_name

    figures.mkdir(parents=True, exist_ok=True)
    described = load_fit(fit)
    traces = []
    with np.load(panels) as arrays:
        for made in described.makers:
            for place, stored in enumerate(made.panels):
                path = figures / figure_name(made.label, stored.name)
                try:
                    (panel,) = load_panels([stored], arrays)
                    draw_panel(panel, path)
                except OSError:
                    raise  # a full disk is no fault of the panel
                except Exception as error:
                    traces.append(f"figure {path.name}, {unit}\n{traceback.format_exc()}")
                    name = f"the figure '{stored.title}' of {made.label}"
                    failed = unforeseen(name, error, f"{unit}/unit.yaml", trace_of(unit, "fit"))
                    described.problems.append(replace(failed, severity="warning", procedure=made.maker))
                    made.panels[place] = stored.model_copy(update={"drawn": False})
    if traces:
        write_json(fit, described.as_json())
    return traces


if "snakemake" in globals():
    from rotorproof.warm import job

    job(
        __file__,
        main,
        Path(snakemake.log[0]),
        unit=snakemake.params.unit,
        settings=snakemake.params.settings,
        readings=Path(snakemake.input.readings),
        fit=Path(snakemake.output.fit),
        panels=Path(snakemake.output.panels),
        figures=Path(snakemake.output.figures),
        parts=[Path(path) for path in snakemake.input.parts],
        folder=Path(snakemake.params.folder),
        earlier=snakemake.params.earlier,
        population=snakemake.params.population,
        faults=snakemake.params.faults,
    )

"""Compute the results of one unit again, without the workflow engine (started by ``rotorproof verify``).

The inputs are a stranger's. The engine would start processes of its own and takes names and options from many places;
here the same steps run one after the other in this process, which is under limits.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rotorproof.workflow import RunPlan


def main(root: Path, unit: str) -> None:
    """Read, fit and decide ``unit``, after the parts it is made of, from ``root/raw`` into ``root/reports``.

    Raises ``InputError`` for settings that cannot be used, ``MemoryError`` where a step ran out of memory.
    """
    from rotorproof.errors import InputError, Problem
    from rotorproof.workflow import RunPlan

    plan = RunPlan.load(root, {})
    if unit not in plan.units:
        problems = [Problem(**problem) for problem in plan.refused.get(unit, ())]
        raise InputError(problems or Problem("its folder is not among the inputs", unit))
    for name in [*(part.unit for part in plan.project.parts(unit)), unit]:
        compute(plan, name, root)
    draw_pages(plan, unit, root)


def draw_pages(plan: RunPlan, unit: str, root: Path) -> None:
    """Draw the pages of a unit that was computed, and write which of them are not those that were signed, if any were.

    The archived results are drawn, which are compared with those computed here elsewhere; a figure, and what stands
    beside it, is of the fit made here. What the pages say of the unit is in the evidence, which must state what the
    archived files do.
    Raises ``InputError`` for signed pages that cannot be read.
    """
    from rotorproof.decision.models import Results
    from rotorproof.errors import InputError, Problem
    from rotorproof.evidence.pages import differing_pages
    from rotorproof.evidence.recompute import ARCHIVED, EVIDENCE, PAGES, SIGN_OFF, SIGNED
    from rotorproof.evidence.record import contradictions, read_evidence
    from rotorproof.evidence.signoff import SignOff
    from rotorproof.fitting.store import load_fit
    from rotorproof.jsonio import read_json, write_json
    from rotorproof.logs.store import load_readings
    from rotorproof.rendering.report import number_of, report_pdf

    if not (root / SIGNED).is_file():
        return
    work, figures = root / "reports" / ".work" / unit, root / "reports" / unit / "figures"
    proof = read_evidence((root / EVIDENCE).read_bytes())
    results = Results.read(root / ARCHIVED)
    at = SimpleNamespace(unit=unit)
    inputs = {name: Path(path) for name, path in plan.inputs(at).items()}
    evidence = contradictions(proof, plan.configuration(at), inputs)
    if number_of(results, proof) != proof.report_id:
        evidence.append("the number of the report is not the one that results and evidence give")
    pdf, _ = report_pdf(
        unit=plan.unit(at),
        results=results,
        readings=load_readings(work / "readings.npz"),
        fit=load_fit(work / "fit.json"),
        figures=figures,
        proof=proof,
        inputs=inputs,
        sign_off=SignOff.model_validate(read_json(root / SIGN_OFF)).model_dump(),
    )
    try:
        pages = differing_pages((root / SIGNED).read_bytes(), pdf)
    except ValueError as error:
        raise InputError(Problem(str(error))) from None
    write_json(root / PAGES, {"evidence": evidence, "pages": pages})


def compute(plan: RunPlan, unit: str, root: Path) -> None:
    """Read, fit and decide one unit of a plan into ``root/reports``, its figures among that, its parts done before.

    Raises ``MemoryError`` where a step ran out of memory.
    """
    import decide
    import fit
    import read

    wildcards = SimpleNamespace(unit=unit)
    work, out = root / "reports" / ".work" / unit, root / "reports" / unit
    for folder in (work, out):
        folder.mkdir(parents=True, exist_ok=True)
    traces: list[str] = []
    parts = [part.unit for part in plan.project.parts(unit)]
    traces += read.main(
        unit=unit,
        folder=Path(plan.folder(wildcards)),
        tests=plan.tests(wildcards),
        layouts=plan.layouts(wildcards),
        limits=plan.settings.limits.model_dump(),
        readings=work / "readings.npz",
    )
    # A figure that could not be drawn is among the problems of the results, so drawing belongs to what is compared.
    traces += fit.main(
        unit=plan.measured_part(wildcards),
        settings=plan.fit_settings,
        readings=work / "readings.npz",
        fit=work / "fit.json",
        panels=work / "panels.npz",
        figures=out / "figures",
        parts=[root / "reports" / ".work" / part / "fit.json" for part in parts],
        folder=Path(plan.folder(wildcards)),
        earlier=plan.earlier(wildcards),
        population=plan.population(wildcards),
        faults=plan.fault_tests(wildcards),
    )
    traces += decide.decide(
        unit=plan.measured_part(wildcards),
        acceptance=plan.acceptance(wildcards),
        probability=plan.settings.coverage_probability,
        readings=work / "readings.npz",
        fit=work / "fit.json",
        results=out / "results.json",
        parts=[root / "reports" / part / "results.json" for part in parts],
    )
    # A step goes on without what failed and gives its trace; too little memory is no property of a log.
    if any("MemoryError" in trace for trace in traces):
        raise MemoryError


def run(arguments: Sequence[str]) -> int:
    """Compute again under the limits in ``arguments`` (root, unit, limits); return the exit status."""
    from rotorproof.bounded import OUT_OF_MEMORY, Limits
    from rotorproof.errors import InputError

    root, unit, limits = arguments
    Limits.from_argument(limits).apply()
    try:
        main(Path(root), unit)
    except InputError as error:
        sys.stderr.write(" / ".join(problem.message for problem in error.problems[:3]) + "\n")
        return 1
    except MemoryError:
        return OUT_OF_MEMORY
    return 0


if __name__ == "__main__":
    sys.exit(run(sys.argv[1:]))

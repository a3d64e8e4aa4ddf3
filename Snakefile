# From raw logs to reports: read -> fit, with the figures -> decide, with the report; then the register of all units.
# All files are checked here, before any job; a unit whose file is wrong is refused by name and the others go on.
import shlex
import sys
from pathlib import Path

from snakemake.utils import min_version

min_version("9.0")
ROOT = Path(workflow.basedir)
# Modules come from scripts/ and the installed libraries, none from the project's folder, which the engine puts first.
sys.path[:] = [str(ROOT / "scripts"), *(path for path in sys.path if path not in ("", str(ROOT)))]
# The engine writes the interpreter into a shell command as it stands; a folder's name may hold a space.
sys.executable = shlex.quote(sys.executable)

from rotorproof.errors import InputError
from rotorproof.workflow import RunPlan


# Folders are those of the project, wherever the run is started from.
workdir: str(ROOT)


try:
    plan = RunPlan.load(ROOT, config)
except InputError as error:
    sys.exit(str(error))
WORK = f"{plan.reports}/.work/{{unit}}"
OUT = f"{plan.reports}/{{unit}}"


wildcard_constraints:
    unit=plan.unit_pattern,
    comparison=plan.comparison_pattern,


onstart:
    plan.note_contents()


localrules:
    all,
    refuse,
    register,


rule all:
    input:
        # Each by itself: what is only on the way to the register would not be missed if it were deleted.
        [plan.made(unit) for unit in plan.units],
        f"{plan.reports}/index.html",
        plan.comparison_reports,
        plan.refusals,


# The logs are no inputs: the engine would go by their times, which may be older than any result, or yet to come. Their
# contents decide, through the stamps.
rule read:
    output:
        readings=f"{WORK}/readings.npz",
    log:
        f"{WORK}/log/read.txt",
    params:
        folder=plan.folder,
        tests=plan.tests,
        layouts=plan.layouts,
        limits=plan.settings.limits.model_dump(),
        facts=plan.read_facts,
        stamps=plan.stamps,
        code=plan.code("read"),
    message:
        "{wildcards.unit}: reading the logs"
    script:
        "scripts/read.py"


rule fit:
    input:
        readings=rules.read.output.readings,
        parts=plan.of_parts(f"{WORK}/fit.json"),
    output:
        fit=f"{WORK}/fit.json",
        panels=f"{WORK}/panels.npz",
        figures=directory(f"{OUT}/figures"),
    log:
        f"{WORK}/log/fit.txt",
    params:
        unit=plan.measured_part,
        settings=plan.fit_settings,
        folder=plan.folder,
        earlier=plan.earlier,
        population=plan.population,
        faults=plan.fault_tests,
        code=plan.code("fit"),
    message:
        "{wildcards.unit}: fitting, drawing the figures"
    script:
        "scripts/fit.py"


rule decide:
    input:
        readings=rules.read.output.readings,
        fit=rules.fit.output.fit,
        figures=rules.fit.output.figures,
        results_of_parts=plan.of_parts(f"{OUT}/results.json"),
        evidence_of_parts=plan.of_parts(f"{OUT}/evidence.json"),
    output:
        results=f"{OUT}/results.json",
        report=f"{OUT}/report.pdf",
        evidence=f"{OUT}/evidence.json",
        stages=f"{WORK}/stages.json",
    log:
        f"{WORK}/log/decide.txt",
    params:
        configuration=plan.configuration,
        probability=plan.settings.coverage_probability,
        hashes=plan.hashes,
        inputs=plan.inputs,
        code=plan.code("decide"),
    message:
        "{wildcards.unit}: deciding, writing the report"
    script:
        "scripts/decide.py"


rule register:
    input:
        reports=expand(rules.decide.output.report, unit=plan.units),
        results=expand(rules.decide.output.results, unit=plan.units),
    output:
        index=f"{plan.reports}/index.html",
        bench=f"{plan.reports}/bench.html",
        models=f"{plan.reports}/models.html",
        refused=f"{plan.reports}/refused.json",
        csv=f"{plan.reports}/results.csv",
        parquet=f"{plan.reports}/results.parquet",
    log:
        f"{plan.reports}/.work/log/register.txt",
    params:
        units=plan.all_units,
        refused=plan.refused,
        signed=plan.signed,
        archived=plan.archived,
        reports=plan.reports,
        comparisons=plan.comparisons,
        code=plan.code("register"),
    message:
        "writing the register of all units"
    script:
        "scripts/register.py"


rule compare:
    input:
        results=plan.compared(f"{OUT}/results.json"),
        fits=plan.compared(f"{WORK}/fit.json"),
        panels=plan.compared(f"{WORK}/panels.npz"),
    output:
        comparison=f"{plan.reports}/comparisons/{{comparison}}/comparison.json",
        report=f"{plan.reports}/comparisons/{{comparison}}/comparison.pdf",
    log:
        f"{plan.reports}/.work/log/compare-{{comparison}}.txt",
    params:
        units=plan.compared_units,
        workshop=plan.settings.workshop or "",
        probability=plan.settings.coverage_probability,
        code=plan.code("compare"),
    message:
        "{wildcards.comparison}: comparing units"
    script:
        "scripts/compare.py"


# A unit that could not be reported on makes the run fail, after all others are done.
rule refuse:
    input:
        f"{plan.reports}/index.html",
    output:
        touch(plan.refusal),
    params:
        message=plan.refusal_message,
    message:
        "some units could not be reported on"
    shell:
        "printf '%s\\n' {params.message:q} >&2; exit 1"

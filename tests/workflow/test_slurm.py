"""The same logs on a cluster of two nodes give the same bytes, even when a node dies in the middle."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.cluster.local_slurm import Cluster, local_slurm, starts
from tests.patience import HUNG
from tests.workflow.conftest import Project, contents, made_here

UNITS = ("CT-1", "CT-2", "CT-3")


def _start(project: Project, cluster: Cluster, reports: Path, *more: str) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "snakemake", "--profile", "config/profiles/slurm", "--nolock", "--nocolor"]
    command += ["--config", f"reports_dir={reports}", "--group-components", "unit=2", *more]
    command += ["--slurm-init-seconds-before-status-checks", "2", "--default-resources"]
    command += ["slurm_account=workshop", "slurm_partition=bench", "runtime=5", "mem_mb=500"]
    environment = {**cluster.environment, "PYTHONPATH": str(project.root / "scripts"), "OMP_NUM_THREADS": "1"}
    return subprocess.Popen(
        command,
        cwd=project.root,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )


@pytest.mark.slurm
@pytest.mark.slow
def test_a_cluster_gives_the_same_bytes_even_if_a_node_dies(project: Project, tmp_path: Path) -> None:
    if not starts():
        pytest.skip("this Slurm does not start without control groups, which are not mounted here")
    expected = made_here(project, UNITS, tmp_path / "local")
    with local_slurm(tmp_path / "cluster") as cluster:
        process = _start(project, cluster, tmp_path / "remote")
        deadline = time.monotonic() + HUNG
        while "RUNNING|n1" not in (jobs := cluster.call("squeue", "-h", "-o", "%T|%N|%C|%m")):
            assert process.poll() is None and time.monotonic() < deadline, "no job ever ran on n1"
            time.sleep(0.2)
        # Two units share a job, which asks for two steps at once and no more; the third, alone, for one.
        assert {line.split("|", 2)[2] for line in jobs.splitlines()} <= {"2|1000M", "1|500M"}
        cluster.kill_node("n1")
        output, _ = process.communicate(timeout=HUNG)
    assert process.returncode == 0, output[-4000:]
    assert contents(tmp_path / "remote") == expected

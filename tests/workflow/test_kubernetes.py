"""The same logs in pods give the same bytes, few pods do many steps, and a pod or a node that dies loses nothing.

Against a stand-in for the cluster's server (see there what it is not); no test here has met a real cluster.
"""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from tests.cluster.kubernetes_stand_in import Cluster, Pod, stand_in
from tests.patience import HUNG
from tests.workflow.conftest import Project, contents, made_here

PROFILE = "config/profiles/kubernetes"
IMAGE = "registry.example/rotorproof:0.1.0"
LOG = "run.log"
UNITS = ("CT-1", "CT-2", "CT-3", "CT-4", "CT-5")


@contextmanager
def _run(project: Project, cluster: Cluster, volume: Path, *more: str) -> Iterator[subprocess.Popen[bytes]]:
    """Start the workflow, and end it if the test has failed."""
    command = [sys.executable, "-m", "snakemake", "--profile", PROFILE, "--nocolor"]
    command += ["--kubernetes-volume-persistent-volumes", f"bench:{volume}", "--seconds-between-status-checks", "1"]
    environment = {**cluster.environment, "PYTHONPATH": PROFILE}
    # Into a file: nobody reads while the test waits for pods, and a pipe would fill up.
    with (project.root / LOG).open("w") as stream:
        process = subprocess.Popen(
            [*command, *more], cwd=project.root, env=environment, stdout=stream, stderr=subprocess.STDOUT
        )
    try:
        yield process
    finally:
        process.kill()
        process.wait()


def _ended(project: Project, process: subprocess.Popen[bytes]) -> tuple[int, str]:
    """Wait for the end of the run; return its exit status and what it said."""
    status = process.wait(HUNG)
    return status, (project.root / LOG).read_text(encoding="utf-8")


def _working(cluster: Cluster, process: subprocess.Popen[bytes], node: str, *not_these: Pod) -> Pod:
    """Wait for a pod on a node that has finished a step and goes on."""
    deadline = time.monotonic() + HUNG
    while time.monotonic() < deadline and process.poll() is None:
        for pod in cluster.running():
            if pod.node == node and pod not in not_these and "Finished jobid" in cluster.log(pod):
                return pod
        time.sleep(0.1)
    raise AssertionError(f"no pod ever worked on {node}")


@pytest.mark.slow
def test_pods_give_the_same_bytes_whatever_happens_to_some(project: Project, tmp_path: Path) -> None:
    expected = made_here(project, UNITS, tmp_path / "local")
    # Three units a pod instead of ten: as many pods as the stand-in has nodes.
    more = ["--config", f"reports_dir={tmp_path / 'remote'}", "--group-components", "unit=3"]
    with (
        stand_in(tmp_path / "cluster", {"bench"}, {IMAGE}) as cluster,
        _run(project, cluster, tmp_path, *more) as process,
    ):
        cluster.stumbles = 2
        killed = _working(cluster, process, "n1")
        assert cluster.kill(killed), "the pod had just ended"
        _working(cluster, process, "n2")
        cluster.lose_node("n2")
        cluster.delete(_working(cluster, process, "n1", killed).job)
        status, output = _ended(project, process)
    assert status == 0, output[-4000:]
    assert contents(tmp_path / "remote") == expected
    assert cluster.stumbles == 0
    # Fifteen steps are two pods, and one more for each of the three that came to an end in the middle.
    assert len(cluster.created) == 5
    # What the killed pod said is kept; what stays in the cluster is the job whose pod went with its node.
    logs = project.root / ".snakemake" / "auxiliary" / "kubernetes-logs"
    assert "Finished jobid" in (logs / f"{killed.job}.log").read_text(encoding="utf-8")
    assert set(cluster.jobs) == cluster.failed
    assert cluster.pods == {}
    assert cluster.secrets == {}
    for job in cluster.created:
        _look_at(job["spec"]["template"]["spec"], tmp_path)


def _look_at(spec: dict[str, Any], volume: Path) -> None:
    (container,) = spec["containers"]
    assert container["image"] == IMAGE
    assert {"name": "bench", "mountPath": str(volume)} in container["volumeMounts"]
    assert {"name": "bench", "persistentVolumeClaim": {"claimName": "bench"}} in spec["volumes"]
    # Two steps at once, whatever the number of units.
    assert container["resources"]["requests"] == {"cpu": "1900m", "memory": "4000M", "ephemeral-storage": "400M"}
    assert spec["restartPolicy"] == "Never"
    # Nothing is fetched by a pod.
    assert "pip" not in container["args"][1].split()


def test_a_project_beside_the_volume_is_refused(project: Project, tmp_path: Path) -> None:
    project.add_unit("CT-1")
    with (
        stand_in(tmp_path / "cluster", {"bench"}, {IMAGE}) as cluster,
        _run(project, cluster, Path("/elsewhere")) as process,
    ):
        status, output = _ended(project, process)
    assert status != 0
    assert f"The project lies in {project.root}, which is on none of the volumes that pods mount (/elsewhere)" in output
    assert cluster.created == []


def test_a_server_that_does_not_tell_about_jobs_ends_the_run(project: Project, tmp_path: Path) -> None:
    project.add_unit("CT-1")
    with (
        stand_in(tmp_path / "cluster", {"bench"}, {IMAGE}) as cluster,
        _run(project, cluster, tmp_path, "--config", f"reports_dir={tmp_path / 'remote'}") as process,
    ):
        cluster.forbidden = True
        status, output = _ended(project, process)
    assert status != 0
    assert "The cluster does not tell about job" in output
    assert "Forbidden" in output

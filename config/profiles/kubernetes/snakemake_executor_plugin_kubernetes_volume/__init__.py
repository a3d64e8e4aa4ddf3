"""Jobs in pods of a Kubernetes cluster that all mount the volume on which the project lies.

The public plugin ``snakemake-executor-plugin-kubernetes`` (0.5.1) makes the jobs, pods and secrets. It can mount a
volume, yet tells the engine that pods share no files: inputs and results would go through a storage provider, which
this workflow does not allow (it checks ``raw/`` as files before any job), and each pod would install unpinned packages.
This one differs in three points:

- Files are shared. A pod works in the folder from which the run was started, under the same path.
- A pod that failed costs its own job alone. The plugin asks for the log of an earlier start of its container; a
  container that is never started again has none, and the server's refusal would end the whole run.
- A job is asked for until its end is known. The plugin forgets a job if the server once refuses to tell its status,
  and the run would wait for ever.
"""

from __future__ import annotations

import shlex
from collections.abc import AsyncGenerator
from dataclasses import replace
from pathlib import Path
from typing import Any

import snakemake_executor_plugin_kubernetes as public
from kubernetes.client import BatchV1Api, CoreV1Api
from kubernetes.client.rest import ApiException
from snakemake_executor_plugin_kubernetes import ExecutorSettings
from snakemake_interface_common.exceptions import WorkflowError
from snakemake_interface_executor_plugins.executors.base import SubmittedJobInfo
from snakemake_interface_executor_plugins.jobs import JobExecutorInterface

__all__ = ["Executor", "ExecutorSettings", "common_settings"]

common_settings = replace(
    public.common_settings,
    implies_no_shared_fs=False,
    job_deploy_sources=False,
    auto_deploy_default_storage_provider=False,
)


#: What the server will say again however often it is asked: a right is lacking, say.
_FINAL = (400, 403, 405, 422)


class _Core(CoreV1Api):
    def read_namespaced_pod_log(self, name: str, namespace: str, **options: Any) -> str:
        """Return the log of a pod's only start, or why there is none: a log is no reason to end a run."""
        options.pop("previous", None)
        try:
            return super().read_namespaced_pod_log(name, namespace, **options)
        except ApiException as error:
            return f"the cluster has no log of pod {name}: {error.reason}"


class _Batch(BatchV1Api):
    #: The refusal that asking again would not change; the plugin would take it as a job to be forgotten.
    refusal: ApiException | None = None

    def read_namespaced_job_status(self, name: str, namespace: str, **options: Any) -> Any:
        """Return a job, or None if it was deleted: the plugin takes that as its failure."""
        try:
            return super().read_namespaced_job_status(name, namespace, **options)
        except ApiException as error:
            if error.status == 404:
                return None
            if error.status in _FINAL:
                self.refusal = error
            raise


class Executor(public.Executor):
    """The public plugin's executor on a shared volume."""

    def __post_init__(self) -> None:
        """Refuse to start where pods would not find the project."""
        self._ended: set[str] = set()
        paths = [volume.path for volume in self.workflow.executor_settings.persistent_volumes or ()]
        if not any(Path.cwd().is_relative_to(path) for path in paths):
            raise WorkflowError(
                f"The project lies in {Path.cwd()}, which is on none of the volumes that pods mount "
                f"({', '.join(map(str, paths)) or 'none is named'}). Put it on the volume that "
                "kubernetes-volume-persistent-volumes names, mounted here under the same path."
            )
        super().__post_init__()

    # The plugin makes its clients anew when a token has expired.
    @property
    def kubeapi(self) -> CoreV1Api:
        """Return the client for pods, logs and secrets."""
        return self._core

    @kubeapi.setter
    def kubeapi(self, api: CoreV1Api) -> None:
        self._core = _Core(api.api_client)

    @property
    def batchapi(self) -> BatchV1Api:
        """Return the client for jobs."""
        return self._batch

    @batchapi.setter
    def batchapi(self, api: BatchV1Api) -> None:
        self._batch = _Batch(api.api_client)

    def get_job_exec_prefix(self, job: JobExecutorInterface) -> str:
        """Return what a pod does first: go to the project's folder."""
        return f"cd {shlex.quote(str(Path.cwd()))}"

    def report_job_success(self, job_info: SubmittedJobInfo) -> None:
        """Note that a job has ended, and hand it on."""
        self._ended.add(job_info.external_jobid)
        super().report_job_success(job_info)

    def report_job_error(self, job_info: SubmittedJobInfo, **details: Any) -> None:
        """Note that a job has ended, and hand it on."""
        self._ended.add(job_info.external_jobid)
        super().report_job_error(job_info, **details)

    async def check_active_jobs(self, active_jobs: list[SubmittedJobInfo]) -> AsyncGenerator[SubmittedJobInfo, None]:
        """Yield each job whose end is not known, also where the server would not answer."""
        for job in active_jobs:
            try:
                async for _ in super().check_active_jobs([job]):
                    pass
            except WorkflowError as error:
                cause = error.__context__
                if isinstance(cause, ApiException) and cause.status in _FINAL:
                    raise
                self.logger.warning(f"The cluster did not answer about job {job.external_jobid}: {error}")
            if refusal := self._batch.refusal:
                raise WorkflowError(f"The cluster does not tell about job {job.external_jobid}: {refusal.reason}")
            if job.external_jobid not in self._ended:
                yield job

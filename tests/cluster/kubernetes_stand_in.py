"""A stand-in for the API server of a Kubernetes cluster. It is not Kubernetes, and what runs on it has not run there.

It answers the few requests that the executor makes (secrets, jobs, pods, logs), refuses pods that the real server would
refuse for what it knows to check, places them on two nodes by what they request, and runs the command of each as a
process of this computer. What a real cluster does besides is not here: images (the process sees this computer's files;
only the environment, the home and the working folder are its own), file systems between machines, rights, quotas,
networks, evictions, and the minutes until a lost node is noticed.
"""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

#: What pods may request of each node: CPU in thousandths, memory in bytes.
NODES = {"n1": (2000, 8e9), "n2": (2000, 8e9)}
_LABEL = re.compile(r"[a-z0-9]([-a-z0-9]{0,61}[a-z0-9])?")
_QUANTITY = re.compile(r"(\d+(?:\.\d+)?)(m|k|M|G|Ki|Mi|Gi)?")
_FACTORS = {None: 1, "m": 1e-3, "k": 1e3, "M": 1e6, "G": 1e9, "Ki": 2**10, "Mi": 2**20, "Gi": 2**30}
_KUBECONFIG = """\
apiVersion: v1
kind: Config
clusters: [{{name: stand-in, cluster: {{server: "http://127.0.0.1:{port}"}}}}]
users: [{{name: nobody, user: {{}}}}]
contexts: [{{name: stand-in, context: {{cluster: stand-in, user: nobody}}}}]
current-context: stand-in
"""


class RefusedError(Exception):
    """A request is answered with a status other than success."""

    def __init__(self, status: HTTPStatus, message: str) -> None:
        super().__init__(message)
        self.status = status


@dataclass
class Pod:
    """A pod: pending without a node, running with a process, ended with an exit code."""

    name: str
    job: str
    spec: dict[str, Any]
    node: str = ""
    process: subprocess.Popen[bytes] | None = None
    exit_code: int | None = None

    @property
    def phase(self) -> str:
        """Return the phase as Kubernetes names it."""
        if self.process is None:
            return "Pending"
        if self.exit_code is None:
            return "Running"
        return "Succeeded" if self.exit_code == 0 else "Failed"

    def request(self, resource: str) -> float:
        """Return how much of a resource the pod requests, in its basic unit."""
        return sum(
            quantity(one.get("resources", {}).get("requests", {}).get(resource, "0")) for one in self.spec["containers"]
        )


@dataclass
class Cluster:
    """The state of the stand-in; ``environment`` makes Kubernetes' clients talk to it."""

    folder: Path
    claims: frozenset[str]
    images: frozenset[str]
    environment: dict[str, str] = field(default_factory=dict)
    #: Every job that was created, whether it is still there or not.
    created: list[dict[str, Any]] = field(default_factory=list)
    jobs: dict[str, dict[str, Any]] = field(default_factory=dict)
    pods: dict[str, Pod] = field(default_factory=dict)
    secrets: dict[str, dict[str, Any]] = field(default_factory=dict)
    #: Of jobs that failed without leaving a pod.
    failed: set[str] = field(default_factory=set)
    lost: set[str] = field(default_factory=set)
    #: So many questions for the status of a job will be answered with an internal error.
    stumbles: int = 0
    #: Whether whoever asks has no right to know the status of jobs.
    forbidden: bool = False
    lock: threading.RLock = field(default_factory=threading.RLock)

    def running(self) -> list[Pod]:
        """Return the pods that run now, the oldest first."""
        with self.lock:
            return [pod for pod in self.pods.values() if pod.phase == "Running"]

    def log(self, pod: Pod) -> str:
        """Return what a pod has said so far."""
        return (self.folder / "pods" / pod.name / "log").read_text(encoding="utf-8", errors="replace")

    def kill(self, pod: Pod) -> bool:
        """End a pod as the kernel does for want of memory; the pod stays to be looked at. Tell if it still ran."""
        with self.lock:
            self.work()
            running = pod.phase == "Running"
            _kill(pod)
            return running

    def lose_node(self, name: str) -> None:
        """End all pods of a node and forget them, as a cluster does some minutes after a node was lost."""
        with self.lock:
            self.lost.add(name)
            for pod in [pod for pod in self.pods.values() if pod.node == name and pod.exit_code is None]:
                _kill(pod)
                del self.pods[pod.name]
                self.failed.add(pod.job)

    def delete(self, job: str) -> None:
        """Delete a job with its pods, as somebody may by hand."""
        with self.lock:
            for pod in [pod for pod in self.pods.values() if pod.job == job]:
                _kill(pod)
                del self.pods[pod.name]
            self.jobs.pop(job, None)

    def work(self) -> None:
        """Take note of pods that have ended, and start those for which there is room."""
        with self.lock:
            for pod in self.pods.values():
                if pod.process is not None and pod.exit_code is None:
                    status = pod.process.poll()
                    pod.exit_code = status if status is None or status >= 0 else 128 - status
            for pod in self.pods.values():
                if pod.process is None and self._can_start(pod):
                    self._start(pod)

    def _can_start(self, pod: Pod) -> bool:
        """Tell whether image, claims and secrets are there and a node has room; else the pod stays pending."""
        claims = {volume["persistentVolumeClaim"]["claimName"] for volume in _claimed(pod.spec)}
        if not claims <= self.claims or any(one["image"] not in self.images for one in pod.spec["containers"]):
            return False
        for variable in pod.spec["containers"][0].get("env", []):
            if variable["valueFrom"]["secretKeyRef"]["name"] not in self.secrets:
                return False
        for node, (cpu, memory) in NODES.items():
            if node in self.lost:
                continue
            there = [other for other in self.running() if other.node == node] + [pod]
            if sum(one.request("cpu") for one in there) * 1000 <= cpu and (
                sum(one.request("memory") for one in there) <= memory
            ):
                pod.node = node
                return True
        return False

    def _start(self, pod: Pod) -> None:
        container = pod.spec["containers"][0]
        # What the image would bring: a search path. The working folder is an empty volume of the pod's own.
        own = self.folder / "pods" / pod.name
        for name in ("home", "tmp", "workdir"):
            (own / name).mkdir(parents=True)
        environment = {
            "PATH": os.environ["PATH"],
            "HOME": str(own / "home"),
            "TMPDIR": str(own / "tmp"),
            "HOSTNAME": pod.name,
        }
        with (own / "log").open("wb") as log:
            pod.process = subprocess.Popen(
                [*container["command"], *container.get("args", [])],
                cwd=own / "workdir",
                env=environment,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                start_new_session=True,
            )

    def answer(self, method: str, path: str, query: dict[str, list[str]], body: Any) -> Any:
        """Answer one request: an object, or the text of a log.

        Raises
        ------
        RefusedError
            If the real server would refuse it, or this one does not know it.
        """
        match [method, *path.strip("/").split("/")]:
            case ["POST", "api", "v1", "namespaces", _, "secrets"]:
                answer = self.secrets[_name(body)] = body
            case ["DELETE", "api", "v1", "namespaces", _, "secrets", name]:
                answer = _removed(self.secrets, name)
            case ["POST", "apis", "batch", "v1", "namespaces", _, "jobs"]:
                answer = self._create(body)
            case ["GET", "apis", "batch", "v1", "namespaces", _, "jobs", name, "status"]:
                if self.forbidden:
                    raise RefusedError(HTTPStatus.FORBIDDEN, "jobs/status: not allowed to this user")
                answer = self._job(name)
            case ["DELETE", "apis", "batch", "v1", "namespaces", _, "jobs", name]:
                answer = _removed(self.jobs, name)
            case ["GET", "api", "v1", "namespaces", _, "pods"]:
                job = query["labelSelector"][0].removeprefix("job-name=")
                items = [_shown(pod) for pod in self.pods.values() if pod.job == job]
                answer = {"apiVersion": "v1", "kind": "PodList", "items": items}
            case ["DELETE", "api", "v1", "namespaces", _, "pods", name]:
                if name in self.pods:
                    _kill(self.pods[name])
                _removed(self.pods, name)
                answer = {"apiVersion": "v1", "kind": "Pod", "metadata": {"name": name}}
            case ["GET", "api", "v1", "namespaces", _, "pods", name, "log"]:
                answer = self._log(name, previous=query.get("previous") == ["True"])
            case _:
                raise RefusedError(HTTPStatus.NOT_FOUND, f"the stand-in does not know {method} {path}")
        return answer

    def _create(self, job: dict[str, Any]) -> dict[str, Any]:
        name = _name(job)
        if name in self.jobs:
            raise RefusedError(HTTPStatus.CONFLICT, f'jobs.batch "{name}" already exists')
        spec = job["spec"]["template"]["spec"]
        _check(spec)
        # Another pod in place of one that failed is not among what this can do.
        if job["spec"].get("backoffLimit") != 0 or spec.get("restartPolicy") != "Never":
            raise RefusedError(HTTPStatus.NOT_IMPLEMENTED, "the stand-in runs a job's pod once")
        self.created.append(job)
        self.jobs[name] = job
        self.pods[f"{name}-0"] = Pod(f"{name}-0", name, spec)
        return job

    def _job(self, name: str) -> dict[str, Any]:
        if self.stumbles:
            self.stumbles -= 1
            raise RefusedError(HTTPStatus.INTERNAL_SERVER_ERROR, "etcdserver: request timed out")
        if name not in self.jobs:
            raise RefusedError(HTTPStatus.NOT_FOUND, f'jobs.batch "{name}" not found')
        phases = [pod.phase for pod in self.pods.values() if pod.job == name]
        status = {
            "active": sum(phase in ("Pending", "Running") for phase in phases),
            "succeeded": phases.count("Succeeded"),
            "failed": phases.count("Failed") + (name in self.failed),
        }
        return {**self.jobs[name], "status": {key: count for key, count in status.items() if count}}

    def _log(self, name: str, *, previous: bool) -> str:
        if name not in self.pods:
            raise RefusedError(HTTPStatus.NOT_FOUND, f'pods "{name}" not found')
        if previous:  # no container is ever started a second time
            raise RefusedError(
                HTTPStatus.BAD_REQUEST, f'previous terminated container "snakemake" in pod "{name}" not found'
            )
        return self.log(self.pods[name])


def quantity(text: str) -> float:
    """Return a quantity of Kubernetes ("1900m", "4000M") as a number."""
    match = _QUANTITY.fullmatch(text)
    if match is None:
        raise RefusedError(HTTPStatus.BAD_REQUEST, f"quantities must match the regular expression: {text}")
    return float(match[1]) * _FACTORS[match[2]]


def _name(body: dict[str, Any]) -> str:
    name = str(body["metadata"]["name"])
    if not _LABEL.fullmatch(name):
        raise RefusedError(HTTPStatus.UNPROCESSABLE_ENTITY, f"metadata.name: Invalid value: {name!r}")
    return name


def _claimed(spec: dict[str, Any]) -> list[dict[str, Any]]:
    return [volume for volume in spec.get("volumes", []) if "persistentVolumeClaim" in volume]


def _check(spec: dict[str, Any]) -> None:
    """Refuse a pod as the server does: names, mounts of volumes that are not there, two mounts in one place."""
    names = [volume["name"] for volume in spec.get("volumes", [])]
    if len(set(names)) < len(names) or not all(_LABEL.fullmatch(name) for name in names):
        raise RefusedError(HTTPStatus.UNPROCESSABLE_ENTITY, f"spec.volumes: Invalid value: {names}")
    for container in spec["containers"]:
        if not container.get("image") or not container.get("command"):
            raise RefusedError(HTTPStatus.UNPROCESSABLE_ENTITY, "spec.containers: Required value: image, command")
        mounts = container.get("volumeMounts", [])
        places = [mount["mountPath"] for mount in mounts]
        if len(set(places)) < len(places):
            raise RefusedError(HTTPStatus.UNPROCESSABLE_ENTITY, f"mountPath: must be unique: {places}")
        for mount in mounts:
            if mount["name"] not in names:
                raise RefusedError(HTTPStatus.UNPROCESSABLE_ENTITY, f"volumeMounts: Not found: {mount['name']}")
        for kind in ("requests", "limits"):
            for amount in container.get("resources", {}).get(kind, {}).values():
                quantity(amount)


def _removed(things: dict[str, Any], name: str) -> dict[str, Any]:
    if things.pop(name, None) is None:
        raise RefusedError(HTTPStatus.NOT_FOUND, f'"{name}" not found')
    return {"apiVersion": "v1", "kind": "Status", "status": "Success"}


def _kill(pod: Pod) -> None:
    if pod.process is not None and pod.exit_code is None:
        os.killpg(pod.process.pid, signal.SIGKILL)
        pod.process.wait()
        pod.exit_code = 137


def _shown(pod: Pod) -> dict[str, Any]:
    status: dict[str, Any] = {"phase": pod.phase}
    if pod.process is not None:
        state: dict[str, Any] = {"running": {}}
        if pod.exit_code is not None:
            state = {"terminated": {"exitCode": pod.exit_code}}
        container = pod.spec["containers"][0]
        told = {"name": container["name"], "image": container["image"], "imageID": "", "ready": pod.exit_code is None}
        status["containerStatuses"] = [{**told, "restartCount": 0, "state": state}]
    metadata = {"name": pod.name, "labels": {"job-name": pod.job}}
    return {"apiVersion": "v1", "kind": "Pod", "metadata": metadata, "spec": pod.spec, "status": status}


def _handler(cluster: Cluster) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def _answer(self) -> None:
            length = int(self.headers.get("Content-Length") or 0)
            body = json.loads(self.rfile.read(length)) if length else None
            address = urlsplit(self.path)
            status = HTTPStatus.OK
            try:
                with cluster.lock:
                    answer = cluster.answer(self.command, address.path, parse_qs(address.query), body)
            except RefusedError as error:
                status = error.status
                answer = {"kind": "Status", "status": "Failure", "message": str(error), "code": int(status)}
            text = answer if isinstance(answer, str) else json.dumps(answer)
            data = text.encode()
            self.send_response(status)
            self.send_header("Content-Type", "text/plain" if isinstance(answer, str) else "application/json")
            self.send_header("Content-Length", str(len(data)))
            self.end_headers()
            self.wfile.write(data)

        def do_GET(self) -> None:
            self._answer()

        def do_POST(self) -> None:
            self._answer()

        def do_DELETE(self) -> None:
            self._answer()

        def log_message(self, format: str, *arguments: Any) -> None:
            pass

    return Handler


@contextmanager
def stand_in(folder: Path, claims: set[str], images: set[str]) -> Iterator[Cluster]:
    """Serve on a free port, yield the cluster, and end every pod whatever happens.

    A claim is bound to a file system of this computer that is already there under the path at which pods mount it.
    """
    folder.mkdir(parents=True)
    cluster = Cluster(folder, frozenset(claims), frozenset(images))
    server = ThreadingHTTPServer(("127.0.0.1", 0), _handler(cluster))
    configuration = folder / "kubeconfig"
    configuration.write_text(_KUBECONFIG.format(port=server.server_port), encoding="utf-8")
    cluster.environment = {**os.environ, "KUBECONFIG": str(configuration)}
    ended = threading.Event()

    def work() -> None:
        while not ended.is_set():
            cluster.work()
            time.sleep(0.1)

    threads = [threading.Thread(target=server.serve_forever), threading.Thread(target=work)]
    for thread in threads:
        thread.start()
    try:
        yield cluster
    finally:
        ended.set()
        server.shutdown()
        for thread in threads:
            thread.join()
        server.server_close()
        for pod in cluster.running():
            cluster.kill(pod)

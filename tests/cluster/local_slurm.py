"""A Slurm of one controller and two node daemons on this computer, started and stopped by this script alone.

Made of Debian's packages slurm-wlm and munge; everything it writes lies in one folder, and nothing of the system's
own configuration is touched. Needs root, as the daemons do.
"""

from __future__ import annotations

import os
import pwd
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from tests.patience import HUNG

_CONFIGURATION = """\
ClusterName=bench
SlurmctldHost={host}(127.0.0.1)
AuthType=auth/munge
AuthInfo=socket={folder}/munge.socket
CredType=cred/munge
SlurmUser=root
SlurmdUser=root
StateSaveLocation={folder}/state
SlurmdSpoolDir={folder}/spool-%n
SlurmctldPidFile={folder}/slurmctld.pid
SlurmdPidFile={folder}/slurmd-%n.pid
SlurmctldLogFile={folder}/slurmctld.log
SlurmdLogFile={folder}/slurmd-%n.log
ProctrackType=proctrack/linuxproc
TaskPlugin=task/none
JobAcctGatherType=jobacct_gather/none
AccountingStorageType=accounting_storage/none
SelectType=select/cons_tres
SelectTypeParameters=CR_Core
SwitchType=switch/none
ReturnToService=2
SlurmctldPort={port}
# Ended jobs stay visible to squeue for this long: the executor reads their state there.
MinJobAge=600
SlurmdTimeout=20
InactiveLimit=0
KillWait=2
SchedulerParameters=sched_interval=1,batch_sched_delay=1
NodeName=n1 NodeHostname={host} NodeAddr=127.0.0.1 Port={port_1} CPUs=2 RealMemory=4000
NodeName=n2 NodeHostname={host} NodeAddr=127.0.0.1 Port={port_2} CPUs=2 RealMemory=4000
PartitionName=bench Nodes=n1,n2 Default=YES MaxTime=60 State=UP
"""


@dataclass
class Cluster:
    """A running cluster; ``environment`` makes Slurm's commands talk to it."""

    folder: Path
    environment: dict[str, str]
    daemons: dict[str, subprocess.Popen[bytes]]

    def call(self, *command: str) -> str:
        """Run one of Slurm's commands and return what it prints."""
        return subprocess.run(
            command, env=self.environment, check=True, capture_output=True, text=True, timeout=HUNG
        ).stdout

    def kill_node(self, name: str) -> None:
        """End a node's daemon and every job step it runs, at once."""
        daemon = self.daemons.pop(name)
        daemon.kill()
        daemon.wait()
        for process in _children_of_spool(self.folder / f"spool-{name}"):
            os.kill(process, 9)
        self.call("scontrol", "update", f"NodeName={name}", "State=DOWN", "Reason=killed")


def _children_of_spool(spool: Path) -> list[int]:
    """Return the processes of job steps whose script lies in a node's spool folder."""
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                command = (entry / "cmdline").read_bytes()
            except OSError:
                continue
            if str(spool).encode() in command:
                found.append(int(entry.name))
    return found


def _free_ports(count: int) -> list[int]:
    sockets = [socket.socket() for _ in range(count)]
    for one in sockets:
        one.bind(("127.0.0.1", 0))
    ports = [int(one.getsockname()[1]) for one in sockets]
    for one in sockets:
        one.close()
    return ports


#: Mounted on any running system, not in a bare chroot.
_CONTROL_GROUPS = Path("/sys/fs/cgroup")


def starts() -> bool:
    """Tell whether the daemons start here: those of Slurm 22 (Debian 12) want control groups, later ones need none."""
    said = subprocess.run(["slurmd", "-V"], capture_output=True, text=True, check=True).stdout
    return _CONTROL_GROUPS.is_mount() or int(said.split()[-1].split(".")[0]) >= 23


@contextmanager
def local_slurm(folder: Path) -> Iterator[Cluster]:
    """Start the cluster in ``folder``, yield it ready, and stop it whatever happens."""
    folder.mkdir(parents=True)
    folder.chmod(0o755)
    host = socket.gethostname().split(".")[0]
    port, port_1, port_2 = _free_ports(3)
    for name in ("state", "spool-n1", "spool-n2"):
        (folder / name).mkdir()
    configuration = folder / "slurm.conf"
    configuration.write_text(
        _CONFIGURATION.format(host=host, folder=folder, port=port, port_1=port_1, port_2=port_2), encoding="utf-8"
    )
    if not _CONTROL_GROUPS.is_mount():
        (folder / "cgroup.conf").write_text("CgroupPlugin=disabled\n", encoding="utf-8")
    key = folder / "munge.key"
    key.write_bytes(os.urandom(128))
    key.chmod(0o600)
    environment = {
        **os.environ,
        "SLURM_CONF": str(configuration),
        "PATH": f"{folder}/bin:{os.environ.get('PATH', '')}:/usr/sbin:/sbin",
    }
    # The workflow's job step drops SLURM_CONF before it calls srun; a system whose configuration lies in its
    # usual place does not notice. Here a wrapper puts it back.
    wrapper = folder / "bin" / "srun"
    wrapper.parent.mkdir()
    wrapper.write_text(f'#!/bin/sh\nSLURM_CONF={configuration} exec /usr/bin/srun "$@"\n', encoding="utf-8")
    wrapper.chmod(0o755)
    user = pwd.getpwuid(os.getuid()).pw_name
    daemons: dict[str, subprocess.Popen[bytes]] = {}
    cluster = Cluster(folder, environment, daemons)

    def start(name: str, *command: str) -> None:
        with (folder / f"{name}.out").open("wb") as log:
            daemons[name] = subprocess.Popen(command, env=environment, stdout=log, stderr=log)

    try:
        start(
            "munged",
            "munged",
            "--foreground",
            "--force",
            f"--key-file={key}",
            f"--socket={folder}/munge.socket",
            f"--pid-file={folder}/munged.pid",
            f"--seed-file={folder}/munge.seed",
            f"--log-file={folder}/munged.log",
        )
        _until((folder / "munge.socket").exists, f"munged of {user} does not start", cluster)
        start("slurmctld", "slurmctld", "-D", "-i")
        for node in ("n1", "n2"):
            start(node, "slurmd", "-D", "-N", node)

        def both_idle() -> bool:
            return cluster.call("sinfo", "-h", "-t", "idle", "-o", "%D").strip() == "2"

        _until(both_idle, "no two idle nodes", cluster)
        yield cluster
    finally:
        for name in ("n1", "n2", "slurmctld", "munged"):
            daemon = daemons.get(name)
            if daemon is not None:
                daemon.terminate()
        for daemon in daemons.values():
            try:
                daemon.wait(timeout=10)
            except subprocess.TimeoutExpired:
                daemon.kill()
                daemon.wait()


def _until(ready: Callable[[], bool], failure: str, cluster: Cluster) -> None:
    end = time.monotonic() + HUNG
    # A daemon that has ended will not get ready any more.
    while time.monotonic() < end and all(daemon.poll() is None for daemon in cluster.daemons.values()):
        try:
            if ready():
                return
        except (subprocess.CalledProcessError, subprocess.TimeoutExpired):
            pass
        time.sleep(0.3)
    logs = "\n".join(
        f"--- {path.name}\n{path.read_text(errors='replace')[-1500:]}" for path in sorted(cluster.folder.glob("*.log"))
    )
    raise RuntimeError(f"{failure}\n{logs}")

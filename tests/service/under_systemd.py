"""By hand: the units under a real systemd as process 1 of a container of its own, with each kind of death.

    sudo PYTHONPATH=. python -m tests.service.under_systemd

Needs root, systemd, overlayfs, cgroup v2, user namespaces, and a /usr/bin/python3 of the version that runs this. It makes namespaces
for mounts, processes, network and cgroups, lays a temporary overlay over the whole file system, installs the program and its units
into that, boots it, and measures at the simulated instruments. Nothing outside its overlay is written; it ends by itself.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tests.processes.bench_process import BENCH, CELL, CHANNEL
from tests.service.test_under_a_manager import SLOW
from tests.service.unit_files import CONFINED, ROOT, RUN, SYSTEMD

UNIT, RESUME = f"chargerd-run@{CHANNEL}.service", f"chargerd-resume@{CHANNEL}.service"
PYTHON, OUT = "/opt/chargerd/bin/python3", Path("/trial")
IDLE = (
    "systemd-udevd systemd-timesyncd systemd-networkd systemd-resolved getty@tty1 console-getty systemd-remount-fs systemd-modules-load "
    "systemd-random-seed systemd-update-utmp systemd-tmpfiles-setup systemd-tmpfiles-setup-dev"
)
BENCH_UNIT = f"""[Service]
WorkingDirectory=/etc/chargerd
ExecStart={PYTHON} -m chargerd simulate bench.yaml --cell dotterel --formed --side-door
StandardOutput=truncate:{OUT}/bench.txt
"""
TRIAL_UNIT = f"""[Service]
WorkingDirectory=/opt/source
ExecStart={PYTHON} -u -m tests.service.under_systemd inside
ExecStopPost=/bin/systemctl exit 3 --force --force
StandardOutput=append:{OUT}/said.txt
StandardError=inherit
"""
SLEEP_UNIT = "[Unit]\nRequires=sleep.target\nAfter=sleep.target\n[Service]\nType=oneshot\nExecStart=/bin/true\n"
BOOT = f"""set -e
mount --make-rprivate /
mount -t tmpfs tmpfs "$T/over"; mkdir "$T/over/upper" "$T/over/work"
mount -t overlay overlay -o "lowerdir=/,upperdir=$T/over/upper,workdir=$T/over/work" "$T/root"
cd "$T/root"
mount -t proc proc proc; mount -t sysfs sysfs sys; mount -t tmpfs tmpfs run; mount -t cgroup2 cgroup2 sys/fs/cgroup
mount -t tmpfs -o mode=755 tmpfs dev; mkdir -p dev/pts dev/shm ./{OUT}
mount -t devpts -o newinstance,ptmxmode=0666 devpts dev/pts; ln -s pts/ptmx dev/ptmx
while read -r node major minor; do mknod -m 666 "dev/$node" c "$major" "$minor"; done <<< "null 1 3
zero 1 5
full 1 7
random 1 8
urandom 1 9
tty 5 0"
ip link set lo up
mount --bind "$T/out" ./{OUT}
cp -r "$T/files/." .
/usr/bin/python3 -m venv --without-pip --prompt chargerd opt/chargerd
mkdir -p opt/site opt/source
mount --bind "$SITE" opt/site; mount --bind "$SOURCE" opt/source
printf '/opt/source\\n/opt/site\\n' > "$(echo opt/chargerd/lib/python3*/site-packages)/trial.pth"
printf '#!{PYTHON}\\nimport sys\\nfrom chargerd.cli.main import main\\nsys.exit(main())\\n' > opt/chargerd/bin/chargerd
chmod 755 opt/chargerd/bin/chargerd
for name in {IDLE}; do ln -sf /dev/null "etc/systemd/system/$name.service"; done
mkdir oldroot; pivot_root . oldroot; cd /
systemd-sysusers /etc/sysusers.d/chargerd.conf
umount -l /oldroot
exec env -i container=trial PATH=/usr/sbin:/usr/bin:/sbin:/bin /lib/systemd/systemd --system --unit=trial.target --log-target=journal --show-status=no
"""


def files(folder: Path) -> None:
    """What is installed, as SERVICE.md says, and what this trial adds."""
    units, settings = folder / "etc/systemd/system", folder / "etc/chargerd"
    (folder / "etc/sysusers.d").mkdir(parents=True)
    (folder / "var/lib/chargerd").mkdir(parents=True)
    settings.mkdir()
    shutil.copytree(SYSTEMD, units, ignore=lambda _, names: [name for name in names if not name.endswith((".service", ".conf", ".d"))])
    shutil.copy(SYSTEMD / "chargerd.sysusers", folder / "etc/sysusers.d/chargerd.conf")
    (settings / "bench.yaml").write_text(BENCH.format(supply=5025, load=5026, probe=5027).replace("data: data", "data: /var/lib/chargerd"))
    (settings / "cell.yaml").write_text(CELL)
    (settings / "slow.yaml").write_text(SLOW)
    (settings / f"{CHANNEL}.env").write_text("PROFILE=slow.yaml\nCELL=cell.yaml\nBENCH=bench.yaml\n")
    (units / "bench.service").write_text(BENCH_UNIT)
    (units / "trial.service").write_text(TRIAL_UNIT)
    (units / "asleep.service").write_text(SLEEP_UNIT)
    (units / "trial.target").write_text("[Unit]\nRequires=basic.target\nAfter=basic.target\nWants=trial.service\n")
    assert (units / RUN).is_file()
    assert (units / CONFINED).is_file()


def outside() -> int:
    """Build the container, boot it, print what it found."""
    (cgroups,) = (line.split()[1] for line in Path("/proc/mounts").read_text().splitlines() if line.split()[2] == "cgroup2")
    mine = Path(cgroups) / f"chargerd-trial-{os.getpid()}"
    mine.mkdir()
    import yaml  # noqa: F401 - its folder is the one with all libraries

    site = Path(sys.modules["yaml"].__file__ or "").parent.parent
    with tempfile.TemporaryDirectory() as temporary:
        for name in ("root", "over", "out", "files"):
            (Path(temporary) / name).mkdir()
        files(Path(temporary) / "files")
        environment = os.environ | {"T": temporary, "SITE": str(site), "SOURCE": str(ROOT)}
        command = ["unshare", "-m", "-p", "-f", "-u", "-i", "-n", "-C", "--kill-child", "bash", "-c", BOOT]
        try:
            subprocess.run(
                ["bash", "-c", f'echo $$ > {mine}/cgroup.procs; exec "$@"', "-", *command], env=environment, timeout=400, check=False,
            )  # fmt: skip
            said = Path(temporary) / "out" / "said.txt"
            print(said.read_text() if said.is_file() else "it did not boot")
        finally:
            for folder in sorted(mine.rglob("*/"), reverse=True):  # systemd's own groups, all empty by now
                folder.rmdir()
            mine.rmdir()
    return 0


# --- inside -------------------------------------------------------------------------------------------------------------------


def sh(*command: str) -> str:
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    return (done.stdout + done.stderr).strip()


def shown(unit: str = UNIT) -> dict[str, str]:
    names = ("ActiveState", "SubState", "Result", "ExecMainStatus", "NRestarts", "MainPID", "StatusText")
    return dict(line.split("=", 1) for line in sh("systemctl", "show", unit, *(f"-p{name}" for name in names)).splitlines())


def until(fact: Callable[[], bool], what: str, within_s: float = 60.0) -> None:
    end_s, tick = time.monotonic() + within_s, threading.Event()
    while not fact():
        if time.monotonic() > end_s:
            raise SystemExit(f"waited in vain: {what}\n" + sh("journalctl", "--no-pager", "-n", "60"))
        tick.wait(0.02)


class Instruments:
    """The simulated bench, a service of its own, through its side door."""

    def __init__(self) -> None:
        print(sh("systemctl", "start", "bench"))
        said = OUT / "bench.txt"
        until(lambda: said.is_file() and "are ready" in said.read_text(), "the bench is ready")
        (door,) = (line.removeprefix("side door ") for line in said.read_text().splitlines() if line.startswith("side door "))
        self._door = (door.rpartition(":")[0], int(door.rpartition(":")[2]))

    def is_on(self) -> bool:
        with socket.create_connection(self._door, 20) as door, door.makefile("rw", encoding="utf-8") as lines:
            lines.write('{"report": true}\n')
            lines.flush()
            panels: dict[str, Any] = json.loads(lines.readline())["report"]["panels"]
        return bool(panels["supply"]["conducts"] or panels["load"]["conducts"])


def pids() -> tuple[int, int]:
    keeper = int(shown()["MainPID"])
    (worker,) = Path(f"/proc/{keeper}/task/{keeper}/children").read_text().split()
    return keeper, int(worker)


def resident_MB(pid: int) -> float:
    return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * os.sysconf("SC_PAGESIZE") / 1e6


def begin(bench: Instruments) -> tuple[int, int]:
    """A new run by a person; what the last one left is closed first."""
    chargerd = ("runuser", "-u", "chargerd", "--", "/opt/chargerd/bin/chargerd")
    sh("systemctl", "reset-failed", UNIT)
    for folder in Path("/var/lib/chargerd/runs").glob("*"):
        sh(*chargerd, "stop", str(folder))
    sh(*chargerd, "clear", CHANNEL, "--data", "/var/lib/chargerd", "--reason", "trial")
    print(sh("systemctl", "start", UNIT), end="")
    until(bench.is_on, "the source is on")
    return pids()


def fault(bench: Instruments, name: str, strike: Callable[[int, int], object], ends: str = "failed") -> None:
    keeper, worker = begin(bench)
    at_s = time.monotonic()
    strike(keeper, worker)
    until(lambda: not bench.is_on(), "off")
    off_s = time.monotonic() - at_s
    until(lambda: (shown()["ActiveState"], shown()["SubState"]) == (ends, {"failed": "failed", "inactive": "dead"}[ends]), "it has settled")
    end = shown()
    runs = len(list(Path("/var/lib/chargerd/runs").glob("*")))
    print(f"{name:34} off after {off_s:5.2f} s; restarts {end['NRestarts']}, last exit {end['ExecMainStatus']}, {end['Result']}, run {runs}")


def inside() -> None:
    """Under that systemd, as root of the container."""
    bench = Instruments()
    print("nothing to go on with:", sh("systemctl", "start", RESUME), shown(RESUME)["Result"])
    keeper, worker = begin(bench)
    status = Path(f"/proc/{worker}/status").read_text()
    facts = [line.replace("\t", " ") for line in status.splitlines() if line.startswith(("CapEff", "NoNewPrivs", "Seccomp:", "Groups"))]
    print("confined:", *facts, f"; keeper {resident_MB(keeper):.0f} MB, worker {resident_MB(worker):.0f} MB; sleep:")
    print(sh("systemd-inhibit", "--list", "--no-legend"))
    sh("systemctl", "stop", UNIT)

    both = (signal.SIGKILL, signal.SIGSTOP)
    fault(bench, "worker killed", lambda _, w: os.kill(w, both[0]))
    fault(bench, "keeper killed", lambda k, _: os.kill(k, both[0]))
    fault(bench, "both killed", lambda k, w: (os.kill(k, both[0]), os.kill(w, both[0])))
    fault(bench, "worker hangs", lambda _, w: os.kill(w, both[1]))
    fault(bench, "worker hangs, keeper killed", lambda k, w: (os.kill(w, both[1]), os.kill(k, both[0])))
    fault(bench, "keeper hangs", lambda k, _: os.kill(k, both[1]))
    fault(bench, "both hang", lambda k, w: (os.kill(k, both[1]), os.kill(w, both[1])))
    fault(bench, "systemctl stop", lambda *_: sh("systemctl", "stop", UNIT), ends="inactive")
    fault(bench, "systemctl restart (begins nothing)", lambda *_: sh("systemctl", "restart", UNIT))
    fault(bench, "sent to sleep", lambda *_: sh("systemctl", "start", "asleep"), ends="inactive")


if __name__ == "__main__":
    sys.exit(inside() if sys.argv[1:] == ["inside"] else outside())

"""A simulated bench in a process of its own, chargerd in others, and the simulator's record of what really happened.

The cell is *dotterel*, an invented one of a few farads: a real charge, its top, a rest and a discharge take half a minute of
real time. What is judged is the simulator's own log of when outputs conducted, never what the program believes.
"""

from __future__ import annotations

import contextlib
import csv
import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
PATIENCE_S = 60.0
"""Longest wait for anything that has no bound of its own; the machine may be busy with other tests."""
CHANNEL = "slip-1"
CURRENT_MAX_A = 0.45
SAMPLE_EVERY_S = 0.5
CLIPPED = ("--cell", "dotterel", "--formed")
"""What is at the simulated bench's clips."""

BENCH = """\
bench: boathouse
about: An invented bench for tests.
data: data
instruments:
  supply:
    address: tcp://127.0.0.1:{supply}
    dialect: scpi-supply
    identity: "Boathouse,Source 3A,SN1,1.0"
    ratings: {{voltage: 30 V, current: 3 A}}
    accuracy: {{voltage: 0.05 % + 5 mV, current: 0.1 % + 2 mA}}
    resolution: {{voltage: 1 mV, current: 1 mA}}
  load:
    address: tcp://127.0.0.1:{load}
    dialect: scpi-load
    identity: "Boathouse,Sink 10A,SN2,1.0"
    ratings: {{voltage: 60 V, current: 5 A}}
    accuracy: {{voltage: 0.05 % + 5 mV, current: 0.1 % + 2 mA}}
    resolution: {{voltage: 1 mV, current: 1 mA}}
    minimum_voltage: 0.1 V
  probe:
    address: tcp://127.0.0.1:{probe}
    dialect: scpi-thermometer
    identity: "Boathouse,Thermometer,SN6,1.0"
    accuracy: {{temperature: 0.5 K}}
    resolution: {{temperature: 0.1 K}}
channels:
  slip-1: {{source: supply, load: load, voltage: supply, temperature: probe}}
limits: {{voltage: 3.0 V, charge_current: 2.5 A, discharge_current: 2.5 A, temperature: 50 °C}}
wiring: {{lead: 0.05 ohm, fuse: 1 A}}
ventilation: {{outdoors: yes}}
"""

CELL = """\
cell: dotterel-01
about: An invented cell of a few farads. Its rating is that of its case, so that its currents pass as sound.
made: 2025-10-03
vented: yes
ingredients: {activated_carbon: 1.76 g}
mass: 112 g
rated: {capacity: 100 mAh, window: [2.00 V, 0.90 V]}
limits: {voltage_max: 2.75 V, charge_current: 500 mA, discharge_current: 500 mA, temperature_max: 45 °C}
gassing: {threshold: unmeasured}
"""

PROFILE = """\
profile: half-minute
about: Constant current, constant voltage, a top that gasses, rest and discharge within half a minute.
attended: yes
steps:
  - charge:
      current: 450 mA
      voltage: 1.75 V
      sample_every: 500 ms
      ends_when: {current_below: 90 mA, charge: 2.9 mAh, time: 60 s}
  - charge:
      current: 200 mA
      voltage: 2.00 V
      sample_every: 500 ms
      ends_when: {gassing_time: 4 s, charge: 2 mAh, time: 60 s}
  - rest: {lasts: 1 s, sample_every: 500 ms}
  - discharge:
      current: 450 mA
      sample_every: 500 ms
      ends_when: {voltage_below: 0.90 V, charge: 2.9 mAh, time: 60 s}
  - rest: {lasts: 1 s, sample_every: 500 ms}
"""


def wait_until(fact: Callable[[], bool], what: str, within_s: float = PATIENCE_S) -> None:
    """Wait for a condition; fail with its name."""
    end_s = time.monotonic() + within_s
    tick = threading.Event()
    while not fact():
        assert time.monotonic() < end_s, f"waited {within_s} s in vain until {what}"
        tick.wait(0.02)


def free_ports(count: int) -> list[int]:
    """Ports nobody listens on now; another test may take one before it is used, which shows as a start that fails."""
    with contextlib.ExitStack() as stack:
        probes = [stack.enter_context(socket.socket()) for _ in range(count)]
        for probe in probes:
            probe.bind(("127.0.0.1", 0))
        return [int(probe.getsockname()[1]) for probe in probes]


def children(pid: int) -> list[int]:
    """The processes a process has started, from the kernel's own list."""
    try:
        return [int(word) for word in Path(f"/proc/{pid}/task/{pid}/children").read_text(encoding="ascii").split()]
    except OSError:
        return []


def is_alive(pid: int) -> bool:
    """Whether a process runs; one that has ended and waits to be reaped does not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


@dataclass
class Run:
    """A `chargerd run` or `chargerd resume`: the process that becomes the keeper, and the worker it starts."""

    process: subprocess.Popen[str]
    output: Path
    began_s: float = field(default_factory=time.monotonic)

    @property
    def keeper(self) -> int:
        return self.process.pid

    def worker(self) -> int:
        """The worker's pid; waits until there is one."""
        wait_until(lambda: bool(children(self.keeper)) or self.process.poll() is not None, "the keeper has started a worker")
        found = children(self.keeper)
        assert found, f"no worker; the keeper ended with {self.process.poll()}: {self.said()}"
        return found[0]

    def said(self) -> str:
        """All it has written so far, to both streams."""
        return self.output.read_text(encoding="utf-8", errors="replace")

    def wait(self, within_s: float = PATIENCE_S) -> int:
        """Its exit code."""
        return self.process.wait(within_s)


class Bench:
    """Files, simulator and side door of one test, in a folder of its own."""

    def __init__(
        self, folder: Path, *, profile: str = PROFILE, more_bench: str = "", seed: int = 0, clipped: Sequence[str] = CLIPPED
    ) -> None:
        self.folder = folder
        self._clipped = clipped
        self.seed = seed
        self.data = folder / "data"
        self._runs: list[Run] = []
        self._count = 0
        self._more_bench = more_bench
        self._said = folder / "simulate.txt"
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "locks").mkdir()
        (folder / "profile.yaml").write_text(profile, encoding="utf-8")
        (folder / "cell.yaml").write_text(CELL, encoding="utf-8")
        self.environment = os.environ | {"PYTHONPATH": str(ROOT), "XDG_RUNTIME_DIR": str(folder / "locks"), "LC_ALL": "C.UTF-8"}
        self._start()

    def _start(self) -> None:
        for _ in range(3):  # a port may be taken between asking for it and using it
            supply, load, probe = free_ports(3)
            text = BENCH.format(supply=supply, load=load, probe=probe) + self._more_bench
            (self.folder / "bench.yaml").write_text(text, encoding="utf-8")
            with self._said.open("wb") as out:
                self._simulator = subprocess.Popen(
                    [
                        sys.executable, "-m", "chargerd", "simulate", "bench.yaml", *self._clipped,
                        "--seed", str(self.seed), "--side-door",
                    ],
                    cwd=self.folder, env=self.environment, stdout=out, stderr=out, stdin=subprocess.DEVNULL,
                )  # fmt: skip
            wait_until(self._is_ready_or_ended, "the bench is ready")
            if self._simulator.poll() is None:
                break
        lines = self._said.read_text(encoding="utf-8").splitlines()
        doors = [line.removeprefix("side door ") for line in lines if line.startswith("side door ")]
        assert doors, f"no simulated bench: {lines}"
        host, _, port = doors[0].partition(":")
        self._door = (host, int(port))
        before_s = time.monotonic()
        now_s = self.report()["now_s"]
        self._zero_s = (before_s + time.monotonic()) / 2 - now_s

    def _is_ready_or_ended(self) -> bool:
        return "are ready" in self._said.read_text(encoding="utf-8") or self._simulator.poll() is not None

    # --- the simulator's side door -------------------------------------------------------------------------------------

    def _ask_door(self, **command: Any) -> dict[str, Any]:
        with socket.create_connection(self._door, 20) as door, door.makefile("rw", encoding="utf-8") as lines:
            lines.write(json.dumps(command) + "\n")
            lines.flush()
            reply: dict[str, Any] = json.loads(lines.readline())
        assert reply.pop("ok"), reply
        return reply

    def fault(self, peer: str, kind: str, **values: Any) -> None:
        """Arm a fault for ever, from now on, unless `times` or `at_s` says otherwise."""
        self._ask_door(fault={"peer": peer, "kind": kind, "times": None, **values})

    def disarm(self, peer: str) -> None:
        self._ask_door(disarm=peer)

    def report(self) -> dict[str, Any]:
        """The truth so far."""
        report: dict[str, Any] = self._ask_door(report=True)["report"]
        return report

    def now_s(self) -> float:
        """The simulator's time, without asking it."""
        return time.monotonic() - self._zero_s

    def off_after_s(self, since_s: float) -> float | None:
        """How long after an instant any output still conducted; 0 when none did, None when one still does."""
        last_s = since_s
        for name in ("supply", "load"):
            for _, end_s in self.report()["panels"][name]["energised"]:
                if end_s is None:
                    return None
                last_s = max(last_s, end_s)
        return last_s - since_s

    def is_on(self) -> bool:
        panels = self.report()["panels"]
        return bool(panels["supply"]["conducts"] or panels["load"]["conducts"])

    @property
    def simulator(self) -> int:
        return self._simulator.pid

    # --- chargerd ------------------------------------------------------------------------------------------------------

    def chargerd(self, *arguments: str, within_s: float = PATIENCE_S) -> subprocess.CompletedProcess[str]:
        """One verb to its end."""
        return subprocess.run(
            [sys.executable, "-m", "chargerd", *arguments], cwd=self.folder, env=self.environment, capture_output=True,
            encoding="utf-8", stdin=subprocess.DEVNULL, timeout=within_s, check=False,
        )  # fmt: skip

    def start(self, *arguments: str, through: Sequence[str] = (), **streams: Any) -> Run:
        """A verb that becomes a keeper, in the background; its streams go to a file unless said otherwise.

        `through` is a command that is executed before and replaces itself by the verb, so that the pid stays.
        """
        self._count += 1
        path = self.folder / f"said-{self._count}.txt"
        with path.open("wb") as out:
            given: Mapping[str, Any] = {"stdin": subprocess.DEVNULL, "stdout": out, "stderr": out} | streams
            command = [*through, sys.executable, "-m", "chargerd", *arguments]
            process = subprocess.Popen(command, cwd=self.folder, env=self.environment, text=True, **given)
        run = Run(process, path)
        self._runs.append(run)
        return run

    def run(self, **streams: Any) -> Run:
        """`chargerd run` of this folder's profile."""
        return self.start("run", "profile.yaml", "--cell", "cell.yaml", "--bench", "bench.yaml", "--plain", **streams)

    def resume(self, run_folder: Path) -> Run:
        return self.start("resume", str(run_folder), "--plain")

    def clear(self, reason: str = "test: looked at the bench") -> subprocess.CompletedProcess[str]:
        return self.chargerd("clear", CHANNEL, "--data", str(self.data), "--reason", reason)

    def run_folders(self) -> list[Path]:
        return sorted(path.parent for path in (self.data / "runs").glob("*/run.yaml"))

    def run_folder(self) -> Path:
        """The newest run's folder; waits until there is one."""
        wait_until(lambda: bool(self.run_folders()), "the run has a folder")
        return self.run_folders()[-1]

    # --- the end -------------------------------------------------------------------------------------------------------

    def close(self) -> None:
        """End what this bench has started, by pid: keepers, their workers, whatever else works in this folder, the simulator."""
        for run in self._runs:
            if run.process.poll() is None:
                run.process.kill()
            run.process.wait(PATIENCE_S)
            for pipe in (run.process.stdin, run.process.stdout, run.process.stderr):
                if pipe is not None:
                    with contextlib.suppress(BrokenPipeError):
                        pipe.close()
        for pid in self._left_over():
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        with contextlib.suppress(ProcessLookupError):
            os.kill(self._simulator.pid, signal.SIGCONT)
        self._simulator.kill()
        self._simulator.wait(PATIENCE_S)

    def _left_over(self) -> Iterator[int]:
        """Workers whose keeper a test has killed: their working folder is this bench's own."""
        for entry in Path("/proc").iterdir():
            if entry.name.isdecimal() and int(entry.name) not in (os.getpid(), self._simulator.pid):
                with contextlib.suppress(OSError):
                    if (entry / "cwd").resolve() == self.folder.resolve():
                        yield int(entry.name)


# --- reading a run's record, independently of the package ----------------------------------------------------------------


def rows(folder: Path, name: str) -> list[dict[str, str]]:
    """The whole rows of readings.csv or events.csv so far, torn tail left out; none when there is no file yet."""
    try:
        content = (folder / name).read_bytes()
    except FileNotFoundError:
        return []
    text = content[: content.rfind(b"\n") + 1].decode()
    return list(csv.DictReader(text.splitlines()))


def events(folder: Path, kind: str = "") -> list[dict[str, Any]]:
    """The events so far, each with its detail as a dictionary under `detail`."""
    found = [row | {"detail": json.loads(row["detail"])} for row in rows(folder, "events.csv")]
    return [event for event in found if event["kind"] == kind or not kind]


def states(folder: Path) -> list[str]:
    """Every state the channel went through after IDLE."""
    return [event["detail"]["after"] for event in events(folder, "state-changed")]


def in_phase(folder: Path, phase: str) -> bool:
    """Whether a run has come to: opening, checking, cc, cv, gassing, rest, discharge."""
    if phase == "opening":
        return (folder / "run.yaml").is_file()
    if phase == "checking":
        return states(folder)[-1:] == ["CHECKING"]
    steps = {"cc": "1", "cv": "1", "gassing": "2", "rest": "3", "discharge": "4"}
    last = (rows(folder, "readings.csv") or [{}])[-1]
    if last.get("step") != steps[phase] or last.get("state") != "RUNNING":
        return False
    return phase != "cv" or last["regulated_by"] == "cv"


def reach(run: Run, folder: Path, phase: str) -> None:
    """Wait until a run has come to a phase; fail when it ends before."""
    wait_until(lambda: in_phase(folder, phase) or run.process.poll() is not None, f"the run is in {phase}")
    assert run.process.poll() is None, f"the run ended before {phase}: {run.said()}"


# --- bounds, computed from the files that promise them -------------------------------------------------------------------


def off_s(folder: Path) -> float:
    """What `off` promises: 1 s for a live worker, each output's tries and time-outs, 2 s for starting and telling."""
    outputs = json.loads((folder / "off-plan.json").read_text(encoding="ascii"))["outputs"]
    return 1.0 + sum(output["tries"] * output["timeout_s"] for output in outputs) + 2.0


KEEPER_KILL_S = 1.0
KEEPER_PATIENCE_S = 5.0
TIMEOUT_S = 0.5
WORKER_OFF_S = 2 * TIMEOUT_S + 2 * (2 * 2 * TIMEOUT_S)
"""A worker that is asked to end: one question with its retry still in flight, then per output a command and its proof, twice."""

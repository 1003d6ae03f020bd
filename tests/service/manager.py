"""What a service manager does with `chargerd-run@.service`, done by a test: systemd itself is no process 1 where tests run.

It executes the unit's own command lines, listens on a real notification socket, waits as long as the unit says, and kills as
systemd.service(5) and systemd.kill(5) say for Type=notify, WatchdogSec=, TimeoutAbortSec= and KillMode=mixed.
"""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import tempfile
import time
from typing import Any, Self

from tests.processes.bench_process import CHANNEL, PATIENCE_S, Bench, Run, children, is_alive, wait_until

from .unit_files import RUN, one, read_unit, seconds, words


class Manager:
    """One unit of one channel on one test bench. Its run-time folder lasts over restarts."""

    def __init__(self, bench: Bench, *, name: str = RUN) -> None:
        self.bench, self.name, self.unit = bench, name, read_unit(name)
        assert [one(self.unit, "Service", key) for key in ("Type", "NotifyAccess", "KillMode")] == ["notify", "main", "mixed"]
        self.environment = {"PROFILE": "profile.yaml", "CELL": "cell.yaml", "BENCH": "bench.yaml"}
        self.run_time = bench.folder / "run"
        self.folder = self.run_time / name.replace("@.", f"@{CHANNEL}.").removesuffix(".service")
        self.folder.mkdir(parents=True, exist_ok=True)
        self._short = tempfile.TemporaryDirectory()
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(f"{self._short.name}/notify")
        self._socket.setblocking(False)
        self.heard: list[tuple[float, str]] = []

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._socket.close()
        self._short.cleanup()

    def _words(self, key: str) -> list[str]:
        given: dict[str, Any] = {"instance": CHANNEL, "unit": self.name, "run_time": self.run_time, "environment": self.environment}
        return words(one(self.unit, "Service", key), **given)

    def through(self) -> list[str]:
        """What gives a command the unit's environment."""
        (link,) = (word.partition("=")[2] for word in self.unit["Service"]["Environment"] if word.startswith("CHARGERD_RUN_LINK="))
        return ["env", f"NOTIFY_SOCKET={self._short.name}/notify", f"CHARGERD_RUN_LINK={link.replace('%t/%N', str(self.folder))}"]

    def start(self) -> Run:
        """ExecStart=, in the background."""
        ours = ["-m", "chargerd"]
        command = self._words("ExecStart")
        assert command[1:3] == ours
        return self.bench.start(*command[3:], through=self.through())

    def stop_post(self, within_s: float = PATIENCE_S) -> subprocess.CompletedProcess[str]:
        """ExecStopPost=, to its end."""
        return subprocess.run(
            self._words("ExecStopPost"), cwd=self.bench.folder, env=self.bench.environment, capture_output=True, encoding="utf-8",
            stdin=subprocess.DEVNULL, timeout=within_s, check=False,
        )  # fmt: skip

    def listen(self) -> list[str]:
        """All that was said so far."""
        while True:
            try:
                self.heard.append((time.monotonic(), self._socket.recv(4096).decode()))
            except BlockingIOError:
                return [text for _, text in self.heard]

    def says(self, word: str) -> bool:
        return any(word in text.split("\n") for text in self.listen())

    def wait_ready(self, run: Run) -> None:
        wait_until(lambda: self.says("READY=1") or run.process.poll() is not None, "it says that it is ready")
        assert self.says("READY=1"), run.said()

    def watchdog(self, run: Run) -> None:
        """Wait until WatchdogSec= is over without a word, then end the keeper as systemd does."""
        limit_s = seconds(self.unit, "WatchdogSec")

        def is_over() -> bool:
            self.listen()
            fed_s = max(at_s for at_s, text in self.heard if "WATCHDOG=1" in text)
            return time.monotonic() - fed_s >= limit_s

        wait_until(is_over, "nobody feeds the watchdog", 2 * limit_s + 10)
        os.kill(run.keeper, signal.SIGABRT)
        os.kill(run.keeper, signal.SIGCONT)
        try:
            run.process.wait(seconds(self.unit, "TimeoutAbortSec"))
        except subprocess.TimeoutExpired:
            run.process.kill()
            run.process.wait(PATIENCE_S)


def kill(*pids: int) -> None:
    """SIGKILL, and wait until they are gone. A keeper is the test's own child: the caller reaps it."""
    for pid in pids:
        os.kill(pid, signal.SIGKILL)
    wait_until(lambda: not any(map(is_alive, pids)), "the killed are gone")


def worker_of(run: Run) -> int:
    (worker,) = children(run.keeper)
    return worker

"""Two serial ports change places while a run goes on, as adapters do that lose their power: refused before the first write.

Between chargerd and the simulated instruments stand socat's ptys, which nobody here wrote; what crosses them is socat's own log.
"""

from __future__ import annotations

import re
import subprocess
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest

from tests.instruments.socat import needs_socat

from .bench_process import Bench, events, reach, rows, wait_until

pytestmark = [pytest.mark.peer, needs_socat, pytest.mark.timeout(180)]

PORTS = {"supply": "usb0", "load": "usb1"}


class Adapters:
    """One pty for each instrument, each behind a name that may be pointed elsewhere."""

    def __init__(self, bench: Bench) -> None:
        self._folder = bench.folder
        text = (bench.folder / "bench.yaml").read_text(encoding="utf-8")
        self._tcp = {name: found[1] for name in PORTS if (found := re.search(rf"  {name}:\n    address: tcp://(\S+)", text))}
        for name, port in PORTS.items():
            text = text.replace(f"tcp://{self._tcp[name]}", f"serial://{bench.folder}/{port}?baud=115200")
        (bench.folder / "bench.yaml").write_text(text, encoding="utf-8")
        self._processes: list[subprocess.Popen[bytes]] = []
        self._count = 0

    def plug_in(self, names: dict[str, str]) -> dict[str, Path]:
        """Give each instrument a new pty and point the names at them; the logs of what crosses, by instrument."""
        self._count += 1
        logs, ptys = {}, {}
        for instrument, name in names.items():
            pty, logs[instrument] = self._folder / f"pty-{self._count}-{instrument}", self._folder / f"log-{self._count}-{instrument}"
            with logs[instrument].open("wb") as log:
                command = ["socat", "-v", f"PTY,link={pty},raw,echo=0", f"TCP:{self._tcp[instrument]}"]
                self._processes.append(subprocess.Popen(command, stderr=log))
            wait_until(pty.exists, "socat has made its line")
            ptys[name] = pty
        for name, pty in ptys.items():  # only when both are there: the kernel gives numbers again that were just let go
            (self._folder / name).symlink_to(pty)
        return logs

    def unplug(self) -> None:
        """Pull both cables; their names go, as a device manager takes them away."""
        for name in PORTS.values():
            (self._folder / name).unlink(missing_ok=True)
        for process in self._processes:
            process.kill()
            process.wait(20)
        self._processes.clear()


@contextmanager
def adapters(bench: Bench) -> Iterator[Adapters]:
    made = Adapters(bench)
    try:
        yield made
    finally:
        made.unplug()


def sent(log: Path) -> list[str]:
    """What chargerd sent through one pty: the lines of socat's log below each `>` head."""
    heads = re.split(r"(?m)^([<>]) \d{4}.*$", log.read_text(encoding="latin-1"))
    return [line for mark, body in zip(heads[1::2], heads[2::2], strict=True) if mark == ">" for line in body.split("\n") if line]


def test_ports_swapped_in_a_run_are_refused_before_the_first_write(make_bench: Callable[..., Bench]):
    bench = make_bench()
    with ExitStack() as stack:
        plugs = stack.enter_context(adapters(bench))
        first = plugs.plug_in(PORTS)
        run = bench.run()
        reach(run, bench.run_folder(), "cc")
        wait_until(lambda: len(rows(bench.run_folder(), "readings.csv")) > 4, "it has charged for a while")
        assert bench.is_on()
        assert "OUTP ON" in sent(first["supply"])

        plugs.unplug()
        swapped = plugs.plug_in({"supply": PORTS["load"], "load": PORTS["supply"]})
        wait_until(lambda: bool(events(bench.run_folder(), "tripped")), "the run has tripped")
        # It goes on trying to switch off: ask who is there, find the wrong one, write nothing.
        wait_until(lambda: all(len(sent(log)) >= 6 for log in swapped.values()), "both were asked again and again")

        assert {line for log in swapped.values() for line in sent(log)} == {"*IDN?"}
        assert bench.is_on(), "nobody can reach the supply: only a dead-man relay or a hand could"
        recorded = str(events(bench.run_folder()))
        assert "nothing is written to it" in recorded
        assert run.process.poll() is None

        plugs.unplug()
        right = plugs.plug_in(PORTS)
        wait_until(lambda: not bench.is_on(), "the supply was switched off once it could be reached")
        assert "OUTP OFF" in sent(right["supply"])

"""A whole run that feeds a dead-man relay on a real line: fed while it proves itself, not fed by a hung worker, fed by one run only.

The relay itself is the test: it reads the far end of a pty and notes when each byte came, as the circuit of `wiring --dead-man` does.
"""

from __future__ import annotations

import itertools
import os
import select
import signal
import time
from collections.abc import Callable, Iterator

import pytest

from chargerd.errors import Exit

from .bench_process import KEEPER_PATIENCE_S, Bench, reach, rows, wait_until

pytestmark = pytest.mark.timeout(180)
TOGGLE_S = 0.5
"""The keeper feeds once in this time; the relay of these tests drops out after the 5 s of its `drop_out`."""


class Relay:
    """The line of a dead-man relay and what came over it."""

    def __init__(self) -> None:
        self._main, self._far = os.openpty()
        self.line = os.ttyname(self._far)
        self.fed: list[tuple[float, str]] = []

    def listen(self) -> list[tuple[float, str]]:
        """Take what has come until now."""
        while select.select([self._main], [], [], 0)[0]:
            now_s = time.monotonic()
            self.fed += [(now_s, level) for level in os.read(self._main, 4096).decode().split()]
        return self.fed

    def close(self) -> None:
        os.close(self._main)
        os.close(self._far)


@pytest.fixture
def relay() -> Iterator[Relay]:
    made = Relay()
    yield made
    made.close()


def guarded(relay: Relay) -> str:
    return f'dead_man: {{feed: "line://{relay.line}", drop_out: 5 s, cuts: [supply, load]}}\n'


def test_a_run_feeds_its_relay_until_its_worker_hangs(make_bench: Callable[..., Bench], relay: Relay) -> None:
    bench = make_bench(more_bench=guarded(relay))
    run = bench.run()
    folder = bench.run_folder()
    reach(run, folder, "cc")
    wait_until(lambda: bench.is_on() and len(relay.listen()) >= 4, "the source is on and the relay is fed")

    hung_s = time.monotonic()
    os.kill(run.worker(), signal.SIGSTOP)
    wait_until(lambda: bool(relay.listen()) and run.process.poll() is not None, "the keeper has acted")

    assert run.wait() == Exit.KEEPER_ACTED
    assert not bench.is_on()
    assert all(one != after for (_, one), (_, after) in itertools.pairwise(relay.fed))
    # the last proof may be a pass old; from the end of the keeper's patience on nothing more may come
    assert relay.fed[-1][0] - hung_s <= KEEPER_PATIENCE_S + TOGGLE_S


def test_a_second_run_on_the_same_relay_is_refused_and_the_first_goes_on(make_bench: Callable[..., Bench], relay: Relay) -> None:
    """The second run has instruments of its own; all it shares with the first is the line that holds the relay."""
    first, second = (make_bench(name, more_bench=guarded(relay)) for name in ("first", "second"))
    second.environment["XDG_RUNTIME_DIR"] = first.environment["XDG_RUNTIME_DIR"]
    run = first.run()
    folder = first.run_folder()
    reach(run, folder, "cc")

    other = second.run()
    wait_until(lambda: other.process.poll() is not None or second.is_on(), "the second is refused")

    assert not second.is_on()
    assert other.wait() == Exit.REFUSED
    assert "another run" in other.said()
    assert second.off_after_s(0.0) == 0.0
    seen = len(rows(folder, "readings.csv"))
    wait_until(lambda: len(rows(folder, "readings.csv")) > seen + 2, "the first run goes on")


def test_a_second_run_on_a_shared_supply_is_refused_and_the_first_goes_on(make_bench: Callable[..., Bench]) -> None:
    """Two channels of one bench may name one supply; whoever is second is told so before anything is switched."""
    bench = make_bench()
    run = bench.run()
    folder = bench.run_folder()
    reach(run, folder, "cc")
    text = (bench.folder / "bench.yaml").read_text(encoding="utf-8")
    (bench.folder / "second.yaml").write_text(text.replace("slip-1", "slip-2").replace("data: data", "data: other"), encoding="utf-8")

    other = bench.start("run", "profile.yaml", "--cell", "cell.yaml", "--bench", "second.yaml", "--plain")

    assert other.wait() == Exit.REFUSED
    assert "another run" in other.said()
    assert bench.is_on()
    seen = len(rows(folder, "readings.csv"))
    wait_until(lambda: len(rows(folder, "readings.csv")) > seen + 2, "the first run goes on")

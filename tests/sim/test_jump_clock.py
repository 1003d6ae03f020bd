"""The jumping clock: a day in no time, and never past anything that is still on its way."""

from __future__ import annotations

import asyncio
import os
import threading
import time
import tty
from typing import Any

import pytest

from chargerd.sim import jump_clock
from chargerd.sim.jump_clock import InFlight, JumpLoop


def run(main: Any, in_flight: InFlight | None = None) -> Any:
    with asyncio.Runner(loop_factory=lambda: JumpLoop(in_flight)) as runner:
        return runner.run(main)


async def wait_virtual(seconds: float) -> None:
    """Let virtual time pass (`call_later` behind a future)."""
    loop = asyncio.get_running_loop()
    reached = loop.create_future()
    loop.call_later(seconds, reached.set_result, None)
    await reached


def test_a_day_of_seconds_passes_in_a_moment_and_exactly() -> None:
    async def main() -> float:
        for _ in range(86_400):
            await wait_virtual(1.0)
        return asyncio.get_running_loop().time()

    started_s = time.perf_counter()

    assert run(main()) == 86_400.0
    assert time.perf_counter() - started_s < 10.0  # a guard against real waiting, not a measurement


def test_time_outs_fire_at_their_virtual_instant() -> None:
    async def main() -> float:
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(3600.0):
                await asyncio.Event().wait()
        return asyncio.get_running_loop().time()

    assert run(main()) == 3600.0


def test_timers_fire_in_the_order_of_their_deadlines() -> None:
    async def main() -> list[float]:
        loop = asyncio.get_running_loop()
        fired: list[float] = []
        for delay_s in (3.0, 1.0, 2.0):
            loop.call_later(delay_s, lambda: fired.append(loop.time()))
        await wait_virtual(4.0)
        return fired

    assert run(main()) == [1.0, 2.0, 3.0]


def test_a_call_given_to_a_thread_holds_the_clock_until_its_result_is_there() -> None:
    release = threading.Event()

    async def main() -> tuple[float, str]:
        loop = asyncio.get_running_loop()
        threading.Timer(0.05, release.set).start()
        async with asyncio.timeout(0.5):
            answer = await loop.run_in_executor(None, lambda: "done" if release.wait(10.0) else "late")
        return loop.time(), answer

    assert run(main()) == (0.0, "done")


def test_bytes_counted_in_flight_hold_the_clock_until_they_are_read() -> None:
    # A pty hands over after the write has returned: without the count the time-out below wins the race.
    async def main() -> list[float]:
        loop = asyncio.get_running_loop()
        assert isinstance(loop, JumpLoop)
        master, slave = os.openpty()
        tty.setraw(slave)
        got: asyncio.Queue[int] = asyncio.Queue()

        def read() -> None:
            count = len(os.read(slave, 100))
            loop.in_flight.done(count, "pty")
            got.put_nowait(count)

        loop.add_reader(slave, read)
        seen_s = []
        for _ in range(500):
            loop.in_flight.add(1, "pty")
            os.write(master, b"x")
            async with asyncio.timeout(0.001):
                await got.get()
            seen_s.append(loop.time())
        loop.remove_reader(slave)
        os.close(master)
        os.close(slave)
        return seen_s

    assert run(main()) == [0.0] * 500


def test_what_never_arrives_is_an_error_and_not_a_hang(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(jump_clock, "LOST_AFTER_S", 0.05)
    in_flight = InFlight()
    in_flight.add(3, "wire")

    with pytest.raises(RuntimeError, match="wire"):
        run(wait_virtual(1.0), in_flight)


def test_counts_are_kept_by_link_and_never_fall_below_zero() -> None:
    in_flight = InFlight()
    in_flight.done(5, "a")
    in_flight.add(2, "a")
    in_flight.add(1, "b")
    in_flight.done(9, "a")

    assert not in_flight.is_clear

    in_flight.forget("b")

    assert in_flight.is_clear


def test_a_reply_to_a_closed_link_is_not_waited_for() -> None:
    in_flight = InFlight()
    in_flight.add(4, "a")
    in_flight.forget("a")
    in_flight.add_if_open(7, "a")

    assert in_flight.is_clear

    in_flight.add(1, "a")
    in_flight.add_if_open(1, "a")
    in_flight.done(1, "a")

    assert not in_flight.is_clear

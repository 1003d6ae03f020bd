"""A disk that is full, read-only, failing or hanging under a whole run: nothing is raised while rows wait, off never waits.

The os layer under the run's rows is injected (no real disk fails on command, and its time must jump with the run's); the files,
the loop, the engine, the drivers and the simulated bench are the real ones. A real full disk: tests/journal/test_full_disk.py.
"""

from __future__ import annotations

import asyncio
import errno
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from chargerd.core.events import CheckPassed, Stop
from chargerd.core.states import State
from chargerd.daemon.clock import Clock, jumping_clock
from chargerd.errors import JournalError
from chargerd.journal.columns import Storage
from chargerd.journal.disk import Job
from chargerd.journal.writer import JournalWriter
from tests.worlds import world_bench
from tests.worlds.invariants import OFF_TAKES_S, assert_safe
from tests.worlds.world_bench import Ran, Stage, run_world

PROFILE = """\
profile: two-charges
about: Two charges with a rest between them, so that there is something to switch on while the disk fails.
attended: yes
steps:
  - charge:
      current: 150 mA
      voltage: 1.85 V
      sample_every: 2 s
      ends_when: {time: 60 s, charge: 20 % rated}
  - rest: {lasts: 20 s, sample_every: 2 s}
  - charge:
      current: 150 mA
      voltage: 1.85 V
      sample_every: 2 s
      ends_when: {time: 120 s, charge: 20 % rated}
"""
WAIT_S = 60.0


@dataclass
class Disk:
    """The injected layer: between two instants of the run every write or sync of rows is refused, or a sync takes long."""

    loop: asyncio.AbstractEventLoop
    from_s: float
    until_s: float
    number: int
    call: str
    left: int = 10**9

    def judge(self, call: str, descriptor: int) -> None:
        if call != self.call or ".csv" not in Path(f"/proc/self/fd/{descriptor}").readlink().name:
            return
        if self.from_s <= self.loop.time() < self.until_s and self.left > 0:
            self.left -= 1
            raise OSError(self.number, os.strerror(self.number))


class Hanging:
    """A disk whose jobs begun between two instants end only at the second one; jobs of other times are done at once."""

    def __init__(self, loop: asyncio.AbstractEventLoop, from_s: float, until_s: float) -> None:
        self._loop = loop
        self._from_s = from_s
        self._until_s = until_s
        self._busy = False

    def start(self, job: Job, done: Job) -> None:
        if self._from_s <= self._loop.time() < self._until_s:
            self._busy = True
            self._loop.call_at(self._until_s, self._end, job, done)
        else:
            job()
            done()

    def _end(self, job: Job, done: Job) -> None:
        self._busy = False
        job()
        done()

    def finish(self, within_s: float) -> bool:
        return not self._busy


@contextmanager
def on_disk(
    *, call: str = "", from_s: float = 0.0, until_s: float = 0.0, number: int = 0, left: int = 10**9,
    hangs: tuple[float, float] | None = None,
) -> Iterator[None]:  # fmt: skip
    """Runs in here have their rows on such a disk, and the age of rows counted by the run's own clock."""
    disks: list[Disk] = []
    real: dict[str, Callable[..., int | None]] = {name: getattr(os, name) for name in ("write", "fdatasync")}

    def clock_of(loop: asyncio.AbstractEventLoop, began: object) -> Clock:
        disks.append(Disk(loop, from_s, until_s, number, call, left))
        clock = jumping_clock(loop, began)  # type: ignore[arg-type]
        clock.disk_s = loop.time
        return clock

    def judged(name: str) -> Callable[..., int | None]:
        def run(descriptor: int, *rest: bytes) -> int | None:
            for disk in disks:
                disk.judge(name, descriptor)
            return real[name](descriptor, *rest)

        return run

    class Journal(JournalWriter):
        @classmethod
        def create(cls, folder: Path, inputs: tuple[str, ...], *, engine_version: str) -> JournalWriter:  # type: ignore[override]
            made = JournalWriter.create(folder, inputs, engine_version=engine_version)
            if hangs is not None:
                made.write_by(Hanging(asyncio.get_running_loop(), *hangs))
            return made

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(world_bench, "jumping_clock", clock_of)
        patch.setattr(world_bench, "JournalWriter", Journal)
        for name in real:
            patch.setattr(os, name, judged(name))
        yield


def charges(ran: Ran) -> list[tuple[float, float | None]]:
    """When the source really conducted after CHECKING, which sends one probe pulse."""
    (pulse_s, pulse_end_s), *later = ran.source.energised()
    assert pulse_end_s is not None
    assert pulse_end_s - pulse_s < 10.0
    return later


def ons(ran: Ran) -> list[float]:
    """When it began to."""
    return [start_s for start_s, _ in charges(ran)]


def news(ran: Ran) -> list[str]:
    return [record.what for _, record in ran.records if isinstance(record, Storage)]


def stop_reason(ran: Ran) -> str:
    return next((record.reason for _, record in ran.records if isinstance(record, Stop)), "")


def assert_replays(ran: Ran) -> None:
    again = ran.replayed()
    assert (again.differences, again.owed, again.torn) == ((), (), ())


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Ran:
    with on_disk():
        return run_world(tmp_path_factory.mktemp("good"), PROFILE)


def test_on_a_good_disk_the_run_comes_to_its_end(good: Ran) -> None:
    assert (good.state, news(good), len(ons(good))) == (State.COMPLETE, [], 2)
    assert ons(good)[1] == pytest.approx(80.0, abs=4.0)
    assert_replays(good)


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EACCES])
def test_nothing_is_switched_on_until_the_disk_has_room_again_and_then_the_run_goes_on(
    tmp_path: Path, number: int, good: Ran
) -> None:
    with on_disk(call="write", from_s=70.0, until_s=110.0, number=number):
        ran = run_world(tmp_path, PROFILE)

    assert (ran.state, news(ran)) == (State.COMPLETE, ["full", "room"])
    assert len(ons(ran)) == 2
    assert 110.0 <= ons(ran)[1] <= 110.0 + 2 * 2.0
    assert_safe(ran, 2.0)
    assert_replays(ran)


def test_a_full_disk_takes_nothing_from_a_charge_that_is_on(tmp_path: Path, good: Ran) -> None:
    with on_disk(call="write", from_s=10.0, until_s=40.0, number=errno.ENOSPC):
        ran = run_world(tmp_path, PROFILE)

    assert (ran.state, charges(ran)) == (State.COMPLETE, charges(good))
    assert_replays(ran)


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EROFS, errno.EACCES])
@pytest.mark.parametrize("from_s", [10.0, 70.0, 110.0])
def test_rows_that_wait_a_minute_stop_the_run_in_order(tmp_path: Path, number: int, from_s: float) -> None:
    looks: list[tuple[float, State, bool]] = []

    def look(stage: Stage, _: object) -> None:
        looks.append((stage.now_s(), stage.engine.state, stage.world.panels["supply"].conducts))

    failing = on_disk(call="write", from_s=from_s, until_s=10_000.0, number=number)
    with failing, pytest.raises(JournalError, match="rows are not on record"):
        run_world(tmp_path, PROFILE, after_pass=look)

    stopped_s = next(time_s for time_s, state, _ in looks if state is State.STOPPED)
    assert from_s + WAIT_S - 2.0 <= stopped_s <= from_s + WAIT_S + 2.0 + OFF_TAKES_S
    assert not any(conducts for time_s, _, conducts in looks if time_s >= stopped_s)
    if from_s == 70.0:
        assert not any(conducts for time_s, _, conducts in looks if time_s >= from_s)


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EROFS])
def test_a_run_that_was_stopped_for_its_disk_says_why_when_there_is_room_in_the_hour_watched(
    tmp_path: Path, number: int
) -> None:
    with on_disk(call="write", from_s=10.0, until_s=300.0, number=number):
        ran = run_world(tmp_path, PROFILE, watch_after_s=600.0)

    assert (ran.state, news(ran)) == (State.STOPPED, ["full", "room"])
    assert "rows have waited 60 s for the disk" in stop_reason(ran)
    (charge,) = charges(ran)
    assert charge[1] is not None
    assert charge[1] <= 60.0 + OFF_TAKES_S  # this step ends by itself before the minute is over
    assert_safe(ran, 2.0)
    assert_replays(ran)


def test_a_charge_that_is_on_is_switched_off_when_rows_have_waited_a_minute(tmp_path: Path) -> None:
    with on_disk(call="write", from_s=110.0, until_s=400.0, number=errno.EROFS):
        ran = run_world(tmp_path, PROFILE, watch_after_s=600.0)

    assert (ran.state, len(ons(ran))) == (State.STOPPED, 2)
    off_s = charges(ran)[1][1]
    assert off_s is not None
    assert 110.0 + WAIT_S - 2.0 <= off_s <= 110.0 + WAIT_S + 2.0 + OFF_TAKES_S
    assert_replays(ran)


def test_a_sync_that_fails_once_costs_the_run_nothing(tmp_path: Path, good: Ran) -> None:
    with on_disk(call="fdatasync", from_s=30.0, until_s=10_000.0, number=errno.EIO, left=1):
        ran = run_world(tmp_path, PROFILE)

    assert (ran.state, news(ran)) == (State.COMPLETE, ["segment"])
    assert charges(ran) == charges(good)
    assert len(list(ran.folder.glob("*-2.csv"))) == 1
    assert_replays(ran)
    assert ran.folded_memory() == ran.engine.memory_json()


@pytest.mark.parametrize("from_s", [10.0, 30.0, 70.0, 100.0])
def test_a_second_sync_that_fails_stops_the_run_at_once(tmp_path: Path, from_s: float) -> None:
    stages: list[tuple[float, State, bool]] = []

    def look(stage: Stage, _: object) -> None:
        stages.append((stage.now_s(), stage.engine.state, stage.world.panels["supply"].conducts))

    with on_disk(call="fdatasync", from_s=from_s, until_s=10_000.0, number=errno.EIO), pytest.raises(JournalError):
        run_world(tmp_path, PROFILE, after_pass=look, watch_after_s=600.0)  # nothing can be recorded in that time

    ended_s, state, conducts = stages[-1]
    assert (state, conducts) == (State.STOPPED, False)
    assert ended_s <= from_s + 30.0 + OFF_TAKES_S  # two syncs apart, each at the latest after a command or 5 s


def test_a_disk_that_hangs_half_a_minute_holds_back_what_would_be_switched_on_and_nothing_else(
    tmp_path: Path, good: Ran
) -> None:
    with on_disk(hangs=(70.0, 100.0)):
        ran = run_world(tmp_path, PROFILE)

    assert (ran.state, news(ran)) == (State.COMPLETE, [])
    assert charges(ran)[0] == charges(good)[0]
    assert 100.0 <= ons(ran)[1] <= 100.5
    assert_safe(ran, 2.0)
    assert_replays(ran)


def test_a_charge_goes_off_at_its_end_although_the_disk_hangs(tmp_path: Path, good: Ran) -> None:
    with on_disk(hangs=(45.0, 75.0)):
        ran = run_world(tmp_path, PROFILE)

    off_s, expected_s = charges(ran)[0][1], charges(good)[0][1]
    assert off_s is not None
    assert expected_s is not None
    assert abs(off_s - expected_s) <= 2.0
    assert ran.state is State.COMPLETE
    assert_replays(ran)


def test_nothing_is_checked_before_the_command_to_do_so_is_safe(tmp_path: Path, good: Ran) -> None:
    with on_disk(hangs=(0.0, 10.0)):
        ran = run_world(tmp_path, PROFILE)

    passed_s = next(time_s for time_s, record in ran.records if isinstance(record, CheckPassed))
    assert 10.0 <= passed_s <= 12.0
    assert min(exchange.time_s for exchange in ran.heard["supply"] if exchange.received.startswith("VOLT:PROT ")) >= 10.0
    assert (ran.state, len(ons(ran))) == (State.COMPLETE, len(ons(good)))
    assert_replays(ran)


def test_a_disk_that_never_takes_the_command_starts_nothing_and_says_so(tmp_path: Path) -> None:
    looks: list[tuple[float, State, str, bool]] = []

    def look(stage: Stage, _: object) -> None:
        memory = stage.engine.memory
        looks.append((stage.now_s(), stage.engine.state, memory.reason, stage.world.panels["supply"].conducts))

    with on_disk(hangs=(0.0, 1e9)), pytest.raises(JournalError, match="the disk does not answer"):
        run_world(tmp_path, PROFILE, after_pass=look)

    ended_s, state, reason, _ = looks[-1]
    assert (state, reason) == (State.IDLE, "the disk does not take the record: it does not answer")
    assert 30.0 <= ended_s <= 34.0
    assert not any(conducts for *_, conducts in looks)


def test_a_person_stops_at_once_although_the_disk_hangs(tmp_path: Path) -> None:
    def stop(stage: Stage) -> None:
        stage.channel.ask(Stop(reason="seen enough"))

    with on_disk(hangs=(30.0, 60.0)):
        ran = run_world(tmp_path, PROFILE, acts=((40.0, stop),), watch_after_s=120.0)

    off_s = charges(ran)[0][1]
    assert off_s is not None
    assert 40.0 <= off_s <= 40.5
    assert (ran.state, stop_reason(ran)) == (State.STOPPED, "seen enough")
    assert_replays(ran)


def test_a_disk_that_hangs_for_ever_stops_the_run_after_a_minute(tmp_path: Path) -> None:
    off: list[float] = []

    def look(stage: Stage, _: object) -> None:
        if stage.engine.state is State.STOPPED and not stage.world.panels["supply"].conducts:
            off.append(stage.now_s())

    with on_disk(hangs=(100.0, 1e9)), pytest.raises(JournalError, match="the disk does not answer"):
        run_world(tmp_path, PROFILE, after_pass=look)

    assert 100.0 + WAIT_S - 2.0 <= off[0] <= 100.0 + WAIT_S + 2.0 + OFF_TAKES_S


def test_the_keeper_hears_how_long_rows_have_waited(tmp_path: Path) -> None:
    waited_s: dict[float, float] = {}

    def look(stage: Stage, _: object) -> None:
        waited_s[stage.now_s()] = stage.channel.unwritten_s

    with on_disk(hangs=(70.0, 100.0)):
        run_world(tmp_path, PROFILE, after_pass=look)

    assert max(age_s for time_s, age_s in waited_s.items() if time_s < 70.0) <= 5.0 + 2.0 + 0.1
    for time_s, age_s in waited_s.items():
        if 70.0 < time_s < 100.0:
            assert time_s - 70.0 - 2.1 <= age_s <= time_s - 70.0 + 5.0 + 2.1
    assert min(age_s for time_s, age_s in waited_s.items() if time_s > 110.0) == 0.0

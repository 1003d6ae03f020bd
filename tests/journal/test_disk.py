"""The thread that writes: one job at a time, told where the caller lives, left behind when the disk never answers."""

from __future__ import annotations

import asyncio
import threading
from pathlib import Path

import pytest

from chargerd.core.events import Pause
from chargerd.errors import JournalError
from chargerd.journal import scribe
from chargerd.journal.disk import Apart
from chargerd.journal.resume import replay
from tests.journal.small_run import VERSION, SmallEngine, begun, events_of, play, readings_of


def test_a_run_written_by_a_thread_is_the_same_run(tmp_path: Path) -> None:
    (tmp_path / "apart").mkdir()
    (tmp_path / "at-once").mkdir()
    at_once = begun(tmp_path / "at-once")
    play(at_once)
    at_once.writer.close()

    async def run() -> None:
        apart.writer.write_by(Apart(asyncio.get_running_loop().call_soon_threadsafe))
        apart.writer.attend(lambda: apart.now_s, idle.set)
        play(apart)
        await idle.wait()
        apart.writer.close()

    apart, idle = begun(tmp_path / "apart"), asyncio.Event()
    asyncio.run(run())

    for name in ("readings.csv", "events.csv"):
        assert (apart.folder / name).read_bytes() == (at_once.folder / name).read_bytes()


def test_nothing_is_acknowledged_and_nobody_waits_while_the_disk_is_at_work(tmp_path: Path) -> None:
    """The disk is a lock here: the job stands before it until the test lets it go on."""
    run = begun(tmp_path)
    gate, writers = threading.Event(), []
    loop = asyncio.new_event_loop()

    class Slow(Apart):
        def start(self, job, done):  # type: ignore[no-untyped-def]
            def held() -> None:
                writers.append(threading.current_thread().name)
                gate.wait()
                job()

            super().start(held, done)

    async def drive() -> None:
        idle = asyncio.Event()
        run.writer.write_by(Slow(loop.call_soon_threadsafe))
        run.writer.attend(lambda: run.now_s, idle.set)
        run.reading()
        run.command(Pause())
        run.now_s += 7.0
        assert run.writer.waits
        assert run.writer.unwritten_s() == pytest.approx(7.0, abs=0.1)
        assert (readings_of(run.folder), events_of(run.folder)) == ([], [])
        gate.set()
        await idle.wait()
        assert not run.writer.waits
        assert [row.kind for row in events_of(run.folder)] == ["pause", "state-changed"]

    loop.run_until_complete(drive())
    run.writer.close()
    loop.close()
    assert set(writers) == {"journal"}
    assert replay(run.folder, SmallEngine, engine_version=VERSION).differences == ()


def test_a_disk_that_never_answers_is_left_behind_and_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(scribe, "CLOSE_S", 0.05)
    run = begun(tmp_path)
    gate = threading.Event()
    loop = asyncio.new_event_loop()
    disk = Apart(loop.call_soon_threadsafe)
    disk.start(lambda: gate.wait() and None, lambda: None)
    run.writer.write_by(disk)
    run.reading()

    with pytest.raises(JournalError, match="the disk does not answer; rows of the last 0 s are not on record"):
        run.writer.close()

    gate.set()
    assert run.writer.waits
    loop.close()


def test_what_comes_back_after_the_end_writes_nothing(tmp_path: Path) -> None:
    """The files are closed, and their numbers may be those of others by then."""
    run = begun(tmp_path)
    late = []

    class Late:
        def start(self, job, done):  # type: ignore[no-untyped-def]
            job()
            late.append(done)

        def finish(self, within_s: float) -> bool:
            return True

    run.writer.write_by(Late())
    run.reading()
    run.writer.close()
    before = {path.name: path.read_bytes() for path in run.folder.iterdir()}
    run.reading()
    late[0]()

    assert before == {path.name: path.read_bytes() for path in run.folder.iterdir()}
    assert len(readings_of(run.folder)) == 1

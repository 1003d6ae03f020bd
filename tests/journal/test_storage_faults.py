"""Every write, sync and rename of a run failing once or for ever: what was acknowledged survives, and what is read is a prefix."""

from __future__ import annotations

import errno
import itertools
import os
import shutil
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from chargerd.core.events import Pause, ReadingLost
from chargerd.errors import JournalError
from chargerd.journal import scribe
from chargerd.journal.columns import Storage
from chargerd.journal.recovery import recover
from chargerd.journal.resume import fold, replay
from chargerd.journal.scribe import FULL_MAX, WAIT_MAX_ROWS, WAIT_MAX_S
from chargerd.journal.writer import JournalWriter, Owed
from tests.journal.faulty_os import ERRNOS, Failing, FaultyOs, name_of
from tests.journal.small_run import VERSION, Script, SmallEngine, begun, events_of, play, readings_of, written

Rows = tuple[list[list[str]], list[tuple[int, str, str]]]


def rows_of(folder: Path) -> Rows:
    """What the record says: readings, and events without the journal's own rows, whose numbers differ when the disk fails."""
    told = [(row.after_seq, row.kind, row.detail) for row in events_of(folder) if row.kind not in ("storage", "checkpoint")]
    return [row.cells for row in readings_of(folder)], told


@pytest.fixture(scope="module", autouse=True)
def syncs_at_once() -> Iterator[None]:
    """No real disk is waited for: what a power cut leaves is reckoned by `FaultyOs`."""
    with pytest.MonkeyPatch.context() as patch:
        for name in ("fsync", "fdatasync"):
            patch.setattr(os, name, lambda descriptor: None)
        yield


@pytest.fixture(scope="module")
def truth(tmp_path_factory: pytest.TempPathFactory) -> Rows:
    return rows_of(written(tmp_path_factory.mktemp("truth")).folder)


@dataclass
class Played:
    """A run on a disk that fails, and what came of it."""

    run: Script
    disk: FaultyOs
    waited: bool = False
    stopped: str = ""
    left: str = ""
    said: list[str] = field(default_factory=list)
    cut: Path | None = None
    acknowledged: tuple[int, int] = (0, 0)
    """A copy as a power cut leaves it one pass after the first failure, and what had been acknowledged then."""

    @property
    def folder(self) -> Path:
        return self.run.folder

    def after_each(self, run: Script) -> bool:
        for news in run.writer.take_news():
            self.said.append(news.what)
            run.writer.record(news, run.now_s, run.utc())
        self.stopped = run.writer.must_stop()
        self.waited |= run.writer.waits
        if self.disk.failed and self.cut is None:
            self.cut = self.folder.with_name("cut-at-once")
            shutil.copytree(self.folder, self.cut)
            self.disk.cut_power(self.cut)
            self.acknowledged = run.acknowledged
        return not self.stopped


def played(data: Path, *failing: Failing, half: bool = False, readings: int = 24) -> Played:
    with pytest.MonkeyPatch.context() as patch:
        disk = FaultyOs(half=half)
        disk.inject(patch)
        done = Played(begun(data), disk)
        disk.arm(failing)
        play(done.run, readings, done.after_each)
        try:
            done.run.writer.close()
        except JournalError as error:
            done.left = str(error)
    return done


def assert_prefix(folder: Path, truth: Rows, at_least: tuple[int, int]) -> None:
    """INV-17 and INV-18 of the record as it lies there, after what a crash would leave is cut."""
    recover(folder)
    readings, told = rows_of(folder)
    assert (readings, told) == (truth[0][: len(readings)], truth[1][: len(told)])
    assert len(readings) >= at_least[0]
    assert len(told) >= at_least[1]
    assert max((row.after_seq for row in events_of(folder)), default=0) <= len(readings)
    assert fold(folder, SmallEngine, engine_version=VERSION).differences == ()
    again = replay(folder, SmallEngine, engine_version=VERSION)
    assert (again.differences, again.torn) == ((), ())


def assert_kept(done: Played, truth: Rows, tmp_path: Path) -> None:
    """The record is whole or says what is missing, as it lies there and after a power cut, at once or at the end."""
    if done.cut is not None:
        assert_prefix(done.cut, truth, done.acknowledged)
    copy = tmp_path / "cut"
    shutil.copytree(done.folder, copy)
    assert_prefix(done.folder, truth, done.run.acknowledged)
    if not done.left and not done.stopped:
        assert rows_of(done.folder) == truth
    done.disk.cut_power(copy)
    assert_prefix(copy, truth, done.run.acknowledged)


CALLS_MADE = {"write": 43, "fdatasync": 18}
"""By this run on a good disk, which makes no other call that rows depend on."""


def singles(call: str, number: int) -> list[Failing]:
    """Each of those calls, once and for ever; each third one for errors that mean the same as another."""
    every = 1 if number in (errno.ENOSPC, errno.EIO) else 3
    return [Failing(call, first, times, number) for first in range(1, CALLS_MADE[call] + 1, every) for times in (1, None)]


def test_the_calls_that_are_made_to_fail_are_all_there_are(tmp_path: Path) -> None:
    done = played(tmp_path)

    assert (dict(done.disk.counts), done.said, done.left) == (CALLS_MADE, [], "")


@pytest.mark.parametrize("number", ERRNOS, ids=lambda number: errno.errorcode[number])
@pytest.mark.parametrize(("call", "half"), [("write", False), ("write", True), ("fdatasync", False)])
def test_any_call_failing_costs_no_acknowledged_row(tmp_path: Path, truth: Rows, call: str, half: bool, number: int) -> None:
    for place, failing in enumerate(singles(call, number)):
        data = tmp_path / str(place)
        data.mkdir()
        done = played(data, failing, half=half)
        assert done.disk.failed, failing
        assert_kept(done, truth, data)
        if failing.times == 1:
            assert not done.left, failing
        elif call == "write":
            assert done.left or done.stopped, failing
        shutil.rmtree(data)


@pytest.mark.parametrize("call", ["fsync", "rename", "write", "fdatasync"])
def test_a_second_error_while_the_first_is_made_good_costs_no_acknowledged_row(
    tmp_path: Path, truth: Rows, call: str
) -> None:
    for place, (first, number, times) in enumerate(itertools.product(range(1, 18, 3), ERRNOS, (1, None))):
        data = tmp_path / str(place)
        data.mkdir()
        after = {"write": 25, "fdatasync": first + 1}.get(call, 1)
        done = played(data, Failing("fdatasync", first, 1, errno.EIO), Failing(call, after, times, number))
        assert_kept(done, truth, data)
        shutil.rmtree(data)


def test_what_happened_to_the_disk_is_on_record_in_words(tmp_path: Path) -> None:
    done = played(tmp_path, Failing("fdatasync", 6, 1, errno.EIO), Failing("write", 20, 3, errno.ENOSPC))

    told = [row.record for row in events_of(done.folder) if row.kind == "storage"]
    assert [record.what for record in told if isinstance(record, Storage)] == ["segment", "full", "room"]
    assert "were written again, into readings-2.csv" in told[0].detail()
    assert "No space left on device; nothing is switched on until there is room" in told[1].detail()


@pytest.mark.parametrize("number", [errno.EROFS, errno.EACCES])
def test_rows_wait_in_order_while_the_disk_is_read_only_and_are_written_when_it_is_not(
    tmp_path: Path, truth: Rows, number: int
) -> None:
    done = played(tmp_path, Failing("write", 20, 15, number))

    assert (done.waited, done.left, done.said) == (True, "", ["full", "room"])
    assert rows_of(done.folder) == truth


def seconds_until_stop(run: Script) -> float:
    began_s = run.now_s
    while not run.writer.must_stop():
        run.reading()
        run.writer.sync_if_due()
    return run.now_s - began_s


def test_rows_that_wait_a_minute_end_the_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    run = begun(tmp_path)
    run.reading()
    disk = FaultyOs()
    disk.inject(monkeypatch)
    disk.arm((Failing("write", 1, None, errno.EROFS),))

    assert seconds_until_stop(run) == pytest.approx(WAIT_MAX_S, abs=2.0)
    assert "rows have waited 60 s for the disk" in run.writer.must_stop()
    assert "Read-only file system" in run.writer.must_stop()
    assert run.writer.unwritten_s() >= WAIT_MAX_S


def test_more_rows_than_memory_is_given_for_end_the_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    run = begun(tmp_path)
    disk = FaultyOs()
    disk.inject(monkeypatch)
    disk.arm((Failing("write", 1, None, errno.EROFS),))
    for _ in range(WAIT_MAX_ROWS - 1):
        run.tell(ReadingLost("x", 1))
    assert not run.writer.must_stop()
    run.tell(ReadingLost("x", 1))

    assert "600 rows wait for the disk" in run.writer.must_stop()
    assert run.writer.is_lost


def test_a_second_error_ends_the_record_and_is_said(tmp_path: Path) -> None:
    done = played(tmp_path, Failing("fdatasync", 4, None, errno.EIO))

    assert "the record cannot be kept" in done.stopped
    assert "Input/output error" in done.stopped
    assert done.run.writer.is_lost
    assert "rows are not on record" in done.left


def test_a_disk_that_is_full_again_and_again_ends_the_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    run = begun(tmp_path)
    for count in range(1, FULL_MAX + 2):
        assert not run.writer.must_stop()
        with monkeypatch.context() as patch:
            disk = FaultyOs()
            disk.inject(patch)
            disk.arm((Failing("write", 1, None, errno.EROFS),))
            run.reading()
        assert bool(run.writer.must_stop()) == (count > FULL_MAX)
        run.writer.sync_if_due()
    assert "the disk was full 4 times" in run.writer.must_stop()
    run.writer.close()


def test_a_failed_sync_is_never_tried_again_on_the_same_file(tmp_path: Path) -> None:
    synced: list[str] = []

    class Seen(FaultyOs):
        def fdatasync(self, descriptor: int) -> None:
            synced.append(name_of(descriptor))
            super().fdatasync(descriptor)

    with pytest.MonkeyPatch.context() as patch:
        disk = Seen()
        disk.inject(patch)
        run = begun(tmp_path)
        run.reading()
        disk.arm((Failing("fdatasync", 1, 1, errno.EIO),))
        synced.clear()
        play(run)
        run.writer.close()
    assert synced.count("readings.csv") == 1
    assert synced[:2] == ["readings.csv", "events.csv"]
    assert (run.folder / "readings.csv").stat().st_size < (run.folder / "readings-2.csv").stat().st_size
    assert [row.path.name for row in readings_of(run.folder)] == ["readings-2.csv"] * 25


def test_a_run_in_segments_is_gone_on_with_where_it_ends(tmp_path: Path, truth: Rows) -> None:
    done = played(tmp_path, Failing("fdatasync", 9, 1, errno.EIO), half=False)
    assert_kept(done, truth, tmp_path)
    folded = fold(done.folder, SmallEngine, engine_version=VERSION)
    assert folded.checkpoint > 0
    again = JournalWriter.reopen(done.folder, engine_version=VERSION)
    run = Script(done.folder, again, folded.engine, done.run.chance, folded.last_elapsed_s)
    run.reading()
    again.close()

    assert [row.seq for row in readings_of(done.folder)] == list(range(1, 26))
    assert readings_of(done.folder)[-1].path.name == "readings-2.csv" or events_of(done.folder)[-1].path.name == "events-2.csv"
    assert replay(done.folder, SmallEngine, engine_version=VERSION).differences == ()


def in_segments(data: Path) -> Path:
    """A run whose both files go on in segments: one error each would end it, so the second is put there by hand."""
    done = played(data, Failing("fdatasync", 9, 1, errno.EIO))
    names = sorted(path.name for path in done.folder.glob("*-2.csv"))
    assert names in (["readings-2.csv"], ["events-2.csv"])
    return done.folder / names[0]


def test_what_stands_behind_the_last_row_that_counts_is_not_looked_at(tmp_path: Path, truth: Rows) -> None:
    second = in_segments(tmp_path)
    first = second.with_name(second.name.replace("-2", ""))
    with first.open("ab") as file:
        file.write(b"\0" * 5000 + b"no row\r\n")

    assert_prefix(second.parent, truth, (24, 1))
    assert rows_of(second.parent) == truth


def test_a_segment_that_is_missing_or_damaged_is_refused(tmp_path: Path) -> None:
    second = in_segments(tmp_path)
    whole = second.read_bytes()
    lines = whole.splitlines(keepends=True)
    third = second.with_name(second.name.replace("-2", "-3"))
    second.rename(third)
    with pytest.raises(JournalError, match=r"-2.csv: missing, although segment 3 is there"):
        rows_of(second.parent)
    third.unlink()
    for content, what in (
        (lines[0] + lines[1].replace(b",", b";", 1) + b"".join(lines[2:]), "line 2: its check value"),
        (lines[0], "line 2: holds no row"),
        (b"".join(lines[1:]), "line 1: the header is damaged"),
        (lines[0] + b"".join(lines[4:]), "missing; the next segment begins with row"),
    ):
        second.write_bytes(content)
        with pytest.raises(JournalError, match=what):
            rows_of(second.parent)
    second.write_bytes(whole)
    rows_of(second.parent)


def test_a_run_whose_owed_events_find_no_room_is_not_gone_on_with(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    run = written(tmp_path)
    writer = JournalWriter.reopen(run.folder, engine_version=VERSION)
    disk = FaultyOs()
    disk.inject(monkeypatch)
    disk.arm((Failing("write", 1, None, errno.ENOSPC),))

    with pytest.raises(JournalError, match=r"No space left on device; the run cannot be gone on with"):
        writer.restore([Owed(ReadingLost("x", 1), 24, run.now_s, run.utc())])

    with pytest.raises(JournalError, match="1 rows are not on record"):
        writer.close()


def test_rows_are_made_safe_early_when_many_are_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Only where time jumps: thousands of rows within the 5 s of real time between two syncs."""
    monkeypatch.setattr(scribe, "KEPT_MAX_ROWS", 20)
    disk = FaultyOs()
    disk.inject(monkeypatch)
    run = begun(tmp_path)
    run.writer.attend(lambda: 0.0, lambda: None)
    run.writer.sync_if_due()
    disk.arm(())
    for _ in range(100):
        run.reading()
        run.writer.sync_if_due()

    assert disk.counts["fdatasync"] == 5 * 2
    run.writer.close()


class Hung:
    """A disk that takes one job and never ends it."""

    jobs = 0

    def start(self, job: object, done: object) -> None:
        self.jobs += 1

    def finish(self, within_s: float) -> bool:
        return False


def test_a_sync_that_hangs_is_not_followed_by_more(tmp_path: Path) -> None:
    run = begun(tmp_path)
    disk = Hung()
    run.writer.write_by(disk)
    for _ in range(2 * WAIT_MAX_ROWS):
        run.now_s += 10.0
        run.writer.sync_if_due()

    assert disk.jobs == 1
    assert not run.writer.is_lost  # nothing piled up: no row waits
    with pytest.raises(JournalError, match="the disk does not answer"):
        run.writer.close()


@pytest.mark.parametrize("first", [20, 21, 22, 23])
def test_a_write_that_fails_other_than_for_want_of_room_is_not_tried_again_on_the_same_file(
    tmp_path: Path, truth: Rows, first: int
) -> None:
    done = played(tmp_path, Failing("write", first, 1, errno.EIO))

    assert done.said == ["segment"]
    assert len(list(done.folder.glob("*-2.csv"))) == 1
    assert_kept(done, truth, tmp_path)


def test_events_go_on_in_a_segment_only_after_their_readings_are_safe(tmp_path: Path) -> None:
    with pytest.MonkeyPatch.context() as patch:
        disk = FaultyOs()
        disk.inject(patch)
        run = begun(tmp_path)
        run.command(Pause())
        run.reading(None)
        run.reading(None)
        disk.arm((Failing("write", 2, 1, errno.EIO),))  # the event of the reading written with the first
        run.reading(None)
        assert run.writer.take_news()[0].what == "segment"
        disk.cut_power(run.folder)
    readings, told = rows_of(run.folder)
    assert (len(readings), [after for after, _, _ in told]) == (3, [0, 0, 1, 2, 3])


def test_a_checkpoint_behind_the_last_row_that_counts_is_not_believed(tmp_path: Path) -> None:
    tried = 0
    for first in range(1, CALLS_MADE["fdatasync"] + 1):
        data = tmp_path / str(first)
        data.mkdir()
        folder = played(data, Failing("fdatasync", first, 1, errno.EIO)).folder
        second = folder / "events-2.csv"
        stale = (folder / "events.csv").read_bytes()
        if not second.exists():
            continue
        lines = second.read_bytes().splitlines(keepends=True)
        found = [number for number, line in enumerate(lines) if b",checkpoint," in line]
        if found[:1] == [1] or not any(lines[number] in stale for number in found):
            continue  # a first row that is damaged is refused; where no copy stands behind, nothing could be believed
        tried += 1
        for number in found:
            lines[number] = lines[number][:-3] + (b"0" if lines[number][-3:-2] != b"0" else b"1") + b"\r\n"
        second.write_bytes(b"".join(lines))
        folded = fold(folder, SmallEngine, engine_version=VERSION)
        assert (folded.differences, folded.owed, folded.checkpoint) == ((), (), 0)
    assert tried

"""Writing: one write per row, nothing half, what is synced when, one writer."""

from __future__ import annotations

import errno
import os
import resource
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from chargerd.core.events import Gap, Observed, Pause, ReadingFound, Record, Resume, Start, Tick
from chargerd.core.reading import Measured, Reading
from chargerd.errors import InternalError, JournalError, RefusedError
from chargerd.journal.columns import EVENTS, METADATA, READINGS, readings_header
from chargerd.journal.reader import iter_readings
from chargerd.journal.runfolder import create_run
from chargerd.journal.writer import SYNC_EVERY_S, JournalWriter, Owed
from tests.journal.small_run import INPUTS, VERSION, Script, begun, events_of, head, readings_of, written


@contextmanager
def room_for(size: int) -> Iterator[None]:
    """No file of this process may grow past `size` bytes: the kernel then writes a part, and after that nothing (EFBIG)."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


class Disk:
    """Records which file was synced when, and may refuse."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.synced: list[str] = []
        self.fails = False
        self._real = os.fdatasync
        monkeypatch.setattr(os, "fdatasync", self._sync)

    def _sync(self, descriptor: int) -> None:
        if self.fails:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        self.synced.append(Path(f"/proc/self/fd/{descriptor}").readlink().name)
        self._real(descriptor)

    def refuse(self, *_: Any) -> None:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    def since(self) -> list[str]:
        synced, self.synced = self.synced, []
        return synced


def test_a_new_run_has_a_header_that_its_metadata_describe(tmp_path: Path) -> None:
    run = begun(tmp_path)
    run.writer.close()
    assert (run.folder / READINGS).read_bytes() == ",".join(readings_header(INPUTS)).encode() + b"\r\n"
    assert (run.folder / EVENTS).read_bytes() == b"seq,after_seq,utc,elapsed_s,direction,kind,detail,row_check\r\n"
    import json

    columns = json.loads((run.folder / METADATA).read_text())["tableSchema"]["columns"]
    assert [column["titles"] for column in columns] == list(readings_header(INPUTS))


def test_events_follow_the_last_readings_row(tmp_path: Path) -> None:
    run = begun(tmp_path)
    run.command(Start())
    run.reading()
    run.reading(None)
    run.writer.close()
    assert [(row.seq, row.after_seq, row.kind) for row in events_of(run.folder)] == [
        (1, 0, "start"), (2, 0, "state-changed"), (3, 2, "reading-lost"),
    ]  # fmt: skip
    assert [row.seq for row in readings_of(run.folder)] == [1, 2]


@pytest.mark.parametrize("record", [Start(), Pause(), Resume(), Gap(3.0, 2.0), Observed("supply", "off", True)])
def test_a_command_is_on_the_disk_after_its_readings_before_it_is_acknowledged(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, record: Record
) -> None:
    disk = Disk(monkeypatch)
    run = begun(tmp_path)
    run.reading()
    disk.since()
    run.writer.record(record, run.now_s, run.utc())
    assert disk.since() == [READINGS, EVENTS]
    run.writer.record(record, run.now_s, run.utc())
    assert disk.since() == [EVENTS]
    run.writer.close()


def test_outputs_and_ticks_wait_for_the_next_sync(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    disk = Disk(monkeypatch)
    run = begun(tmp_path)
    disk.since()
    run.reading()
    run.writer.record(ReadingFound("x"), run.now_s, run.utc())
    run.writer.record(Tick(), run.now_s, run.utc())
    run.checkpoint()
    assert disk.since() == []
    began_s, begun_at = run.now_s, []
    for after_s in (0.0, 0.1, SYNC_EVERY_S - 0.1, SYNC_EVERY_S):
        run.now_s = began_s + after_s
        begun_at.append(run.writer.sync_if_due())
    assert begun_at == [True, False, False, True]
    assert disk.since() == [READINGS, EVENTS]
    run.writer.close()


def test_the_oldest_row_that_is_not_safe_ages_until_the_next_sync(tmp_path: Path) -> None:
    run = begun(tmp_path)
    assert run.writer.unwritten_s() == 0.0
    run.reading()
    run.now_s += 1.0  # a row waits since it was handed over, not since its reading
    run.reading()
    run.now_s = 4.0
    assert 2.9 <= run.writer.unwritten_s() <= 4.1
    run.writer.sync_if_due()
    assert run.writer.unwritten_s() == 0.0
    run.now_s = 100.0
    assert run.writer.unwritten_s() == 0.0
    run.writer.close()


def test_a_tick_is_on_the_disk_before_a_later_reading_is_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    disk = Disk(monkeypatch)
    run = begun(tmp_path)
    run.reading()
    run.tick()
    disk.since()
    run.reading()
    run.reading()
    assert disk.since() == [READINGS, EVENTS]
    run.writer.close()


@pytest.mark.parametrize("room", [0, 1, 60, 150])
def test_a_row_that_does_not_fit_leaves_nothing_half_and_waits(tmp_path: Path, room: int) -> None:
    run = begun(tmp_path)
    run.reading()
    whole = (run.folder / READINGS).read_bytes()
    reading = Reading(2.0, {INPUTS[0]: Measured(1.7)})
    with room_for(len(whole) + room):
        assert run.writer.reading(reading, run.engine.derived, run.utc()) == 2
        assert (run.folder / READINGS).read_bytes() == whole
        assert run.writer.waits
        assert "row 2 not written" in run.writer.trouble
    run.writer.sync_if_due()
    assert not run.writer.waits
    run.writer.close()
    assert [row.elapsed_s for row in readings_of(run.folder)][1:] == [2.0]


def test_half_a_row_that_cannot_be_cut_ends_the_file_and_a_segment_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = begun(tmp_path)

    def refuse(*_: Any) -> None:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    run.reading()
    half = (run.folder / READINGS).stat().st_size + 9
    with monkeypatch.context() as patch:
        patch.setattr(os, "ftruncate", refuse)
        patch.setattr(os, "write", write_to(READINGS, half, os.write))
        run.reading()
    run.reading()
    run.writer.close()
    assert (run.folder / READINGS).stat().st_size == half
    assert [row.seq for row in readings_of(run.folder)] == [1, 2, 3]
    assert [row.path.name for row in readings_of(run.folder)] == ["readings-2.csv"] * 3


def write_to(name: str, size: int, write: Callable[[int, bytes], int]) -> Callable[[int, bytes], int]:
    """An injected os layer: the file of that name takes bytes up to a size, as a disk that is nearly full does."""

    def written(descriptor: int, content: bytes) -> int:
        if Path(f"/proc/self/fd/{descriptor}").readlink().name == name:
            content = content[: max(size - os.fstat(descriptor).st_size, 0)]
        return write(descriptor, content)

    return written


@pytest.mark.parametrize(
    "inputs",
    [
        {"meter_voltage_V": Measured(1.0)},
        {INPUTS[0]: Measured(float("nan"))},
        {INPUTS[0]: Measured(1.0, float("inf"))},
        {INPUTS[0]: Measured(1)},
    ],
)
def test_a_reading_that_would_not_come_back_identical_is_a_bug(tmp_path: Path, inputs: dict[str, Measured]) -> None:
    run = begun(tmp_path)
    with pytest.raises(InternalError, match="row 1"):
        run.writer.reading(Reading(1.0, inputs), run.engine.derived, run.utc())
    run.writer.close()
    assert readings_of(run.folder) == []


class Unknown(Record):
    kind = "unknown"


def test_a_record_without_a_place_is_a_bug(tmp_path: Path) -> None:
    run = begun(tmp_path)
    run.reading()
    run.writer.record(Start(), 1.0, run.utc())
    with pytest.raises(InternalError, match="no place"):
        run.writer.record(Unknown(), 1.0, run.utc())
    with pytest.raises(InternalError, match="no place"):
        run.writer.restore([Owed(ReadingFound("x"), 0, 0.0, run.utc())])
    with pytest.raises(InternalError, match="JSON compliant"):
        run.writer.record(Gap(float("nan")), 1.0, run.utc())
    with pytest.raises(InternalError, match="not a UTC time"):
        run.writer.record(Start(), 1.0, "yesterday")
    run.writer.close()


def test_two_writers_are_refused(tmp_path: Path) -> None:
    run = written(tmp_path)
    first = JournalWriter.reopen(run.folder, engine_version=VERSION)
    with pytest.raises(RefusedError, match="another chargerd"):
        JournalWriter.reopen(run.folder, engine_version=VERSION)
    first.close()
    JournalWriter.reopen(run.folder, engine_version=VERSION).close()


def test_a_run_is_not_begun_over_another(tmp_path: Path) -> None:
    run = written(tmp_path)
    before = (run.folder / READINGS).read_bytes()
    with pytest.raises(JournalError):
        JournalWriter.create(run.folder, INPUTS, engine_version=VERSION)
    assert (run.folder / READINGS).read_bytes() == before


def test_a_folder_without_room_for_a_header_is_told(tmp_path: Path) -> None:
    folder = create_run(tmp_path, head())
    from chargerd.journal import columns
    from chargerd.journal.rowfile import RowFile

    with room_for(10), pytest.raises(JournalError):
        RowFile.create(folder, EVENTS, columns.EVENT_COLUMNS)
    assert (folder / EVENTS).read_bytes() == b""


def test_reopening_goes_on_where_the_files_end(tmp_path: Path) -> None:
    run = written(tmp_path)
    readings, events = len(readings_of(run.folder)), len(events_of(run.folder))
    again = Script(run.folder, JournalWriter.reopen(run.folder, engine_version=VERSION), run.engine, run.chance, run.now_s)
    again.command(Pause())
    again.reading()
    again.writer.close()
    assert [row.seq for row in readings_of(run.folder)] == list(range(1, readings + 2))
    assert [row.after_seq for row in events_of(run.folder)][events:][0] == readings


def test_reopening_refuses_another_engine_version_and_a_torn_tail(tmp_path: Path) -> None:
    run = written(tmp_path)
    with pytest.raises(RefusedError, match="start a new run"):
        JournalWriter.reopen(run.folder, engine_version="small-2")
    for name in (READINGS, EVENTS):
        with (run.folder / name).open("ab") as file:
            file.write(b"1,")
        with pytest.raises(JournalError, match="recover"):
            JournalWriter.reopen(run.folder, engine_version=VERSION)
        with (run.folder / name).open("rb+") as file:
            file.truncate((run.folder / name).stat().st_size - 2)
    JournalWriter.reopen(run.folder, engine_version=VERSION).close()


def test_rows_found_at_reopening_are_synced_before_a_command_is_acknowledged(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = written(tmp_path)
    disk = Disk(monkeypatch)
    writer = JournalWriter.reopen(run.folder, engine_version=VERSION)
    assert disk.since() == [READINGS, EVENTS]
    writer.record(Gap(1.0, 1.0), run.now_s, run.utc())
    assert disk.since() == [EVENTS]
    writer.close()


def test_files_that_cannot_be_made_safe_are_told_and_let_go(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    run = written(tmp_path)
    writer = JournalWriter.reopen(run.folder, engine_version=VERSION)
    run.writer = writer
    run.reading()
    disk = Disk(monkeypatch)
    disk.fails = True
    monkeypatch.setattr(os, "fsync", disk.refuse)
    with pytest.raises(JournalError, match="not on record"):
        writer.close()
    monkeypatch.undo()
    JournalWriter.reopen(run.folder, engine_version=VERSION).close()


def test_a_run_whose_files_cannot_be_made_safe_is_not_gone_on_with(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    run = written(tmp_path)
    with monkeypatch.context() as patch:
        Disk(patch).fails = True
        with pytest.raises(JournalError, match="may be lost"):
            JournalWriter.reopen(run.folder, engine_version=VERSION)
    JournalWriter.reopen(run.folder, engine_version=VERSION).close()


def test_a_reading_comes_back_from_the_file_identical(tmp_path: Path) -> None:
    run = begun(tmp_path)
    reading = Reading(12.345, {INPUTS[0]: Measured(-0.0, 0.1), INPUTS[2]: Measured(5e-324, 1e300)})
    derived = run.engine.derived._replace(state='=1,"x"\n', round=3)
    run.writer.reading(reading, derived, run.utc())
    run.writer.close()
    (row,) = iter_readings(run.folder / READINGS)
    assert row.reading() == reading
    assert str(row.reading().inputs[INPUTS[0]].value) == "-0.0"
    assert row.derived() == derived
    assert (row.cell("supply_output"), row.cell("round"), row.cell("seq")) == ("5e-324", "3", "1")
    with pytest.raises(KeyError):
        row.cell("row_check")

"""A disk that is really full: tmpfs of sixteen sizes, without room for another file, and with room again."""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from contextlib import ExitStack, suppress
from pathlib import Path

import pytest

from chargerd.core.program import EndSpec, Interrupt, Program, Repeat, Step, StepKind
from chargerd.errors import JournalError, RefusedError
from chargerd.journal.ballast import BALLAST, BALLAST_BYTES
from chargerd.journal.scribe import WAIT_MAX_S
from chargerd.journal.space import FILES_LEAST, ROW_BYTES, SPARE, STEP_ROWS, expected_bytes, need_room
from tests.journal.faulty_os import Failing, FaultyOs
from tests.journal.small_run import Script, begun, events_of, play, written
from tests.journal.test_storage_faults import Played, Rows, assert_prefix, rows_of

pytestmark = [
    pytest.mark.peer,
    pytest.mark.skipif(os.geteuid() != 0 or not shutil.which("mount"), reason="a tmpfs is mounted by root only"),
]
KIB = 1024
SIZES_KIB = [1100 + 28 * step for step in range(16)]
"""With the ballast of 1 MiB these leave room for none to 1,600 rows before it is touched."""
ROWS = 2500
Disks = Callable[..., Path]


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Disks]:
    with ExitStack() as mounted:

        def make(kib: int, *, files: int = 10_000) -> Path:
            place = tmp_path / "disk"
            place.mkdir()
            subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={kib}k,nr_inodes={files}", "none", place], check=True)
            mounted.callback(subprocess.run, ["umount", "-l", place], check=True)
            return place

        yield make


@pytest.fixture(scope="module")
def truth(tmp_path_factory: pytest.TempPathFactory) -> Rows:
    with pytest.MonkeyPatch.context() as patch:
        FaultyOs().inject(patch)  # only so that no real disk is waited for
        return rows_of(written(tmp_path_factory.mktemp("truth"), readings=ROWS).folder)


@pytest.mark.parametrize("kib", [4, 64, 512, 1024])
def test_a_disk_without_room_for_the_last_rows_begins_no_run(disk: Disks, kib: int) -> None:
    with pytest.raises(JournalError, match="No space left on device"):
        begun(disk(kib))


@pytest.mark.parametrize("kib", SIZES_KIB)
def test_a_run_on_a_disk_of_any_size_is_on_record_to_its_orderly_stop(disk: Disks, kib: int, truth: Rows) -> None:
    run = begun(disk(kib))
    done = Played(run, FaultyOs())
    full_s: list[float] = []

    def after_each(run: Script) -> bool:
        if run.writer.trouble and not full_s:
            full_s.append(run.now_s)
        return done.after_each(run)

    play(run, ROWS, after_each)

    assert (done.said, done.waited) == (["full"], True)
    assert "rows have waited 60 s for the disk" in done.stopped
    assert run.now_s - full_s[0] == pytest.approx(WAIT_MAX_S, abs=2.0)
    readings = run.engine.taken
    run.writer.close()  # the ballast was let go, and its room is more than enough for a minute
    assert_prefix(run.folder, truth, (readings, run.told))
    assert not (run.folder / BALLAST).exists()


def fill(place: Path) -> None:
    """Another program takes every page there is."""
    with (place / "another").open("ab", buffering=0) as file, suppress(OSError):
        while True:
            file.write(b"x" * 4096)


def test_a_disk_that_another_program_fills_to_the_last_page_keeps_whole_rows_only(disk: Disks, truth: Rows) -> None:
    place = disk(1400)
    run = begun(place)
    done = Played(run, FaultyOs())

    def after_each(run: Script) -> bool:
        if run.writer.trouble:  # the ballast's room, too, is taken by the other one
            fill(place)
        return done.after_each(run)

    play(run, ROWS, after_each)

    assert "rows have waited 60 s" in done.stopped
    with pytest.raises(JournalError, match="rows are not on record"):
        run.writer.close()
    assert_prefix(run.folder, truth, run.acknowledged)


def test_a_run_goes_on_when_there_is_room_again(disk: Disks, truth: Rows) -> None:
    place = disk(6 * KIB)
    run = begun(place)
    done = Played(run, FaultyOs())
    (place / "another").write_bytes(b"x" * (6 * KIB * KIB - BALLAST_BYTES - 120 * KIB))
    full_s: list[float] = []

    def after_each(run: Script) -> bool:
        if run.writer.trouble:
            full_s.append(run.now_s)
            if run.now_s - full_s[0] > WAIT_MAX_S / 2.0:
                (place / "another").unlink(missing_ok=True)
        return done.after_each(run)

    play(run, ROWS, after_each)
    run.writer.close()

    assert (done.said, done.stopped) == (["full", "room"], "")
    assert rows_of(run.folder) == truth
    assert WAIT_MAX_S / 2.0 <= full_s[-1] - full_s[0] <= WAIT_MAX_S / 2.0 + 3.0


def test_the_ballast_is_really_room_and_is_taken_again_only_with_room_to_spare(disk: Disks) -> None:
    place = disk(6 * KIB)
    run = begun(place)
    assert (run.folder / BALLAST).stat().st_blocks * 512 == BALLAST_BYTES
    filler = place / "another"
    filler.write_bytes(b"x" * (5 * KIB * KIB - 60 * KIB))
    while not run.writer.trouble:
        run.reading()
    assert not (run.folder / BALLAST).exists()
    assert not any(row.kind == "storage" for row in events_of(run.folder))
    for freed, room in ((0, False), (BALLAST_BYTES // 2, False), (2 * BALLAST_BYTES, True)):
        os.truncate(filler, filler.stat().st_size - freed)
        run.writer.sync_if_due()
        assert run.writer.waits is not room
    assert (run.folder / BALLAST).stat().st_size == BALLAST_BYTES
    run.writer.close()


def test_without_a_file_entry_left_no_segment_and_no_run_can_begin_but_rows_go_on(disk: Disks) -> None:
    place = disk(20 * KIB, files=40)
    run = begun(place)
    for number in range(40):
        try:
            (place / f"small-{number}").touch()
        except OSError:
            break
    run.reading()
    assert not run.writer.waits
    with pytest.MonkeyPatch.context() as patch:
        failing = FaultyOs()
        patch.setattr(os, "fdatasync", failing.fdatasync)
        failing.arm((Failing("fdatasync", 1, 1, errno.EIO),))
        run.writer.sync_if_due()
        assert "No space left on device" in run.writer.trouble
        assert run.writer.waits
    (place / "small-0").unlink()
    run.writer.sync_if_due()
    run.writer.sync_if_due()
    assert not run.writer.waits
    assert (run.folder / "readings-2.csv").exists()
    run.writer.close()
    with pytest.raises(RefusedError, match="more files, however small"):
        need_room(place, Program("tiny", ()))


# --- before a run begins ------------------------------------------------------------------------------------------------


def step(number: str, every_s: float, **more: object) -> Step:
    return Step(number, StepKind.CHARGE, sample_every_s=every_s, ends=(EndSpec("time", 3600.0),), **more)  # type: ignore[arg-type]


def test_what_a_run_may_write_counts_every_round_and_interruption() -> None:
    once = step("1", 5.0)
    rows = 720 + STEP_ROWS
    assert expected_bytes(Program("one", (once,))) == rows * ROW_BYTES
    interrupted = step("2.1", 5.0, interrupt=Interrupt(300.0, 1.0))
    rest = Step("2.2", StepKind.REST, lasts_s=600.0, sample_every_s=10.0)
    repeated = Program("ten", (once, Repeat("2", 10, (interrupted, rest))))
    assert expected_bytes(repeated) == (rows + 10 * (rows + 12 * 6 + 60 + STEP_ROWS)) * ROW_BYTES


def test_a_folder_with_less_than_three_times_the_room_is_refused(disk: Disks) -> None:
    program = Program("one", (step("1", 1.0),))
    asked = SPARE * (expected_bytes(program) + BALLAST_BYTES)
    place = disk(int(asked / KIB) + 100)
    need_room(place, program)
    (place / "another").write_bytes(b"x" * 300 * KIB)
    with pytest.raises(RefusedError, match=r"MB free; this run may write .* MB and asks for 3 times that"):
        need_room(place, program)
    need_room(place, program, written_bytes=200 * KIB)


def test_a_folder_that_is_read_only_or_not_there_is_refused(disk: Disks, tmp_path: Path) -> None:
    place = disk(20 * KIB, files=FILES_LEAST + 10)
    program = Program("tiny", ())
    need_room(place, program)
    subprocess.run(["mount", "-o", "remount,ro", place], check=True)
    with pytest.raises(RefusedError, match="mounted read-only"):
        need_room(place, program)
    with pytest.raises(RefusedError, match="No such file or directory"):
        need_room(tmp_path / "nowhere", program)


def test_a_folder_without_permission_is_refused() -> None:
    """Root may write anywhere, so a child asks that has become nobody."""
    with tempfile.TemporaryDirectory() as folder:
        Path(folder).chmod(0o755)
        child = os.fork()
        if child == 0:
            code = 0
            try:
                os.setgid(65534)
                os.setuid(65534)
                need_room(Path(folder), Program("tiny", ()))
            except RefusedError as refused:
                code = 17 if "no permission to write there" in str(refused) else 18
            finally:
                os._exit(code)
        assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 17

"""Folding and replaying: the same memory from row 1 and from each checkpoint, and every difference named."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from chargerd.core.demand import Energise
from chargerd.core.engine import Engine
from chargerd.core.events import CheckPassed, Observed, Pause, Record, Resume, Start, StateChanged, Tripped
from chargerd.core.reading import Measured, Quality, Reading
from chargerd.errors import JournalError, RefusedError
from chargerd.journal import resume as resume_module
from chargerd.journal.columns import EVENT_COLUMNS, EVENTS, READINGS, Checkpoint
from chargerd.journal.recovery import recover
from chargerd.journal.resume import Difference, fold, replay
from chargerd.journal.rowcheck import END, cells_of, quoted, sealed, utc_text
from chargerd.journal.runfolder import RUN_FILE, create_run
from chargerd.journal.writer import JournalWriter, Owed
from tests.core.bench_of_one import begun as engine_begun
from tests.core.bench_of_one import charge_step, discharge_step, inputs_of, plan_of, rest_step
from tests.journal.small_run import BEGAN_S, VERSION, SmallEngine, begun, events_of, head, readings_of, written


@pytest.fixture(scope="module")
def whole_run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return written(tmp_path_factory.mktemp("data")).folder


@pytest.fixture
def folder(whole_run: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(whole_run, tmp_path / "run"))


def reworked(path: Path, change: Callable[[list[list[str]]], list[list[str]]]) -> None:
    """Rewrite a file's rows as its writer would have: numbered anew, with right check values."""
    header, *lines = path.read_bytes().splitlines(keepends=True)
    rows = change([cells_of(line) for line in lines])
    sealed_rows = [
        sealed(f"{seq},{','.join(quoted(cell) for cell in cells[1:])},") for seq, cells in enumerate(rows, start=1)
    ]
    path.write_bytes(header + b"".join(sealed_rows))


def memory_of(folder: Path, *, use_checkpoints: bool = True) -> str:
    return fold(folder, SmallEngine, engine_version=VERSION, use_checkpoints=use_checkpoints).engine.memory_json()


def test_a_new_run_folds_empty_files(tmp_path: Path) -> None:
    run = begun(tmp_path)
    run.writer.close()
    folded = fold(run.folder, SmallEngine, engine_version=VERSION)
    assert folded.engine.memory_json() == SmallEngine().memory_json()
    assert (folded.last_elapsed_s, folded.last_utc, folded.checkpoint) == (0.0, "", 0)
    assert folded.differences == folded.owed == folded.skipped == ()


@given(seed=st.integers(0, 10**9), readings=st.integers(0, 30))
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_folding_gives_the_same_memory_from_row_1_and_from_each_checkpoint(
    tmp_path_factory: pytest.TempPathFactory, seed: int, readings: int
) -> None:
    run = written(tmp_path_factory.mktemp("data"), seed, readings)
    truth = run.engine.memory_json()
    checkpoints = sum(row.kind == "checkpoint" for row in events_of(run.folder))
    assert memory_of(run.folder, use_checkpoints=False) == truth
    used: list[int] = []
    for _ in range(checkpoints + 1):
        folded = fold(run.folder, SmallEngine, engine_version=VERSION)
        assert (folded.engine.memory_json(), folded.differences, folded.owed) == (truth, (), ())
        assert (folded.last_elapsed_s, folded.last_utc) == (run.now_s, run.utc())
        used.append(folded.checkpoint)
        reworked(run.folder / EVENTS, without_last_checkpoint)
    assert used == sorted(used, reverse=True)
    assert (used[-1], len(set(used))) == (0, checkpoints + 1)


def without_last_checkpoint(rows: list[list[str]]) -> list[list[str]]:
    places = [number for number, cells in enumerate(rows) if cells[5] == "checkpoint"]
    return [*rows[: places[-1]], *rows[places[-1] + 1 :]] if places else rows


def test_a_fold_reads_nothing_before_its_checkpoint(folder: Path) -> None:
    truth = memory_of(folder)
    for name in (READINGS, EVENTS):
        lines = (folder / name).read_bytes().splitlines(keepends=True)
        lines[2] = lines[2].replace(b"0", b"1")
        (folder / name).write_bytes(b"".join(lines))
    assert memory_of(folder) == truth
    with pytest.raises(JournalError, match="row 2, line 3"):
        memory_of(folder, use_checkpoints=False)
    with pytest.raises(JournalError, match="row 2, line 3"):
        replay(folder, SmallEngine, engine_version=VERSION)


@pytest.mark.parametrize("name", [READINGS, EVENTS])
def test_damage_after_the_checkpoint_refuses(folder: Path, name: str) -> None:
    lines = (folder / name).read_bytes().splitlines(keepends=True)
    lines[-2] = lines[-2].replace(b"0", b"1")
    (folder / name).write_bytes(b"".join(lines))
    with pytest.raises(JournalError, match=f"{name}: row {len(lines) - 2}, line {len(lines) - 1}"):
        fold(folder, SmallEngine, engine_version=VERSION)


@pytest.mark.parametrize("name", [READINGS, EVENTS])
def test_a_torn_tail_must_be_recovered_before_a_fold(folder: Path, name: str) -> None:
    with (folder / name).open("ab") as file:
        file.write(b"half a row")
    with pytest.raises(JournalError, match="recover the run first"):
        fold(folder, SmallEngine, engine_version=VERSION)
    assert [torn.bytes for torn in replay(folder, SmallEngine, engine_version=VERSION).torn] == [10]
    recover(folder)
    fold(folder, SmallEngine, engine_version=VERSION)


def test_events_without_their_readings_must_be_recovered_before_a_fold(folder: Path) -> None:
    lines = (folder / READINGS).read_bytes().splitlines(keepends=True)
    (folder / READINGS).write_bytes(b"".join(lines[:20]))
    with pytest.raises(JournalError, match="recover the run first"):
        replay(folder, SmallEngine, engine_version=VERSION)
    recover(folder)
    assert replay(folder, SmallEngine, engine_version=VERSION).differences == ()


# --- checkpoints -------------------------------------------------------------------------------------------------------


def checkpoint_lines(folder: Path) -> list[tuple[int, bytes]]:
    lines = (folder / EVENTS).read_bytes().splitlines(keepends=True)
    return [(number, line) for number, line in enumerate(lines) if b",checkpoint," in line]


def test_a_checkpoint_with_any_bit_flipped_is_skipped_or_the_run_refused(folder: Path) -> None:
    truth = memory_of(folder)
    (first, _), (number, line) = checkpoint_lines(folder)
    lines = (folder / EVENTS).read_bytes().splitlines(keepends=True)
    refused = 0
    for bit in range(len(line) * 8):
        flipped = bytearray(line)
        flipped[bit // 8] ^= 1 << bit % 8
        (folder / EVENTS).write_bytes(b"".join([*lines[:number], bytes(flipped), *lines[number + 1 :]]))
        try:
            folded = fold(folder, SmallEngine, engine_version=VERSION)
        except JournalError:
            refused += 1
            continue
        assert (folded.engine.memory_json(), folded.checkpoint, folded.differences) == (truth, first, ())
        assert any("row " in text or "checkpoint at byte" in text for text in folded.skipped)
    assert refused <= 8  # only the bits of the line feed, which join the row with the next one


def test_without_a_good_checkpoint_the_fold_begins_at_row_1(folder: Path) -> None:
    truth = memory_of(folder)
    content = bytearray((folder / EVENTS).read_bytes())
    for _, line in checkpoint_lines(folder):
        content[content.find(line) + len(line) - 5] ^= 1
    (folder / EVENTS).write_bytes(content)
    folded = fold(folder, SmallEngine, engine_version=VERSION)
    assert (folded.engine.memory_json(), folded.checkpoint, folded.differences) == (truth, 0, ())
    assert len([text for text in folded.skipped if "is no good" in text]) == 2


@pytest.mark.parametrize(
    "change",
    [
        {"memory": "no memory"},
        {"readings_bytes": 0},
        {"readings_bytes": 10},
        {"readings_bytes": 10**9},
        {"readings_seq": 3},
        {"memory": None, "extra": 1},
    ],
)
def test_a_checkpoint_that_makes_no_sense_is_skipped(folder: Path, change: dict[str, object]) -> None:
    truth = memory_of(folder)

    def rework(rows: list[list[str]]) -> list[list[str]]:
        last = [cells for cells in rows if cells[5] == "checkpoint"][-1]
        last[6] = json.dumps({**json.loads(last[6]), **change}, sort_keys=True, separators=(",", ":"))
        return rows

    reworked(folder / EVENTS, rework)
    folded = fold(folder, SmallEngine, engine_version=VERSION)
    assert (folded.engine.memory_json(), folded.checkpoint) == (truth, checkpoint_lines(folder)[0][0])
    assert folded.differences == ()
    assert len(replay(folder, SmallEngine, engine_version=VERSION).differences) == ("readings" not in str(change))
    assert len(folded.skipped) == 1


def test_a_checkpoint_that_is_not_what_the_inputs_give_is_a_difference(folder: Path) -> None:
    def rework(rows: list[list[str]]) -> list[list[str]]:
        first = next(cells for cells in rows if cells[5] == "checkpoint")
        first[6] = first[6].replace("running", "stopped")
        return rows

    reworked(folder / EVENTS, rework)
    (difference,) = replay(folder, SmallEngine, engine_version=VERSION).differences
    assert (difference.file, difference.seq, difference.column) == (EVENTS, checkpoint_lines(folder)[0][0], "memory")
    assert replay(folder, SmallEngine, engine_version="small-2").differences == ()


@pytest.mark.parametrize("use_checkpoints", [True, False])
def test_time_goes_on_from_a_checkpoint_that_is_the_last_row(tmp_path: Path, use_checkpoints: bool) -> None:
    run = begun(tmp_path)
    run.reading()
    run.now_s += 7.0
    run.checkpoint()
    run.writer.close()
    folded = fold(run.folder, SmallEngine, engine_version=VERSION, use_checkpoints=use_checkpoints)
    assert (folded.last_elapsed_s, folded.last_utc) == (run.now_s, run.utc())


def test_another_engine_version_refuses(folder: Path) -> None:
    with pytest.raises(RefusedError, match="begun by engine version small-1, this is small-2"):
        fold(folder, SmallEngine, engine_version="small-2")


def test_a_checkpoint_of_another_engine_version_refuses(folder: Path) -> None:
    def rework(rows: list[list[str]]) -> list[list[str]]:
        for cells in rows:
            cells[6] = cells[6].replace(VERSION, "small-2")
        return rows

    reworked(folder / EVENTS, rework)
    with pytest.raises(RefusedError, match="written by engine version small-2"):
        fold(folder, SmallEngine, engine_version=VERSION)


def test_a_changed_run_file_refuses(folder: Path) -> None:
    (folder / RUN_FILE).write_bytes((folder / RUN_FILE).read_bytes().replace(b"112 g", b"113 g"))
    with pytest.raises(JournalError, match="changed since"):
        fold(folder, SmallEngine, engine_version=VERSION)


# --- differences -------------------------------------------------------------------------------------------------------


class Wrong(SmallEngine):
    """Decides otherwise in one place."""

    def __init__(self, place: str) -> None:
        super().__init__()
        self.place = place

    def take(self, reading: Reading, now_s: float) -> tuple[Record, ...]:
        followed = super().take(reading, now_s)
        if self.place == "charge" and self.taken == 8:
            self.derived = self.derived._replace(charge_in_Ah=1.0, state="=x")
        if self.place == "silent" and self.taken == 10:
            return ()
        if self.place == "talks" and self.taken == 12:
            return (StateChanged("a", "b"),)
        if self.place == "talks late" and self.taken == 18:  # with nothing but outputs after it
            return (StateChanged("a", "b"),)
        if self.place == "other" and self.taken == 10:
            return (Tripped("over-voltage"),)
        return followed

    def command(self, record: Record, now_s: float) -> tuple[Record, ...]:
        followed = super().command(record, now_s)
        return (*followed, StateChanged("c", "d")) if self.place == "command" and isinstance(record, Pause) else followed


def test_a_derived_value_that_comes_out_otherwise_is_named_by_row_and_column(folder: Path) -> None:
    report = replay(folder, lambda: Wrong("charge"), engine_version=VERSION)
    wrote = readings_of(folder)[7]
    assert report.differences == (
        Difference(READINGS, 8, "state", "running", "'=x"),
        Difference(READINGS, 8, "charge_in_Ah", wrote.cell("charge_in_Ah"), "1.0"),
    )
    assert report.differences_count == 2
    assert str(report.differences[0]) == "readings.csv: row 8: state: wrote 'running', derived again \"'=x\""


@pytest.mark.parametrize(
    ("place", "wrote", "derived"),
    [
        ("silent", "step-ended", ""),
        ("talks", "", "state-changed"),
        ("talks late", "", "state-changed"),
        ("other", "step-ended", "tripped"),
        ("command", "", "state-changed"),
    ],
)
def test_an_event_that_comes_out_otherwise_is_named(folder: Path, place: str, wrote: str, derived: str) -> None:
    (difference,) = replay(folder, lambda: Wrong(place), engine_version=VERSION).differences
    assert (difference.file, difference.column) == (EVENTS, "detail")
    assert (difference.wrote.partition(" ")[0], difference.derived.partition(" ")[0]) == (wrote, derived)


def test_an_event_written_for_another_time_is_named(folder: Path) -> None:
    def rework(rows: list[list[str]]) -> list[list[str]]:
        rows[-1][3] = "0.5"
        return rows

    reworked(folder / EVENTS, rework)
    (difference,) = replay(folder, SmallEngine, engine_version=VERSION).differences
    assert (difference.column, difference.wrote) == ("elapsed_s", "0.5")


def test_differences_are_counted_beyond_those_kept(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(resume_module, "DIFFERENCES_MAX", 3)

    class Late(SmallEngine):
        def take(self, reading: Reading, now_s: float) -> tuple[Record, ...]:
            followed = super().take(reading, now_s)
            self.derived = self.derived._replace(charge_in_Ah=7.0)
            return followed

    report = replay(folder, Late, engine_version=VERSION)
    assert (len(report.differences), report.differences_count) == (3, report.readings)


def test_events_out_of_the_order_of_readings_are_refused(folder: Path) -> None:
    def rework(rows: list[list[str]]) -> list[list[str]]:
        rows[5][1] = "0"
        return rows

    reworked(folder / EVENTS, rework)
    with pytest.raises(JournalError, match=r"row 6 follows readings row 0 out of order"):
        replay(folder, SmallEngine, engine_version=VERSION)


# --- what a crash leaves owing -----------------------------------------------------------------------------------------


def test_events_a_crash_kept_from_the_disk_are_owed_and_restored(folder: Path) -> None:
    lines = (folder / EVENTS).read_bytes().splitlines(keepends=True)
    lost = [row for row in events_of(folder) if row.after_seq >= 20]
    assert len(lost) >= 2
    (folder / EVENTS).write_bytes(b"".join(lines[: -len(lost)]))
    folded = fold(folder, SmallEngine, engine_version=VERSION)
    assert folded.owed == tuple(Owed(row.record, row.after_seq, row.elapsed_s, row.utc) for row in lost)
    writer = JournalWriter.reopen(folder, engine_version=VERSION)
    writer.restore(folded.owed)
    writer.close()
    assert (folder / EVENTS).read_bytes() == b"".join(lines)


def test_a_command_the_engine_refused_is_folded_as_refused(tmp_path: Path) -> None:
    run = begun(tmp_path)
    with pytest.raises(KeyError):
        run.command(CheckPassed())
    run.command(Start())
    run.reading()
    run.writer.close()
    folded = fold(run.folder, SmallEngine, engine_version=VERSION)
    assert (folded.engine.memory_json(), folded.differences) == (run.engine.memory_json(), ())


# --- the real engine ---------------------------------------------------------------------------------------------------


def test_the_real_engine_folds_to_the_same_memory(tmp_path: Path) -> None:
    plan = plan_of(rest_step("1", lasts_s=30.0), charge_step("2"), discharge_step("3"))
    names = [*inputs_of(), "supply_voltage_set_V"]
    folder = create_run(tmp_path, head("1"))
    writer, engine, now_s = JournalWriter.create(folder, names, engine_version="1"), Engine(plan), 0.0
    assert engine_begun(plan).state.name == "RUNNING"

    def command(record: Record) -> None:
        writer.record(record, now_s, utc_text(BEGAN_S + now_s))
        for event in engine.command(record, now_s):
            writer.record(event, now_s, utc_text(BEGAN_S + now_s))

    command(Start())
    command(CheckPassed(0.001, -0.002))
    charging = False
    for number in range(1, 401):
        now_s = round(number * 1.001, 3)
        if charging != (engine.demand().energise is Energise.SOURCE):
            charging = not charging
            command(Observed("supply", "on" if charging else "off", verified=True))
        inputs = inputs_of(voltage_V=1.5 + number / 2000.0, current_A=0.15 if charging else 0.0, source_on=charging)
        if number % 50 == 0:
            inputs["probe_temperature_degC"] = Measured(31.25, 44.0, Quality.STALE)
        reading = Reading(now_s, inputs)
        events = engine.take(reading, now_s)
        writer.reading(reading, engine.derived, utc_text(BEGAN_S + now_s))
        for event in events:
            writer.record(event, now_s, utc_text(BEGAN_S + now_s))
        if number in (100, 300):
            writer.checkpoint(now_s, utc_text(BEGAN_S + now_s), engine.memory_json())
        if number == 200:
            command(Pause())
            command(Resume())
            command(CheckPassed())
    writer.close()
    assert engine.state.name == "RUNNING"
    assert engine.derived.charge_in_Ah > 0.0
    assert len(readings_of(folder)) == 400
    for use_checkpoints in (True, False):
        folded = fold(folder, lambda: Engine(plan), engine_version="1", use_checkpoints=use_checkpoints)
        assert (folded.engine.memory_json(), folded.differences, folded.owed) == (engine.memory_json(), (), ())
    report = replay(folder, lambda: Engine(plan), engine_version="1")
    assert (report.differences, report.readings) == ((), 400)


def test_a_checkpoint_is_a_record_of_the_events_file() -> None:
    assert Checkpoint.from_detail(Checkpoint("1", '{"a":1}', 10, 2).detail()) == Checkpoint("1", '{"a":1}', 10, 2)
    assert b",".join(name.encode() for name in EVENT_COLUMNS) + END == (
        b"seq,after_seq,utc,elapsed_s,direction,kind,detail,row_check\r\n"
    )

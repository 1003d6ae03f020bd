"""Reading: a torn tail is cut and told, damage anywhere else is refused and named."""

from __future__ import annotations

import random
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from chargerd.errors import JournalError, RefusedError
from chargerd.journal.columns import EVENT_COLUMNS, EVENTS, READINGS, Checkpoint, readings_header
from chargerd.journal.reader import Torn, iter_events, iter_readings
from chargerd.journal.recovery import cut, recover
from chargerd.journal.rowcheck import END, quoted_json, sealed
from chargerd.journal.writer import JournalWriter
from tests.journal.small_run import INPUTS, VERSION, events_of, readings_of, written

READERS: dict[str, Callable[[Path], Iterator[object]]] = {
    READINGS: lambda path: iter(iter_readings(path)),
    EVENTS: lambda path: iter(iter_events(path)),
}
BOTH = pytest.mark.parametrize("name", [READINGS, EVENTS])


@pytest.fixture(scope="module")
def whole_run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return written(tmp_path_factory.mktemp("data")).folder


@pytest.fixture
def folder(whole_run: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(whole_run, tmp_path / "run"))


def lines_of(path: Path) -> list[bytes]:
    return path.read_bytes().splitlines(keepends=True)


@BOTH
def test_cut_at_every_byte_of_the_last_three_rows_the_whole_rows_before_are_recovered(folder: Path, name: str) -> None:
    path = folder / name
    lines = lines_of(path)
    whole = b"".join(lines)
    events = (folder / EVENTS).read_bytes()
    for size in range(len(b"".join(lines[:-3])), len(whole)):
        (folder / EVENTS).write_bytes(events)
        path.write_bytes(whole[:size])
        kept = [line for number, line in enumerate(lines) if len(b"".join(lines[: number + 1])) <= size]
        recovered = recover(folder)
        assert path.read_bytes() == b"".join(kept)
        rest = size - len(b"".join(kept))
        told = [torn for torn in recovered if torn.path == path]
        assert told == ([Torn(path, len(kept) - 1, rest, "cut off before its end")] if rest else [])
        assert len(list(READERS[name](path))) == len(kept) - 1
        assert len(list(iter_readings(folder / READINGS))) >= max(row.after_seq for row in events_of(folder))


@BOTH
def test_reading_tells_of_a_torn_tail_and_changes_nothing(folder: Path, name: str) -> None:
    path = folder / name
    lines = lines_of(path)
    torn = b"".join(lines)[:-1]
    path.write_bytes(torn)
    rows = iter_readings(path) if name == READINGS else iter_events(path)
    assert len(list(rows)) == len(lines) - 2
    assert rows.torn == Torn(path, len(lines) - 2, len(lines[-1]) - 1, "cut off before its end")
    assert path.read_bytes() == torn
    assert str(rows.torn).endswith(f"{name}: {len(lines[-1]) - 1} bytes after row {len(lines) - 2}: cut off before its end")


@BOTH
def test_every_flipped_bit_of_a_row_is_found(folder: Path, name: str) -> None:
    path = folder / name
    lines = lines_of(path)
    for number in (1, len(lines) // 2):  # rows with others after them: damage
        for bit in range(len(lines[number]) * 8):
            flipped = bytearray(lines[number])
            flipped[bit // 8] ^= 1 << bit % 8
            path.write_bytes(b"".join([*lines[:number], bytes(flipped), *lines[number + 1 :]]))
            with pytest.raises(JournalError, match=rf"{name}: row {number}, line {number + 1}: "):
                list(READERS[name](path))


@BOTH
def test_every_flipped_bit_of_the_last_row_is_cut_and_told(folder: Path, name: str) -> None:
    path = folder / name
    lines = lines_of(path)
    events = (folder / EVENTS).read_bytes()
    for bit in range(len(lines[-1]) * 8):
        flipped = bytearray(lines[-1])
        flipped[bit // 8] ^= 1 << bit % 8
        path.write_bytes(b"".join([*lines[:-1], bytes(flipped)]))
        rows = iter_readings(path) if name == READINGS else iter_events(path)
        assert len(list(rows)) == len(lines) - 2
        assert rows.torn is not None
        if bit % 9 == 0:  # cutting waits for the disk
            assert [(torn.path, torn.seq) for torn in recover(folder) if torn.path == path] == [(path, len(lines) - 2)]
            assert path.read_bytes() == b"".join(lines[:-1])
            (folder / EVENTS).write_bytes(events)


@BOTH
@pytest.mark.parametrize("number", [3, -1])
def test_each_upper_case_hex_digit_of_a_check_value_is_found(folder: Path, name: str, number: int) -> None:
    path = folder / name
    lines = lines_of(path)
    tried = 0
    for place in range(-10, -2):
        digit = lines[number][place : place + 1]
        if digit.isalpha():
            tried += 1
            changed = lines[number][:place] + digit.upper() + lines[number][place + 1 :]
            path.write_bytes(b"".join([*lines[:number], changed, *(lines[number + 1 :] if number >= 0 else [])]))
            rows = iter_readings(path) if name == READINGS else iter_events(path)
            if number >= 0:
                with pytest.raises(JournalError, match="check value"):
                    list(rows)
            else:
                assert len(list(rows)) == len(lines) - 2
                assert rows.torn is not None
                assert rows.torn.what == "its check value does not fit its bytes"
    assert tried > 0


@BOTH
@pytest.mark.parametrize(
    ("tail", "what"),
    [
        (b"\0" * 5000, "nothing but zero bytes"),
        (b"\0" * 200_000, "nothing but zero bytes"),
        (b"\0" * 10 + END, "no check value"),
        (b"1,2,3\r\n", "no check value"),
        (b"\r\n" * 70_000, "no check value"),
        (b"\xff\xfe", "cut off before its end"),
        (b"x\n" * 100, "cut off before its end"),
    ],
)
def test_what_was_never_a_row_is_cut_from_the_end(folder: Path, name: str, tail: bytes, what: str) -> None:
    path = folder / name
    whole = path.read_bytes()
    path.write_bytes(whole + tail)
    last = whole.count(END) - 1
    rows = iter_readings(path) if name == READINGS else iter_events(path)
    assert (len(list(rows)), rows.torn) == (last, Torn(path, last, len(tail), what))
    assert recover(folder) == (Torn(path, last, len(tail), what),)
    assert not path.read_bytes().endswith(tail)
    assert recover(folder) == ()
    assert path.read_bytes() == whole


@BOTH
def test_a_tail_that_is_partly_zeros_is_cut(folder: Path, name: str) -> None:
    path = folder / name
    lines = lines_of(path)
    events = (folder / EVENTS).read_bytes()
    whole = b"".join(lines)
    for size in range(len(b"".join(lines[:-2])), len(whole)):
        (folder / EVENTS).write_bytes(events)
        path.write_bytes(whole[:size] + b"\0" * (len(whole) - size))
        recover(folder)
        content = path.read_bytes()
        assert content in {b"".join(lines[:-2]), b"".join(lines[:-1])}
        assert len(content) <= size


@BOTH
def test_a_missing_doubled_or_exchanged_row_is_damage(folder: Path, name: str) -> None:
    path = folder / name
    lines = lines_of(path)
    for wrong in ([*lines[:3], *lines[4:]], [*lines[:4], *lines[3:]], [*lines[:3], lines[4], lines[3], *lines[5:]]):
        path.write_bytes(b"".join(wrong))
        with pytest.raises(JournalError, match=f"{name}: row [345], line [456]: .*beginning with"):
            list(READERS[name](path))


@BOTH
def test_a_damaged_header_is_refused(folder: Path, name: str) -> None:
    path = folder / name
    lines = lines_of(path)
    for bit in range(len(lines[0]) * 8):
        flipped = bytearray(lines[0])
        flipped[bit // 8] ^= 1 << bit % 8
        path.write_bytes(b"".join([bytes(flipped), *lines[1:]]))
        with pytest.raises(JournalError, match="line 1: the header is damaged"):
            READERS[name](path)
        if bit % 11 == 0:
            with pytest.raises(JournalError, match="line 1: the header is damaged"):
                recover(folder)


@BOTH
def test_a_file_with_nothing_but_its_header_is_a_new_run(folder: Path, name: str) -> None:
    for file in (READINGS, EVENTS):
        (folder / file).write_bytes(lines_of(folder / file)[0])
    assert recover(folder) == ()
    assert list(READERS[name](folder / name)) == []
    with (folder / name).open("ab") as file_:
        file_.write(b"half")
    assert recover(folder) == (Torn(folder / name, 0, 4, "cut off before its end"),)


@pytest.mark.parametrize(
    "body",
    [
        "1,2027-01-15T08:00:00.000Z,",
        "1,yesterday,0.0,input,start,{},",
        "1,0,2027-01-15T08:00:00.000Z,nan,input,start,{},",
        "1,0,2027-01-15T08:00:00.000Z,0.0,output,start,{},",
        "1,0,2027-01-15T08:00:00.000Z,0.0,input,begin,{},",
        "1,0,yesterday,0.0,input,start,{},",
        '1,0,2027-01-15T08:00:00.000Z,0.0,input,start,"{"a,',
    ],
)
def test_a_whole_row_that_is_no_row_of_ours_is_refused(tmp_path: Path, body: str) -> None:
    path = tmp_path / EVENTS
    path.write_bytes(",".join(EVENT_COLUMNS).encode() + END + sealed(body))
    with pytest.raises(JournalError, match="row 1, line 2"):
        list(iter_events(path))


def test_a_whole_readings_row_that_is_no_row_of_ours_is_refused(tmp_path: Path) -> None:
    path = tmp_path / READINGS
    header = ",".join(readings_header(INPUTS[:1])).encode() + END
    good = "1,2027-01-15T08:00:00.000Z,0.0,running,1,0,charge,cc,,,,0.0,0.0,0.0,0.0,0.0,0.0,,0.0,1.7,0.1,"
    for wrong, call in (
        (good.replace("1.7", "fine 1.7"), "reading"),
        (good.replace("1.7", ""), "reading"),
        (good.replace("running", "=running"), "derived"),
        (good.replace(",cc,", ",cc,inf"), "derived"),
    ):
        path.write_bytes(header + sealed(wrong))
        (row,) = iter_readings(path)
        with pytest.raises(JournalError, match="row 1, line 2"):
            getattr(row, call)()
    path.write_bytes(header + sealed(good.replace("Z,0.0", "Z,inf")))
    with pytest.raises(JournalError, match="row 1, line 2"):
        list(iter_readings(path))


def test_a_detail_that_does_not_fit_its_kind_is_refused(tmp_path: Path) -> None:
    path = tmp_path / EVENTS
    for detail in ("{}", "[]", "not json", '{"by":"a","x":1}'):
        body = f"1,0,2027-01-15T08:00:00.000Z,0.0,input,start,{quoted_json(detail)},"
        path.write_bytes(",".join(EVENT_COLUMNS).encode() + END + sealed(body))
        (row,) = iter_events(path)
        with pytest.raises(JournalError, match="row 1, line 2"):
            row.record  # noqa: B018


def test_a_checkpoint_says_where_its_readings_end(folder: Path) -> None:
    checkpoints = [row.record for row in events_of(folder) if row.kind == "checkpoint"]
    assert len(checkpoints) == 2
    for checkpoint in checkpoints:
        assert isinstance(checkpoint, Checkpoint)
        rows = list(iter_readings(folder / READINGS, offset=checkpoint.readings_bytes, after_seq=checkpoint.readings_seq))
        assert [row.seq for row in rows] == list(range(checkpoint.readings_seq + 1, len(readings_of(folder)) + 1))


def test_a_confirmed_command_without_its_readings_is_refused(folder: Path) -> None:
    path = folder / READINGS
    lines = lines_of(path)
    last_command = max(row.after_seq for row in events_of(folder) if row.is_input and row.kind != "tick")
    path.write_bytes(b"".join(lines[: last_command + 1]))
    recover(folder)
    path.write_bytes(b"".join(lines[:last_command]))
    before = (folder / EVENTS).read_bytes()
    with pytest.raises(JournalError, match="lost what it had confirmed"):
        recover(folder)
    assert (path.read_bytes(), (folder / EVENTS).read_bytes()) == (b"".join(lines[:last_command]), before)


def test_recovering_twice_changes_nothing_more(folder: Path) -> None:
    with (folder / READINGS).open("rb+") as file:
        file.truncate((folder / READINGS).stat().st_size - 7)
    assert len(recover(folder)) >= 1
    whole = [(folder / name).read_bytes() for name in (READINGS, EVENTS)]
    assert recover(folder) == ()
    assert [(folder / name).read_bytes() for name in (READINGS, EVENTS)] == whole


def test_a_run_that_is_being_written_is_not_recovered(folder: Path) -> None:
    writer = JournalWriter.reopen(folder, engine_version=VERSION)
    with pytest.raises(RefusedError):
        recover(folder)
    writer.close()
    recover(folder)


def test_a_tail_that_cannot_be_cut_is_told(folder: Path) -> None:
    with (folder / READINGS).open("rb") as file, pytest.raises(JournalError, match="cannot be cut"):
        cut(file.fileno(), 10, Torn(folder / READINGS, 1, 1, "x"))


def test_random_bytes_over_the_end_are_never_taken_for_rows(folder: Path) -> None:
    chance = random.Random(7)
    path = folder / READINGS
    events = (folder / EVENTS).read_bytes()
    lines = lines_of(path)
    whole = b"".join(lines)
    for _ in range(200):
        begin = chance.randrange(len(b"".join(lines[:-4])), len(whole))
        (folder / EVENTS).write_bytes(events)
        path.write_bytes(whole[:begin] + chance.randbytes(chance.randrange(1, 600)))
        recover(folder)
        assert whole.startswith(path.read_bytes())
        assert len(path.read_bytes()) <= begin

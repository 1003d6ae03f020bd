"""Ledgers: the latch survives, damage refuses, one writer, lifetime gas never falls."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from chargerd.errors import InternalError, JournalError, RefusedError
from chargerd.journal.columns import LEDGER_COLUMNS
from chargerd.journal.ledger import CellLedger, ChannelLedger, Trip
from chargerd.journal.rowcheck import END, quoted_json, sealed

UTC = "2027-01-15T08:00:00.000Z"
LATER = "2027-01-15T09:00:00.000Z"
RUN = "20270115T080000Z_plover-01_gentle-formation"


def path_of(data: Path) -> Path:
    return data / "channels" / "jetty.csv"


def filled(data: Path) -> Path:
    with ChannelLedger.open(data, "jetty") as ledger:
        ledger.started(UTC, RUN)
        ledger.restarted(UTC, RUN, "self")
        ledger.tripped(UTC, RUN, "over-voltage", value=2.81, limit=2.75, text='="x", said\nthe meter')
        ledger.tripped(LATER, RUN, "fault", text="supply did not answer")
    return path_of(data)


TRIP = Trip(3, UTC, RUN, "over-voltage", 2.81, 2.75, '="x", said\nthe meter')


def test_a_latched_trip_survives_and_its_first_cause_stays(tmp_path: Path) -> None:
    filled(tmp_path)
    with ChannelLedger.open(tmp_path, "jetty") as ledger:
        assert ledger.latched() == TRIP
        assert ledger.torn is None
        assert [row.kind for row in ledger.rows] == ["started", "restarted", "tripped", "tripped"]


def test_clearing_takes_a_reason_and_lifts_the_latch_for_good(tmp_path: Path) -> None:
    filled(tmp_path)
    with ChannelLedger.open(tmp_path, "jetty") as ledger:
        with pytest.raises(RefusedError, match="with a reason"):
            ledger.cleared(LATER, " ", "person")
        assert ledger.latched() == TRIP
        assert ledger.cleared(LATER, "lead was loose, clip renewed", "person") == 5
        assert ledger.latched() is None
        with pytest.raises(RefusedError, match="nothing to clear"):
            ledger.cleared(LATER, "again", "person")
    with ChannelLedger.open(tmp_path, "jetty") as ledger:
        assert ledger.latched() is None
        ledger.tripped(LATER, RUN, "too-cold")
        latched = ledger.latched()
        assert latched is not None
        assert (latched.cause, latched.seq) == ("too-cold", 6)


def test_restarts_and_the_open_run_are_remembered(tmp_path: Path) -> None:
    with ChannelLedger.open(tmp_path, "jetty") as ledger:
        assert ledger.open_run() == ""
    filled(tmp_path)
    with ChannelLedger.open(tmp_path, "jetty") as ledger:
        assert [(row.facts["run"], row.facts["by"]) for row in ledger.rows if row.kind == "restarted"] == [(RUN, "self")]
        assert ledger.open_run() == RUN
        ledger.ended(LATER, RUN, "tripped")
        assert ledger.open_run() == ""
        ledger.restarted(LATER, RUN, "person")
        assert ledger.open_run() == RUN  # a run gone on with after a failed check is as open as a new one


def test_every_row_is_on_the_disk_before_it_is_acknowledged(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    sizes: list[int] = []
    real = os.fdatasync

    def noted(descriptor: int) -> None:
        sizes.append(os.fstat(descriptor).st_size)
        real(descriptor)

    with ChannelLedger.open(tmp_path, "jetty") as ledger:
        monkeypatch.setattr(os, "fdatasync", noted)
        for seq in (1, 2, 3):
            assert ledger.started(UTC, RUN) == seq
            assert sizes[-1:] == [path_of(tmp_path).stat().st_size]
            assert len(sizes) == seq


def test_two_writers_are_refused_but_anyone_may_read(tmp_path: Path) -> None:
    with ChannelLedger.open(tmp_path, "jetty") as ledger:
        with pytest.raises(RefusedError, match="another chargerd"):
            ChannelLedger.open(tmp_path, "jetty")
        ledger.tripped(UTC, RUN, "fault")
        rows, torn = ChannelLedger.read(tmp_path, "jetty")
        assert ([row.kind for row in rows], torn) == (["tripped"], None)
        ChannelLedger.open(tmp_path, "slip").close()


def test_cut_at_every_byte_the_whole_rows_are_kept(tmp_path: Path) -> None:
    path = filled(tmp_path)
    lines = path.read_bytes().splitlines(keepends=True)
    whole = b"".join(lines)
    for size in range(len(whole)):
        path.write_bytes(whole[:size])
        kept = [line for number, line in enumerate(lines) if len(b"".join(lines[: number + 1])) <= size]
        with ChannelLedger.open(tmp_path, "jetty") as ledger:
            assert len(ledger.rows) == max(len(kept) - 1, 0)
            assert (ledger.torn is None) == (size == len(b"".join(kept)) or not kept)
            assert ledger.started(UTC, RUN) == max(len(kept), 1)
        rows, _ = ChannelLedger.read(tmp_path, "jetty")
        assert [row.seq for row in rows] == list(range(1, max(len(kept), 1) + 1))


def test_every_flipped_bit_refuses(tmp_path: Path) -> None:
    path = filled(tmp_path)
    whole = path.read_bytes()
    trips = whole.index(b"\r\n3,") * 8  # every bit of the trips, every seventh of what stands before them
    for bit in (*range(0, trips, 7), *range(trips, len(whole) * 8)):
        flipped = bytearray(whole)
        flipped[bit // 8] ^= 1 << bit % 8
        path.write_bytes(flipped)
        with pytest.raises(JournalError):
            ChannelLedger.open(tmp_path, "jetty")
        assert path.read_bytes() == flipped


@pytest.mark.parametrize("tail", [b"\0" * 4096, b"\0\0\r\n", b"5,2027", b'5,"'])
def test_what_a_crash_leaves_is_cut_and_told(tmp_path: Path, tail: bytes) -> None:
    path = filled(tmp_path)
    whole = path.read_bytes()
    path.write_bytes(whole + tail)
    with ChannelLedger.open(tmp_path, "jetty") as ledger:
        assert ledger.torn is not None
        assert (ledger.torn.seq, ledger.torn.bytes) == (4, len(tail))
        assert ledger.latched() == TRIP
    assert path.read_bytes() == whole


def test_a_missing_or_foreign_row_refuses(tmp_path: Path) -> None:
    path = filled(tmp_path)
    header, first, second, *rest = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(b"".join([header, first, *rest]))
    with pytest.raises(JournalError, match="row 2, line 3"):
        ChannelLedger.open(tmp_path, "jetty")
    for body in (f"1,{UTC},note,{{}},", "1,now,started,{},", f"1,{UTC},started,", f"1,{UTC},started,no json,"):
        path.write_bytes(header + sealed(body))
        with pytest.raises(JournalError, match="row 1, line 2"):
            ChannelLedger.open(tmp_path, "jetty")
    path.write_bytes(b"not a ledger\r\n" + second)
    with pytest.raises(JournalError, match="header is damaged"):
        ChannelLedger.open(tmp_path, "jetty")
    assert header == ",".join(LEDGER_COLUMNS).encode() + END


@pytest.mark.parametrize("name", ["", "../jetty", "a/b", ".", "con"])
def test_a_name_that_could_be_a_path_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(RefusedError):
        ChannelLedger.open(tmp_path, name)
    with pytest.raises(RefusedError):
        CellLedger.read(tmp_path, name)


def test_a_fact_without_a_place_is_a_bug(tmp_path: Path) -> None:
    with ChannelLedger.open(tmp_path, "jetty") as ledger:
        with pytest.raises(InternalError, match="no place"):
            ledger.append("note", UTC, text="x")
        with pytest.raises(InternalError, match="no place"):
            ledger.started("today", RUN)
        with pytest.raises(InternalError, match="JSON compliant"):
            ledger.tripped(UTC, RUN, "fault", value=float("nan"))
        assert ledger.rows == []


def test_a_row_that_the_disk_refuses_is_not_acknowledged(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    ledger = ChannelLedger.open(tmp_path, "jetty")

    def refuse(_: int) -> None:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr(os, "fdatasync", refuse)
    with pytest.raises(JournalError, match="may be lost"):
        ledger.tripped(UTC, RUN, "fault")
    with pytest.raises(JournalError, match="not written again"):
        ledger.tripped(UTC, RUN, "fault")
    ledger.close()


def test_notes_come_back_with_their_facts(tmp_path: Path) -> None:
    with CellLedger.open(tmp_path, "plover-01") as ledger:
        ledger.note(UTC, "topped up; =water, 2 mL", "person", water_mL=2.0, mass_g=112.4, photo="plover.jpg", done=True)
        ledger.started(UTC, RUN)
        ledger.ended(LATER, RUN, "complete")
    rows, torn = CellLedger.read(tmp_path, "plover-01")
    assert torn is None
    assert dict(rows[0].facts) == {
        "text": "topped up; =water, 2 mL", "by": "person", "water_mL": 2.0, "mass_g": 112.4, "photo": "plover.jpg", "done": True,
    }  # fmt: skip
    assert [row.kind for row in rows] == ["note", "started", "ended"]


@given(st.lists(st.tuples(st.sampled_from(["a", "b", "c"]), st.floats(0.0, 2.0)), max_size=12))
@settings(max_examples=40, deadline=None)  # every row waits for the disk
def test_lifetime_gas_is_the_sum_of_each_runs_largest_and_never_falls(
    tmp_path_factory: pytest.TempPathFactory, entries: list[tuple[str, float]]
) -> None:
    data = tmp_path_factory.mktemp("data")
    before = 0.0
    with CellLedger.open(data, "plover-01") as ledger:
        ledger.note(UTC, "new", "person")
        for run, gas_charge_Ah in entries:
            ledger.gas(UTC, run, gas_charge_Ah)
            assert ledger.lifetime_gas_charge_Ah() >= before
            before = ledger.lifetime_gas_charge_Ah()
    with CellLedger.open(data, "plover-01") as ledger:
        expected = sum(max(gas for run, gas in entries if run == name) for name in {run for run, _ in entries})
        assert ledger.lifetime_gas_charge_Ah() == pytest.approx(expected, rel=1e-12)
        assert ledger.lifetime_gas_charge_Ah() == before


def test_a_detail_is_one_cell_whatever_it_holds(tmp_path: Path) -> None:
    with CellLedger.open(tmp_path, "plover-01") as ledger:
        ledger.note(UTC, 'a\r\nb,"c"\x7f\x1b', "=person")
    line = (tmp_path / "cells" / "plover-01.csv").read_bytes().splitlines(keepends=True)[1]
    detail = '{"by":"=person","text":"a\\r\\nb,\\"c\\"\x7f\\u001b"}'
    assert line == sealed(f"1,{UTC},note,{quoted_json(detail)},")

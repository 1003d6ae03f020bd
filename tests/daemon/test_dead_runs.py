"""Closing the record of a run whose program died: what it knew of the cell is not lost with it."""

from pathlib import Path

import pytest

from chargerd.core.events import CheckPassed, Observed, Record, Start, Stop
from chargerd.core.reading import Reading
from chargerd.daemon.clock import real_clock
from chargerd.daemon.frozen import FrozenRun
from chargerd.daemon.lives import Life, begin, close_dead_run, recover_life
from chargerd.errors import RefusedError
from chargerd.journal.columns import READINGS
from chargerd.journal.ledger import CellLedger, ChannelLedger
from tests.core.bench_of_one import inputs_of
from tests.worlds.programs import charge, profile
from tests.worlds.world_bench import bench_text, make_run

UTC = "2026-03-14T20:00:00.000Z"


def gassing_run(folder: Path, *last: Record) -> tuple[FrozenRun, Life]:
    """A run that charged at its voltage limit for a minute; then its program died, after `last`."""
    run = make_run(folder, profile(charge(time="10 min")), bench_text(), "plover-01", None)
    life = begin(run, tuple(inputs_of()))

    def tell(record: Record, now_s: float) -> None:
        life.journal.record(record, now_s, UTC)
        for event in life.engine.command(record, now_s):
            life.journal.record(event, now_s, UTC)

    def read(now_s: float, **inputs: float) -> None:
        reading = Reading(now_s, inputs_of(**inputs))  # type: ignore[arg-type]  # reason: all of these are numbers
        assert life.engine.take(reading, now_s) == ()
        life.journal.reading(reading, life.engine.derived, UTC)

    tell(Start(by="test"), 0.0)
    tell(CheckPassed(), 0.0)
    read(0.0, voltage_V=1.7)
    tell(Observed("supply", "on", verified=True), 0.0)
    for step in range(1, 13):
        read(5.0 * step, voltage_V=1.85, current_A=0.15, source_on=True)
    for record in last:
        tell(record, 60.0)
    life.journal.close()
    with ChannelLedger.open(run.data, run.channel.name) as ledger:
        ledger.started(UTC, run.folder.name)
    return run, life


def lifetime_gas_Ah(run: FrozenRun) -> float:
    with CellLedger.open(run.data, run.cell.name) as ledger:
        return ledger.lifetime_gas_charge_Ah()


def test_the_gas_of_a_run_that_died_counts_for_the_cell(tmp_path: Path) -> None:
    run, life = gassing_run(tmp_path)
    before_Ah = life.engine.memory.gas_total_Ah
    assert before_Ah > 0.0

    assert close_dead_run(run, real_clock(), "test") == "STOPPED"

    assert lifetime_gas_Ah(run) >= before_Ah


def test_what_a_crash_left_half_written_is_cut_and_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run, _ = gassing_run(tmp_path)
    with (run.folder / READINGS).open("ab") as file:
        file.write(b"14,2026")

    close_dead_run(run, real_clock(), "test")

    told = f"chargerd: {run.folder / READINGS}: 7 bytes after row 13: cut off before its end; these were cut away\n"
    assert capsys.readouterr().err == told


def test_the_gas_of_a_run_that_died_between_its_end_and_the_ledger_counts_too(tmp_path: Path) -> None:
    run, life = gassing_run(tmp_path, Stop(by="test"))

    with ChannelLedger.open(run.data, run.channel.name) as ledger, pytest.raises(RefusedError, match="this run is over"):
        recover_life(run, real_clock(), ledger)

    assert lifetime_gas_Ah(run) == pytest.approx(life.engine.memory.gas_total_Ah)

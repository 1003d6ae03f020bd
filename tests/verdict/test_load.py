"""From a real run folder to a verdict beside it."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from chargerd.errors import JournalError
from chargerd.journal.columns import COLUMNS, EVENTS, READINGS
from chargerd.journal.reader import iter_readings
from chargerd.journal.runfolder import Frozen, create_run, read_run
from chargerd.journal.writer import JournalWriter
from chargerd.verdict.load import RunSource, sample_of, sha256
from chargerd.verdict.verdict import VERDICT_FILE, Verdict, write_verdict
from chargerd.verdict.words import text
from tests.verdict.real_run import write_run


@pytest.fixture(scope="module")
def plover(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_run(tmp_path_factory.mktemp("plover"), "plover-01", "plover")


@pytest.fixture
def copied(plover: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(plover, tmp_path / plover.name, ignore=shutil.ignore_patterns(VERDICT_FILE)))


@pytest.fixture(scope="module")
def verdict(plover: Path) -> Verdict:
    return write_verdict(plover)


def test_totals_from_volts_amps_and_seconds_equal_the_engines_own(verdict: Verdict) -> None:
    recomputed, journal = verdict.totals.recomputed, verdict.totals.journal

    assert recomputed.charge_in_Ah > 2.0
    assert recomputed.charge_in_Ah == pytest.approx(journal.charge_in_Ah, rel=1e-9)
    assert recomputed.charge_out_Ah == pytest.approx(journal.charge_out_Ah, rel=1e-9)
    assert recomputed.energy_in_Wh == pytest.approx(journal.energy_in_Wh, rel=1e-9)
    assert recomputed.energy_out_Wh == pytest.approx(journal.energy_out_Wh, rel=1e-9)


def test_rounds_equal_the_engines_own(verdict: Verdict) -> None:
    assert len(verdict.rounds) == len(verdict.cycles) == 3
    for told, cycle in zip(verdict.rounds, verdict.cycles, strict=True):
        assert cycle.charge_in_Ah == pytest.approx(told.charge_in_Ah, rel=1e-6)
        assert cycle.charge_out_Ah == pytest.approx(told.charge_out_Ah, rel=1e-6)
        assert cycle.voltage_V == told.rung_V


def test_every_leg_has_its_end_its_window_and_its_uncertainty(verdict: Verdict) -> None:
    assert [leg.kind for leg in verdict.legs] == ["charge", "discharge"] * 3
    assert [leg.ended_by for leg in verdict.legs] == ["current_below", "voltage_below"] * 3
    assert all(leg.gaps == 0 and leg.data_fault == "" for leg in verdict.legs)
    assert all(leg.charge_limit_Ah(verdict.accuracies) is not None for leg in verdict.legs)


def test_the_verdict_reads_the_frozen_files(verdict: Verdict) -> None:
    assert (verdict.cell, verdict.profile, verdict.bench) == ("plover-01", "two-rungs", "boathouse")
    assert verdict.accuracies.charge_A is not None
    assert (verdict.accuracies.charge_A.gain, verdict.accuracies.charge_A.offset) == pytest.approx((0.001, 0.002))
    assert verdict.accuracies.temperature_K == 0.5
    assert "provisional rating 1.50 Ah" in verdict.sentences["rating"]


def test_the_file_is_written_beside_the_run_and_names_its_sources(plover: Path, verdict: Verdict) -> None:
    content = json.loads((plover / VERDICT_FILE).read_text(encoding="utf-8"))

    assert content["provenance"]["sha256"][READINGS] == sha256(plover / READINGS)
    assert content["provenance"]["run"] == plover.name
    assert content["provenance"]["readings_seq"] == [1, sum(1 for _ in iter_readings(plover / READINGS))]
    assert content["sentences"] == verdict.sentences
    assert len(text(verdict).splitlines()) <= 40


def test_columns_are_those_of_the_journals_table(plover: Path) -> None:
    row = next(iter(iter_readings(plover / READINGS)))
    named = dict(zip((column.name for column in COLUMNS), map(str, range(len(COLUMNS))), strict=True))
    row.cells[:] = list(named.values())
    sample = sample_of(row)

    for name in ("voltage_V", "current_A", "temperature_degC", "charge_in_Ah", "energy_out_Wh", "gassing_s", "gas_charge_Ah",
                 "gassing_terminal_s", "round"):
        assert getattr(sample, name) == float(named[name]), name
    for name in ("state", "step", "activity", "regulated_by"):
        assert getattr(sample, name) == named[name], name


def test_a_cell_that_is_no_number_is_damage(plover: Path) -> None:
    row = next(iter(iter_readings(plover / READINGS)))
    row.cells[11] = "much"

    with pytest.raises(JournalError, match=r"readings.csv: row 1"):
        sample_of(row)


@pytest.mark.parametrize("name", [READINGS, EVENTS])
def test_a_torn_tail_is_left_out_and_told(copied: Path, name: str) -> None:
    path = copied / name
    path.write_bytes(path.read_bytes()[:-7])

    assert any(f"{name[0].upper()}{name[1:]}: " in c and "left out" in c for c in write_verdict(copied).cautions)


def test_damage_before_the_tail_refuses(copied: Path) -> None:
    path = copied / READINGS
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(content)

    with pytest.raises(JournalError, match=READINGS):
        write_verdict(copied)
    assert not (copied / VERDICT_FILE).exists()


def test_a_run_cut_in_the_middle_of_a_discharge_is_incomplete(tmp_path: Path) -> None:
    found = write_verdict(write_run(tmp_path, "plover-01", "plover", until_s=40_000.0))

    assert (found.complete, found.legs[-1].ended_by) == (False, "not ended")
    assert found.cautions[0].startswith("The run did not come to its end (not finished when this was written)")


def test_a_frozen_file_this_version_cannot_read_costs_only_what_it_says(plover: Path, tmp_path: Path) -> None:
    head = replace(read_run(plover), cell=Frozen("plover-01", "cell: plover-01\ncolour: grey\n"))
    folder = create_run(tmp_path, head)
    JournalWriter.create(folder, ("supply_voltage_V",), engine_version=head.engine_version).close()
    facts = RunSource(folder).facts()

    assert facts.rating is None
    assert facts.accuracies.charge_A is not None
    assert facts.faults[0].startswith("the frozen cell file cannot be read by this version (cell.yaml:")
    assert write_verdict(folder).sentences["rating"].startswith("Rating: not tested")

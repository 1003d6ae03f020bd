"""Reduce, write, then raise: nothing goes on before the row that allows it is in the file."""

from __future__ import annotations

import csv
from pathlib import Path

from chargerd.core.events import Observed
from chargerd.sim.faults import forever
from tests.worlds.programs import CYCLE, charge, profile, rest
from tests.worlds.world_bench import run_world


def test_an_output_goes_on_after_the_row_that_allows_it(tmp_path: Path) -> None:
    """The journal's order is the proof: each switching on stands after a row, the first or the one that ended the step before."""
    ran = run_world(tmp_path, CYCLE)
    with (ran.folder / "events.csv").open(newline="") as file:
        events = list(csv.DictReader(file))
    with (ran.folder / "readings.csv").open(newline="") as file:
        steps = {row["seq"]: row["step"] for row in csv.DictReader(file)}
    on = [row["after_seq"] for row in events if row["kind"] == "observed" and '"what":"on"' in row["detail"]]

    assert [record.instrument for _, record in ran.records if isinstance(record, Observed) and record.what == "on"] == ["supply", "load"]
    # The load's is the last row of the rest before it: the reading that ended the rest, after which the discharge may begin.
    assert [steps.get(seq) for seq in on] == ["1", "2"]


def test_nothing_is_raised_on_half_a_reading(tmp_path: Path) -> None:
    """The thermometer is mute from 50 to 67 s, and at 60 s a step with more current begins: it waits for the whole reading."""
    program = profile(charge(time="1 min", current="75 mA"), charge(time="1 min", current="150 mA"), rest())
    mute = forever("not_a_number", at_s=52.0, for_s=15.0, quantity="temperature_degC")
    ran = run_world(tmp_path, program, faults=(("probe", mute),))
    # The probe pulse of CHECKING has that current, too, at the very beginning.
    raised_s = [exchange.time_s for exchange in ran.heard["supply"] if exchange.received == "CURR 0.150" and exchange.time_s > 30.0]

    assert ran.cause == ""
    assert len(raised_s) == 1
    assert raised_s[0] >= 67.0

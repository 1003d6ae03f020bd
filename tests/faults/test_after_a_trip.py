"""After a trip the bench is read and logged for an hour more: gas and heat go on."""

from __future__ import annotations

import csv
from itertools import pairwise
from pathlib import Path

from chargerd.core.deadline import WATCH_EVERY_S
from chargerd.sim.faults import forever
from tests.worlds.programs import CYCLE
from tests.worlds.world_bench import run_world


def test_an_hour_more_is_recorded(tmp_path: Path) -> None:
    fault = forever("reading", at_s=62.5, quantity="voltage_V", value=2.8, for_s=8.0)
    ran = run_world(tmp_path, CYCLE, faults=(("supply", fault),), watch_after_s=3600.0, until_s=5000.0)

    assert ran.cause == "over-voltage"
    (tripped_s,) = (time_s for time_s, _ in ran.trips())
    with (ran.folder / "readings.csv").open(newline="") as file:
        times_s = [float(row["elapsed_s"]) for row in csv.DictReader(file) if row["state"] == "TRIPPED"]
    assert 3600.0 - 2 * WATCH_EVERY_S <= times_s[-1] - times_s[0] <= 3600.0 + WATCH_EVERY_S
    assert max(b - a for a, b in pairwise(times_s)) <= WATCH_EVERY_S + 1.0
    assert times_s[0] - tripped_s <= 2 * WATCH_EVERY_S

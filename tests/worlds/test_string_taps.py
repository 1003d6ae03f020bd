"""A string whose cells are read by a scanning meter: each cell judged by itself, each value with its age in the record."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import pytest

from chargerd.core.events import ReadingLost
from chargerd.core.states import State
from chargerd.errors import ProfileError
from chargerd.sim.benches import bench_of
from chargerd.sim.cell import Cell
from chargerd.sim.fixtures import make_cell
from chargerd.sim.world import World
from tests.worlds.programs import charge, profile, rest
from tests.worlds.switched_bench import PROBE, SUPPLY
from tests.worlds.world_bench import Ran, run_world

CELLS = 3
SCANNER = "Boathouse,Meter 6 Scan,SN25,1.0"
BENCH = """\
bench: string
about: INVENTED. Three cells in series, each read through a tap.
data: .
instruments:
""" + SUPPLY + PROBE + "".join(f"""\
  cell-{number}: {{address: "memory://world-scanner", dialect: scpi-meter-scan, identity: "{SCANNER}", input: {100 + number},
    accuracy: {{voltage: 0.01 % + 1 mV}}, resolution: {{voltage: 0.1 mV}}, isolated: yes, inputs: isolated}}
""" for number in range(1, CELLS + 1)) + """\
channels:
  slip-1: {source: supply, voltage: supply, temperature: probe, taps: [cell-1, cell-2, cell-3]}
limits: {voltage: 9 V, charge_current: 2.5 A, discharge_current: 2.5 A, temperature: 50 °C}
wiring: {lead: 50 mohm, fuse: 1 A, tap_resistor: 100 ohm}
ventilation: {outdoors: yes}
"""  # fmt: skip
PROGRAM = profile(rest("4 min"))
LIMIT_V = 2.75
"""Of one cell of the string."""
TAPS = [f"cell-{number}" for number in range(1, CELLS + 1)]


def world(cells: list[Cell]) -> World:
    return bench_of({
        "seed": 1, "keeps_log": True, "tap_ohm": 100.0,
        "instruments": {
            "supply": {"kind": "supply", "behaviour": "scpi-supply", "identity": "Boathouse,Source 3A,SN1,1.0"},
            "probe": {"kind": "thermometer", "behaviour": "scpi-thermometer", "identity": "Boathouse,Thermometer,SN6,1.0"},
            **{tap: {"kind": "meter", "isolated": True} for tap in TAPS},
        },
        "channels": {"slip-1": {"cells": cells, "source": "supply", "temperature": "probe", "taps": TAPS}},
        "peers": {"scanner": {"behaviour": "scpi-meter-scan", "identity": SCANNER, "panels": TAPS}},
    })  # fmt: skip


def run(folder: Path, stored_Ah: tuple[float, ...], acts: Any = (), program: str = PROGRAM) -> Ran:
    cells = [make_cell("plover", stored_Ah=stored) for stored in stored_Ah]
    return run_world(folder, program, bench=BENCH, world_of=lambda _cell: world(cells), acts=acts, until_s=3000.0)


def test_each_cell_of_a_string_is_in_the_record_with_its_age(tmp_path: Path) -> None:
    ran = run(tmp_path, (0.4, 0.5, 0.6))

    assert (ran.state, ran.cause) == (State.COMPLETE, "")
    with (ran.folder / "readings.csv").open(newline="") as file:
        last = list(csv.DictReader(file))[-1]
    volts = [float(last[f"{tap}_voltage_V"]) for tap in TAPS]
    assert volts == sorted(volts)  # a fuller cell stands higher
    assert sum(volts) == pytest.approx(float(last["voltage_V"]), abs=0.05)
    ages_s = [float(last[f"{tap}_voltage_V_age_s"]) for tap in TAPS]
    assert ages_s == sorted(ages_s, reverse=True)  # the scanner takes its time: the first one read is the oldest
    assert 0.0 < ages_s[0] < 2.0
    assert ran.replayed().differences == ()


def test_one_cell_above_its_share_trips_although_the_string_is_far_below_its_limit(tmp_path: Path) -> None:
    def lie(stage: Any) -> None:
        stage.world.arm({"peer": "scanner", "kind": "offset", "output": 2, "quantity": "voltage_V", "by": 1.6, "times": None}, stage.now_s())

    ran = run(tmp_path, (0.5, 0.5, 0.5), acts=((62.5, lie),))

    assert (ran.state, ran.cause) == (State.TRIPPED, "over-voltage")
    tripped = ran.trips()[0][1]
    assert tripped.text == "cell-2"
    assert tripped.limit == LIMIT_V
    assert ran.trips()[0][0] - 62.5 <= 10.0


def test_a_reversed_cell_of_a_string_trips(tmp_path: Path) -> None:
    def lie(stage: Any) -> None:
        stage.world.arm({"peer": "scanner", "kind": "scale", "output": 1, "quantity": "voltage_V", "factor": -1.0, "times": None}, stage.now_s())

    ran = run(tmp_path, (0.5, 0.5, 0.5), acts=((62.5, lie),))

    assert (ran.state, ran.cause, ran.trips()[0][1].text) == (State.TRIPPED, "reverse-polarity", "cell-1")


def test_a_tap_that_says_nothing_any_more_is_told_and_never_a_number(tmp_path: Path) -> None:
    def lie(stage: Any) -> None:
        stage.world.arm({"peer": "scanner", "kind": "not_a_number", "output": 3, "quantity": "voltage_V", "times": None}, stage.now_s())

    ran = run(tmp_path, (0.5, 0.5, 0.5), acts=((62.5, lie),))

    assert [record.name for _, record in ran.records if isinstance(record, ReadingLost)] == ["cell-3"]
    with (ran.folder / "readings.csv").open(newline="") as file:
        assert list(csv.DictReader(file))[-1]["cell-3_voltage_V"] == "absent"


def test_a_string_is_not_charged_by_this_version(tmp_path: Path) -> None:
    with pytest.raises(ProfileError, match="is a string, and this version charges and discharges single cells"):
        run(tmp_path, (0.5, 0.5, 0.5), program=profile(charge(time="4 min"), rest("1 min")))

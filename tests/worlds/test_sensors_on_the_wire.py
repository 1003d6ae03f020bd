"""Sensors through the whole chain: simulated element → meter → wire → driver → engine; and each of their faults in charge,
gassing and discharge, with its fault-free twin. Judged by the simulated supply's and load's own record of when they conducted.
"""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import pytest

from chargerd.core.causes import CAUSES
from chargerd.core.states import State
from chargerd.sim.cell import Cell
from chargerd.sim.fixtures import make_cell
from tests.worlds.programs import charge, discharge, profile, rest
from tests.worlds.switched_bench import SUPPLY
from tests.worlds.world_bench import Ran, run_world

STEINHART = "[1.12924e-3, 2.34108e-4, 0.87755e-7]"
SENSORS = {
    "pt100 by four wires": "{kind: pt100}",
    "pt100 by two wires": "{kind: pt100, wires: 2, lead: 0.4 ohm}",
    "pt1000": "{kind: pt1000}",
    "thermocouple k": "{kind: thermocouple-k, cold_junction: block}",
    "thermocouple t": "{kind: thermocouple-t, cold_junction: block}",
    "thermistor": f"{{kind: ntc, steinhart_hart: {STEINHART}}}",
}
"""What the bench file says. The simulator has curves of its own, and adds the leads that the file says there are."""

BENCH = """\
bench: sensors
about: INVENTED. A scanner that reads a sensor at the cell, one in the room, and the block where thermocouple leads end.
data: .
instruments:
{supply}  load:
    address: memory://world-load
    dialect: scpi-load
    identity: "Boathouse,Sink 10A,SN2,1.0"
    ratings: {{voltage: 30 V, current: 10 A}}
    accuracy: {{voltage: 0.05 % + 5 mV, current: 0.1 % + 2 mA}}
    resolution: {{voltage: 1 mV, current: 1 mA}}
    isolated: yes
  probe: {{address: "memory://world-probe", dialect: scpi-meter-scan, identity: "Boathouse,Meter 6 Scan,SN25,1.0", input: 101,
    sensor: {sensor}, accuracy: {{temperature: 0.3 K}}, resolution: {{temperature: 0.01 K}}, isolated: yes}}
  room: {{address: "memory://world-probe", dialect: scpi-meter-scan, identity: "Boathouse,Meter 6 Scan,SN25,1.0", input: 102,
    sensor: {{kind: pt1000}}, accuracy: {{temperature: 0.3 K}}, resolution: {{temperature: 0.01 K}}, isolated: yes}}
  block: {{address: "memory://world-probe", dialect: scpi-meter-scan, identity: "Boathouse,Meter 6 Scan,SN25,1.0", input: 103,
    sensor: {{kind: pt1000}}, accuracy: {{temperature: 0.3 K}}, resolution: {{temperature: 0.01 K}}, isolated: yes}}
channels:
  slip-1: {{source: supply, load: load, voltage: supply, temperature: probe, ambient: room}}
limits: {{voltage: 3 V, charge_current: 2.5 A, discharge_current: 2.5 A, temperature: 50 °C}}
wiring: {{lead: 50 mohm, fuse: 1 A}}
ventilation: {{outdoors: yes}}
"""


def run(folder: Path, program: str, sensor: str, cell: Cell, **more: Any) -> Ran:
    return run_world(folder, program, cell=cell, bench=BENCH.format(supply=SUPPLY, sensor=SENSORS[sensor]), until_s=6000.0, **more)


def temperatures(ran: Ran, column: str = "temperature_degC") -> list[float]:
    with (ran.folder / "readings.csv").open(newline="") as file:
        return [float(row[column]) for row in csv.DictReader(file) if row[column]]


@pytest.mark.parametrize("sensor", SENSORS)
def test_what_the_cell_is_at_arrives_in_the_record(sensor: str, tmp_path: Path) -> None:
    cell = make_cell("plover", stored_Ah=0.5, ambient_degC=31.0)
    ran = run(tmp_path, profile(charge(time="3 min"), rest("1 min")), sensor, cell)

    assert (ran.state, ran.cause) == (State.COMPLETE, "")
    assert temperatures(ran)[-1] == pytest.approx(cell.temperature_degC, abs=0.05)
    assert temperatures(ran, "room_temperature_degC")[-1] == pytest.approx(31.0, abs=0.05)
    assert ran.replayed().differences == ()


PHASES = {
    "charge": (profile(charge(time="8 min"), rest("1 min")), 0.5, 25.0, 62.5),
    # In a room of 40 °C gassing counts from 1.79 V; this cell stands above it from some 600 s on.
    "gassing": (profile(charge(time="24 min"), rest("1 min")), 1.0, 40.0, 902.5),
    "discharge": (profile(discharge(time="8 min"), rest("1 min")), 0.5, 25.0, 62.5),
}
"""Program, what the cell holds, the room, and an instant in the middle of what it is named after."""

MISSED = 3
BOUND_S = (MISSED + 2) * 5.0 + 5.0
"""Three missed readings are borne (one more trips), five seconds apart, and switching off takes up to 5 s."""

FAULTS = {
    "open": ("pt100 by four wires", {"panel": "probe", "kind": "sensor", "state": "open"}, "reading-lost"),
    "short": ("pt100 by four wires", {"panel": "probe", "kind": "sensor", "state": "short"}, "reading-lost"),
    "thermistor open": ("thermistor", {"panel": "probe", "kind": "sensor", "state": "open"}, "reading-lost"),
    "thermistor short": ("thermistor", {"panel": "probe", "kind": "sensor", "state": "short"}, "reading-lost"),
    "thermocouple open": ("thermocouple k", {"panel": "probe", "kind": "sensor", "state": "open"}, "reading-lost"),
    "cold junction open": ("thermocouple k", {"panel": "block", "kind": "sensor", "state": "open"}, "reading-lost"),
}


@pytest.mark.parametrize("phase", PHASES)
@pytest.mark.parametrize("fault", FAULTS)
def test_a_sensor_that_fails_ends_the_run_within_its_bound(fault: str, phase: str, tmp_path: Path) -> None:
    program, stored_Ah, ambient_degC, at_s = PHASES[phase]
    sensor, raw, cause = FAULTS[fault]
    cell = make_cell("plover", stored_Ah=stored_Ah, ambient_degC=ambient_degC)

    def break_it(stage: Any) -> None:
        stage.world.arm(dict(raw), stage.now_s())

    ran = run(tmp_path, program, sensor, cell, acts=((at_s, break_it),))

    assert (ran.state, ran.cause) == (State.TRIPPED, cause)
    assert cause in CAUSES
    off_s = ran.off_s(at_s)
    assert off_s is not None
    assert off_s - at_s <= BOUND_S
    assert ran.replayed().differences == ()


@pytest.mark.parametrize("phase", PHASES)
def test_the_twin_without_a_fault_completes(phase: str, tmp_path: Path) -> None:
    program, stored_Ah, ambient_degC, _ = PHASES[phase]
    ran = run(tmp_path, program, "thermocouple k", make_cell("plover", stored_Ah=stored_Ah, ambient_degC=ambient_degC))

    assert (ran.state, ran.cause) == (State.COMPLETE, "")


def test_a_sensor_that_freezes_while_the_room_moves_is_found(tmp_path: Path) -> None:
    cell = make_cell("plover", stored_Ah=0.5)

    def freeze(stage: Any) -> None:
        stage.world.arm({"peer": "probe", "kind": "freeze", "quantity": "resistance_ohm", "times": None}, stage.now_s())

    def warm(stage: Any) -> None:
        stage.world.arm({"panel": "room", "kind": "hand", "degC": 30.0, "held_s": 3000.0}, stage.now_s())

    program = profile(charge(time="20 min"), rest("1 min"))
    ran = run(tmp_path, program, "pt100 by four wires", cell, acts=((62.5, freeze), (302.5, warm)))

    assert (ran.state, ran.cause) == (State.TRIPPED, "reading-lost")
    # Not at once: a hand on the room's sensor warms no cell. 5 K for 144 s are 0.2 K that even a cell with a time constant of
    # an hour would have followed.
    assert 302.5 + 144.0 < ran.trips()[0][0] < 302.5 + 144.0 + BOUND_S

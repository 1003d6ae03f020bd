"""Whole runs whose thermometers are bare sensors on a scanning meter, or one-wire sensors: conversion, faults, trips.

Sensor and room share the meter's link. What the cell truly has is asked of the simulated cell, whose curves (`sim/curves`)
are written apart from the driver's.
"""

from __future__ import annotations

import re
from functools import partial
from typing import Any

import pytest

from chargerd.core.states import State
from chargerd.sim.benches import bench_of
from chargerd.sim.cell import Cell
from chargerd.sim.fixtures import make_cell
from chargerd.sim.world import World
from tests.worlds.programs import EVERY_S, charge, profile, rest
from tests.worlds.switched_bench import SUPPLY
from tests.worlds.world_bench import Ran, Stage, run_world

BENCH = """\
bench: sensors
about: INVENTED. Bare sensors on a scanning meter.
data: .
instruments:
{supply}  probe:
    address: memory://world-scanner
    dialect: scpi-meter-scan
    identity: "Boathouse,Meter 6 Scan,SN25,1.0"
    input: 101
    sensor: {sensor}
    accuracy: {{temperature: 0.5 K}}
    resolution: {{temperature: 0.1 K}}{every}
    timeout: 1 s
    isolated: yes
  room:
    address: memory://world-scanner
    dialect: scpi-meter-scan
    identity: "Boathouse,Meter 6 Scan,SN25,1.0"
    input: 102
    sensor: {{kind: pt1000}}
    accuracy: {{temperature: 0.5 K}}
    resolution: {{temperature: 0.1 K}}
    timeout: 1 s
    isolated: yes
channels:
  slip-1: {{source: supply, voltage: supply, temperature: probe, {roles}}}
limits: {{voltage: 3 V, charge_current: 2.5 A, discharge_current: 2.5 A, temperature: 50 °C}}
wiring: {{lead: 50 mohm, fuse: 1 A}}
ventilation: {{outdoors: yes}}
"""
CHARGE = profile(charge(time="4 min"), rest("1 min"))
CONSTANTS = "[1.12924e-3, 2.34108e-4, 0.87755e-7]"

KINDS: dict[str, tuple[str, dict[str, Any]]] = {
    "pt100, four wires": ("{kind: pt100}", {"kind": "pt100"}),
    "pt1000, three wires": ("{kind: pt1000, wires: 3}", {"kind": "pt1000", "wires": 3, "lead_ohm": 0.5}),
    "pt100, two wires": ("{kind: pt100, wires: 2, lead: 1 ohm}", {"kind": "pt100", "wires": 2, "lead_ohm": 0.5}),
    "ntc by its constants": ("{kind: ntc, steinhart_hart: " + CONSTANTS + "}", {"kind": "ntc"}),
    "ntc by B": (
        "{kind: ntc, nominal: 10 kohm, beta: 3950 K}", {"kind": "ntc", "nominal_ohm": 10_000.0, "beta_K": 3950.0}
    ),
    "thermocouple K": ("{kind: thermocouple-k, cold_junction: room}", {"kind": "thermocouple-k"}),
    "thermocouple T": ("{kind: thermocouple-t, cold_junction: room}", {"kind": "thermocouple-t"}),
}  # fmt: skip


def world(cell: Cell, sensor: dict[str, Any]) -> World:
    return bench_of({
        "seed": 1, "keeps_log": True, "ambient_degC": 21.0,
        "instruments": {
            "supply": {"kind": "supply", "behaviour": "scpi-supply", "identity": "Boathouse,Source 3A,SN1,1.0"},
            "probe": {"kind": "thermometer", "sensor": sensor},
            "room": {"kind": "thermometer", "sensor": {"kind": "pt1000"}},
        },
        "channels": {"slip-1": {"cell": cell, "source": "supply", "temperature": "probe", "ambient": "room"}},
        "peers": {
            "scanner": {
                "behaviour": "scpi-meter-scan", "identity": "Boathouse,Meter 6 Scan,SN25,1.0", "panels": ["probe", "room"],
            }
        },
    })  # fmt: skip


class Watched:
    """A run with the troubles that the bench named at every pass."""

    def __init__(
        self, tmp_path: Any, kind: str = "pt100, four wires", *, every: str = "", ambient: bool = True, program: str = CHARGE, **more: Any,
    ) -> None:  # fmt: skip
        sensor, made = KINDS[kind]
        self.seen: list[tuple[float, dict[str, str]]] = []
        text = BENCH.format(
            supply=SUPPLY, sensor=sensor, every=f"\n    every: {every}" if every else "", roles="ambient: room" if ambient else "",
        ).replace(", }", "}")  # fmt: skip
        self.ran: Ran = run_world(
            tmp_path, program, bench=text, cell=make_cell("plover", stored_Ah=0.5, ambient_degC=21.0), latency_s=0.01,
            world_of=partial(world, sensor=made), after_pass=self._look, **more,
        )  # fmt: skip

    def _look(self, stage: Stage, _done: object) -> None:
        self.seen.append((stage.now_s(), dict(stage.channel.bench.trouble)))

    def troubles(self) -> set[str]:
        return {text for _, trouble in self.seen for text in trouble.values()}


def rows(ran: Ran, column: str) -> list[float | None]:
    """The numbers of a column of readings.csv, None where it says that there was none and why."""
    lines = (ran.folder / "readings.csv").read_text(encoding="utf-8").splitlines()
    at = lines[0].split(",").index(column)
    cells = [line.split(",")[at] for line in lines[1:]]
    return [float(cell) if re.fullmatch(r"-?[0-9.]+", cell) else None for cell in cells]


@pytest.mark.parametrize("kind", KINDS)
def test_a_run_sees_the_cells_temperature_through_any_sensor(kind: str, tmp_path: Any) -> None:
    watched = Watched(tmp_path, kind)
    ran = watched.ran
    cell = ran.world.nodes["slip-1"].cell
    assert cell is not None
    read = rows(ran, "probe_temperature_degC")

    assert (ran.state, ran.cause) == (State.COMPLETE, "")
    assert watched.troubles() == set()
    assert None not in read
    # 5 milliohm and 0.5 uV of noise are 13 mK of a Pt100 and of a thermocouple; three of them.
    assert read[-1] == pytest.approx(cell.temperature_degC, abs=0.06)
    assert ran.replayed().differences == ()


def arm(kind: str, at_s: float, panel: str = "probe", **values: Any) -> tuple[float, Any]:
    """What goes wrong with a sensor, by the simulator's own data."""
    return at_s, lambda stage: stage.world.arm({"panel": panel, "kind": kind, "at_s": at_s, **values})


def stand_still(number: int) -> tuple[float, Any]:
    """The meter answers one code for ever for its input of that number, noise and all."""
    return 30.0, lambda stage: stage.world.arm({"peer": "scanner", "kind": "freeze", "times": None, "output": number}, 30.0)


BREAKS = [
    # kind of sensor, panel that breaks, how, the words in which the bench says so
    ("pt100, four wires", "probe", "open", "probe: open circuit (by the instrument's own word)"),
    ("pt100, four wires", "probe", "short", "probe: short circuit"),
    ("ntc by its constants", "probe", "open", "probe: open circuit (by the instrument's own word)"),
    ("ntc by its constants", "probe", "short", "probe: short circuit"),
    ("thermocouple K", "probe", "open", "probe: open circuit (by the instrument's own word)"),
    ("thermocouple K", "room", "short", "probe: its cold junction has no reading"),
    ("thermocouple T", "room", "open", "probe: its cold junction has no reading"),
]


@pytest.mark.parametrize(("kind", "panel", "how", "said"), BREAKS, ids=[f"{kind}, {panel} {how}" for kind, panel, how, _ in BREAKS])
def test_a_broken_sensor_is_no_cold_cell_but_a_lost_reading(kind: str, panel: str, how: str, said: str, tmp_path: Any) -> None:
    watched = Watched(tmp_path, kind, ambient=False, acts=(arm("sensor", 62.0, panel, state=how),))
    ran = watched.ran
    off_s = next(entry.time_s for entry in ran.source.output_log if entry.time_s > 62.0 and not entry.on)

    assert ran.cause == "reading-lost"
    # Three lost readings are borne, the fourth trips; a reading of two inputs takes a quarter of a second.
    assert off_s - 62.0 <= 4 * EVERY_S + 1.5
    assert any(text.startswith(said) for text in watched.troubles())
    assert all(value is None or 15.0 < value < 30.0 for value in rows(ran, "probe_temperature_degC"))
    assert ran.replayed().differences == ()


def test_a_sensor_that_comes_back_in_time_is_believed_and_its_trouble_forgotten(tmp_path: Any) -> None:
    acts = (arm("sensor", 62.0, state="open"), arm("sensor", 68.0, state=""))
    watched = Watched(tmp_path, acts=acts)

    assert (watched.ran.state, watched.ran.cause) == (State.COMPLETE, "")
    assert any("open circuit" in trouble.get("probe", "") for at_s, trouble in watched.seen if 62.0 < at_s < 68.0)
    assert all(trouble == {} for at_s, trouble in watched.seen if at_s > 75.0)


def test_the_trouble_of_an_input_is_forgotten_though_another_one_gave_the_link_its_name(tmp_path: Any) -> None:
    watched = Watched(tmp_path, acts=(arm("sensor", 62.0, "room", state="open"), arm("sensor", 68.0, "room", state="")))

    assert watched.ran.cause == ""
    assert any("open circuit" in trouble.get("room", "") for _, trouble in watched.seen)
    assert all(trouble == {} for at_s, trouble in watched.seen if at_s > 75.0)


def ages(ran: Ran) -> list[float]:
    return [age for age in rows(ran, "probe_temperature_degC_age_s") if age is not None]


def test_a_slow_sensor_is_asked_as_seldom_as_it_measures_and_its_value_has_its_age(tmp_path: Any) -> None:
    watched = Watched(tmp_path, every="15 s")
    ran = watched.ran
    asked = sum(b"@101" in exchange.received.encode() for exchange in ran.heard["scanner"])

    assert (ran.state, ran.cause) == (State.COMPLETE, "")
    assert asked < 0.5 * len(rows(ran, "probe_temperature_degC"))
    assert 9.0 < max(ages(ran)) < 16.0


def test_one_lost_value_of_a_slow_sensor_is_asked_again_at_the_next_sample(tmp_path: Any) -> None:
    # Asked at its period alone, one lost reply would be four lost readings, which trips.
    acts = (arm("sensor", 50.0, state="open"), arm("sensor", 66.0, state=""))
    watched = Watched(tmp_path, every="15 s", acts=acts)

    assert (watched.ran.state, watched.ran.cause) == (State.COMPLETE, "")
    assert any("open circuit" in text for text in watched.troubles())


def test_a_sensor_frozen_while_the_room_warms_trips_as_lost(tmp_path: Any) -> None:
    acts = (stand_still(1), arm("hand", 40.0, "room", degC=33.0, held_s=1200.0))
    watched = Watched(tmp_path, program=profile(charge(time="20 min")), acts=acts)

    assert watched.ran.cause == "reading-lost"
    assert 30.0 + 120.0 < watched.ran.trips()[0][0] < 30.0 + 120.0 + 6 * EVERY_S
    assert any("the same value again and again" in text for text in watched.troubles())


def test_a_room_thermometer_that_repeats_while_the_cell_warms_is_no_fault(tmp_path: Any) -> None:
    acts = (stand_still(2), arm("hand", 40.0, "probe", degC=22.5, held_s=1000.0))
    watched = Watched(tmp_path, program=profile(charge(time="20 min")), acts=acts)

    assert (watched.ran.state, watched.ran.cause) == (State.COMPLETE, "")
    assert watched.troubles() == set()

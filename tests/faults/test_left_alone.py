"""A supply of two outputs: one charges the cell, the other drives the fan, and nothing that happens to the one may reach the other."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from chargerd.core.states import State
from chargerd.errors import BenchError
from chargerd.sim.benches import bench_of
from chargerd.sim.cell import Cell
from chargerd.sim.faults import forever
from chargerd.sim.fixtures import make_cell
from chargerd.sim.world import World
from tests.worlds.invariants import on_without_leave
from tests.worlds.programs import CYCLE, EVERY_S
from tests.worlds.switched_bench import HEAD, LOAD, TAIL
from tests.worlds.world_bench import Stage, run_world

OF_TWO = HEAD.replace("dialect: scpi-supply\n", "dialect: DIALECT\n    output: 1\n").replace(
    "  probe:\n",
    """\
  fan:
    address: memory://world-supply
    dialect: scpi-supply-channel-list
    output: 2
    identity: "Boathouse,Source 3A,SN1,1.0"
    ratings: {voltage: 30 V, current: 3 A}
    accuracy: {voltage: 0.05 % + 5 mV, current: 0.1 % + 5 mA}
    resolution: {voltage: 1 mV, current: 1 mA}
  probe:
""",
)
SLIP = "channels:\n  slip-1: {source: supply, load: load, voltage: supply, temperature: probe}\n"
WRONG = """\
dialect: wrong-suffix
about: INVENTED. One command has another output's number in it.
role: source
based_on: scpi-supply-channel-list
published: nothing
verified_on_hardware: none yet
commands:
  {name}: {{send: "{text}"{decimals}}}
"""
TRIP_TAKES_S = EVERY_S + 2.0
"""A reading away, and switching off with its proof."""


def bench_text(dialect: str = "scpi-supply-channel-list", listed: str = "keep_on: [fan]\n") -> str:
    return OF_TWO.replace("DIALECT", dialect) + LOAD + SLIP + TAIL + listed


def world_of(cell: Cell) -> World:
    world = bench_of({
        "seed": 1, "keeps_log": True,
        "instruments": {
            "supply": {"kind": "supply"}, "fan": {"kind": "supply"},
            "load": {"kind": "load", "behaviour": "scpi-load", "identity": "Boathouse,Sink 10A,SN2,1.0"},
            "probe": {"kind": "thermometer", "behaviour": "scpi-thermometer", "identity": "Boathouse,Thermometer,SN6,1.0"},
        },
        "channels": {"slip-1": {"cell": cell, "source": "supply", "load": "load", "temperature": "probe"}},
        "peers": {
            "supply": {"behaviour": "scpi-supply-channel-list", "identity": "Boathouse,Source 3A,SN1,1.0", "panels": ["supply", "fan"]},
        },
    })  # fmt: skip
    world.panels["fan"].set("output", value=True, now_s=0.0)
    return world


@pytest.mark.parametrize("fault", ["trip", "none"])
def test_a_trip_switches_its_own_output_off_and_the_fan_goes_on(fault: str, tmp_path: Path) -> None:
    """The fan's off time must be 0; the twin without the fault completes, and the fan has run all the time there, too."""
    lie = ("supply", forever("reading", at_s=62.5, header="(@1)", quantity="voltage_V", value=2.8))
    plans: list[str] = []

    def keep_plan(stage: Stage) -> None:
        plan = stage.channel.bench.off_plan(run="r", channel="slip-1", worker_pid=1, boot_id="", written_utc="")
        plans.append(json.dumps(plan))

    ran = run_world(
        tmp_path, CYCLE, bench=bench_text(), world_of=world_of, faults=(lie,) if fault == "trip" else (), acts=((30.0, keep_plan),)
    )

    assert (ran.state, ran.cause) == ((State.TRIPPED, "over-voltage") if fault == "trip" else (State.COMPLETE, ""))
    assert [entry.on for entry in ran.world.panels["fan"].output_log][-1] is True
    assert False not in [entry.on for entry in ran.world.panels["fan"].output_log if entry.time_s > 0.0]
    assert on_without_leave(ran) == []
    if fault == "trip":
        off_s = ran.off_s(62.5)
        assert off_s is not None
        assert off_s - 62.5 <= TRIP_TAKES_S
    written = [exchange.received for exchange in ran.heard["supply"] if "?" not in exchange.received]
    assert [text for text in written if "(@2)" in text or "ALL" in text or text == "*RST"] == []
    (plan,) = plans
    assert "(@1)" in plan
    assert "(@2)" not in plan


@pytest.mark.parametrize("listed", ["keep_on: [fan]\n", "never_touch: [fan]\n", "never_touch: [memory://world-supply output 2]\n"])
@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("off", "OUTPut OFF,(@2)"), ("on", "OUTPut ON,(@1:2)"), ("voltage_set", "VOLTage {value},(@2)"), ("ovp", "VOLTage:PROTection {value},(@2)"),
        ("off", "OUTPut:ALL OFF"), ("off", "*RST"), ("on", "OUTPut ON"),
    ],
)  # fmt: skip
def test_a_dialect_with_a_wrong_number_in_it_is_refused_before_a_byte_leaves(name: str, text: str, listed: str, tmp_path: Path) -> None:
    """Also where only `off` is wrong: the off plan is made of the same bytes, and nobody would read it before it is needed."""
    (tmp_path / "dialects").mkdir()
    (tmp_path / "dialects" / "wrong-suffix.yaml").write_text(WRONG.format(name=name, text=text, decimals=", decimals: 3" * ("{value}" in text)), encoding="utf-8")
    worlds: list[World] = []

    def kept_world(cell: Cell) -> World:
        worlds.append(world_of(cell))
        return worlds[0]

    with pytest.raises(BenchError, match=r"must be left alone|is never sent"):
        run_world(
            tmp_path, CYCLE, bench=bench_text("wrong-suffix", listed), world_of=kept_world, cell=make_cell("plover", stored_Ah=0.5),
            until_s=100.0,
        )  # fmt: skip
    assert [exchange.received for exchange in worlds[0].peers["supply"].log] == []
    assert worlds[0].panels["fan"].get("output") is True

"""One whole short charge with a Modbus supply, on a serial bus, over TCP and in memory: the same decisions, and off at the end.

The supply is the simulated step-down module (no error queue, no sign of a restart, 1 mV and 1 mA steps, a zero error of its own);
load and thermometer speak SCPI. A clock that jumps; everything from the dialect's bytes to the journal is what a real bench uses.
"""

from __future__ import annotations

import asyncio
import csv
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from chargerd import ENGINE_VERSION, __version__
from chargerd.cli.files import example_bench
from chargerd.cli.simulated import world_of_bench
from chargerd.config.bench import load_bench
from chargerd.config.cell import load_cell
from chargerd.config.profile import load_profile
from chargerd.core.engine import Engine
from chargerd.core.events import Start
from chargerd.core.states import State
from chargerd.daemon.channel import Channel
from chargerd.daemon.checking import Checking
from chargerd.daemon.clock import jumping_clock
from chargerd.daemon.frozen import FrozenRun, open_run
from chargerd.instruments.bench import ChannelBench
from chargerd.instruments.transports.memory import PEERS
from chargerd.journal.resume import replay
from chargerd.journal.runfolder import Frozen, RunHead, create_run
from chargerd.journal.writer import JournalWriter
from chargerd.sim.faults import Fault, forever, once
from chargerd.sim.jump_clock import JumpLoop
from chargerd.sim.serve import Bench
from chargerd.sim.world import World
from tests.processes.test_three_links import BEGAN, small_plover

PROFILE = """
profile: short-charge
about: A few minutes of charge, rest and discharge.
steps:
  - charge:
      current: C/5
      voltage: 1.75 V
      sample_every: 1 s
      ends_when:
        time: 4 min
        charge: 60 % rated
  - rest:
      lasts: 20 s
  - discharge:
      current: C/5
      sample_every: 1 s
      ends_when:
        voltage_below: 0.80 V
        charge: 60 % rated
        time: 2 min
"""
WIRES = {
    "modbus-rtu": ({"wire": "pty"}, "modbus-rtu:///dev/simulated?baud=115200&unit=1"),
    "modbus-tcp": ({"wire": "tcp"}, "modbus-tcp://127.0.0.1:5020?unit=1"),
    "modbus-memory": (None, "modbus-memory://charge-supply?unit=1"),
}


@dataclass(frozen=True)
class Ran:
    """What one run left behind."""

    state: State
    decisions: list[tuple[str, str, str]]
    readings: list[dict[str, str]]
    differences: int
    plan: dict[str, Any]
    world: World


def bench_text(supply: str, addresses: dict[str, str]) -> str:
    """The example's bench with a Modbus module for a supply."""
    text = example_bench().read_text(encoding="utf-8").replace("fuse: 1 A", "fuse: 2.5 A")
    text = text.replace("dialect: scpi-supply", "dialect: modbus-supply").replace('"Boathouse,Source 3A,SN1,1.0"', '"4417,103"')
    for name, address in ({**addresses, "supply": supply}).items():
        text = re.sub(rf"(?m)^(  {name}:\n(?:    .*\n)*?    address: ).*$", rf"\g<1>{address}", text)
    return text


def run_over(wire: str, folder: Path, *faults: Fault) -> Ran:
    (folder / "data").mkdir(parents=True)
    with asyncio.Runner(loop_factory=JumpLoop) as runner:
        return runner.run(_run_over(wire, folder, faults))


async def _run_over(wire: str, folder: Path, faults: tuple[Fault, ...]) -> Ran:
    loop = asyncio.get_running_loop()
    assert isinstance(loop, JumpLoop)
    served_by, supply = WIRES[wire]
    path = folder / "bench.yaml"
    path.write_text(bench_text(supply, {}), encoding="utf-8")
    world = world_of_bench(load_bench(path), {"slip-1": small_plover()}, seed=7, keeps_log=True)
    for fault in faults:
        world.peers["supply"].faults.arm(fault)
    served = Bench(world, loop.time)
    wires = {name: {"wire": "tcp"} for name in world.peers if name != "supply"}
    addresses = await served.start(wires | ({"supply": served_by} if served_by else {}), in_flight=loop.in_flight)
    PEERS["charge-supply"] = world.peers["supply"].feed
    if wire == "modbus-rtu":
        supply = f"modbus-rtu://{addresses.pop('supply').removeprefix('serial://')}?baud=115200&unit=1"
    elif wire == "modbus-tcp":
        supply = f"modbus-tcp://{addresses.pop('supply').removeprefix('tcp://')}?unit=1"
    try:
        path.write_text(bench_text(supply, addresses), encoding="utf-8")
        (folder / "short-charge.yaml").write_text(PROFILE, encoding="utf-8")
        run, state, plan = await _one_run(path, folder, loop)
    finally:
        await served.close()
        del PEERS["charge-supply"]
    replayed = replay(run.folder, lambda: Engine(run.plan), engine_version=ENGINE_VERSION)
    with (run.folder / "events.csv").open(encoding="utf-8", newline="") as file:
        decisions = [(row["after_seq"], row["kind"], _decided(row)) for row in csv.DictReader(file) if row["kind"] != "observed"]
    with (run.folder / "readings.csv").open(encoding="utf-8", newline="") as file:
        readings = list(csv.DictReader(file))
    return Ran(state, decisions, readings, replayed.differences_count, plan, world)


async def _one_run(path: Path, folder: Path, loop: JumpLoop) -> tuple[FrozenRun, State, dict[str, Any]]:
    bench_file, cell = load_bench(path), load_cell(example_bench().parent / "cells" / "plover-01.yaml")
    profile = load_profile(folder / "short-charge.yaml")
    clock = jumping_clock(loop, BEGAN)
    head = RunHead(
        "slip-1", clock.utc(), __version__, ENGINE_VERSION, Frozen(cell.name, cell.text),
        Frozen(bench_file.name, bench_file.text), Frozen(profile.name, profile.text),
        {name: spec.identity for name, spec in bench_file.instruments.items()},
    )  # fmt: skip
    run = open_run(create_run(folder / "data", head), simulated=True)
    bench = await ChannelBench.open(run.bench, "slip-1", now=clock.now_s, in_flight=loop.in_flight)
    plan: dict[str, Any] = bench.off_plan(run="", channel="slip-1", worker_pid=0, boot_id="b", written_utc="")

    async def prove() -> None:
        """No keeper here: nothing that this process could leave on is real."""

    try:
        journal = JournalWriter.create(run.folder, bench.columns, engine_version=ENGINE_VERSION)
        channel = Channel(Engine(run.plan), bench, journal, clock, Checking(prove), lambda done: None)
        return run, await channel.run(Start(by="test")), plan
    finally:
        await bench.close()


def _decided(row: dict[str, str]) -> str:
    """What was decided, without what was measured."""
    return " ".join(re.findall(r'"(?:step|end|before|after|reason|cause|name|activity)":"?[^,"}]*', row["detail"]))


@pytest.fixture(scope="module")
def in_memory(tmp_path_factory: pytest.TempPathFactory) -> Ran:
    return run_over("modbus-memory", tmp_path_factory.mktemp("memory") / "run")


@pytest.mark.timeout(120)
def test_a_short_charge_completes_with_a_modbus_supply(in_memory: Ran) -> None:
    assert (in_memory.state, in_memory.differences) == (State.COMPLETE, 0)
    assert [decision for _, kind, decision in in_memory.decisions if kind == "step-started"] != []
    assert not any(panel.conducts for panel in in_memory.world.panels.values())
    charging = [row for row in in_memory.readings if row["activity"] == "charge"]
    assert len(charging) > 100
    assert {row["regulated_by"] for row in charging} >= {"cc"}
    assert float(charging[-1]["charge_in_Ah"]) > 0.0
    said = [exchange.received for exchange in in_memory.world.peers["supply"].log]
    assert said[0] == "unit 1 read 40001 2"
    first_on = said.index("unit 1 write 40012 1")
    assert {message.split(" ")[3] for message in said[:first_on] if " write " in message} >= {"40010", "40011", "40013", "40014"}
    assert [message for message in said if " write 40012 " in message][-1] == "unit 1 write 40012 0"
    assert in_memory.plan["outputs"][0]["off"][0]["shown"] == "holding 11 0"


@pytest.mark.timeout(120)
@pytest.mark.parametrize("wire", ["modbus-rtu", "modbus-tcp"])
def test_a_real_bus_and_a_real_socket_decide_the_same(wire: str, in_memory: Ran, tmp_path: Path) -> None:
    ran = run_over(wire, tmp_path / "run")

    assert (ran.state, ran.differences) == (State.COMPLETE, 0)
    assert ran.decisions == in_memory.decisions
    assert len(ran.readings) == len(in_memory.readings)
    assert not any(panel.conducts for panel in ran.world.panels.values())


def trip_of(ran: Ran) -> str:
    return " ".join(decision for _, kind, decision in ran.decisions if kind == "tripped")


# Garbage, half a reply, another's reply, an echo, a reply twice, none: what the wire of a Modbus supply can do, in the middle of the charge.
@pytest.mark.timeout(120)
@pytest.mark.parametrize(
    ("wire", "kind"),
    [
        *(("modbus-memory", kind) for kind in ("flip", "wrong_unit", "wrong_function", "truncate", "echo", "duplicate", "mute")),
        *(("modbus-rtu", kind) for kind in ("flip", "wrong_unit", "mute")),
    ],
)
def test_one_bad_reply_in_a_charge_is_a_missing_reading_and_nothing_more(wire: str, kind: str, tmp_path: Path) -> None:
    ran = run_over(wire, tmp_path / "run", once(kind, header="read 40020", at_question=60))

    assert (ran.state, ran.differences) == (State.COMPLETE, 0), trip_of(ran)
    assert not any(panel.conducts for panel in ran.world.panels.values())
    assert all(abs(float(row["voltage_V"])) < 3.0 for row in ran.readings if row["voltage_V"])


@pytest.mark.timeout(120)
@pytest.mark.parametrize("kind", ["flip", "wrong_unit", "wrong_function", "truncate", "mute", "hang"])
def test_a_wire_that_stays_bad_for_a_minute_ends_the_charge_and_the_output_is_off_as_soon_as_it_can_be(kind: str, tmp_path: Path) -> None:
    ran = run_over("modbus-memory", tmp_path / "run", forever(kind, at_s=30.0, for_s=60.0))
    last_on_s, last_off_s = ran.world.panels["supply"].energised()[-1]

    assert ran.state is State.TRIPPED
    assert last_on_s < 30.0
    assert last_off_s is not None
    # Nobody can write to it while its identity cannot be proven, so the wire alone keeps it on: its own limits, a relay and
    # a person are left, and `off` is tried until it is seen.
    assert last_off_s < 100.0

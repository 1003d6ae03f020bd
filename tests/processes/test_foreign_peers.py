"""A short charge through peers that nobody here wrote: pymodbus's server as the supply, PyVISA's simulation backend as meter and
thermometer, socat's ptys as the cable.

Real time, real links, real journal. Named test peer: `Follower`, the arithmetic behind pymodbus's registers and the meter's
voltage; a capacitor of 60 F behind 0.5 ohm. No part of the simulator takes part but in the last test.
"""

from __future__ import annotations

import asyncio
import json
import sys
import time
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
import pyvisa
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

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
from chargerd.daemon.clock import real_clock
from chargerd.daemon.frozen import open_run
from chargerd.instruments.bench import ChannelBench
from chargerd.journal.resume import replay
from chargerd.journal.runfolder import Frozen, RunHead, create_run
from chargerd.journal.writer import JournalWriter
from chargerd.sim.serve import Bench
from tests.instruments.modbus_peers import socat_ptys
from tests.instruments.socat import line_to, needs_socat
from tests.processes.test_three_links import small_plover

PROFILE = """\
profile: seconds
about: A few seconds of charge and rest.
attended: yes
steps:
  - charge:
      current: C/10
      voltage: 1.75 V
      sample_every: 1 s
      ends_when:
        time: 12 s
        charge: 20 % rated
  - rest:
      lasts: 5 s
      sample_every: 1 s
"""
BENCH = """\
bench: foreign
about: An invented bench whose instruments are other people's programs.
data: data
instruments:
  supply:
    address: "{supply}"
    dialect: modbus-supply
    identity: "4417,103"
    ratings: {{voltage: 30 V, current: 5 A}}
    accuracy: {{voltage: 0.3 % + 20 mV, current: 0.5 % + 5 mA}}
    resolution: {{voltage: 10 mV, current: 1 mA}}
  meter:
    address: "visa://ASRL1::INSTR?library={library}"
    dialect: scpi-meter
    identity: "Boathouse,Meter 6,SN5,1.0"
    accuracy: {{voltage: 0.1 % + 10 mV}}
    resolution: {{voltage: 1 mV}}
    isolated: yes
  probe:
    address: "visa://GPIB0::9::INSTR?library={library}"
    dialect: scpi-thermometer
    identity: "Boathouse,Thermometer,SN6,1.0"
    accuracy: {{temperature: 0.5 K}}
    resolution: {{temperature: 0.1 K}}
channels:
  slip-1: {{source: supply, voltage: meter, temperature: probe}}
limits: {{voltage: 3.0 V, charge_current: 2.5 A, discharge_current: 2.5 A, temperature: 50 °C}}
wiring: {{lead: 0.05 ohm, fuse: 1 A}}
ventilation: {{outdoors: yes}}
"""
SET_V, SET_A, OUTPUT, READ_V, READ_A, REGULATION = 9, 10, 11, 19, 20, 22
"""Registers of the invented module, counted from 0."""


@dataclass
class Follower:
    """What the registers show follows what is set: a capacitor behind a resistor. `on_s`: when the output went on and off."""

    voltage_V: float = 0.9
    current_A: float = 0.0
    at_s: float = field(default_factory=time.monotonic)
    charge_C: float = 0.0
    switched: list[bool] = field(default_factory=list)
    meter: Any = None
    output: bool = False
    by_hand: bool = False

    async def action(
        self, function: int, start: int, address: int, count: int, registers: list[int], values: list[int] | list[bool] | None
    ) -> None:
        """Called by pymodbus for every request, before it is carried out. `by_hand`: somebody has pressed the module's button."""
        del function
        if self.by_hand:
            registers[OUTPUT - start], self.by_hand = 1, False
        now_s = time.monotonic()
        self.charge_C += self.current_A * (now_s - self.at_s)
        self.voltage_V += self.current_A * (now_s - self.at_s) / 60.0
        self.at_s = now_s
        shown = dict(enumerate(registers, start))
        if values is not None:
            shown |= {address + index: int(value) for index, value in enumerate(values[:count])}
            if address == OUTPUT:
                self.switched.append(bool(values[0]))
        self.output = bool(shown[OUTPUT])
        room_A = max(0.0, (shown[SET_V] / 1000.0 - self.voltage_V) / 0.5)
        self.current_A = min(shown[SET_A] / 1000.0, room_A) if shown[OUTPUT] else 0.0
        terminals_V = self.voltage_V + 0.5 * self.current_A
        registers[READ_V - start], registers[READ_A - start] = round(1000.0 * terminals_V), round(1000.0 * self.current_A)
        registers[REGULATION - start] = int(bool(shown[OUTPUT]) and room_A > shown[SET_A] / 1000.0)
        self.meter.set_value(f"{terminals_V:.5f}")


def module(follower: Follower) -> SimDevice:
    """The registers of the invented module, served by pymodbus."""
    holding = [SimData(0, values=[4417, 103] + [0] * 24, datatype=DataType.REGISTERS)]
    none = [SimData(0, values=[False] * 8, datatype=DataType.BITS)]
    return SimDevice(1, (none, none, holding, [SimData(0, values=[0], datatype=DataType.REGISTERS)]), action=follower.action)


@asynccontextmanager
async def pymodbus_server(wire: str, follower: Follower, folder: Path) -> AsyncIterator[str]:
    async with AsyncExitStack() as stack:
        server: ModbusTcpServer | ModbusSerialServer
        if wire == "tcp":
            server = ModbusTcpServer([module(follower)], address=("127.0.0.1", 0))
            await server.serve_forever(background=True)
            address = f"modbus-tcp://127.0.0.1:{server.transport.sockets[0].getsockname()[1]}?unit=1"
        else:
            ours, theirs = stack.enter_context(socat_ptys(folder))
            server = ModbusSerialServer([module(follower)], port=theirs, baudrate=9600)
            await server.serve_forever(background=True)
            address = f"modbus-rtu://{ours}?baud=9600&unit=1"
        try:
            yield address
        finally:
            await server.shutdown()


@dataclass(frozen=True)
class Ran:
    """What one run left behind."""

    state: State
    folder: Path
    differences: int
    charge_in_Ah: float
    off_plan: dict[str, Any]


async def run_on(bench_path: Path, folder: Path) -> Ran:
    """One run as the worker makes it, without a keeper: its journal, and the off plan it would leave."""
    (folder / "seconds.yaml").write_text(PROFILE, encoding="utf-8")
    bench_file, cell = load_bench(bench_path), load_cell(example_bench().parent / "cells" / "plover-01.yaml")
    profile = load_profile(folder / "seconds.yaml")
    clock = real_clock()
    head = RunHead(
        "slip-1", clock.utc(), __version__, ENGINE_VERSION, Frozen(cell.name, cell.text),
        Frozen(bench_file.name, bench_file.text), Frozen(profile.name, profile.text),
        {name: spec.identity for name, spec in bench_file.instruments.items()},
    )  # fmt: skip
    run = open_run(create_run(folder / "data", head))
    bench = await ChannelBench.open(run.bench, "slip-1", now=clock.now_s)

    async def prove() -> None:
        """No keeper here: nothing that this process could leave on is real."""

    try:
        plan = bench.off_plan(run=run.folder.name, channel="slip-1", worker_pid=0, boot_id="b", written_utc=clock.utc())
        journal = JournalWriter.create(run.folder, bench.columns, engine_version=ENGINE_VERSION)
        engine = Engine(run.plan)
        channel = Channel(engine, bench, journal, clock, Checking(prove), lambda done: None, watch_after_s=0.0)
        state = await channel.run(Start(by="test"))
    finally:
        await bench.close()
    replayed = replay(run.folder, lambda: Engine(run.plan), engine_version=ENGINE_VERSION)
    return Ran(state, run.folder, replayed.differences_count, engine.memory.tally.charge_in_Ah, plan)


async def through_pymodbus(wire: str, folder: Path) -> tuple[Ran, Follower, str]:
    """The run, and then `chargerd off` on the plan it left, with the output switched on once more by hand."""
    devices = folder / "devices.yaml"
    devices.write_text((Path(__file__).parent / "foreign_devices.yaml").read_text(encoding="utf-8"), encoding="utf-8")
    (folder / "data").mkdir()
    manager = pyvisa.ResourceManager(f"{devices}@sim")
    follower = Follower(meter=manager.visalib.devices["ASRL1::INSTR"]._properties["voltage"])  # the device's own memory
    async with pymodbus_server(wire, follower, folder) as address:
        path = folder / "bench.yaml"
        path.write_text(BENCH.format(supply=address, library=f"{devices}@sim"), encoding="utf-8")
        ran = await run_on(path, folder)
        plan = folder / "off-plan.json"
        plan.write_text(json.dumps(ran.off_plan), encoding="utf-8")
        follower.by_hand = True
        off = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "chargerd.daemon.off", str(plan), stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.STDOUT
        )
        said, _ = await off.communicate()
    return ran, follower, f"{off.returncode} {said.decode()}"


@needs_socat
@pytest.mark.timeout(120)
@pytest.mark.parametrize("wire", ["tcp", "rtu"])
def test_a_charge_through_pymodbus_and_the_visa_simulation_counts_what_flowed_and_ends_off(wire: str, tmp_path: Path) -> None:
    ran, follower, said = asyncio.run(through_pymodbus(wire, tmp_path))

    assert (ran.state, ran.differences) == (State.COMPLETE, 0)
    assert follower.switched.count(True) == 2  # the probe pulse of CHECKING, and the charge
    assert (follower.switched[-1], follower.by_hand, follower.output, follower.current_A) == (False, False, False, 0.0)
    assert follower.charge_C > 1.0
    assert ran.charge_in_Ah * 3600.0 == pytest.approx(follower.charge_C, rel=0.1)
    assert said.startswith("0 slip-1 supply: off, verified by holding 11 0")


async def through_socat(folder: Path) -> tuple[Ran, bool]:
    """The good example bench, its supply behind two ptys of socat's and one of the simulator's."""
    (folder / "data").mkdir()
    path = folder / "bench.yaml"
    text = example_bench().read_text(encoding="utf-8")
    path.write_text(text, encoding="utf-8")
    world = world_of_bench(load_bench(path), {"slip-1": small_plover()}, seed=7)
    loop = asyncio.get_running_loop()
    began_s = loop.time()
    served = Bench(world, lambda: loop.time() - began_s)
    addresses = await served.start({name: {"wire": "pty" if name == "supply" else "tcp"} for name in world.peers})
    try:
        device = addresses["supply"].removeprefix("serial://")
        with line_to(f"{device},raw,echo=0", folder / "cable"):
            for name, spec in load_bench(path).instruments.items():
                new = f"serial://{folder}/cable?baud=115200" if name == "supply" else addresses[name]
                text = text.replace(f"address: {spec.address}\n", f"address: {new}\n")
            path.write_text(text, encoding="utf-8")
            ran = await run_on(path, folder)
    finally:
        await served.close()
    return ran, any(panel.conducts for panel in world.panels.values())


@needs_socat
@pytest.mark.timeout(120)
def test_a_charge_through_socats_cable_completes_and_ends_off(tmp_path: Path) -> None:
    ran, conducts = asyncio.run(through_socat(tmp_path))

    assert (ran.state, ran.differences, conducts) == (State.COMPLETE, 0, False)
    assert ran.charge_in_Ah * 3600.0 == pytest.approx(0.15 * 12.0, rel=0.2)

"""A bench of simulated instruments in memory, for tests of the drivers."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager
from itertools import count
from pathlib import Path
from typing import TypeVar

from chargerd.config.bench import Accuracy, BenchFile, BenchLimits, ChannelSpec, InstrumentSpec, Ventilation, Wiring
from chargerd.core.demand import Activity, Demand, Energise
from chargerd.instruments.bench import ChannelBench
from chargerd.instruments.transports.memory import PEERS
from chargerd.sim.jump_clock import JumpLoop
from chargerd.sim.world import World, boathouse_bench

T = TypeVar("T")

IDENTITIES = {
    "supply": "Boathouse,Source 3A,SN1,1.0",
    "load": "Boathouse,Sink 10A,SN2,1.0",
    "meter": "Boathouse,Meter 6,SN5,1.0",
    "thermometer": "Boathouse,Thermometer,SN6,1.0",
}
DIALECTS = {"supply": "scpi-supply", "load": "scpi-load", "meter": "scpi-meter", "thermometer": "scpi-thermometer"}
_NUMBER = count()

LIMITS = {"ovp_V": 1.95, "ocp_A": 0.5, "load_ocp_A": 1.0}
OFF = Demand(Energise.NONE, Activity.OFF, 0.0, 5.0)


def charge(voltage_V: float = 1.85, current_A: float = 0.15) -> Demand:
    return Demand(Energise.SOURCE, Activity.CHARGE, 1e9, 5.0, voltage_V, current_A, 1.95, 0.5)


def discharge(current_A: float = 0.3) -> Demand:
    return Demand(Energise.LOAD, Activity.DISCHARGE, 1e9, 5.0, None, current_A, 1.95, 0.5)


def run(main: Callable[[], Awaitable[T]]) -> T:
    """Run on a clock that jumps over waiting."""

    async def body() -> T:
        return await main()

    with asyncio.Runner(loop_factory=JumpLoop) as runner:
        return runner.run(body())


async def pass_time(seconds: float) -> None:
    """Let the loop's clock go on; on the jumping one this waits for nothing."""
    loop = asyncio.get_running_loop()
    done = loop.create_future()
    loop.call_later(seconds, done.set_result, None)
    await done


def spec(name: str, address: str, dialect: str, identity: str, timeout_s: float = 0.5) -> InstrumentSpec:
    is_output = name in ("supply", "load")
    return InstrumentSpec(
        name, address, dialect, identity, 30.0 if is_output else None, 3.0 if is_output else None,
        {"voltage": Accuracy(0.0005, 0.005), "current": Accuracy(0.001, 0.002)},
        {"voltage": 0.001, "current": 0.001}, timeout_s,
    )  # fmt: skip


def bench_file(addresses: dict[str, str], dialects: dict[str, str], identities: dict[str, str] | None = None) -> BenchFile:
    known = IDENTITIES | (identities or {})
    instruments = {name: spec(name, address, dialects[name], known[name]) for name, address in addresses.items()}
    has = {name: name if name in instruments else "" for name in IDENTITIES}
    channel = ChannelSpec("slip-1", "supply", has["load"], has["meter"], has["thermometer"], "")
    return BenchFile(
        "boathouse", "", Path(), instruments, {"slip-1": channel}, BenchLimits(3.0, 2.5, 2.5, 50.0),
        Wiring(0.05, 2.0, 0.5, 1.0), Ventilation(outdoors=True), None, (), (), (), None, {}, Path("bench.yaml"), "", "",
    )  # fmt: skip


class Rig:
    """A simulated bench under names of its own in the registry of in-memory peers."""

    def __init__(self, world: World, dialects: dict[str, str], identities: dict[str, str]) -> None:
        self.world = world
        self.prefix = f"rig{next(_NUMBER)}-"
        for name, feed in world.feeds().items():
            PEERS[self.prefix + name] = feed
        addresses = {name: f"memory://{self.prefix}{name}" for name in IDENTITIES if name in world.peers}
        self.file = bench_file(addresses, DIALECTS | dialects, identities)

    def remove(self) -> None:
        for name in self.world.peers:
            del PEERS[self.prefix + name]

    async def open(self) -> ChannelBench:
        return await ChannelBench.open(self.file, "slip-1", now=asyncio.get_running_loop().time)

    async def ready(self) -> ChannelBench:
        """Opened, identified, quiet and with limits: what CHECKING leaves."""
        bench = await self.open()
        await bench.identify()
        await bench.check_quiet()
        await bench.write_limits(**LIMITS)
        return bench

    def said(self, name: str) -> list[str]:
        """Every message this instrument received, in order."""
        return [exchange.received for exchange in self.world.peers[name].log]

    def conducts(self, name: str) -> bool:
        return self.world.panels[name].conducts


@contextmanager
def rig(
    *, dialects: dict[str, str] | None = None, identities: dict[str, str] | None = None, meter: bool = False, **world: object
) -> Iterator[Rig]:
    made = Rig(boathouse_bench(keeps_log=True, meter=meter, stored_Ah=0.5, **world), dialects or {}, identities or {})  # type: ignore[arg-type]
    try:
        yield made
    finally:
        made.remove()

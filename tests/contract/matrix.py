"""One instrument at open terminals, of any dialect, behind any transport, with the driver's own objects in front of it."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from itertools import count
from typing import NamedTuple, TypeVar

from chargerd.config.bench import Accuracy, InstrumentSpec
from chargerd.config.bench_parts import ContactSpec
from chargerd.instruments.connection import Connection
from chargerd.instruments.dialect_file import load_dialect
from chargerd.instruments.opening import ROLE_CLASSES
from chargerd.instruments.roles import Instrument
from chargerd.instruments.transports.memory import PEERS
from chargerd.sim.faults import Fault
from chargerd.sim.serve import PtyServer, TcpServer
from chargerd.sim.wire import Peer
from chargerd.sim.world import World

T = TypeVar("T")
_NUMBER = count()


class Case(NamedTuple):
    """A dialect and what it is tried on: a behaviour written from a command list, and the panel behind it."""

    dialect: str
    behaviour: str
    panel: str
    output: str = ""
    input: str = ""
    panels: int = 1

    def __str__(self) -> str:
        return f"{self.dialect}-on-{self.behaviour}"


CASES = [
    Case("scpi-supply", "scpi-supply", "supply"),
    Case("scpi-supply-compound", "scpi-supply", "supply"),
    Case("scpi-supply-operation", "scpi-supply-b", "supply"),
    Case("scpi-supply-swapped", "scpi-supply-c", "supply"),
    Case("scpi-load", "scpi-load", "load"),
    Case("scpi-load", "scpi-load-keeps-input", "load"),
    Case("scpi-load-compound", "scpi-load", "load"),
    Case("scpi-supply-suffix", "scpi-supply-suffix", "supply", output="2", panels=3),
    Case("scpi-supply-channel-list", "scpi-supply-channel-list", "supply", output="2", panels=3),
    Case("scpi-supply-select", "scpi-supply-select", "supply", output="2", panels=3),
    Case("scpi-meter", "scpi-meter", "meter"),
    Case("scpi-thermometer", "scpi-thermometer", "thermometer"),
    Case("scpi-meter-scan", "scpi-meter-scan", "meter", input="102", panels=2),
    Case("scpi-meter-resistance", "scpi-meter", "meter"),
    Case("modbus-supply", "modbus-supply", "supply"),
]
TRANSPORTS = ("memory", "tcp", "serial", "visa")
MODBUS_TRANSPORTS = ("modbus-memory", "modbus-rtu", "modbus-tcp")


def transports_of(case: Case) -> tuple[str, ...]:
    return MODBUS_TRANSPORTS if case.dialect.startswith("modbus-") else TRANSPORTS


def spec_of(case: Case, address: str, identity: str) -> InstrumentSpec:
    return InstrumentSpec(
        "thing", address, case.dialect, identity, 30.0, 3.0,
        {"voltage": Accuracy(0.0005, 0.005), "current": Accuracy(0.001, 0.002), "temperature": Accuracy(0.0, 0.5)},
        {"voltage": 0.001, "current": 0.001, "temperature": 0.1}, 0.5,
        output=case.output, input=case.input, contact=ContactSpec("open") if case.panel == "relay" else None,
    )  # fmt: skip


def peer_of(case: Case) -> Peer:
    """The simulated instrument, with nothing connected."""
    world = World(seed=7, keeps_log=True)
    nodes = [world.add_node(f"terminals{number}", None) for number in range(case.panels)]
    panels = [world.add_panel(case.panel, f"panel{number}", node) for number, node in enumerate(nodes)]
    return world.add_peer("thing", case.behaviour, panels)


@asynccontextmanager
async def instrument_of(
    case: Case, transport: str, faults: tuple[Fault, ...] = ()
) -> AsyncIterator[tuple[Instrument, Peer]]:
    """Serve the peer on that transport and put the driver's object in front of it; no byte has been sent yet."""
    loop = asyncio.get_running_loop()
    zero_s = loop.time()
    if transport == "modbus-tcp":
        case = case._replace(behaviour=f"{case.behaviour}-tcp")
    peer = peer_of(case)
    for fault in faults:
        peer.faults.arm(fault)

    def clock() -> float:
        return loop.time() - zero_s

    server: TcpServer | PtyServer | None = None
    name = f"contract{next(_NUMBER)}"
    if transport.endswith("memory"):
        PEERS[name] = lambda data, now_s: peer.feed(data, now_s - zero_s)
        address = f"{transport}://{name}"
    elif transport.endswith("tcp"):
        server = TcpServer(peer, clock)
        await server.start()
        address = f"{transport}://127.0.0.1:{server.port}"
    else:
        server = PtyServer(peer, clock)
        await server.start()
        address = f"visa+py://ASRL{server.path}::INSTR" if transport == "visa" else f"{transport}://{server.path}"
    if transport.startswith("modbus-"):
        address += "?unit=1"
    dialect = load_dialect(case.dialect, output=case.output, input=case.input)
    spec = spec_of(case, address, peer.listener.identity)
    connection = Connection("thing", address, spec.identity, timeout_s=spec.timeout_s, asked_by=dialect.questions["identity"])
    instrument = ROLE_CLASSES[dialect.role](spec, dialect, connection)
    try:
        yield instrument, peer
    finally:
        await connection.close()
        PEERS.pop(name, None)
        if server is not None:
            await server.close()


def on_real_clock(main: Callable[[], Awaitable[T]]) -> T:
    async def body() -> T:
        return await main()

    return asyncio.run(body())

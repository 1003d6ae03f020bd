"""One instrument at open terminals, of any dialect, behind any transport, with the driver's own objects in front of it."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import ExitStack, asynccontextmanager, contextmanager
from itertools import count
from pathlib import Path
from tempfile import TemporaryDirectory
from types import ModuleType
from typing import NamedTuple, TypeVar, cast

from chargerd.config.bench import Accuracy, InstrumentSpec
from chargerd.config.bench_parts import ContactSpec
from chargerd.instruments.connection import Connection
from chargerd.instruments.dialect_file import load_dialect
from chargerd.instruments.opening import ROLE_CLASSES
from chargerd.instruments.roles import Instrument
from chargerd.instruments.transports.memory import PEERS
from chargerd.sim.faults import Fault
from chargerd.sim.folder_server import FolderServer
from chargerd.sim.pins import Pins
from chargerd.sim.serve import PtyServer, TcpServer
from chargerd.sim.wire import Peer
from chargerd.sim.world import World
from tests.instruments import fake_gpiod

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
    identity: str = ""
    options: str = ""
    timeout_s: float = 0.5

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
    Case("scpi-relays", "scpi-relays", "relay", output="3", panels=4),
    Case("scpi-relays-mirror", "scpi-relays", "relay", output="3", panels=4),
    Case("modbus-relay", "modbus-relay", "relay", output="3", panels=4),
    Case("one-wire-thermometer", "file-one-wire", "thermometer"),
    Case("hwmon-thermometer", "file-hwmon", "thermometer", input="2", panels=2),
    Case("line-sensor", "line-sensor", "thermometer", input="2", panels=2),
    Case(
        "line-sensor-printing", "line-sensor-prints", "thermometer", input="2", panels=2, identity="t1",
        options="eol=crlf&listen=yes", timeout_s=2.5,
    ),
    Case("line-supply", "line-supply", "supply", options="eol=cr"),
    Case("line-supply", "line-supply-echo", "supply", options="eol=crlf&echo=yes"),
    Case("line-relays", "line-relays", "relay", output="3", panels=4, options="eol=crlf"),
    Case("relay-bytes", "frame-relays", "relay", output="3", panels=4, identity="5A 01"),
    Case("relay-pins", "pin-relays", "relay", output="27", panels=4),
    Case("relay-pins", "pin-relays-low", "relay", output="27", panels=4, options="active_low=27"),
    Case("relay-pins-mirror", "pin-relays", "relay", output="27", input="12", panels=4),
]
TRANSPORTS = ("memory", "tcp", "serial", "visa")
MODBUS_TRANSPORTS = ("modbus-memory", "modbus-rtu", "modbus-tcp")


OTHER_TRANSPORTS = {
    "modbus-relay": ("modbus-memory", "modbus-rtu"), "line-supply": ("memory", "tcp", "serial"), "line-supply-echo": ("serial",),
    "one-wire-thermometer": ("file",), "hwmon-thermometer": ("file",), "relay-bytes": ("bytes-memory", "serial-bytes"), "relay-pins": ("gpio",),
    "relay-pins-mirror": ("gpio",), "line-sensor-printing": ("memory", "tcp", "serial"),
}  # fmt: skip
"""By dialect or behaviour, what speaks over a transport of its own, or not through VISA."""


def transports_of(case: Case) -> tuple[str, ...]:
    usual = MODBUS_TRANSPORTS if case.dialect.startswith("modbus-") else TRANSPORTS
    return OTHER_TRANSPORTS.get(case.behaviour, OTHER_TRANSPORTS.get(case.dialect, usual))


def spec_of(case: Case, address: str, identity: str) -> InstrumentSpec:
    return InstrumentSpec(
        "thing", address, case.dialect, identity, 30.0, 3.0,
        {"voltage": Accuracy(0.0005, 0.005), "current": Accuracy(0.001, 0.002), "temperature": Accuracy(0.0, 0.5)},
        {"voltage": 0.001, "current": 0.001, "temperature": 0.1}, case.timeout_s,
        output=case.output, input=case.input, contact=ContactSpec("open") if case.panel == "relay" else None,
    )  # fmt: skip


def peer_of(case: Case) -> Peer:
    """The simulated instrument, with nothing connected."""
    world = World(seed=7, keeps_log=True)
    nodes = [world.add_node(f"terminals{number}", None) for number in range(case.panels)]
    panels = [world.add_panel(case.panel, f"panel{number}", node) for number, node in enumerate(nodes)]
    return world.add_peer("thing", case.behaviour, panels)


class _Pin(fake_gpiod.Pin):
    """A pin of the FAKE library with a simulated relay behind it; pin 12 shows the mirror contact of the relay on pin 27."""

    def __init__(self, number: int, pins: Pins, peer: Peer) -> None:
        super().__init__()
        self._number, self._pins = number, pins
        self._relay = peer.listener.panels[1]

    def drive(self, value: fake_gpiod.Value) -> None:
        self._pins.set(self._number, int((value is fake_gpiod.Value.ACTIVE) != self.active_low))

    @property
    def value(self) -> fake_gpiod.Value:
        is_mirror = self._number == MIRROR_PIN
        level = self._relay.shown("mirror_closed") if is_mirror else self._pins.get(self._number)
        return fake_gpiod.Value(int(bool(level) != self.active_low))


MIRROR_PIN = 12


@contextmanager
def pins_of(peer: Peer, clock: Callable[[], float]) -> Iterator[str]:
    """Simulated relays behind the FAKE pin library (tests/instruments/fake_gpiod.py); the address of the chip."""
    module = "chargerd.instruments.transports.gpio"
    before = {name: sys.modules.get(name) for name in ("gpiod", "gpiod.line", module)}
    sys.modules.update({"gpiod": cast("ModuleType", fake_gpiod), "gpiod.line": cast("ModuleType", fake_gpiod.line)})
    sys.modules.pop(module, None)
    path = f"/dev/gpiochip{next(_NUMBER)}"
    board = fake_gpiod.BOARDS[path] = fake_gpiod.Board(peer.listener.identity)
    board.pins = [_Pin(number, Pins(peer, clock), peer) for number in range(32)]
    try:
        yield f"gpio://{path}"
    finally:
        del fake_gpiod.BOARDS[path]
        for name, real in before.items():
            sys.modules.pop(name, None)
            if real is not None:
                sys.modules[name] = real


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

    server: TcpServer | PtyServer | FolderServer | None = None
    name = f"contract{next(_NUMBER)}"
    stack = ExitStack()
    if transport.endswith("memory"):
        PEERS[name] = lambda data, now_s: peer.feed(data, now_s - zero_s)
        address = f"{transport}://{name}"
    elif transport.endswith("tcp"):
        server = TcpServer(peer, clock)
        await server.start()
        address = f"{transport}://127.0.0.1:{server.port}"
    elif transport == "file":
        server = FolderServer(peer, clock, Path(stack.enter_context(TemporaryDirectory())))
        await server.start()
        address = server.address
    elif transport == "gpio":
        address = stack.enter_context(pins_of(peer, clock))
    else:
        server = PtyServer(peer, clock)
        await server.start()
        address = f"visa+py://ASRL{server.path}::INSTR" if transport == "visa" else f"{transport}://{server.path}"
    if transport.startswith("modbus-"):
        address += "?unit=1"
    if case.options:
        address += f"?{case.options}"
    dialect = load_dialect(case.dialect, output=case.output, input=case.input)
    spec = spec_of(case, address, case.identity or peer.listener.identity)
    connection = Connection("thing", address, spec.identity, timeout_s=spec.timeout_s, asked_by=dialect.questions["identity"])
    instrument = ROLE_CLASSES[dialect.role](spec, dialect, connection)
    try:
        yield instrument, peer
    finally:
        await connection.close()
        PEERS.pop(name, None)
        if server is not None:
            await server.close()
        stack.close()


def on_real_clock(main: Callable[[], Awaitable[T]]) -> T:
    async def body() -> T:
        return await main()

    return asyncio.run(body())

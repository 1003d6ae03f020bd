"""A bench file's simulated counterpart: which devices there are, what they are wired to, and where they listen."""

from __future__ import annotations

import asyncio
import os
import select
import socket
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import serial

from chargerd.cli.simulated import BEHAVIOURS, Wire, devices_of, wires_of_bench, world_of_bench
from chargerd.config.bench import BenchFile, load_bench
from chargerd.errors import UsageError
from chargerd.instruments.dialect import dialect_names
from chargerd.sim.behaviour import behaviour_names
from chargerd.sim.cell import Cell
from chargerd.sim.fixtures import make_cell
from chargerd.sim.modbus_wire import check_value
from chargerd.sim.pins import PinListener
from chargerd.sim.serve import Bench
from chargerd.sim.wire import Peer
from chargerd.sim.world import World

REST = """
limits: {voltage: 3.0 V, charge_current: 2.5 A, discharge_current: 2.5 A, temperature: 50 °C}
wiring: {lead: 0.05 ohm, clip_mass: 2 g, clip_resistance: 0.01 ohm, fuse: 3 A}
ventilation: {room: 30 m3, openings: 20 cm2}
"""
SEES = "accuracy: {voltage: 5 mV, current: 5 mA, temperature: 0.5 K}, resolution: {voltage: 1 mV, current: 1 mA, temperature: 0.1 K}"
RATED = "ratings: {voltage: 15 V, current: 2 A}"
CONTACT = "contact: {without_power: open, at_boot: open, settle: 10 ms}"


def instrument(name: str, address: str, dialect: str, identity: str, *more: str) -> str:
    return f'  {name}: {{address: "{address}", dialect: {dialect}, identity: "{identity}", {", ".join([SEES, *more])}}}\n'


def bench_of(folder: Path, instruments: str, channels: str, rest: str = "") -> BenchFile:
    path = folder / "bench.yaml"
    text = f"bench: tried\ndata: data\ninstruments:\n{instruments}channels:\n{channels}{rest}{REST}"
    path.write_text(text, encoding="utf-8")
    return load_bench(path)


def cheapest(folder: Path) -> BenchFile:
    """A supply on a serial line, one relay board for the cell and two resistors, a board that prints temperatures."""
    relays = "".join(
        instrument(name, "serial:///tmp/boathouse-relays?eol=crlf", "line-relays", "Boathouse R8 SN34", f'output: "{number}"', CONTACT)
        for name, number in (("cell-relay", 1), ("first-relay", 2), ("second-relay", 4))
    )
    return bench_of(
        folder,
        instrument("supply", "serial:///tmp/boathouse-supply?eol=cr", "line-supply", "Boathouse Line-15 SN31", RATED)
        + instrument("probe", "serial:///tmp/boathouse-board?listen=yes", "line-sensor-printing", "t1", 'input: "1"')
        + instrument("room", "serial:///tmp/boathouse-board?listen=yes", "line-sensor-printing", "t1", 'input: "2"')
        + relays,
        "  slip-1: {source: supply, load: bank, voltage: supply, temperature: probe, ambient: room, switch: cell-relay}\n",
        "resistors:\n"
        "  ten: {load: bank, switch: first-relay, resistance: 10 ohm, power: 5 W}\n"
        "  five: {load: bank, switch: second-relay, resistance: 5 ohm, power: 5 W}\n",
    )


def plover() -> Cell:
    return make_cell("plover", fresh=False, stored_Ah=0.5)


def say(peer: Peer, data: bytes, now_s: float) -> str:
    return b"".join(piece for _, piece in peer.feed(data, now_s)).decode("latin-1")


def current_A(world: World, now_s: float) -> float:
    return world.nodes["slip-1"].look(now_s).current_A


# -- the table ----------------------------------------------------------------------------------------------------


def test_every_shipped_dialect_has_a_counterpart_and_every_counterpart_exists() -> None:
    assert set(dialect_names()) - set(BEHAVIOURS) == set()
    assert set(BEHAVIOURS.values()) - set(behaviour_names()) == set()


# -- the cheapest bench -------------------------------------------------------------------------------------------


def test_instruments_at_one_address_are_outputs_of_one_device(tmp_path: Path) -> None:
    bench = cheapest(tmp_path)

    devices = {device.name: dict(device.members) for device in devices_of(bench, bench.instruments)}

    assert devices == {
        "supply": {1: "supply"},
        "probe": {1: "probe", 2: "room"},
        "cell-relay": {1: "cell-relay", 2: "first-relay", 4: "second-relay"},
    }
    assert wires_of_bench(bench, ["slip-1"]) == {
        "supply": Wire("pty", link="/tmp/boathouse-supply"),
        "probe": Wire("pty", link="/tmp/boathouse-board"),
        "cell-relay": Wire("pty", link="/tmp/boathouse-relays"),
    }


def test_the_cheapest_bench_charges_and_discharges_through_its_relays(tmp_path: Path) -> None:
    world = world_of_bench(cheapest(tmp_path), {"slip-1": plover()})
    supply, relays = world.peers["supply"], world.peers["cell-relay"]

    assert say(supply, b"U 2.0\rI 150\rS 1\r", 1.0) == "OK\rOK\rOK\r"
    assert current_A(world, 2.0) == 0.0  # the cell's relay is open
    assert say(relays, b"on 1\r\nis 1\r\nis 3\r\n", 2.0) == "done\r\n1 on\r\n3 off\r\n"  # 3: on the board, not in the file
    assert current_A(world, 3.0) == pytest.approx(0.150, abs=0.002)
    assert say(supply, b"S 0\r", 4.0) == "OK\r"
    say(relays, b"on 2\r\non 4\r\n", 5.0)
    volts = world.nodes["slip-1"].look(6.0).voltage_V
    assert current_A(world, 6.0) == pytest.approx(-volts * (1 / 10 + 1 / 5), rel=0.05)
    say(relays, b"off 1\r\n", 7.0)
    assert current_A(world, 8.0) == pytest.approx(0.0, abs=1e-9)
    say(world.peers["probe"], b"", 8.0)
    line = say(world.peers["probe"], b"", 9.0)
    assert line.startswith("t1=2")
    assert " t2=2" in line


def test_a_fault_of_one_output_is_that_outputs_alone(tmp_path: Path) -> None:
    from chargerd.sim.faults import forever

    world = world_of_bench(cheapest(tmp_path), {"slip-1": plover()})
    relays = world.peers["cell-relay"]
    relays.faults.arm(forever("ignore_on", output=4))
    say(relays, b"on 1\r\non 4\r\n", 1.0)
    world.advance_to(2.0)

    assert (world.panels["cell-relay"].conducts, world.panels["second-relay"].conducts) == (True, False)


# -- several outputs, a scanner, a string ---------------------------------------------------------------------------


def test_outputs_that_no_channel_uses_are_there_and_drive_nothing_of_the_cell(tmp_path: Path) -> None:
    bench = bench_of(
        tmp_path,
        instrument("supply", "tcp://127.0.0.1:5025", "scpi-supply-channel-list", "Boathouse,S,1,1", 'output: "2"', RATED)
        + instrument("fan", "tcp://127.0.0.1:5025", "scpi-supply-channel-list", "Boathouse,S,1,1", 'output: "3"', RATED),
        "  slip-1: {source: supply, voltage: supply}\n",
        "keep_on: [fan]\n",
    )
    world = world_of_bench(bench, {"slip-1": plover()})
    peer = world.peers["supply"]
    say(peer, b"VOLT 12,(@3);:OUTP ON,(@3);:VOLT 5,(@1);:OUTP ON,(@1)\n", 1.0)

    assert current_A(world, 2.0) == 0.0
    say(peer, b"VOLT 2.0,(@2);:CURR 0.1,(@2);:OUTP ON,(@2)\n", 3.0)
    assert current_A(world, 4.0) == pytest.approx(0.1, abs=0.001)
    assert say(peer, b"OUTP? (@1:3)\n", 4.0) == "1,1,1\n"
    assert world.panels["fan"].conducts
    assert list(wires_of_bench(bench, ["slip-1"])) == ["supply"]


def string_bench(folder: Path) -> BenchFile:
    taps = "".join(
        instrument(f"tap-{n}", "tcp://127.0.0.1:5027", "scpi-meter-scan", "Boathouse,M,1,1", f'input: "10{n}"', "isolated: yes, inputs: isolated")
        for n in (1, 2, 3)
    )
    return bench_of(
        folder,
        instrument("supply", "tcp://127.0.0.1:5025", "scpi-supply", "Boathouse,S,1,1", RATED) + taps,
        "  row: {source: supply, voltage: supply, taps: [tap-1, tap-2, tap-3]}\n",
    )


def test_a_string_is_read_cell_by_cell_through_a_scanner(tmp_path: Path) -> None:
    cells = [make_cell("plover", fresh=False, stored_Ah=stored) for stored in (0.2, 0.5, 0.8)]
    world = world_of_bench(string_bench(tmp_path), {"row": cells})
    volts = [float(part) for part in say(world.peers["tap-1"], b"MEAS:VOLT? (@101:103)\n", 1.0).split(",")]

    assert volts == sorted(volts)
    assert volts == pytest.approx([cell.voltage_V for cell in cells], abs=0.005)


SENSORS = {
    "platinum": ("{kind: pt1000, wires: 2, lead: 0.6 ohm}", b"MEAS:RES? (@102)\n", 1097.9470),  # IEC 60751: 25 °C, and its leads
    "couple": ("{kind: thermocouple-k, cold_junction: room}", b"MEAS:VOLT:DC? (@103)\n", 0.0),  # both ends in the room
    "by-b": ("{kind: ntc, nominal: 10 kohm, beta: 3950 K}", b"MEAS:FRES? (@104)\n", 10_000.0),
    "by-table": ('{kind: ntc, table: ["0 °C = 32.65 kohm", "25 °C = 10 kohm", "50 °C = 3.6 kohm"]}', b"MEAS:FRES? (@105)\n", 10_000.0),
}


def test_a_scanner_reads_sensors_of_every_make(tmp_path: Path) -> None:
    text = instrument("room", f"file://{tmp_path}/28-7", "one-wire-thermometer", "28-7")
    for number, (name, (sensor, _, _)) in enumerate(SENSORS.items(), 2):
        where = f'input: "{100 + number}"', f"sensor: {sensor}"
        text += instrument(name, "tcp://127.0.0.1:5027", "scpi-meter-scan", "Boathouse,M,1,1", *where)
        text += instrument(f"supply-{name}", f"tcp://127.0.0.1:{5030 + number}", "scpi-supply", "Boathouse,S,1,1", RATED)
    slips = "".join(
        f"  slip-{name}: {{source: supply-{name}, voltage: supply-{name}, temperature: {name}, ambient: room}}\n" for name in SENSORS
    )
    bench = bench_of(tmp_path, text, slips)
    world = world_of_bench(bench, {f"slip-{name}": plover() for name in SENSORS})

    for _, message, expected in SENSORS.values():
        assert float(say(world.peers["platinum"], message, 5.0)) == pytest.approx(expected, rel=0.015, abs=1e-5), message
    assert say(world.peers["room"], b"temperature\n", 0.5) == "85000\n"
    assert say(world.peers["room"], b"temperature\n", 5.0) == "25000\n"


def test_pins_have_the_numbers_the_bench_file_says(tmp_path: Path) -> None:
    bench = bench_of(
        tmp_path,
        instrument("supply", "tcp://127.0.0.1:5025", "scpi-supply", "Boathouse,S,1,1", RATED)
        + instrument("relay", "gpio:///dev/gpiochip0", "relay-pins-mirror", "chip", 'output: "26"', 'input: "12"', CONTACT),
        "  slip-1: {source: supply, voltage: supply, switch: relay}\n",
    )
    world = world_of_bench(bench, {"slip-1": plover()})
    listener = world.peers["relay"].listener

    assert isinstance(listener, PinListener)
    assert (listener.numbers, listener.mirrors) == ((26,), (12,))
    assert say(world.peers["relay"], b"26 1\n", 1.0) == "1\n"
    assert say(world.peers["relay"], b"12?\n26?\nlabel?\n", 2.0) == "1\n1\nchip\n"
    with pytest.raises(UsageError, match="pins cannot be simulated for another program"):
        wires_of_bench(bench, ["slip-1"])


def test_units_of_one_bus_are_devices_of_their_own_on_one_wire(tmp_path: Path) -> None:
    bus = "modbus-rtu:///tmp/boathouse-bus?baud=9600&unit="
    bench = bench_of(
        tmp_path,
        instrument("supply", bus + "3", "modbus-supply", "4417,103", RATED)
        + instrument("relay", bus + "5", "modbus-relay", "3108,20", 'output: "1"', CONTACT),
        "  slip-1: {source: supply, voltage: supply, switch: relay}\n",
    )
    world = world_of_bench(bench, {"slip-1": plover()})
    peer = world.peers["supply"]

    def ask(text: str, now_s: float) -> bytes:
        request = bytes.fromhex(text)
        return b"".join(piece for _, piece in peer.feed(request + check_value(request), now_s))[:-2]

    assert list(world.peers) == ["supply"]
    assert wires_of_bench(bench, ["slip-1"]) == {"supply": Wire("pty", link="/tmp/boathouse-bus")}
    assert ask("030300000002", 1.0) == bytes.fromhex("03030411 410067")  # unit 3: 4417, 103
    assert ask("050400000002", 1.0) == bytes.fromhex("0504040C240014")  # unit 5: 3108, 20
    assert ask("010300000002", 1.0) == b""  # no unit 1
    assert ask("05050001FF00", 1.0) == bytes.fromhex("05050001FF00")
    assert ask("0306000907D0", 2.0) == bytes.fromhex("0306000907D0")  # 2.000 V
    assert ask("0306000A0064", 2.0) == bytes.fromhex("0306000A0064")  # 0.100 A
    assert ask("0306000B0001", 2.0) == bytes.fromhex("0306000B0001")
    assert current_A(world, 3.0) == pytest.approx(0.1, abs=0.001)
    assert ask("050200010001", 3.0) == bytes.fromhex("05020101")  # the mirror contact


def test_a_modbus_unit_on_a_network_port_speaks_the_frames_of_one(tmp_path: Path) -> None:
    text = instrument("supply", "modbus-tcp://127.0.0.1:1502?unit=1", "modbus-supply", "4417,103", RATED)
    bench = bench_of(tmp_path, text, "  slip-1: {source: supply, voltage: supply}\n")
    world = world_of_bench(bench, {"slip-1": plover()})

    assert wires_of_bench(bench, ["slip-1"]) == {"supply": Wire("tcp", 1502)}
    request = bytes.fromhex("00010000000601 0300000002")
    assert world.peers["supply"].feed(request, 0.0) == [(0.0, bytes.fromhex("00010000000701 030411410067"))]


# -- what cannot be -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("second", "match"),
    [
        (("tcp://127.0.0.1:5025", "scpi-meter-scan", "Boathouse,M,2,1", 'input: "102"'), "not one device"),
        (("tcp://127.0.0.1:5025", "scpi-meter-scan", "Boathouse,M,1,1", 'input: "101"'), "the same output or input"),
        (("tcp://127.0.0.1:5025", "scpi-meter-scan", "Boathouse,M,1,1", 'input: "7"'), "no output or input '7'"),
        (("tcp://127.0.0.1:5025", "scpi-toaster", "Boathouse,M,1,1", 'input: "102"'), "no simulated instrument speaks 'scpi-toaster'"),
    ],
)
def test_instruments_that_cannot_be_one_device_are_refused(tmp_path: Path, second: tuple[str, ...], match: str) -> None:
    first = ("tcp://127.0.0.1:5025", "scpi-meter-scan", "Boathouse,M,1,1", 'input: "101"')
    bench = bench_of(
        tmp_path,
        instrument("one", *first) + instrument("two", *second) + instrument("supply", "tcp://127.0.0.1:1", "scpi-supply", "x", RATED),
        "  slip-1: {source: supply, voltage: one, temperature: two}\n",
    )
    with pytest.raises(UsageError, match=match):
        world_of_bench(bench, {"slip-1": plover()})


@pytest.mark.parametrize(
    ("address", "expected"),
    [
        ("tcp://127.0.0.1:5025", Wire("tcp", 5025)),
        ("TCPIP::127.0.0.1::5025::SOCKET", Wire("tcp", 5025)),
        ("trace+tcp://localhost:5025?log=x", Wire("tcp", 5025)),
        ("serial:///tmp/x?baud=9600", Wire("pty", link="/tmp/x")),
        ("serial-bytes:///tmp/x", Wire("pty", link="/tmp/x")),
        ("file:///tmp/28-1", Wire("folder", folder="/tmp/28-1")),
    ],
)
def test_an_address_says_where_to_listen(tmp_path: Path, address: str, expected: Wire) -> None:
    text = instrument("supply", address, "scpi-supply", "x", RATED)
    bench = bench_of(tmp_path, text, "  slip-1: {source: supply, voltage: supply}\n")

    assert wires_of_bench(bench, ["slip-1"]) == {"supply": expected}


@pytest.mark.parametrize("address", ["tcp://192.168.1.20:5025", "tcp://0.0.0.0:5025", "visa://USB0::1::INSTR", "memory://x"])
def test_nothing_listens_elsewhere_than_on_this_machine(tmp_path: Path, address: str) -> None:
    text = instrument("supply", address, "scpi-supply", "x", RATED)
    bench = bench_of(tmp_path, text, "  slip-1: {source: supply, voltage: supply}\n")

    with pytest.raises(UsageError):
        wires_of_bench(bench, ["slip-1"])


# -- served -------------------------------------------------------------------------------------------------------


def test_neither_a_device_nor_a_folder_of_somebody_elses_is_overwritten(tmp_path: Path) -> None:
    (tmp_path / "ttyUSB0").write_text("a device", encoding="utf-8")
    (tmp_path / "by-id").symlink_to("/dev/null")
    (tmp_path / "folder").mkdir()
    for name in ("photo", "temperature"):
        (tmp_path / "folder" / name).write_text("mine", encoding="utf-8")

    async def served(behaviour: str, panel: str, wire: dict[str, Any]) -> None:
        world = World()
        world.add_peer("it", behaviour, [world.add_panel(panel, "it", world.add_node("it", None))])
        bench = Bench(world, lambda: 0.0)
        try:
            await bench.start({"it": wire})
        finally:
            await bench.close()

    for name in ("ttyUSB0", "by-id"):
        with pytest.raises(FileExistsError):
            asyncio.run(served("scpi-supply", "supply", {"wire": "pty", "link": str(tmp_path / name)}))
    with pytest.raises(FileExistsError):
        asyncio.run(served("file-one-wire", "thermometer", {"wire": "folder", "folder": str(tmp_path / "folder")}))
    assert (tmp_path / "ttyUSB0").read_text(encoding="utf-8") == "a device"
    assert (tmp_path / "by-id").readlink() == Path("/dev/null")
    assert {path.name: path.read_text(encoding="utf-8") for path in (tmp_path / "folder").iterdir()} == {
        "photo": "mine",
        "temperature": "mine",
    }


def served_cheapest(folder: Path) -> tuple[Path, int]:
    """The cheapest bench again, with ports and a one-wire folder of this test, and a scanning meter on TCP."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    bench = cheapest(folder)
    text = bench.text.replace("/tmp/boathouse-", f"{folder}/")
    wire = instrument("room-wire", f"file://{folder}/28-1", "one-wire-thermometer", "28-1")
    meter = instrument("meter", f"tcp://127.0.0.1:{port}", "scpi-meter-scan", "Boathouse,M,1,1", 'input: "101"')
    text = text.replace("channels:\n", wire + meter + "channels:\n", 1)
    text = text.replace("voltage: supply, temperature", "voltage: meter, temperature").replace("ambient: room,", "ambient: room-wire,")
    bench.path.write_text(text, encoding="utf-8")
    return bench.path, port


def test_simulate_serves_ptys_folders_and_ports_of_one_bench_and_takes_them_away(tmp_path: Path) -> None:
    path, port = served_cheapest(tmp_path)
    command = [sys.executable, "-m", "chargerd", "simulate", str(path), "--small", "--formed"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE)
    try:
        assert process.stdout is not None
        said = b""
        while b"ready" not in said:
            assert select.select([process.stdout], [], [], 20.0)[0], said
            said += os.read(process.stdout.fileno(), 65_536)
        assert f"cell-relay, first-relay, second-relay: serial://{tmp_path}/relays\n" in said.decode()
        with serial.Serial(str(tmp_path / "supply"), timeout=5.0) as supply, serial.Serial(str(tmp_path / "relays"), timeout=5.0) as relays:
            relays.write(b"on 1\r\n")
            assert relays.read_until(b"\r\n") == b"done\r\n"
            supply.write(b"U 2.0\rI 50\rS 1\rI?\r")
            assert [supply.read_until(b"\r") for _ in range(4)] == [b"OK\r", b"OK\r", b"OK\r", b"I 50\r"]
        with serial.Serial(str(tmp_path / "board"), timeout=5.0) as board:
            board.read_until(b"\n")
            assert board.read_until(b"\n").startswith(b"t1=2")
        with socket.create_connection(("127.0.0.1", port), timeout=5.0) as meter:
            meter.sendall(b"MEAS:VOLT? (@101)\n")
            assert 1.0 < float(meter.makefile().readline()) < 2.1
        assert 20_000 < int((tmp_path / "28-1" / "temperature").read_text()) < 30_000
    finally:
        process.terminate()
        assert process.wait(20.0) == 0
        assert process.stdout is not None
        process.stdout.close()
    assert not (tmp_path / "supply").is_symlink()
    assert list((tmp_path / "28-1").iterdir()) == []

"""off by frozen bytes: Modbus on a serial bus and on TCP, byte frames, lines that acknowledge, outputs behind a selection.

The plans are those that the drivers leave; off shares no code with them. The instruments are simulated, on real ptys and sockets.
"""

from __future__ import annotations

import io
import json
import os
import select
import shutil
import subprocess
import sys
import threading
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from chargerd.config.bench import InstrumentSpec
from chargerd.config.bench_parts import ContactSpec
from chargerd.daemon import off
from chargerd.instruments.connection import Connection
from chargerd.instruments.dialect_file import load_dialect
from chargerd.instruments.offplan import off_plan
from chargerd.instruments.relay import Switch
from chargerd.instruments.roles import Source
from chargerd.sim.faults import forever, once
from chargerd.sim.fixtures import make_cell
from chargerd.sim.world import World
from tests.daemon.scpi_responder import boot_s
from tests.daemon.sim_thread import Served, served

MODEL = "4417,103"


def source(address: str, dialect: str = "modbus-supply", identity: str = MODEL, *, output: str = "", beside: Path | None = None, name: str = "supply", timeout_s: float = 0.3) -> Source:
    spec = InstrumentSpec(name, address, dialect, identity, 30.0, 3.0, {}, {}, timeout_s, output=output)
    made = load_dialect(dialect, beside, output=output)
    return Source(spec, made, Connection(name, address, identity, timeout_s=timeout_s, asked_by=made.questions["identity"]))


def plan_of(folder: Path, *sources: Source, name: str = "off-plan.json") -> Path:
    boot_id = Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    plan = off_plan(sources, run=str(folder), channel="slip-1", worker_pid=2**22 + 1, boot_id=boot_id, written_utc="2026-01-01T00:00:00Z")
    path = folder / name
    path.write_text(json.dumps(plan), encoding="ascii")
    return path


def execute(*plans: Path) -> tuple[int, str]:
    out = io.StringIO()
    return off.run_off(plans, out=out), out.getvalue()


def energised(behaviour: str, units: int = 1) -> Any:
    """Step-down modules, each on a cell of its own and on."""
    world = World(seed=3, keeps_log=True)
    panels = []
    for number in range(1, units + 1):
        panel = world.add_panel("supply", f"module{number}", world.add_node(f"cell{number}", make_cell("plover")))
        for key, value in (("voltage_set_V", 1.8), ("current_set_A", 0.3), ("output", True)):
            panel.set(key, value, 0.0)
        panels.append(panel)
    return world.add_peer("bus", behaviour, panels)


@pytest.fixture(params=["modbus-rtu", "modbus-tcp"])
def wire(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@contextmanager
def module(wire: str, *faults: Any, units: int = 1) -> Iterator[tuple[Served, str]]:
    """A module on that wire, with its address up to the unit."""
    on_pty = wire == "modbus-rtu"
    peer = energised("modbus-supply" if on_pty else "modbus-supply-tcp", units)
    for fault in faults:
        peer.faults.arm(fault)
    with served(peer, on_pty=on_pty) as bus:
        yield bus, f"modbus-rtu://{bus.path}?baud=9600&unit=" if on_pty else f"modbus-tcp://127.0.0.1:{bus.port}?unit="


def is_on(bus: Served, unit: int = 1) -> bool:
    return bus.do(lambda _: bool(bus.peer.listener.panels[unit - 1].conducts))


def writes(bus: Served) -> list[str]:
    return [message for message in bus.said if " write " in message]


# --- Modbus ------------------------------------------------------------------------------------------------------------------


def test_the_right_module_is_switched_off_and_verified(tmp_path: Path, wire: str) -> None:
    with module(wire) as (bus, address):
        assert is_on(bus)
        code, said = execute(plan_of(tmp_path, source(address + "1")))

        assert code == 0, said
        assert said == "slip-1 supply: off, verified by holding 11 0 and holding 20 0\n"
        assert bus.said == ["unit 1 read 40001 2", "unit 1 write 40012 0", "unit 1 read 40012 1", "unit 1 read 40021 1"]
        assert not is_on(bus)


def test_the_plan_of_a_module_holds_exact_frames(tmp_path: Path) -> None:
    plan = json.loads(plan_of(tmp_path, source("modbus-rtu:///dev/ttyUSB0?unit=1"), source("modbus-tcp://h:502?unit=1")).read_text())
    serial, tcp = plan["outputs"]

    # Check values computed, and compared with those of pymodbus 3.16.1; 01 83 02 C0 F1 (V1.1b3 §7) is not among them: another instrument would say that.
    assert serial["identity"] == {
        "send": "01 03 00 00 00 02 C4 0B", "hex": True, "shown": "holding 0-1", "length": 9, "check": "crc16", "sense": "registers",
        "pattern": "01 03 04 (.. .. .. ..) .. ..", "accept": [MODEL],
        "silent": ["01 83 04 40 F3", "01 83 05 81 33", "01 83 06 C1 32", "01 83 08 40 F6", "01 83 0A C1 37", "01 83 0B 00 F7"],
    }  # fmt: skip
    assert serial["off"] == [
        {"send": "01 06 00 0B 00 00 F8 08", "hex": True, "shown": "holding 11 0", "length": 8, "check": "crc16", "sense": "text",
         "pattern": "01 06 00 0B 00 00 .. .."}
    ]  # fmt: skip
    assert tcp["off"][0]["send"] == "00 02 00 00 00 06 01 06 00 0B 00 00"
    assert tcp["verify"][1] | {"abs_below": 0.0} == {
        "send": "00 04 00 00 00 06 01 03 00 14 00 01", "hex": True, "shown": "holding 20", "length": 11, "sense": "signed",
        "pattern": "00 04 00 00 00 05 01 03 02 (.. ..)", "abs_below": 0.0, "scale": 0.001,
    }  # fmt: skip


@pytest.mark.parametrize("model", ["4417,104", "4418,103", "3108,20"])
def test_another_model_is_never_written_to(tmp_path: Path, wire: str, model: str) -> None:
    with module(wire) as (bus, address):
        code, said = execute(plan_of(tmp_path, source(address + "1", identity=model)))

        assert code == 8
        assert "another instrument answers" in said
        assert writes(bus) == []
        assert is_on(bus)


def test_no_identity_answer_sends_off_all_the_same_and_says_unverified(tmp_path: Path, wire: str) -> None:
    with module(wire, forever("hang", header="read 40001")) as (bus, address):
        code, said = execute(plan_of(tmp_path, source(address + "1")))

        assert code == 8
        assert said == "slip-1 supply: NOT VERIFIED: no identity answer; off was sent all the same\n"
        assert bus.wait_for("unit 1 write 40012 0", times=2)
        assert not is_on(bus)


def test_a_silent_unit_beside_one_that_answers_is_told_by_name(tmp_path: Path) -> None:
    with module("modbus-rtu", units=2) as (bus, address):
        start_s = boot_s()
        code, said = execute(plan_of(tmp_path, source(address + "1"), source(address + "7", name="load")))

        assert code == 8
        assert "slip-1 supply: off, verified by" in said
        assert "slip-1 load: NOT VERIFIED: no identity answer" in said
        assert is_on(bus, 2)
        assert boot_s() - start_s <= 1.0 + 2 * 2 * 0.3 + 2.0


@pytest.mark.parametrize("kind", ["wrong_unit", "wrong_function"])
def test_an_answer_of_another_unit_or_function_is_another_instrument(tmp_path: Path, wire: str, kind: str) -> None:
    with module(wire, forever(kind, header="read 40001")) as (bus, address):
        code, said = execute(plan_of(tmp_path, source(address + "1")))

        assert code == 8
        assert "another instrument answers" in said
        assert writes(bus) == []


# V1.1b3 §7: 02 "illegal data address" says that this instrument has no such registers; the others say nothing of who it is.
@pytest.mark.parametrize(("code", "is_written"), [(1, False), (2, False), (3, False), (4, True), (5, True), (6, True), (11, True)])
def test_an_exception_to_the_identity_question_tells_another_model_from_a_busy_one(tmp_path: Path, wire: str, code: int, is_written: bool) -> None:
    with module(wire, forever("exception", header="read 40001", code=code)) as (bus, address):
        exit_code, said = execute(plan_of(tmp_path, source(address + "1", timeout_s=0.1)))

        assert exit_code == 8
        assert not is_written or bus.wait_for("unit 1 write 40012 0", times=2), said
        assert bool(writes(bus)) == is_written
        assert is_on(bus) != is_written


@pytest.mark.parametrize("kind", ["flip", "wrong_unit", "truncate", "echo"])
def test_one_damaged_identity_is_forgiven_on_the_next_try(tmp_path: Path, kind: str) -> None:
    with module("modbus-rtu", once(kind, header="read 40001")) as (bus, address):
        code, said = execute(plan_of(tmp_path, source(address + "1")))

        assert code == 0, said
        assert not is_on(bus)


@pytest.mark.parametrize("stale", ["01 03 02 07 3A 3B A7", "01 03 04 11 41 00 67 EE F1", "00 00 00", "02 03 02 00 00 FC 44"])
def test_a_late_reply_on_the_line_is_thrown_away_first(tmp_path: Path, stale: str) -> None:
    with module("modbus-rtu") as (bus, address):
        bus.say(bytes.fromhex(stale))
        code, said = execute(plan_of(tmp_path, source(address + "1")))

        assert code == 0, said
        assert bus.said.count("unit 1 read 40001 2") == 1


@pytest.mark.parametrize("header", ["read 40012", "read 40021"])
@pytest.mark.parametrize(
    ("wire", "kind"),  # no flipped bit on TCP, which has a check value of its own below Modbus
    [("modbus-rtu", "flip"), *((wire, kind) for wire in ("modbus-rtu", "modbus-tcp") for kind in ("wrong_unit", "truncate", "exception"))],
)
def test_a_damaged_proof_proves_nothing(tmp_path: Path, wire: str, header: str, kind: str) -> None:
    damage = {"bit": 30} if kind == "flip" else {}
    with module(wire) as (bus, address):
        bus.do(lambda now_s: bus.peer.faults.arm(forever(kind, header=header, **damage), now_s) and None)
        code, said = execute(plan_of(tmp_path, source(address + "1", timeout_s=0.1)))

        assert code == 8
        assert "NOT VERIFIED: off was sent, but holding" in said
        assert not is_on(bus)


def test_a_module_that_ignores_off_is_told_unverified(tmp_path: Path, wire: str) -> None:
    with module(wire, forever("ignore_off")) as (bus, address):
        code, said = execute(plan_of(tmp_path, source(address + "1", timeout_s=0.1)))

        assert code == 8
        assert "NOT VERIFIED: off was sent, but holding 11 answered" in said
        assert is_on(bus)


def test_a_refused_off_is_told_in_the_bytes_of_the_refusal(tmp_path: Path) -> None:
    with module("modbus-rtu", forever("exception", header="write 40012"), forever("ignore_off")) as (_bus, address):
        code, said = execute(plan_of(tmp_path, source(address + "1", timeout_s=0.1)))

        assert code == 8
        assert "off was sent, but holding 11 0 was answered by 01 86 04 43 A3" in said  # V1.1b3: exception 04 to function 06


def test_two_units_of_one_bus_go_one_after_the_other(tmp_path: Path) -> None:
    """Two channels, each with a unit on the same port: at the same time their frames would collide."""
    with module("modbus-rtu", units=2) as (bus, address):
        plans = [plan_of(tmp_path, source(f"{address}{unit}"), name=f"plan-{unit}.json") for unit in (1, 2)]
        code, said = execute(*plans)

        assert code == 0, said
        assert [message.split(" ")[1] for message in bus.said] in (["1"] * 4 + ["2"] * 4, ["2"] * 4 + ["1"] * 4)


def test_a_load_with_a_zero_offset_below_its_bound_is_off_and_above_it_is_not(tmp_path: Path) -> None:
    for offset_A, expected in ((0.009, 0), (-0.009, 0), (-0.025, 8)):
        with module("modbus-rtu", forever("offset", quantity="current_A", by=offset_A)) as (_bus, address):
            code, said = execute(plan_of(tmp_path, source(address + "1", timeout_s=0.1)))

            assert code == expected, said


# --- outputs behind a selection ------------------------------------------------------------------------------------------------


def test_an_output_behind_a_selection_is_switched_off_and_no_other(tmp_path: Path) -> None:
    world = World(seed=3, keeps_log=True)
    panels = [world.add_panel("supply", f"output{number}", world.add_node(f"cell{number}", make_cell("plover"))) for number in (1, 2, 3)]
    for panel in panels:
        for key, value in (("voltage_set_V", 1.8), ("current_set_A", 0.3), ("output", True)):
            panel.set(key, value, 0.0)
    peer = world.add_peer("supply", "scpi-supply-select", panels)
    with served(peer, on_pty=False) as bus:
        made = source(f"tcp://127.0.0.1:{bus.port}", "scpi-supply-select", peer.listener.identity, output="2")
        code, said = execute(plan_of(tmp_path, made))

        assert code == 0, said
        assert [is_on(bus, number) for number in (1, 2, 3)] == [True, False, True]
        assert "INST:NSEL 2;:OUTP OFF" in bus.said


# --- lines that acknowledge, and byte frames --------------------------------------------------------------------------------

ACKNOWLEDGING = """
dialect: mine
about: a supply that answers every command
role: source
framing: line
published: invented
verified_on_hardware: none yet
lacks: [error, events, questionable, ovp, ocp]
questions:
  identity: {ask: "WHO", reply: "I am {text}."}
  voltage: {ask: "U", reply: "U={number} mV", scale: 0.001}
  current: {ask: "I", reply: "I={number} mA", scale: 0.001}
  output: {ask: "STATE", reply: "STATE {word}", values: "RUN=1 STANDBY=0"}
  voltage_set: {ask: "US", reply: "US={number}", scale: 0.001}
  current_set: {ask: "IS", reply: "IS={number}", scale: 0.001}
commands:
  on: {send: "RUN", reply: "OK{skip}"}
  off: {send: "STANDBY", reply: "OK{skip}"}
  voltage_set: {send: "US={value}", decimals: 0, scale: 0.001, reply: "OK"}
  current_set: {send: "IS={value}", decimals: 0, scale: 0.001, reply: "OK"}
"""


@contextmanager
def answering(replies: dict[bytes, bytes], *, length: int = 0) -> Iterator[tuple[str, list[bytes]]]:
    """A pty that answers lines, or frames of so many bytes, from a table; and what it received."""
    master, slave = os.openpty()
    tty.setraw(slave)
    stop, received = threading.Event(), list[bytes]()

    def work() -> None:
        buffer = b""
        while not stop.is_set():
            if select.select([master], [], [], 0.02)[0]:
                buffer += os.read(master, 4096)
            while (end := length if length and len(buffer) >= length else 0 if length else buffer.find(b"\n") + 1) > 0:
                message, buffer = buffer[:end], buffer[end:]
                received.append(message)
                os.write(master, replies.get(message, b""))

    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    try:
        yield os.ttyname(slave), received
    finally:
        stop.set()
        thread.join(5)
        os.close(master)
        os.close(slave)


def comes(received: list[bytes], message: bytes, times: int = 1) -> bool:
    """Tell whether that message came so often; what was written last may still be on its way."""
    until_s, pause = boot_s() + 10.0, threading.Event()
    while received.count(message) < times and boot_s() < until_s:
        pause.wait(0.01)
    return received.count(message) == times


LINES = {b"WHO\n": b"I am Boathouse step-down 7.\n", b"STANDBY\n": b"OK standby\n", b"STATE\n": b"STATE standby\n", b"I\n": b"I=-4 mA\n"}


def line_supply(folder: Path, path: str, options: str = "") -> Source:
    (folder / "mine.yaml").write_text(ACKNOWLEDGING)
    return source(f"serial://{path}?baud=9600{options}", "mine", "Boathouse step-down 7", beside=folder, timeout_s=0.2)


@pytest.mark.parametrize("has_echo", [False, True])
def test_a_supply_that_acknowledges_is_switched_off_and_verified(tmp_path: Path, has_echo: bool) -> None:
    replies = {message: (message if has_echo else b"") + reply for message, reply in LINES.items()}
    with answering(replies) as (path, received):
        code, said = execute(plan_of(tmp_path, line_supply(tmp_path, path, "&echo=yes" if has_echo else "")))

        assert code == 0, said
        assert said == "slip-1 supply: off, verified by STATE standby and I -4\n"
        assert received == [b"WHO\n", b"STANDBY\n", b"STATE\n", b"I\n"]


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({b"STATE\n": b"STATE RUN\n"}, "STATE answered"),
        ({b"STATE\n": b"STANDBY\n"}, "STATE answered"),
        ({b"STANDBY\n": b"NO\n", b"STATE\n": b"STATE RUN\n"}, "STANDBY was answered by b'NO"),
        ({b"STANDBY\n": b"", b"STATE\n": b"STATE RUN\n"}, "STANDBY was answered by nothing"),
        ({b"I\n": b"I=-40 mA\n"}, "I answered"),
        ({b"I\n": b"I=nan mA\n"}, "I answered"),
        ({b"I\n": b"-4\n"}, "I answered"),
        ({b"WHO\n": b"I am Boathouse step-down 8.\n"}, "another instrument answers"),
        ({b"WHO\n": b"WHO\n"}, "another instrument answers"),
        ({b"WHO\n": b""}, "no identity answer; off was sent all the same"),
    ],
)
def test_a_line_that_does_not_say_so_proves_nothing(tmp_path: Path, change: dict[bytes, bytes], told: str) -> None:
    with answering(LINES | change) as (path, received):
        code, said = execute(plan_of(tmp_path, line_supply(tmp_path, path)))

        assert code == 8
        assert told in said
        assert "another" in told or comes(received, b"STANDBY\n", times=2)
        assert (b"STANDBY\n" in received) == ("another" not in told)


def test_only_the_echo_of_the_question_is_no_answer_and_no_other_instrument(tmp_path: Path) -> None:
    with answering({message: message for message in LINES}) as (path, received):
        code, said = execute(plan_of(tmp_path, line_supply(tmp_path, path, "&echo=yes")))

        assert code == 8
        assert "no identity answer; off was sent all the same" in said
        assert comes(received, b"STANDBY\n", times=2)


def relay_plan(folder: Path, path: str, **changes: object) -> Path:
    """The invented board of relay-bytes.yaml: frames of four bytes with a sum at the end; the plan by hand, as version 2 has it."""
    row: dict[str, object] = {
        "name": "relay 1", "address": f"serial-bytes://{path}?baud=9600", "end": "\n", "identity": None,
        "off": [{"send": "A5 00 01 A6", "hex": True}],
        "verify": [{"send": "A5 02 01 A8", "hex": True, "length": 4, "check": "sum", "pattern": "5A 01 (..) ..", "accept": ["00"]}],
        "timeout_s": 0.2, "tries": 2,
    }  # fmt: skip
    plan = json.loads(plan_of(folder, source("modbus-tcp://h:1?unit=1")).read_text()) | {"outputs": [row | changes]}
    target = folder / "relay-plan.json"
    target.write_text(json.dumps(plan))
    return target


RELAY = {bytes.fromhex("A5 02 01 A8"): bytes.fromhex("5A 01 00 5B")}


def test_a_relay_board_that_speaks_in_bytes_is_opened_and_verified(tmp_path: Path) -> None:
    with answering(RELAY, length=4) as (path, received):
        code, said = execute(relay_plan(tmp_path, path))

        assert code == 0, said
        assert said == "slip-1 relay 1: off, verified by A5 02 01 A8 00\n"
        assert received == [bytes.fromhex("A5 00 01 A6"), bytes.fromhex("A5 02 01 A8")]


@pytest.mark.parametrize("reply", ["5A 01 01 5C", "5A 01 00 5C", "5A 02 00 5C", "5A 01 00", ""])
def test_a_relay_that_does_not_say_open_is_told_unverified(tmp_path: Path, reply: str) -> None:
    with answering({bytes.fromhex("A5 02 01 A8"): bytes.fromhex(reply)}, length=4) as (path, received):
        code, said = execute(relay_plan(tmp_path, path))

        assert code == 8
        assert "NOT VERIFIED: off was sent, but A5 02 01 A8" in said
        assert comes(received, bytes.fromhex("A5 00 01 A6"), times=2)


def test_without_an_identity_answer_several_frames_are_sent_one_after_the_other(tmp_path: Path) -> None:
    silent = {"send": "A5 07 00 AC", "hex": True, "length": 4, "pattern": "5A (..) .. ..", "accept": ["07"]}
    off_frames = [{"send": f"A5 00 0{relay} A{relay + 5}", "hex": True} for relay in (1, 2)]
    with answering({}, length=4) as (path, received):
        code, said = execute(relay_plan(tmp_path, path, identity=silent, off=off_frames, tries=1))

        assert code == 8
        assert "no identity answer; off was sent all the same" in said
        assert comes(received, bytes.fromhex("A5 00 02 A7"))
        assert received[1:] == [bytes.fromhex("A5 00 01 A6"), bytes.fromhex("A5 00 02 A7")]


def test_what_a_board_says_after_the_first_frame_does_not_keep_the_second_from_it(tmp_path: Path) -> None:
    silent = {"send": "A5 07 00 AC", "hex": True, "length": 4, "pattern": "5A (..) .. ..", "accept": ["07"]}
    frames = [{"send": f"A5 00 0{relay} A{relay + 5}", "hex": True} for relay in (1, 2)]
    with answering({bytes.fromhex("A5 00 01 A6"): b"\xff" * 3000}, length=4) as (path, received):
        execute(relay_plan(tmp_path, path, identity=silent, off=frames, tries=1))

        assert comes(received, bytes.fromhex("A5 00 02 A7"))
        assert received[1:] == [bytes.fromhex("A5 00 01 A6"), bytes.fromhex("A5 00 02 A7")]


def test_an_identity_in_ascii_registers_is_compared_without_its_padding() -> None:
    row: dict[str, Any] = {"send": "00", "hex": True, "length": 10, "pattern": "03 08 (.. .. .. .. .. .. .. ..)", "sense": "ascii", "accept": ["SD1, 2"]}

    assert exchange_of(row).names(bytes.fromhex("03 08") + b"SD1,2\0\0\0")
    assert exchange_of(row).names_another(bytes.fromhex("03 08") + b"SD1,3\0\0\0")
    assert not exchange_of(row).names_another(bytes.fromhex("03 08") + b"SD")  # half an answer


# --- the simulated relay boards, by the plans of their drivers --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("dialect", "behaviour", "scheme", "number"),
    [
        ("modbus-relay", "modbus-relay", "modbus-rtu", 1), ("modbus-relay", "modbus-relay-tcp", "modbus-tcp", 1),
        ("relay-bytes", "frame-relays", "serial-bytes", 2), ("line-relays", "line-relays", "serial", 2), ("scpi-relays", "scpi-relays", "tcp", 2),
    ],
)  # fmt: skip
def test_a_relay_is_opened_and_no_other_of_its_board(tmp_path: Path, dialect: str, behaviour: str, scheme: str, number: int) -> None:
    world = World(seed=3, keeps_log=True)
    panels = [world.add_panel("relay", f"relay{place}", world.add_node(f"node{place}", None)) for place in (1, 2, 3)]
    for panel in panels:
        panel.set("closed", value=True, now_s=0.0)
    on_pty = not scheme.endswith("tcp")
    with served(world.add_peer("board", behaviour, panels), on_pty=on_pty) as board:
        address = f"{scheme}://{board.path}" if on_pty else f"{scheme}://127.0.0.1:{board.port}"
        made = load_dialect(dialect, output=str(number))
        identity = board.peer.listener.identity or "5A 01"  # the board of frames has no name, but the shape of its replies
        spec = InstrumentSpec("relay", address, dialect, identity, None, None, {}, {}, 0.3, output=str(number), contact=ContactSpec("open"))
        connection = Connection("relay", address + ("?unit=1" if "modbus" in scheme else ""), identity, asked_by=made.questions["identity"])
        code, said = execute(plan_of(tmp_path, Switch(spec, made, connection)))  # type: ignore[arg-type]  # reason: any instrument

        assert code == 0, said
        assert board.do(lambda _: [bool(panel.get("closed")) for panel in panels]) == [True, False, True]


# --- replies against what the drivers read out of them -----------------------------------------------------------------------


def exchange_of(row: dict[str, Any]) -> off.wire.Exchange:
    return off._exchange(row, "\n", has_echo=False, needs_reply=True)


@pytest.mark.parametrize(
    ("fields", "frame", "says_no"),
    [
        ({"ask": "coil 3"}, "01 01 00", True),
        ({"ask": "coil 3"}, "01 01 FE", True),  # bits beyond the one asked for are not defined
        ({"ask": "coil 3"}, "01 01 01", False),
        ({"ask": "holding 3", "bit": "9"}, "03 02 FD FF", True),
        ({"ask": "holding 3", "bit": "9"}, "03 02 02 00", False),
        ({"ask": "holding 3", "values": "on=2 off=5"}, "03 02 00 05", True),
        ({"ask": "holding 3", "values": "on=2 off=5"}, "03 02 00 00", False),
        ({"ask": "holding 3", "type": "uint32", "words": "low-first"}, "03 04 00 00 00 00", True),
        ({"ask": "holding 3", "type": "uint32", "words": "low-first"}, "03 04 00 01 00 00", False),
    ],
)
def test_off_and_the_drivers_read_the_same_no_out_of_a_state(fields: dict[str, str], frame: str, says_no: bool) -> None:
    from chargerd.instruments.framing import modbus, modbus_frame

    question = modbus.question("output", fields, "boolean")
    reply = modbus_frame.rtu_frame(1, bytes.fromhex(frame))
    row: dict[str, Any] = {"send": "00", "hex": True, "length": len(reply), "check": "crc16", "pattern": f"01 {question.proof.pattern} .. ..",
                           "sense": question.proof.sense, "order": list(question.proof.order)}  # fmt: skip
    row |= {"accept": list(question.proof.no)} if question.proof.no else {}

    assert exchange_of(row).is_expected(reply) == says_no
    if frame != "03 02 00 00" or says_no:
        assert question.parse(bytes.fromhex(frame)) != says_no


@pytest.mark.parametrize(
    ("fields", "frame"),
    [
        ({"type": "int16", "scale": "0.001"}, "03 02 FF 38"),
        ({"type": "uint16", "scale": "0.01"}, "03 02 FF 38"),
        ({"type": "int32", "scale": "0.001"}, "03 04 FF FF FF 38"),
        ({"type": "int32", "words": "low-first"}, "03 04 FF 38 FF FF"),
        ({"type": "float32"}, "03 04 BE 4C CC CD"),
        ({"type": "float32", "words": "low-first"}, "03 04 CC CD BE 4C"),
    ],
)
def test_off_and_the_drivers_read_the_same_number_out_of_registers(fields: dict[str, str], frame: str) -> None:
    from chargerd.instruments.framing import modbus, modbus_frame

    question = modbus.question("current", {"ask": "holding 20"} | fields, "number")
    reply = modbus_frame.rtu_frame(1, bytes.fromhex(frame))
    row: dict[str, Any] = {"send": "00", "hex": True, "length": len(reply), "check": "crc16", "pattern": f"01 {question.proof.pattern} .. ..",
                           "sense": question.proof.sense, "order": list(question.proof.order), "abs_below": 1.0}  # fmt: skip
    read = question.parse(bytes.fromhex(frame))
    value = exchange_of(row).value(reply)

    assert value is not None
    assert float(value) * question.proof.scale == pytest.approx(read, rel=1e-6)


@pytest.mark.parametrize("frame", ["03 04 7F C0 00 00", "03 04 7F 80 00 00", "03 04 FF 80 00 00"])
def test_a_float_that_is_no_number_never_proves_off(frame: str) -> None:
    row: dict[str, Any] = {"send": "00", "hex": True, "length": 6, "pattern": "03 04 (.. ..) (.. ..)", "sense": "float", "order": [1, 2], "abs_below": 1e3}

    assert not exchange_of(row).is_expected(bytes.fromhex(frame))


# Check values of small boards: common practice, no source.
@pytest.mark.parametrize(("check", "frame"), [("sum", "A5 00 01 A6"), ("complement", "A5 00 01 5A"), ("xor", "A5 00 01 A4"), ("xor", "A0 A0 55 55"), ("", "A5 01 00 00")])
def test_a_frame_needs_its_check_value(check: str, frame: str) -> None:
    row: dict[str, Any] = {"send": "00", "hex": True, "length": 4, "pattern": ".*", "check": check}
    broken = bytes.fromhex(frame[:-2] + "EE")

    assert exchange_of(row).is_expected(bytes.fromhex(frame))
    assert exchange_of(row).is_expected(broken) == (check == "")


# --- plans that cannot be -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "change",
    [
        {"off": []}, {"off": [{}]}, {"off": [{"send": "G0", "hex": True}]}, {"end": ""}, {"verify": [{"send": "00", "hex": True}]},
        {"verify": [{"send": "00", "hex": True, "pattern": "(", "length": 3}]}, {"verify": [{"send": "00", "pattern": "x", "sense": "mood"}]},
        {"verify": [{"send": "00", "pattern": "x", "check": "crc99"}]}, {"verify": [{"send": "00", "pattern": "x", "order": [0]}]},
        {"verify": [{"send": "00", "pattern": "x", "length": -1}]}, {"verify": [{"send": "00", "pattern": "x", "scale": "1"}]},
        {"identity": {"send": "00", "hex": True, "pattern": ".*", "length": 3}}, {"identity": 7}, {"verify": [7]}, {"timeout_s": None},
    ],
)  # fmt: skip
def test_a_garbled_output_of_version_2_is_told_and_nothing_is_sent(tmp_path: Path, change: dict[str, object]) -> None:
    with answering(RELAY, length=4) as (path, received):
        code, said = execute(relay_plan(tmp_path, path, **change))

        assert code == 8
        assert "slip-1 output 1: NOT VERIFIED: its entry in the plan is garbled" in said
        assert received == []


# --- two files that stand alone -----------------------------------------------------------------------------------------------

DECOY = "raise SystemExit('the wrong off_wire')\n"


def test_off_runs_from_its_two_files_alone_and_takes_no_other_off_wire(tmp_path: Path) -> None:
    """Nothing of the package can be imported where it runs, and files of the same name lie in the search path and in the folder."""
    alone, decoys = tmp_path / "alone", tmp_path / "decoys"
    for folder in (alone, decoys):
        folder.mkdir()
    for name in ("off.py", "off_wire.py"):
        shutil.copy(Path(off.__file__).with_name(name), alone / name)
    (decoys / "off_wire.py").write_text(DECOY)
    with module("modbus-tcp") as (bus, address):
        plan = plan_of(tmp_path, source(address + "1"))
        environment = {"PYTHONPATH": str(decoys), "PYTHONDONTWRITEBYTECODE": "1"}
        done = subprocess.run(
            [sys.executable, "-P", "-S", str(alone / "off.py"), str(plan)],
            cwd=decoys, env=environment, capture_output=True, check=False, text=True, timeout=20,
        )  # fmt: skip

        assert (done.returncode, done.stderr) == (0, "")
        assert "slip-1 supply: off, verified" in done.stdout
        assert not is_on(bus)


def test_neither_file_imports_anything_of_the_package() -> None:
    code = "import sys, runpy\ntry:\n runpy.run_path(sys.argv[1], run_name='__main__')\nexcept SystemExit: pass\nprint([n for n in sys.modules if n.split('.')[0] in ('chargerd', 'yaml', 'serial', 'pyvisa')])"
    done = subprocess.run([sys.executable, "-P", "-c", code, off.__file__], capture_output=True, check=False, text=True, timeout=20)

    assert (done.stdout.splitlines()[-1], done.stderr) == ("[]", "")



"""The simulated Modbus slaves: frames in, frames out, after the printed register lists; and the faults of their wire.

Published frames: MODBUS Application Protocol V1.1b3 §6 and Serial Line V1.02 §6.2.2 (from memory, cross-checked as the table of the
project says). Check values of the others are made with pymodbus, an implementation by other authors.
"""

from __future__ import annotations

import copy
from typing import Any

import pytest
from pymodbus.framer import FramerRTU

from chargerd.sim.faults import forever, once
from chargerd.sim.fixtures import make_cell
from chargerd.sim.modbus import ModbusListener
from chargerd.sim.modbus_wire import SILENCE_S, RtuEars, TcpEars, check_value
from chargerd.sim.wire import Peer
from chargerd.sim.world import World


def crc(body: bytes) -> bytes:
    return FramerRTU.compute_CRC(body).to_bytes(2, "big")  # that package gives the bytes as they go over the wire


def rtu(text: str) -> bytes:
    body = bytes.fromhex(text)
    return body + crc(body)


def bench(behaviour: str = "modbus-supply", units: int = 1, **world: Any) -> tuple[World, Peer]:
    made = World(seed=5, **world)
    panels = [made.add_panel("supply", f"module{number}", made.add_node(f"cell{number}", make_cell("plover"))) for number in range(units)]
    return made, made.add_peer("bus", behaviour, panels)


def answers(peer: Peer, text: str, now_s: float = 1.0) -> list[str]:
    """What comes back to a request on the serial line, check values proven and left out."""
    frames = [piece for _, piece in peer.feed(rtu(text), now_s)]
    assert all(frame[-2:] == crc(frame[:-2]) for frame in frames)
    return [frame[:-2].hex(" ").upper() for frame in frames]


def ask(peer: Peer, text: str, now_s: float = 1.0) -> str:
    (answer,) = answers(peer, text, now_s)
    return answer


# --- frames ----------------------------------------------------------------------------------------------------------------


def test_the_check_value_is_the_published_one() -> None:
    assert check_value(b"123456789") == bytes.fromhex("37 4B")  # CRC-16/MODBUS 0x4B37, low byte first
    assert check_value(b"\x02\x07") == bytes.fromhex("41 12")  # Serial Line V1.02 §6.2.2


PUBLISHED = [
    ("01 03 00 6B 00 03 74 17", "01 03 06 02 2B 00 00 00 64 05 7A"),
    ("01 04 00 08 00 01 B0 08", "01 04 02 00 0A 39 37"),
    ("01 06 00 01 00 03 98 0B", "01 06 00 01 00 03 98 0B"),
    ("01 10 00 01 00 02 04 00 0A 01 02 92 30", "01 10 00 01 00 02 10 08"),
    ("01 03 00 00 00 01 84 0A", "01 83 02 C0 F1"),
]


@pytest.mark.parametrize(("request_frame", "reply"), PUBLISHED)
def test_the_published_requests_get_the_published_replies(request_frame: str, reply: str) -> None:
    from chargerd.sim.modbus import Entry, Unit
    from chargerd.sim.modbus_wire import Rtu

    world, _ = bench()
    panel = world.panels["module0"]
    held = {("4", 0x6B): 555, ("4", 0x6C): 0, ("4", 0x6D): 100, ("3", 8): 10}
    registers = {place: (Entry("holds", value), 0) for place, value in held.items()}
    registers |= {("4", 1): (Entry("setting", "voltage_set_V", step=0.001), 0), ("4", 2): (Entry("setting", "current_set_A", step=0.001), 0)}
    peer = Peer("bus", ModbusListener(Rtu(), {1: Unit(registers, [panel], [])}, ""))

    assert [piece.hex(" ").upper() for _, piece in peer.feed(bytes.fromhex(request_frame), 0.0)] == [reply]


def test_requests_come_in_pieces_and_together() -> None:
    _, peer = bench()
    one = rtu("01 03 00 00 00 02")

    assert [len(peer.feed(piece, 1.0)) for piece in (one[:3], one[3:7], one[7:] + one)] == [0, 0, 2]


def test_silence_ends_half_a_request() -> None:
    ears, one = RtuEars(), rtu("01 03 00 00 00 02")

    assert ears.take(one[:5], 1.0) == []
    assert ears.take(one, 1.0 + 2 * SILENCE_S) == [one]
    assert ears.take(one[:5], 2.0) == []
    ears.forget()
    assert ears.take(one, 2.0) == [one]


def test_a_damaged_request_is_heard_by_nobody() -> None:
    _, peer = bench()
    for bit in range(64):
        damaged = bytearray(rtu("01 03 00 00 00 02"))
        damaged[bit // 8] ^= 1 << bit % 8

        assert peer.feed(bytes(damaged), 1.0 + bit) == []
    assert ask(peer, "01 03 00 00 00 02", 100.0) == "01 03 04 11 41 00 67"


def test_a_stream_of_noise_does_not_fill_the_ears() -> None:
    ears = RtuEars()
    ears.take(b"\x01\x10" + b"\xff" * 5000, 1.0)

    assert ears.take(rtu("01 03 00 00 00 02"), 2.0) != []


def test_tcp_carries_the_transaction_back() -> None:
    _, peer = bench("modbus-supply-tcp")
    first, second = bytes.fromhex("12 34 00 00 00 06 01 03 00 00 00 02"), bytes.fromhex("12 35 00 00 00 06 01 03 00 0B 00 01")

    assert [piece.hex(" ").upper() for _, piece in peer.feed(first + second, 1.0)] == [
        "12 34 00 00 00 07 01 03 04 11 41 00 67", "12 35 00 00 00 05 01 03 02 00 00",
    ]  # fmt: skip
    assert peer.feed(first[:5], 1.0) == []
    assert len(peer.feed(first[5:], 1.0)) == 1


def test_what_is_no_modbus_on_tcp_resets_the_connection() -> None:
    ears = TcpEars()
    with pytest.raises(ConnectionResetError):
        ears.take(b"*IDN?\nOUTP OFF\n", 1.0)
    ears.forget()
    assert len(ears.take(bytes.fromhex("12 34 00 00 00 06 01 03 00 00 00 02"), 1.0)) == 1


# --- the module ------------------------------------------------------------------------------------------------------------


def test_the_module_does_what_its_printed_list_says() -> None:
    world, peer = bench()
    panel: Any = world.panels["module0"]

    assert ask(peer, "01 06 00 09 07 08") == "01 06 00 09 07 08"  # 40010: 1.800 V
    assert ask(peer, "01 06 00 0A 01 2C") == "01 06 00 0A 01 2C"  # 40011: 0.300 A
    assert ask(peer, "01 10 00 0C 00 02 04 00 C8 00 32") == "01 10 00 0C 00 02"  # 40013, 40014: 2.00 V, 0.50 A
    assert (panel.voltage_set_V, panel.current_set_A, panel.ovp_level_V, panel.ocp_level_A, panel.ocp_enabled) == (1.8, 0.3, 2.0, 0.5, True)
    assert ask(peer, "01 03 00 09 00 05") == "01 03 0A 07 08 01 2C 00 00 00 C8 00 32"
    assert ask(peer, "01 06 00 0B 00 01") == "01 06 00 0B 00 01"
    assert panel.conducts
    regulation = ask(peer, "01 03 00 16 00 01", 2.0)
    assert regulation == "01 03 02 00 01"  # constant current: the cell is far below 1.8 V
    current = int(ask(peer, "01 03 00 14 00 01", 3.0)[-5:].replace(" ", ""), 16)
    assert current == pytest.approx(300, abs=2)
    assert ask(peer, "01 03 00 02 00 02") == "01 03 04 00 01 57 C1"  # 40003-40004: 88001, high word first


def test_a_negative_current_is_a_signed_register() -> None:
    _, peer = bench()
    peer.faults.arm(forever("offset", quantity="current_A", by=-0.2))

    assert ask(peer, "01 03 00 14 00 01")[:8] == "01 03 02"
    assert int(ask(peer, "01 03 00 14 00 01")[-5:].replace(" ", ""), 16) == pytest.approx(0xFF38, abs=2)  # -200


def test_an_unsigned_register_never_shows_less_than_nothing() -> None:
    _, peer = bench()
    peer.faults.arm(forever("offset", quantity="voltage_V", by=-5.0))

    assert ask(peer, "01 03 00 13 00 01") == "01 03 02 00 00"


def test_a_protection_that_acted_is_a_number_until_it_is_cleared() -> None:
    world, peer = bench()
    panel: Any = world.panels["module0"]
    panel.set("output", value=True, now_s=1.0)
    peer.faults.arm(once("trip", cause="ovp", at_s=2.0))

    assert ask(peer, "01 03 00 17 00 01", 3.0) == "01 03 02 00 01"
    assert ask(peer, "01 03 00 0B 00 01", 3.0) == "01 03 02 00 00"
    assert ask(peer, "01 06 00 0B 00 01", 3.0) == "01 86 04"  # it cannot be switched on: device failure
    assert ask(peer, "01 06 00 18 00 02", 3.0) == "01 86 03"
    assert ask(peer, "01 06 00 18 00 01", 3.0) == "01 06 00 18 00 01"
    assert ask(peer, "01 03 00 17 00 01", 3.0) == "01 03 02 00 00"
    assert ask(peer, "01 03 00 18 00 01", 3.0) == "01 03 02 00 00"


@pytest.mark.parametrize(
    ("text", "reply"),
    [
        ("01 03 00 05 00 01", "01 83 02"),  # no such register
        ("01 03 00 09 00 09", "01 83 02"),  # runs over the end of what there is
        ("01 06 00 13 00 01", "01 86 02"),  # read only
        ("01 06 00 00 00 01", "01 86 02"),  # the model
        ("01 06 00 09 FF FF", "01 86 03"),  # 65 V: beyond its range
        ("01 06 00 0B 00 02", "01 86 03"),  # neither off nor on
        ("01 03 00 00 00 00", "01 83 03"),
        ("01 03 00 00 00 7E", "01 83 03"),  # 126 registers
        ("01 10 00 09 00 01 03 00 01 00", "01 90 03"),  # a byte count that is not twice the number
        ("01 05 00 00 FF 00", "01 85 02"),  # it has no coils
        ("01 07", "01 87 01"),
    ],
)
def test_what_the_list_does_not_have_is_refused_by_its_exception(text: str, reply: str) -> None:
    _, peer = bench()

    assert ask(peer, text) == reply


def test_a_refused_multiple_write_changes_nothing_before_it() -> None:
    world, peer = bench()

    assert ask(peer, "01 10 00 12 00 02 04 00 01 00 01") == "01 90 02"
    assert ask(peer, "01 03 00 09 00 01") == "01 03 02 00 00"
    assert not world.panels["module0"].conducts


def test_units_of_one_bus_answer_for_themselves_and_others_are_silent() -> None:
    _, peer = bench(units=2)

    assert ask(peer, "02 06 00 09 05 DC") == "02 06 00 09 05 DC"
    assert ask(peer, "01 03 00 09 00 01") == "01 03 02 00 00"
    assert ask(peer, "02 03 00 09 00 01") == "02 03 02 05 DC"
    assert answers(peer, "03 03 00 09 00 01") == []


def test_a_broadcast_is_carried_out_by_all_and_answered_by_none() -> None:
    _, peer = bench(units=2)

    assert answers(peer, "00 06 00 09 05 DC") == []
    assert [ask(peer, f"0{unit} 03 00 09 00 01")[-5:] for unit in (1, 2)] == ["05 DC", "05 DC"]


def test_a_copy_of_the_bus_goes_its_own_way() -> None:
    world, peer = bench()
    twin = copy.deepcopy(world)
    ask(peer, "01 06 00 09 05 DC")

    assert ask(twin.peers["bus"], "01 03 00 09 00 01") == "01 03 02 00 00"


def test_messages_are_shown_with_the_numbers_of_the_printed_list() -> None:
    _, peer = bench(keeps_log=True)
    for text in ("01 03 00 14 00 01", "01 06 00 0B 00 01", "01 10 00 09 00 02 04 06 40 00 96", "01 05 00 00 FF 00", "01 0F 00 00 00 03 01 05", "01 07", "01 01 00 02 00 01"):
        peer.feed(rtu(text), 1.0)

    assert [exchange.received for exchange in peer.log] == [
        "unit 1 read 40021 1", "unit 1 write 40012 1", "unit 1 write 40010 1600 150", "unit 1 write 00001 65280", "unit 1 write 00001 1 0 1",
        "unit 1 function 7", "unit 1 read 00003 1",
    ]  # fmt: skip


def test_another_identity_is_another_model_and_one_that_is_no_list_of_numbers_is_none() -> None:
    world, _ = bench()
    panel = world.panels["module0"]

    assert ask(world.add_peer("other", "modbus-supply", [panel], identity="4418,7"), "01 03 00 00 00 02") == "01 03 04 11 42 00 07"
    assert ask(world.add_peer("none", "modbus-supply", [panel], identity="Boathouse,Stranger,SN99,1.0"), "01 03 00 00 00 02") == "01 03 04 FF FF FF FF"


# --- faults ----------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fault", "sent"),
    [
        (once("flip", bit=0), ["00 03 04 11 41 00 67 EE F1"]),
        (once("flip", bit=-1), ["01 03 04 11 41 00 67 EE 71"]),
        (once("wrong_unit"), [rtu("09 03 04 11 41 00 67").hex(" ").upper()]),
        (once("wrong_function"), [rtu("01 04 04 11 41 00 67").hex(" ").upper()]),
        (once("exception", code=6), [rtu("01 83 06").hex(" ").upper()]),
        (once("echo"), ["01 03 00 00 00 02 C4 0B", "01 03 04 11 41 00 67 EE F1"]),
        (once("truncate", keep=4), ["01 03 04 11"]),
        (once("duplicate"), ["01 03 04 11 41 00 67 EE F1"] * 2),
        (once("mute"), []),
        (once("hang"), []),
        (once("identity", text="4418,1"), [rtu("01 03 04 11 42 00 01").hex(" ").upper()]),
    ],
    ids=lambda value: getattr(value, "kind", ""),
)
def test_the_faults_of_the_wire_act_on_frames(fault: Any, sent: list[str]) -> None:
    _, peer = bench()
    peer.faults.arm(fault)

    assert [piece.hex(" ").upper() for _, piece in peer.feed(rtu("01 03 00 00 00 02"), 1.0)] == sent
    assert ask(peer, "01 03 00 00 00 02") == "01 03 04 11 41 00 67"


def test_faults_on_tcp_keep_the_transaction() -> None:
    _, peer = bench("modbus-supply-tcp")
    peer.faults.arm(once("wrong_unit", unit=3))
    peer.faults.arm(once("exception", code=2, at_question=2))
    request = bytes.fromhex("12 34 00 00 00 06 01 03 00 0B 00 01")

    assert peer.feed(request, 1.0)[0][1] == bytes.fromhex("12 34 00 00 00 05 03 03 02 00 00")
    assert peer.feed(request, 1.0)[0][1] == bytes.fromhex("12 34 00 00 00 03 01 83 02")


def test_a_late_reply_is_late() -> None:
    _, peer = bench(latency_s=0.005)
    peer.faults.arm(once("late", delay_s=0.7))

    assert [delay_s for delay_s, _ in peer.feed(rtu("01 03 00 00 00 02"), 1.0)] == [0.705]

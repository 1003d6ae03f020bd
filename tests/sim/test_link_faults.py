"""Faults of the link, at the wire of every kind of listener: what arrives, when, and what the panel did meanwhile."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pytest

from chargerd.sim.behaviour import speech_of
from chargerd.sim.faults import FAULTS, forever, once
from chargerd.sim.frames import frame
from chargerd.sim.listener import LISTENERS
from chargerd.sim.modbus_wire import check_value
from chargerd.sim.panel import Lie
from chargerd.sim.spellings import SPELLINGS
from chargerd.sim.world import World
from tests.sim.own_panels import peer_of

if TYPE_CHECKING:
    from chargerd.sim.wire import Peer


@dataclass(frozen=True)
class Speaker:
    """An instrument: its panels, a question, the same with another answer, and how it is switched."""

    panels: tuple[str, ...]
    ask: bytes
    other: bytes
    on: bytes = b""
    off: bytes = b""
    takes_s: float = 0.0
    echoes: bool = False


def rtu(text: str) -> bytes:
    body = bytes.fromhex(text)
    return body + check_value(body)


SPEAKERS = {
    "scpi-supply-suffix": Speaker(("supply", "supply"), b"VOLT?\n", b"*IDN?\n", b"OUTP ON\n", b"OUTP OFF\n"),
    "scpi-supply-channel-list": Speaker(("supply",) * 3, b"VOLT? (@1)\n", b"*IDN?\n", b"OUTP ON,(@1)\n", b"OUTP OFF,(@1)\n"),
    "scpi-supply-select": Speaker(("supply",) * 2, b"VOLT?\n", b"*IDN?\n", b"INST:NSEL 1;:OUTP ON\n", b"INST:NSEL 1;:OUTP OFF\n"),
    "scpi-load-minimum": Speaker(("load",), b"CURR?\n", b"*IDN?\n", b"INP ON\n", b"INP OFF\n"),
    "scpi-meter-scan": Speaker(("meter",) * 4, b"MEAS:VOLT? (@101)\n", b"*IDN?\n", takes_s=0.12),
    "scpi-relays": Speaker(("relay",) * 3, b"ROUT:CLOS? (@1)\n", b"ROUT:OPEN? (@1)\n", b"ROUT:CLOS (@1)\n", b"ROUT:OPEN (@1)\n"),
    "line-supply": Speaker(("supply",), b"U?\r", b"ID\r", b"S 1\r", b"S 0\r", takes_s=0.02),
    "line-sensor": Speaker(("thermometer",), b"t1\n", b"id\n", takes_s=0.06),
    "line-relays": Speaker(("relay",) * 3, b"is 1\r\n", b"who\r\n", b"on 1\r\n", b"off 1\r\n"),
    "frame-relays": Speaker(("relay",) * 3, frame(0xA5, 2, 1), frame(0xA5, 2, 2), frame(0xA5, 1, 1), frame(0xA5, 0, 1), 0.01),
    "pin-relays": Speaker(("relay",) * 2, b"17?\n", b"27 1\n", b"17 1\n", b"17 0\n"),
    "modbus-supply": Speaker(("supply",), rtu("010300090001"), rtu("010300000002"), rtu("0106000B0001"), rtu("0106000B0000")),
    "modbus-relay": Speaker(("relay",) * 2, rtu("010100000001"), rtu("010400000002"), rtu("01050000FF00"), rtu("010500000000")),
    "file-one-wire": Speaker(("thermometer",), b"temperature\n", b"name\n"),
}  # fmt: skip
SWITCHED = [name for name, speaker in SPEAKERS.items() if speaker.on]
WITH_ERRORS = ("scpi-supply-suffix", "scpi-relays", "line-supply")

every = pytest.mark.parametrize("name", SPEAKERS)
switched = pytest.mark.parametrize("name", SWITCHED)


def made(name: str) -> tuple[World, Peer, Speaker]:
    speaker = SPEAKERS[name]
    world, peer = peer_of(name, speaker.panels)
    for panel in world.panels.values():  # the same answer whenever it is asked
        for quantity in panel.accuracy:
            panel.lies[quantity] = Lie(value=2.5)
    return world, peer, speaker


def say(peer: Peer, data: bytes, now_s: float = 0.0) -> bytes:
    return b"".join(piece for _, piece in peer.feed(data, now_s))


def honest(name: str) -> bytes:
    _, peer, speaker = made(name)
    return say(peer, speaker.ask)


def conducts(world: World) -> bool:
    return world.panels["panel-1"].conducts


def test_every_speech_is_here() -> None:
    assert {speech_of(name) for name in SPEAKERS} == set(LISTENERS) - {"modbus-tcp"}  # the same listener in another frame


# -- C1, C12, C13: what is told is not done, or done untold -----------------------------------------------------------


@switched
def test_on_and_off_are_ignored_separately(name: str) -> None:
    world, peer, speaker = made(name)
    peer.faults.arm(forever("ignore_on"))
    say(peer, speaker.on)
    assert not conducts(world)

    peer.faults.disarm_all()
    say(peer, speaker.on)
    peer.faults.arm(forever("ignore_off"))
    say(peer, speaker.off)
    assert conducts(world)

    peer.faults.disarm_all()
    say(peer, speaker.off)
    assert not conducts(world)


@switched
def test_a_person_or_a_restart_switches_it(name: str) -> None:
    world, peer, speaker = made(name)
    say(peer, speaker.on)
    peer.faults.arm(once("panel_switch", at_s=1.0))
    say(peer, speaker.ask, 1.5)
    assert not conducts(world)

    say(peer, speaker.on, 2.0)
    peer.faults.arm(once("reboot", at_s=3.0))
    say(peer, speaker.ask, 3.5)
    assert not conducts(world)


# -- C2: stale ----------------------------------------------------------------------------------------------------


@switched
def test_a_stale_state_is_answered_though_the_truth_moved(name: str) -> None:
    world, peer, speaker = made(name)
    state = {"scpi-supply-suffix": b"OUTP?\n", "scpi-supply-channel-list": b"OUTP? (@1)\n", "scpi-supply-select": b"OUTP?\n",
             "scpi-load-minimum": b"INP?\n", "line-supply": b"S?\r", "modbus-supply": rtu("0103000B0001")}.get(name, speaker.ask)  # fmt: skip
    off = say(peer, state)
    peer.faults.arm(forever("stale"))
    say(peer, speaker.on)

    assert say(peer, state) == off
    assert conducts(world)

    peer.faults.disarm_all()
    assert say(peer, state) != off


def test_one_setting_may_be_stale_alone() -> None:
    _, peer, _ = made("line-supply")
    peer.faults.arm(forever("stale", setting="voltage_set_V"))
    say(peer, b"U?\r")

    assert say(peer, b"U 1.5\rI 20\rU?\rI?\r") == b"OK\rOK\rU 0.000\rI 20\r"


@pytest.mark.parametrize("name", ["line-sensor", "file-one-wire", "scpi-meter-scan"])
def test_a_reading_freezes_while_the_truth_moves(name: str) -> None:
    world, peer, speaker = made(name)
    panel = world.panels["panel-1"]
    panel.lies.clear()
    peer.faults.arm(forever("freeze"))
    first = say(peer, speaker.ask)
    for quantity in panel.accuracy:
        panel.lies[quantity] = Lie(value=3.5)

    assert say(peer, speaker.ask, 100.0) == first


# -- C4, C6, C8: garbage, doubles, silence ------------------------------------------------------------------------------


@every
def test_silence_without_and_with_obeying(name: str) -> None:
    for kind, obeys in (("hang", False), ("mute", True)):
        world, peer, speaker = made(name)
        peer.faults.arm(forever(kind))

        assert say(peer, speaker.ask) == b""
        if speaker.on:
            say(peer, speaker.on)
            assert conducts(world) is obeys


@every
def test_garbage_has_the_length_and_end_of_the_answer(name: str) -> None:
    _, peer, speaker = made(name)
    peer.faults.arm(forever("garble", bytes=1))
    replies = [say(peer, speaker.ask, float(second)) for second in range(20)]

    assert all(reply != honest(name) for reply in replies)
    assert {len(reply) for reply in replies} == {len(honest(name))}
    assert all(reply.endswith(peer.listener.end) for reply in replies)


@every
def test_an_answer_may_break_off_at_every_byte(name: str) -> None:
    whole = honest(name)
    for keep in range(len(whole)):
        _, peer, speaker = made(name)
        peer.faults.arm(once("truncate", keep=keep))

        assert say(peer, speaker.ask) == whole[:keep]


@every
def test_an_answer_may_come_twice_behind_an_echo_or_as_something_else(name: str) -> None:
    for fault, expected in (
        (once("duplicate"), honest(name) * 2),
        (once("echo"), message_of(name) + honest(name)),
        (once("replace", text="ERR"), b"ERR" + made(name)[1].listener.end),
        (once("flood", bytes=70_000), b"9" * 70_000),
    ):
        _, peer, speaker = made(name)
        peer.faults.arm(fault)

        assert say(peer, speaker.ask) == expected, fault.kind
        assert say(peer, speaker.ask, 1.0) == honest(name)


def message_of(name: str) -> bytes:
    """The question as an echo sends it back: with the end that the instrument itself uses."""
    _, peer, speaker = made(name)
    return speaker.ask.rstrip(b"\r\n") + peer.listener.end if peer.listener.end else speaker.ask


# -- C5, C17, C18: late, shifted, slow, endless ---------------------------------------------------------------------------


@every
@pytest.mark.parametrize("by", [1, 2, 3])
def test_answers_are_those_of_earlier_questions(name: str, by: int) -> None:
    _, peer, speaker = made(name)
    questions = [speaker.ask, speaker.other] * 3
    right = [say(peer, question) for question in questions]
    peer.faults.arm(forever("shift", by=by))

    assert [say(peer, question, 1.0) for question in questions] == [b""] * by + right[:-by]
    assert right[0] != right[1]


@every
def test_a_late_answer_and_a_slow_instrument(name: str) -> None:
    _, peer, speaker = made(name)
    peer.faults.arm(once("late", delay_s=0.7))
    assert [delay_s for delay_s, _ in peer.feed(speaker.ask, 1.0)] == [pytest.approx(0.7 + speaker.takes_s)]

    _, peer, speaker = made(name)
    peer.faults.arm(forever("slow", factor=10.0, usual_s=0.01))
    one_s = 10.0 * max(speaker.takes_s, 0.01)
    assert peer.feed(speaker.ask, 1.0)[0][0] == pytest.approx(one_s)
    assert peer.feed(speaker.ask, 1.0)[0][0] >= 2.0 * one_s - 1e-9  # it piles up: the second waits for the first


@every
def test_an_answer_that_drips_never_ends(name: str) -> None:
    _, peer, speaker = made(name)
    peer.faults.arm(once("drip", every_s=0.1, bytes=300))
    pieces = peer.feed(speaker.ask, 1.0)

    assert len(pieces) >= 300
    assert {len(piece) for _, piece in pieces} == {1}
    assert pieces[-1][0] >= 29.8
    assert pieces[0][1] == honest(name)[:1]


@every
def test_a_deaf_port_takes_bytes_and_carries_them_out_when_it_hears_again(name: str) -> None:
    world, peer, speaker = made(name)
    peer.faults.arm(forever("deaf", at_s=10.0, for_s=5.0))

    assert say(peer, speaker.ask, 9.0) == honest(name)
    assert say(peer, speaker.on + speaker.ask, 11.0) == b""
    assert not conducts(world)
    assert say(peer, b"", 16.0).endswith(say(peer, speaker.ask, 16.5))
    assert conducts(world) is bool(speaker.on)


# -- C7: spellings ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("form", SPELLINGS)
def test_each_spelling_differs_from_the_number(form: str) -> None:
    for number in (b"+1.75000E+00", b"2.5000", b"-0.20"):
        spelt = SPELLINGS[form](number)

        assert spelt != number
        assert not is_the_number(spelt, float(number)), spelt


def is_the_number(spelt: bytes, number: float) -> bool:
    """Whether ASCII digits say that number in NR1, NR2 or NR3, as IEEE 488.2 §8.7 writes them."""
    import re

    return bool(re.fullmatch(rb"[+-]?\d+(\.\d+)?(E[+-]?\d+)?", spelt)) and float(spelt) == number


@pytest.mark.parametrize(
    ("name", "expected"),
    [("scpi-supply-suffix", b"0,0000\n"), ("line-sensor", b"t1,0000=2,5000\n"), ("line-supply", b"U 0,0000\r")],
)
def test_numbers_of_an_answer_are_spelt_anew_in_their_place(name: str, expected: bytes) -> None:
    _, peer, speaker = made(name)
    peer.faults.arm(forever("spell", form="decimal comma"))

    assert say(peer, speaker.ask) == expected


def test_a_spelling_there_is_not_is_refused() -> None:
    with pytest.raises(ValueError, match="no spelling 'roman'"):
        once("spell", form="roman")


# -- C9, C10: the cable, another instrument ------------------------------------------------------------------------------


@every
def test_the_link_ends_by_reset_in_order_or_is_gone(name: str) -> None:
    for fault, error in (
        (once("drop"), ConnectionResetError),
        (once("drop", orderly=True), ConnectionAbortedError),
        (forever("refuse", at_s=0.0, for_s=1.0), ConnectionRefusedError),
    ):
        _, peer, speaker = made(name)
        peer.faults.arm(fault)

        with pytest.raises(error):
            say(peer, speaker.ask)
        assert say(peer, speaker.ask, 2.0) == honest(name)


@every
def test_ports_are_swapped_and_swapped_back(name: str) -> None:
    world, peer, speaker = made(name)
    node = world.add_node("fan", None)
    fan = world.add_peer("fan", "scpi-supply-b", [world.add_panel("supply", "fan", node)])
    peer.faults.arm(forever("swap", at_s=10.0, for_s=10.0, **{"with": "fan"}))

    assert (say(peer, speaker.ask, 9.0), say(fan, b"*TST?\n", 9.0)) == (honest(name), b"0\n")
    for port in (peer, fan):  # the open link breaks first
        with pytest.raises(ConnectionResetError):
            say(port, b"", 10.0)
    assert (say(peer, b"*TST?\n", 11.0), say(fan, speaker.ask, 11.0)) == (b"0\n", honest(name))
    say(fan, speaker.on, 12.0)
    assert conducts(world) is bool(speaker.on)
    for port in (peer, fan):
        with pytest.raises(ConnectionResetError):
            say(port, b"", 20.0)
    assert (say(peer, speaker.other, 21.0) != b"", say(fan, b"*TST?\n", 21.0)) == (True, b"0\n")


def test_a_swap_with_nobody_is_refused() -> None:
    _, peer, _ = made("line-supply")
    with pytest.raises(KeyError):
        peer.faults.arm(once("swap", **{"with": "nobody"}))


# -- C11: foreign bytes ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "error"),
    [("scpi-supply-suffix", b'-113,"Undefined header"\n'), ("line-supply", b""), ("line-sensor", b""), ("frame-relays", b"")],
)
def test_a_modem_prober_writes_to_the_instrument_and_its_answers_come_here(name: str, error: bytes) -> None:
    _, peer, speaker = made(name)
    say(peer, speaker.ask, 9.0)
    peer.faults.arm(once("foreign", at_s=10.0))
    heard = say(peer, b"", 10.5)

    assert heard == {"line-supply": b"E1\r", "line-sensor": b"?\n"}.get(name, b"")
    if error:
        assert say(peer, b"SYST:ERR?\n", 11.0) == error
    assert say(peer, speaker.ask, 12.0) == honest(name)


@every
def test_foreign_bytes_stand_before_the_answer(name: str) -> None:
    _, peer, speaker = made(name)
    say(peer, speaker.ask, 9.0)
    peer.faults.arm(once("foreign", at_s=10.0, to="line", text="AT+GMM\r\n"))

    assert say(peer, speaker.ask, 11.0) == b"AT+GMM\r\n" + honest(name)


def test_a_foreign_program_may_write_again_and_again() -> None:
    _, peer, _ = made("line-supply")
    say(peer, b"", 1.0)
    peer.faults.arm(forever("foreign", to="line", text="x", every_s=2.0), 1.0)

    assert peer.next_s(1.0) == pytest.approx(1.0, abs=0.01)
    assert say(peer, b"", 8.0) == b"xxxx"
    assert peer.next_s(8.0) == pytest.approx(9.0, abs=0.01)
    peer.faults.arm(once("foreign", to="line", text="y"), 8.0)
    assert say(peer, b"", 20.0).count(b"y") == 1


# -- Modbus alone -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fault", "expected"),
    [
        (once("wrong_unit", unit=9), rtu("0903020000")),
        (once("wrong_function", function=4), rtu("0104020000")),
        (once("exception", code=6), rtu("018306")),
        (once("flip", bit=0), b"\x00" + rtu("0103020000")[1:]),
        (once("flip", bit=-1), rtu("0103020000")[:-1] + bytes((rtu("0103020000")[-1] ^ 0x80,))),
    ],
)
def test_a_register_answers_for_another_or_refuses_or_with_one_bit_turned(fault: Any, expected: bytes) -> None:
    _, peer, speaker = made("modbus-supply")
    peer.faults.arm(fault)

    assert say(peer, speaker.ask) == expected
    assert say(peer, speaker.ask, 1.0) == rtu("0103020000")


@pytest.mark.parametrize("kind", ["wrong_unit", "wrong_function", "exception"])
def test_what_only_a_modbus_slave_can_do_cannot_be_armed_on_another(kind: str) -> None:
    _, peer, _ = made("line-supply")
    with pytest.raises(ValueError, match=f"cannot have {kind}"):
        peer.faults.arm(once(kind))


# -- C14, C15, C16: errors, lamps, units -----------------------------------------------------------------------------------


@every
def test_an_error_is_entered_where_there_is_a_queue_and_refused_elsewhere(name: str) -> None:
    _, peer, _ = made(name)
    if not peer.listener.has_errors:
        with pytest.raises(ValueError, match="cannot have error: it has no errors"):
            peer.faults.arm(once("error"))
        return
    peer.faults.arm(once("error", number=101, text="Fan"))
    asked, told = (b"SYST:ERR?\n", b'101,"Fan"\n') if name.startswith("scpi") else (b"E\r", b"E 101\r")
    assert say(peer, asked) == told


def test_a_status_bit_shows_without_a_trip_and_on_the_one_output_alone() -> None:
    world, peer, _ = made("scpi-supply-channel-list")
    peer.faults.arm(forever("lamp", condition="OVP", output=2))

    assert say(peer, b"STAT:QUES:COND? (@1);COND? (@2);COND?\n") == b"0;512;512\n"
    assert not world.panels["panel-2"].get("ovp_tripped")

    _, line, _ = made("line-supply")
    line.faults.arm(once("lamp", condition="OCP"))
    assert say(line, b"R\rR\r") == b"R A\rR -\r"


def test_volts_become_millivolts_and_degrees_fahrenheit() -> None:
    world, peer, _ = made("line-sensor")
    world.panels["panel-1"].lies.clear()
    celsius = float(say(peer, b"t1\n").removeprefix(b"t1="))
    peer.faults.arm(forever("fahrenheit"))
    assert float(say(peer, b"t1\n").removeprefix(b"t1=")) == pytest.approx(1.8 * celsius + 32.0, abs=0.05)

    world, meter, _ = made("scpi-meter-scan")
    world.panels["panel-1"].lies.clear()
    meter.faults.arm(forever("offset", quantity="voltage_V", by=1.75))
    assert float(say(meter, b"MEAS:VOLT? (@101)\n")) == pytest.approx(1.75, abs=0.01)
    meter.faults.arm(forever("unit", quantity="resistance_ohm"))
    assert float(say(meter, b"MEAS:RES? (@101)\n", 1.0)) == pytest.approx(109_734.7, abs=50.0)


# -- faults on what is said unasked -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fault", "expected"),
    [
        (once("mute"), b""), (once("hang"), b""), (once("truncate", keep=4), b"t1=2"), (once("drop"), b""),
        (once("duplicate"), b"t1=2.5\r\n" * 2), (once("replace", text="t1=99.9"), b"t1=99.9\r\n"),
        (once("mute", header="(unasked)"), b""), (once("mute", header="t9"), b"t1=2.5\r\n"),
    ],
)  # fmt: skip
def test_what_is_printed_unasked_can_be_damaged_too(fault: Any, expected: bytes) -> None:
    world, peer = peer_of("line-sensor-prints", ["thermometer"])
    world.panels["panel-1"].lies["temperature_degC"] = Lie(value=2.5)
    say(peer, b"", 1.0)
    peer.faults.arm(fault)

    assert say(peer, b"", 2.0) == expected
    assert say(peer, b"", 3.0) == b"t1=2.5\r\n"


def test_every_fault_by_time_is_known_to_the_servers() -> None:
    assert {kind for kind, row in FAULTS.items() if row.by_time} == {"refuse", "swap", "deaf", "foreign"}

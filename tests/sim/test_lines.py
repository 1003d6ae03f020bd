"""Listeners that are not SCPI, each against the printed command list at the top of its behaviour file."""

from __future__ import annotations

import re
from importlib.resources import files

import pytest

from chargerd.sim.behaviour import behaviour_names, read_behaviour
from chargerd.sim.frames import frame
from chargerd.sim.listener import LISTENERS, make_listener
from chargerd.sim.panel import Lie
from chargerd.sim.pins import Pins
from chargerd.sim.world import World
from tests.sim.own_panels import BareRelay, panel_of, peer_of

NOT_SCPI = [name for name in behaviour_names() if name not in behaviour_names("scpi")]


def say(peer: object, text: bytes, now_s: float = 0.0) -> bytes:
    return b"".join(piece for _, piece in peer.feed(text, now_s))  # type: ignore[attr-defined]


# -- the files ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", [name for name in NOT_SCPI if "extends" not in read_behaviour(name) and "modbus" not in name])
def test_a_behaviour_begins_with_what_a_printed_list_says(name: str) -> None:
    text = (files("chargerd.sim") / "behaviours" / f"{name}.yaml").read_text(encoding="utf-8")

    assert text.startswith("# ")
    assert read_behaviour(name)["behaviour"] == name
    assert read_behaviour(name)["speaks"] in LISTENERS


def test_a_protocol_there_is_not_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delitem(LISTENERS, "frames")
    with pytest.raises(ValueError, match="speaks 'frames'"):
        make_listener("frame-relays", ())


# -- the line supply ----------------------------------------------------------------------------------------------


def test_the_line_supply_does_what_its_list_says() -> None:
    world, peer = peer_of("line-supply", ["supply"])
    panel = world.panels["panel-1"]

    assert say(peer, b"ID\r") == b"ID Boathouse Line-15 SN31\r"
    assert say(peer, b"U 1.800\rI 150\rOV 2.10\r") == b"OK\rOK\rOK\r"
    assert say(peer, b"U?\rI?\rOV?\rS?\r") == b"U 1.800\rI 150\rOV 2.10\rS 0\r"
    assert (panel.get("voltage_set_V"), panel.get("current_set_A")) == (1.8, 0.15)
    assert say(peer, b"S 1\rR\r") == b"OK\rR V\r"
    assert panel.conducts
    readings = re.fullmatch(rb"M (1\.\d{4}) (-?\d+\.\d)\r", say(peer, b"M\r", 1.0))
    assert readings is not None
    assert float(readings[1]) == pytest.approx(1.8, abs=0.003)


@pytest.mark.parametrize(
    ("typed", "reply"),
    [
        (b"U 99", b"E2"), (b"U -1", b"E2"), (b"U x", b"E1"), (b"U", b"E1"), (b"u 1", b"E1"), (b"S 2", b"E1"), (b"HELLO", b"E1"),
        (b"U 1,8", b"E1"), (b"U 1.8 V", b"E1"), (b"\xff", b"E1"), (b"I 1e9", b"E2"), (b"U nan", b"E2"),
    ],
)  # fmt: skip
def test_the_line_supply_refuses_what_it_does_not_do(typed: bytes, reply: bytes) -> None:
    world, peer = peer_of("line-supply", ["supply"])

    assert say(peer, typed + b"\r") == reply + b"\r"
    assert world.panels["panel-1"].get("voltage_set_V") == 0.0


def test_a_trip_shows_and_is_forgotten_by_its_own_command() -> None:
    world, peer = peer_of("line-supply", ["supply"])
    say(peer, b"S 1\r")
    world.panels["panel-1"].trip("ovp", 1.0)  # type: ignore[attr-defined]

    assert say(peer, b"R\rS?\rS 1\r", 2.0) == b"R O\rS 0\rE3\r"
    assert say(peer, b"S 0\rOV!\rR\r", 3.0) == b"OK\rOK\rR -\r"


def test_the_error_register_is_cleared_by_asking_and_by_a_restart() -> None:
    world, peer = peer_of("line-supply", ["supply"])
    peer.listener.report(7, "")

    assert say(peer, b"E\rE\r") == b"E 7\rE 0\r"
    peer.listener.report(7, "")
    world.panels["panel-1"].reboot(1.0)
    assert say(peer, b"E\r", 1.0) == b"E 0\r"


@pytest.mark.parametrize("ends", [b"\r", b"\n", b"\r\n"])
def test_any_end_of_line_ends_a_message_and_pieces_are_put_together(ends: bytes) -> None:
    _, peer = peer_of("line-supply", ["supply"])

    assert say(peer, b"I") == b""
    assert say(peer, b"D" + ends) == b"ID Boathouse Line-15 SN31\r"
    assert say(peer, ends) == b""


def test_a_line_without_end_is_lost_and_the_next_is_heard() -> None:
    _, peer = peer_of("line-supply", ["supply"])
    for _ in range(3):
        say(peer, b"9" * 3000)

    assert say(peer, b"9\rID\r") == b"ID Boathouse Line-15 SN31\r"


def test_an_echo_comes_before_the_answer() -> None:
    _, peer = peer_of("line-supply-echo", ["supply"])

    assert peer.feed(b"I 150\r\n", 0.0) == [(0.0, b"I 150\r\n"), (pytest.approx(0.02), b"OK\r\n")]


def test_answers_take_their_time_one_after_the_other() -> None:
    _, peer = peer_of("line-supply", ["supply"])

    assert [delay_s for delay_s, _ in peer.feed(b"ID\rU?\r", 1.0)] == pytest.approx([0.02, 0.04])


# -- sensors ------------------------------------------------------------------------------------------------------


def test_a_printing_board_prints_once_a_second_from_when_somebody_listens() -> None:
    _, peer = peer_of("line-sensor-prints", ["thermometer", "thermometer"])

    assert say(peer, b"", 10.3) == b""
    assert re.fullmatch(rb"t1=2\d\.\d t2=2\d\.\d\r\n", say(peer, b"", 11.0))
    assert say(peer, b"", 11.9) == b""
    assert len(say(peer, b"t1?\r\n", 14.5).splitlines()) == 3
    assert peer.next_s(14.5) == 15.0
    assert len(say(peer, b"", 100_000.0).splitlines()) == 50  # the port's buffer


def test_a_missing_sensor_prints_no_number_and_a_restart_prints_a_line() -> None:
    world, peer = peer_of("line-sensor-prints", ["thermometer", "thermometer"])
    world.panels["panel-2"].lies["temperature_degC"] = Lie(value=float("nan"))
    say(peer, b"", 1.0)

    assert say(peer, b"", 2.0).endswith(b"t2=-----\r\n")

    world.panels["panel-1"].reboot(2.5)
    assert say(peer, b"", 3.0).startswith(b"sensor board ready\r\nt1=")


def test_a_board_that_answers_tells_each_sensor_by_its_number() -> None:
    world, peer = peer_of("line-sensor", ["thermometer", "thermometer"])
    world.panels["panel-2"].lies["temperature_degC"] = Lie(value=31.25)

    assert say(peer, b"id\n") == b"id=Boathouse Thermo SN33\n"
    assert say(peer, b"t2\n") == b"t2=31.25\n"
    assert 109.0 < float(say(peer, b"r1\n").removeprefix(b"r1=")) < 110.5  # IEC 60751: 109.73 ohm at 25 °C
    assert say(peer, b"t3\n") == b"?\n"
    world.panels["panel-2"].lies["temperature_degC"] = Lie(value=float("inf"))
    assert say(peer, b"t2\n") == b"t2=open\n"


# -- relays -------------------------------------------------------------------------------------------------------


def test_relays_in_words() -> None:
    world, peer = peer_of("line-relays", ["relay"] * 3)

    assert say(peer, b"who\r\non 3\r\nis 3\r\nis 1\r\nsees 3\r\n") == (
        b"relays Boathouse R8 SN34\r\ndone\r\n3 on\r\n1 off\r\n3 on\r\n"
    )
    assert [panel.conducts for panel in world.panels.values()] == [False, False, True]
    assert say(peer, b"off 3\r\nis 3\r\non 4\r\non\r\n") == b"done\r\n3 off\r\nwhat?\r\nwhat?\r\n"


def test_relays_in_frames() -> None:
    world, peer = peer_of("frame-relays", ["relay"] * 3)

    assert frame(0xA5, 1, 3) == bytes.fromhex("A50103A9")  # the example of its leaflet
    assert say(peer, bytes.fromhex("A50103A9")) == frame(0x5A, 3, 1)
    assert say(peer, frame(0xA5, 2, 3) + frame(0xA5, 3, 1)) == frame(0x5A, 3, 1) + frame(0x5A, 1, 0)
    assert [panel.conducts for panel in world.panels.values()] == [False, False, True]
    assert say(peer, frame(0xA5, 0, 3)) == frame(0x5A, 3, 0)


@pytest.mark.parametrize("sent", ["A50103A8", "A50104AA", "A50403AC", "A501", "0103A9", "5A01035E"])
def test_a_damaged_or_foreign_frame_does_nothing(sent: str) -> None:
    world, peer = peer_of("frame-relays", ["relay"] * 3)

    assert say(peer, bytes.fromhex(sent)) == b""
    assert not any(panel.conducts for panel in world.panels.values())


def test_a_frame_is_found_behind_noise_and_half_a_frame_is_given_up() -> None:
    world, peer = peer_of("frame-relays", ["relay"])

    assert say(peer, b"\x00\xa5\xff" + frame(0xA5, 1, 1), 1.0) == frame(0x5A, 1, 1)
    assert say(peer, frame(0xA5, 0, 1)[:2], 2.0) == b""
    assert say(peer, frame(0xA5, 0, 1)[2:], 2.05) == frame(0x5A, 1, 0)
    assert say(peer, frame(0xA5, 1, 1)[:2], 3.0) == b""
    assert say(peer, frame(0xA5, 2, 1), 4.0) == frame(0x5A, 1, 0)
    assert not world.panels["panel-1"].conducts
    say(peer, frame(0xA5, 1, 1)[:2], 5.0)
    assert say(peer, frame(0xA5, 1, 1)[2:], 6.0) == b""  # the two halves are no frame, so long apart
    assert not world.panels["panel-1"].conducts


@pytest.mark.parametrize(("behaviour", "closing"), [("pin-relays", 1), ("pin-relays-low", 0)])
def test_a_pin_closes_its_relay_at_its_own_level(behaviour: str, closing: int) -> None:
    world, peer = peer_of(behaviour, ["relay", "relay"])
    now = [0.0]
    pins = Pins(peer, lambda: now[0])

    assert pins.get(27) == 1 - closing
    pins.set(27, closing)
    assert pins.get(27) == closing
    assert [panel.conducts for panel in world.panels.values()] == [False, True]
    assert say(peer, f"27 {1 - closing}\n27?\n".encode()) == f"{1 - closing}\n".encode() * 2
    pins.set(27, closing)
    assert (pins.get(6), pins.get(5)) == (closing, 1 - closing)  # the mirror contacts
    assert pins.label().startswith("boathouse-pins")
    for number in (22, 99):
        with pytest.raises(OSError, match="failed"):
            pins.get(number)
    with pytest.raises(OSError, match="failed"):
        pins.set(6, 1)  # nobody drives a mirror contact


def test_pins_may_be_numbered_as_the_bench_says() -> None:
    world = World()
    relay = BareRelay("relay", world.add_node("relay", None))
    peer = world.add_peer("chip", "pin-relays", [relay])
    peer.listener.numbers = (26,)  # type: ignore[attr-defined]
    Pins(peer, lambda: 0.0).set(26, 1)

    assert relay.conducts


# -- files --------------------------------------------------------------------------------------------------------


def test_a_one_wire_folder_holds_millidegrees_in_sixteenths() -> None:
    world, peer = peer_of("file-one-wire", ["thermometer"])
    world.panels["panel-1"].lies["temperature_degC"] = Lie(value=23.47)

    assert say(peer, b"temperature\n") == b"23437\n"  # 23.4375, as the kernel cuts it
    assert say(peer, b"name\n") == b"28-0000b0a70001\n"
    assert say(peer, b"../etc/passwd\n") == b""
    world.panels["panel-1"].lies["temperature_degC"] = Lie(value=-0.06)
    assert say(peer, b"temperature\n") == b"-62\n"


def test_a_monitor_has_a_file_for_each_sensor() -> None:
    world, peer = peer_of("file-hwmon", ["thermometer", "thermometer"])
    world.panels["panel-2"].lies["temperature_degC"] = Lie(value=31.256)

    assert say(peer, b"temp2_input\n") == b"31260\n"
    assert say(peer, b"name\n") == b"boathouse_monitor\n"
    assert say(peer, b"temp3_input\n") == b""
    world.panels["panel-2"].lies["temperature_degC"] = Lie(value=float("nan"))
    assert say(peer, b"temp2_input\n") == b""


@pytest.mark.parametrize("name", [name for name in NOT_SCPI if "modbus" not in name])
def test_every_behaviour_names_only_what_its_panel_has(name: str) -> None:
    raw = read_behaviour(name)
    panel = panel_of(raw["panel"], "panel", World())
    entries = [*raw.get("commands", {}).values(), *raw.get("files", {}).values(), raw.get("says", {})]
    items = [item for entry in entries for item in (entry, *entry.get("values", ()))]

    for item in items:
        if "read" in item:
            assert isinstance(panel.read(item["read"], 0.0), float), item
        if "shown" in item:
            assert panel.get(item["shown"]) is not None, item
        if "set" in item:
            assert item["set"] in panel.settings, item
        if "do" in item:
            assert callable(getattr(panel, item["do"])), item
    assert make_listener(name, [panel]).panels == (panel,)

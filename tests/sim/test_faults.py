"""Every fault of the table does what its row says, when it is due and not otherwise."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from chargerd.sim.faults import FAULTS, fault_of, forever, once
from chargerd.sim.world import World, boathouse_bench
from tests.sim.bench import ask

if TYPE_CHECKING:
    from chargerd.sim.wire import Peer

ON = "VOLT 2.05;CURR 1;OUTP ON"


def charging(seed: int = 0, cell: str = "plover") -> tuple[World, Peer]:
    world = boathouse_bench(cell, fresh=False, stored_Ah=0.5, seed=seed)
    ask(world.peers["supply"], ON)
    return world, world.peers["supply"]


def test_every_fault_has_a_test_here() -> None:
    text = "".join(path.read_text(encoding="utf-8") for path in Path(__file__).parent.glob("test_*.py"))

    assert [kind for kind in FAULTS if f'"{kind}"' not in text] == []


# -- on the wire --------------------------------------------------------------------------------------------------


def test_a_hung_instrument_neither_answers_nor_obeys() -> None:
    world, peer = charging()
    peer.faults.arm(forever("hang", at_s=10.0))

    assert ask(peer, "*OPC?", 9.0) == "1"
    assert ask(peer, "*OPC?", 10.0) == ""
    ask(peer, "OUTP OFF", 11.0)
    assert world.panels["supply"].conducts


def test_a_hang_of_some_seconds_ends() -> None:
    _, peer = charging()
    peer.faults.arm(once("hang", at_s=10.0, for_s=2.0))

    assert [ask(peer, "*OPC?", now_s) for now_s in (9.9, 10.5, 11.9, 12.0)] == ["1", "", "", "1"]


def test_a_mute_instrument_obeys() -> None:
    world, peer = charging()
    peer.faults.arm(forever("mute"))

    assert ask(peer, "OUTP OFF;*OPC?", 1.0) == ""
    assert not world.panels["supply"].conducts


@pytest.mark.parametrize("carried_out", [False, True])
def test_a_dropped_link_is_reset_once_with_or_without_obeying(carried_out: bool) -> None:
    world, peer = charging()
    peer.faults.arm(once("drop", carried_out=carried_out))

    with pytest.raises(ConnectionResetError):
        ask(peer, "OUTP OFF", 1.0)
    assert world.panels["supply"].conducts is not carried_out
    assert ask(peer, "*OPC?", 1.0) == "1"


def test_half_a_message_is_lost_with_the_link() -> None:
    _, peer = charging()
    peer.faults.arm(once("drop"))
    with pytest.raises(ConnectionResetError):
        peer.feed(b"*OPC?\nOUTP ", 1.0)

    assert ask(peer, "*OPC?", 2.0) == "1"


def test_a_port_refuses_for_its_time() -> None:
    _, peer = charging()
    peer.faults.arm(forever("refuse", at_s=10.0, for_s=5.0))

    assert ask(peer, "*OPC?", 9.0) == "1"
    with pytest.raises(ConnectionRefusedError):
        ask(peer, "*OPC?", 12.0)
    assert ask(peer, "*OPC?", 15.0) == "1"


def test_garbled_replies_differ_in_some_bytes_and_repeat_by_seed() -> None:
    def replies(seed: int) -> list[bytes]:
        _, peer = charging(seed)
        peer.faults.arm(forever("garble", bytes=2))
        return [peer.feed(b"VOLT?\n", 1.0)[0][1] for _ in range(20)]

    assert replies(1) == replies(1) != replies(2)
    assert all(reply != b"+2.05000E+00\n" and len(reply) == 13 for reply in replies(1))


@pytest.mark.parametrize(("keep", "ended", "expected"), [(3, False, b"+2."), (5, True, b"+2.05\n"), (99, False, b"+2.05000E+00")])
def test_a_truncated_reply_is_never_whole(keep: int, ended: bool, expected: bytes) -> None:
    _, peer = charging()
    peer.faults.arm(once("truncate", keep=keep, ended=ended))

    assert peer.feed(b"VOLT?\n", 1.0) == [(0.0, expected)]


def test_a_late_reply_keeps_its_text() -> None:
    _, peer = charging()
    peer.faults.arm(once("late", delay_s=0.7))

    assert peer.feed(b"VOLT?\n", 1.0) == [(0.7, b"+2.05000E+00\n")]


def test_latency_of_the_bench_adds_to_a_late_reply() -> None:
    peer = boathouse_bench(latency_s=0.01).peers["supply"]
    peer.faults.arm(once("late", delay_s=0.5))

    assert [delay_s for delay_s, _ in peer.feed(b"*OPC?\n", 0.0) + peer.feed(b"*OPC?\n", 0.0)] == [0.51, 0.01]


def test_a_duplicate_is_the_same_line_again() -> None:
    _, peer = charging()
    peer.faults.arm(once("duplicate"))

    assert peer.feed(b"*OPC?\n", 1.0) == [(0.0, b"1\n"), (0.0, b"1\n")]


def test_a_reply_can_be_another_text_or_a_flood() -> None:
    _, peer = charging()
    peer.faults.arm(once("replace", text="1,75"))

    assert ask(peer, "VOLT?", 1.0) == "1,75"

    peer.faults.arm(once("flood", bytes=70_000))

    assert peer.feed(b"VOLT?\n", 1.0) == [(0.0, b"9" * 70_000)]


def test_several_faults_of_the_wire_act_together() -> None:
    _, peer = charging()
    peer.faults.arm(once("duplicate"))
    peer.faults.arm(once("late", delay_s=0.2))

    assert peer.feed(b"*OPC?\n", 1.0) == [(0.2, b"1\n"), (0.2, b"1\n")]


# -- states -------------------------------------------------------------------------------------------------------


def test_frozen_readings_stay_while_the_truth_moves() -> None:
    _, peer = charging()
    ask(peer, "VOLT 2.6")
    peer.faults.arm(forever("freeze", at_s=10.0))
    frozen = ask(peer, "MEAS:VOLT?", 10.0)

    assert ask(peer, "MEAS:VOLT?", 1000.0) == frozen

    peer.faults.disarm_all()

    assert float(ask(peer, "MEAS:VOLT?", 1000.0)) > float(frozen) + 0.05


def test_one_quantity_can_be_frozen_alone() -> None:
    _, peer = charging()
    ask(peer, "VOLT 1.8;CURR 3")
    peer.faults.arm(forever("freeze", quantity="current_A"))
    first = ask(peer, "MEAS:CURR?;VOLT?", 1.0)
    later = ask(peer, "MEAS:CURR?;VOLT?", 600.0)

    assert later.split(";")[0] == first.split(";")[0]
    assert world_current_A(peer, 600.0) < float(later.split(";")[0]) - 0.1


def world_current_A(peer: Peer, now_s: float) -> float:
    return peer.listener.panels[0].truth("current_A", now_s)


def test_readings_can_be_no_number_or_infinite_in_the_spelling_of_scpi() -> None:
    # SCPI-1999 volume 1, §7.2.1: 9.91E37 is not a number, 9.9E37 infinity
    _, peer = charging()
    peer.faults.arm(once("not_a_number"))

    assert float(ask(peer, "MEAS:VOLT?", 1.0)) == 9.91e37

    peer.faults.arm(once("infinite"))

    assert float(ask(peer, "MEAS:VOLT?", 1.0)) == 9.9e37
    assert float(ask(peer, "MEAS:VOLT?", 1.0)) < 3.0


@pytest.mark.parametrize(
    ("fault", "expected_A"),
    [
        (forever("scale"), -1.0),
        (forever("scale", factor=1.5), 1.5),
        (forever("offset", quantity="current_A", by=0.025), 1.025),
        (forever("reading", quantity="current_A", value=85.0), 85.0),
    ],
)
def test_readings_can_be_wrong_in_sign_scale_offset_or_altogether(fault: Any, expected_A: float) -> None:
    _, peer = charging()
    peer.faults.arm(fault)

    assert float(ask(peer, "MEAS:CURR?", 1.0)) == pytest.approx(expected_A, abs=0.003)
    assert world_current_A(peer, 1.0) == pytest.approx(1.0)


def test_off_on_and_set_points_are_ignored_separately_without_an_error() -> None:
    world, peer = charging()
    supply = world.panels["supply"]
    off, on, settings = forever("ignore_off"), forever("ignore_on"), forever("ignore_set")
    peer.faults.arm(off)
    ask(peer, "OUTP OFF;:VOLT 2", 1.0)

    assert (supply.conducts, supply.get("voltage_set_V")) == (True, 2.0)

    peer.faults.disarm_all()
    ask(peer, "OUTP OFF", 2.0)
    peer.faults.arm(on, 2.0)
    peer.faults.arm(settings, 2.0)
    ask(peer, "OUTP ON;:VOLT 1", 3.0)

    assert (supply.conducts, supply.get("voltage_set_V")) == (False, 2.0)
    assert ask(peer, "SYST:ERR?", 4.0) == '0,"No error"'


def test_another_identity_answers() -> None:
    _, peer = charging()
    honest = ask(peer, "*IDN?")
    peer.faults.arm(once("identity", text="Boathouse,Other,SN7,2.0"))

    assert [ask(peer, "*IDN?"), ask(peer, "*IDN?")] == ["Boathouse,Other,SN7,2.0", honest]


# -- events -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("output_on", "expected"), [(False, [(0.0, 10.5)]), (True, [(0.0, 10.5), (10.5, None)])])
def test_a_reboot_happens_at_its_time_and_shows_as_power_on(output_on: bool, expected: object) -> None:
    world, peer = charging()
    ask(peer, "*ESR?")
    ask(peer, "VOLT:PROT 2.5")
    peer.faults.arm(once("reboot", at_s=10.5, output_on=output_on))
    world.advance_to(1000.0)

    assert world.panels["supply"].energised() == expected
    assert int(ask(peer, "*ESR?", 1000.0)) & 128
    assert float(ask(peer, "VOLT:PROT?", 1000.0)) == 33.0


@pytest.mark.parametrize("cause", ["ovp", "ocp"])
def test_a_protection_trips_without_reason(cause: str) -> None:
    world, peer = charging()
    peer.faults.arm(once("trip", at_s=10.5, cause=cause))

    assert ask(peer, "OUTP?", 20.0) == "0"
    assert world.panels["supply"].output_log[-1].cause == cause


def test_a_person_at_the_panel_switches_and_turns() -> None:
    world, peer = charging()
    peer.faults.arm(once("panel_set", at_s=5.0, setting="voltage_set_V", value=3.0))
    peer.faults.arm(once("panel_switch", at_s=10.5))
    peer.faults.arm(once("panel_switch", at_s=20.5, on=True))

    assert float(ask(peer, "VOLT?", 6.0)) == 3.0
    assert ask(peer, "OUTP?", 11.0) == "0"
    assert ask(peer, "OUTP?", 21.0) == "1"
    assert world.panels["supply"].energised() == [(0.0, 10.5), (20.5, None)]


def test_a_load_can_short_its_terminals_unasked() -> None:
    world, _ = charging()
    peer = world.peers["load"]
    ask(world.peers["supply"], "OUTP OFF", 1.0)
    ask(peer, "CURR 0.1;:INP ON", 1.0)
    peer.faults.arm(once("change", at_s=2.0, setting="mode", value="SHOR"))

    assert ask(peer, "MODE?", 3.0) == "SHOR"
    assert float(ask(peer, "MEAS:CURR?", 3.0)) > 2.0


def test_off_can_have_no_effect_though_the_panel_shows_off() -> None:
    world, peer = charging()
    peer.faults.arm(once("stick_on"))
    ask(peer, "OUTP OFF", 1.0)

    assert ask(peer, "OUTP?", 2.0) == "0"
    assert float(ask(peer, "MEAS:CURR?", 2.0)) == pytest.approx(1.0, abs=0.003)
    assert world.panels["supply"].energised() == [(0.0, None)]


def test_leads_come_off_and_on_again() -> None:
    _, peer = charging()
    peer.faults.arm(once("leads", at_s=10.0))
    peer.faults.arm(once("leads", at_s=20.0, off=False))

    assert [round(world_current_A(peer, now_s), 6) for now_s in (9.0, 15.0, 25.0)] == [1.0, 0.0, 1.0]


def test_a_sensor_falls_off_and_reads_the_room() -> None:
    world, supply = charging()
    ask(supply, "VOLT 2.9;CURR 3")
    peer = world.peers["thermometer"]
    peer.faults.arm(once("detach", at_s=300.0))

    assert float(ask(peer, "MEAS:TEMP?", 299.0)) > 26.5
    assert float(ask(peer, "MEAS:TEMP?", 301.0)) == pytest.approx(25.0, abs=0.5)


def test_an_error_of_the_makers_own_appears() -> None:
    _, peer = charging()
    peer.faults.arm(once("error", number=101, text="Fan"))

    assert ask(peer, "SYST:ERR?", 0.0) == '101,"Fan"'


# -- when ---------------------------------------------------------------------------------------------------------


def test_a_fault_waits_for_the_nth_message_that_contains_its_text() -> None:
    _, peer = charging()
    peer.faults.arm(once("replace", at_question=2, header="meas:volt?", text="ERR"))
    replies = [ask(peer, message, 1.0) for message in ("MEAS:VOLT?", "VOLT?", "MEAS:VOLT?", "MEAS:VOLT?")]

    assert [index for index, reply in enumerate(replies) if reply == "ERR"] == [2]


def test_an_event_can_wait_for_a_message_and_happens_before_it() -> None:
    world, peer = charging()
    peer.faults.arm(forever("panel_switch", at_question=1, header="MEAS"))
    ask(peer, "VOLT?", 1.0)

    assert world.panels["supply"].conducts

    ask(peer, "MEAS:VOLT?", 2.0)
    ask(peer, "OUTP ON", 3.0)
    ask(peer, "MEAS:VOLT?", 4.0)

    assert world.panels["supply"].energised() == [(0.0, 2.0), (3.0, None)]


def test_a_fault_for_so_many_messages_ends_after_them() -> None:
    _, peer = charging()
    peer.faults.arm(fault_of({"kind": "mute", "times": 3}))

    assert [bool(ask(peer, "*OPC?", 1.0)) for _ in range(5)] == [False, False, False, True, True]


@pytest.mark.parametrize("raw", [{"kind": "gremlin"}, {}, {"kind": "late", "delay": 3.0}])
def test_what_is_not_in_the_table_cannot_be_armed(raw: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=r"gremlin|None|delay_s"):
        fault_of(raw)

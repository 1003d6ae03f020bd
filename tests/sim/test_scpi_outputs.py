"""Instruments of several outputs, inputs or relays in SCPI: by suffix, by channel list, by selection; scanning takes time.

Headers after SCPI-1999 and usual programming manuals; what a model understands besides is common practice, no source.
"""

from __future__ import annotations

import pytest

from chargerd.sim.panel import Lie
from chargerd.sim.world import World
from tests.sim.bench import ask, error_of
from tests.sim.own_panels import BareRelay, peer_of

SUPPLIES = {
    "scpi-supply-suffix": {
        "set": "SOUR{n}:VOLT {v}", "on": "OUTP{n} ON", "volts": "SOUR{n}:VOLT?", "state": "OUTP{n}?", "measured": "MEAS{n}:VOLT?",
        "status": "STAT:QUES:INST:ISUM{n}:COND?",
    },
    "scpi-supply-channel-list": {
        "set": "VOLT {v},(@{n})", "on": "OUTP ON,(@{n})", "volts": "VOLT? (@{n})", "state": "OUTP? (@{n})",
        "measured": "MEAS:VOLT? (@{n})", "status": "STAT:QUES:COND? (@{n})",
    },
    "scpi-supply-select": {
        "set": "INST:NSEL {n};:VOLT {v}", "on": "INST:NSEL {n};:OUTP ON", "volts": "INST:NSEL {n};:VOLT?",
        "state": "INST:NSEL {n};:OUTP?", "measured": "INST:NSEL {n};:MEAS:VOLT?", "status": "INST:NSEL {n};:STAT:QUES:COND?",
    },
}  # fmt: skip
"""How each family writes the same; {n} is the output, {v} the volts."""


@pytest.mark.parametrize("behaviour", SUPPLIES)
def test_three_ways_to_address_an_output_reach_that_output_and_no_other(behaviour: str) -> None:
    say = SUPPLIES[behaviour]
    world, peer = peer_of(behaviour, ["supply"] * 3)
    for number, volts in ((1, 1.5), (2, 1.8), (3, 2.1)):
        ask(peer, say["set"].format(n=number, v=volts))
    ask(peer, say["on"].format(n=2))

    assert [float(ask(peer, say["volts"].format(n=number))) for number in (3, 1, 2)] == [2.1, 1.5, 1.8]
    assert [ask(peer, say["state"].format(n=number)) for number in (1, 2, 3)] == ["0", "1", "0"]
    assert [panel.conducts for panel in world.panels.values()] == [False, True, False]
    assert float(ask(peer, say["measured"].format(n=2))) == pytest.approx(1.8, abs=0.003)
    assert [ask(peer, say["status"].format(n=number)) for number in (1, 2)] == ["0", "2"]  # 2: holds its voltage
    assert ask(peer, "SYST:ERR?") == '0,"No error"'


@pytest.mark.parametrize(
    ("behaviour", "message", "number"),
    [
        ("scpi-supply-suffix", "VOLT 1,(@2)", -108), ("scpi-supply-suffix", "INST:NSEL 2", -113),
        ("scpi-supply-suffix", "OUTP4 ON", -114), ("scpi-supply-suffix", "STAT:QUES:INST:ISUM4:COND?", -114),
        ("scpi-supply-channel-list", "SOUR2:VOLT 1", -113), ("scpi-supply-channel-list", "INST:SEL OUTP2", -113),
        ("scpi-supply-channel-list", "VOLT 1,(@4)", -114), ("scpi-supply-channel-list", "*CLS (@1)", -108),
        ("scpi-supply-channel-list", "STAT:QUES:COND? (@1,2)", -108),
        ("scpi-supply-select", "OUTP2 ON", -113), ("scpi-supply-select", "OUTP ON,(@2)", -108),
        ("scpi-supply-select", "INST:NSEL 4", -114), ("scpi-supply-select", "INST:NSEL 0", -114),
    ],
)  # fmt: skip
def test_a_family_does_not_understand_the_others(behaviour: str, message: str, number: int) -> None:
    world, peer = peer_of(behaviour, ["supply"] * 3)

    assert error_of(peer, message) == number
    assert not any(panel.conducts or panel.get("voltage_set_V") for panel in world.panels.values())


def test_a_selection_holds_for_every_connection_until_reset_or_reboot() -> None:
    # common practice: the selected output is a state of the instrument, not of a connection
    world, peer = peer_of("scpi-supply-select", ["supply", "supply"])
    ask(peer, "INST:SEL OUTP2")
    ask(peer, "VOLT 1.8")

    assert ask(peer, "INST:SEL?;NSEL?") == "OUTP2;2"
    assert [panel.get("voltage_set_V") for panel in world.panels.values()] == [0.0, 1.8]

    ask(peer, "*RST")
    assert ask(peer, "INST:NSEL?") == "1"

    ask(peer, "INST:NSEL 2")
    world.panels["panel-2"].reboot(1.0)
    assert ask(peer, "INST:NSEL?", 1.0) == "1"


def test_a_selection_that_fails_leaves_the_output_that_was_selected() -> None:
    # the danger of this family: what follows in the same line goes to the output selected before
    world, peer = peer_of("scpi-supply-select", ["supply", "supply"])
    ask(peer, "INST:NSEL 3;:VOLT 1.8")

    assert [panel.get("voltage_set_V") for panel in world.panels.values()] == [1.8, 0.0]
    assert ask(peer, "SYST:ERR?") == '-114,"Header suffix out of range"'


def test_a_list_of_several_channels_sets_and_answers_each() -> None:
    _, peer = peer_of("scpi-supply-channel-list", ["supply"] * 3)
    ask(peer, "VOLT 1.8,(@1,3)")

    assert ask(peer, "VOLT? (@1:3)") == "+1.800000E+00,+0.000000E+00,+1.800000E+00"


def test_events_of_one_output_are_its_own_and_of_the_instrument_as_a_whole() -> None:
    world, peer = peer_of("scpi-supply-channel-list", ["supply", "supply"])
    ask(peer, "STAT:QUES?;QUES? (@1);QUES? (@2)")
    world.panels["panel-2"].trip("ovp", 1.0)  # type: ignore[attr-defined]

    assert ask(peer, "STAT:QUES? (@1);QUES? (@2);QUES? (@2);QUES?", 2.0) == "0;512;0;512"


# -- loads --------------------------------------------------------------------------------------------------------


def test_a_load_with_a_minimum_voltage_says_so_and_keeps_its_input_at_reset() -> None:
    world, peer = peer_of("scpi-load-minimum", ["load"])
    ask(peer, "VOLT:ON 0.8;:CURR 0.2;:INP ON;*RST")

    assert ask(peer, "INP?") == "1"
    assert world.panels["panel-1"].conducts
    ask(peer, "VOLT:ON 0.8")
    assert float(ask(peer, "VOLT:ON?")) == 0.8


# -- a meter with a scanner ---------------------------------------------------------------------------------------


def test_a_scanner_reads_the_input_it_is_asked_for() -> None:
    world, peer = peer_of("scpi-meter-scan", ["meter", "meter", "thermometer", "meter"])
    for number, panel in enumerate(world.panels.values(), 1):
        panel.lies["voltage_V"] = Lie(value=float(number))
    volts = b"".join(piece for _, piece in peer.feed(b"MEAS:VOLT:DC? (@103,101)\n", 0.0))

    assert [float(part) for part in volts.split(b",")] == [3.0, 1.0]
    for message, low, high in (
        ("MEAS:RES? (@102)", 109.6, 109.9),  # IEC 60751: Pt100 at 25 °C is 109.7347 ohm
        ("MEAS:FRES? (@102)", 109.6, 109.9),
        ("MEAS:TEMP? TC,K,(@103)", 24.0, 26.0),
        ("MEAS:TEMP? FRTD,85,(@104)", 24.0, 26.0),
    ):
        ((_, reply),) = peer.feed(message.encode() + b"\n", 10.0)
        assert low < float(reply) < high, message


@pytest.mark.parametrize(
    ("message", "number"),
    [("MEAS:VOLT? (@100)", -114), ("MEAS:VOLT? (@105)", -114), ("MEAS:TEMP? XX,K,(@101)", -224), ("MEAS:VOLT? (@101;102)", -170)],
)
def test_an_input_there_is_not_and_a_sensor_there_is_not_are_refused(message: str, number: int) -> None:
    _, peer = peer_of("scpi-meter-scan", ["meter"] * 4)

    assert error_of(peer, message) == number


def test_scanning_takes_its_time_for_each_input_and_the_next_question_waits() -> None:
    _, peer = peer_of("scpi-meter-scan", ["meter"] * 4)
    delays = [delay_s for delay_s, _ in peer.feed(b"MEAS:VOLT? (@101:104)\n*OPC?\n", 5.0)]

    assert delays == pytest.approx([0.48, 0.48])
    assert [delay_s for delay_s, _ in peer.feed(b"*OPC?\n", 5.2)] == pytest.approx([0.28])
    assert [delay_s for delay_s, _ in peer.feed(b"*OPC?\n", 6.0)] == [0.0]


# -- relays -------------------------------------------------------------------------------------------------------


def test_relays_close_and_open_by_list_and_say_both() -> None:
    world, peer = peer_of("scpi-relays", ["relay"] * 4)
    ask(peer, "ROUT:CLOS (@3)")
    ask(peer, "CLOS (@1,4);OPEN (@4)")

    assert ask(peer, "ROUT:CLOS? (@1:4)") == "1,0,1,0"
    assert ask(peer, "ROUT:OPEN? (@1:4);MIRR? (@3)") == "0,1,0,1;1"
    assert [panel.conducts for panel in world.panels.values()] == [True, False, True, False]

    ask(peer, "*RST")
    assert ask(peer, "ROUT:CLOS? (@1:4)") == "0,0,0,0"
    assert error_of(peer, "ROUT:CLOS (@5)") == -114
    assert error_of(peer, "ROUT:CLOS 1,(@2)") == -108


def test_a_welded_relay_says_open_and_its_mirror_says_closed() -> None:
    world = World()
    panel = BareRelay("relay", world.add_node("relay", None))
    peer = world.add_peer("peer", "scpi-relays", [panel])
    panel.welded = True

    assert ask(peer, "ROUT:CLOS (@1);OPEN (@1);CLOS? (@1);MIRR? (@1)") == "0;1"

"""A new user at a terminal: from the printed list of an invented supply to a dialect proven on the wire, every key typed on a pty."""

from __future__ import annotations

import time
from pathlib import Path

from chargerd.errors import Exit
from chargerd.sim.world import World
from tests.cli.typist import CTRL_C, Typist
from tests.daemon.sim_thread import served

# From the list at the head of chargerd/sim/behaviours/line-supply.yaml, with the slips that a first reader makes.
FIRST_SITTING = [
    ("What is it", "supply on the windowsill"),
    ("How it is spoken to", "lines"),
    ("How it is spoken to", "line"),
    ("  identity: .*asked by", "ID"),
    ("    reply", "ID Boathouse Line-15 SN31"),  # no place for the value
    ("    reply", "ID {text}"),
    ("    an answer", "Boathouse"),
    ("    an answer", "ID Boathouse Line-15 SN31"),
    ("  error: ", "E"),
    ("    reply", "E {integer}"),
    ("    an answer", "E 0"),
    ("  events: ", "-"),
    ("  voltage: ", "M"),
    ("    reply", "M {number} {skip}"),
    ("    an answer", "M 1.7983 149.6"),
    ("  current: ", CTRL_C),
]
SECOND_SITTING = [
    ("  current: ", "M"),
    ("    reply", "M {skip} {number}"),
    ("    scale", "-"),
    ("    an answer", "back"),  # milliamperes, he sees, and goes back
    ("    missing", "back"),
    ("    scale", "0.001"),
    ("    an answer", "M 1.7983 149.6"),
    ("  questionable: ", "R"),
    ("    reply", "R {word}"),
    ("    values", "C=1 V=2 O=4 A=8 -=0"),
    ("    an answer", "R C"),
    ("  output: ", "S?"),
    ("    reply", "S {boolean}"),
    ("    an answer", "S 1"),
    ("  voltage_set: .*asked by", "U?"),
    ("    reply", "U {number}"),
    ("    scale", "-"),
    ("    an answer", "U 1.800"),
    ("  current_set: .*asked by", "I?"),
    ("    reply", "I {number}"),
    ("    scale", "0.001"),
    ("    an answer", "I 150"),
    ("  ovp: .*asked by", "OV?"),
    ("    reply", "OV {number}"),
    ("    scale", "-"),
    ("    an answer", "OV 2.10"),
    ("  ocp: ", "-"),
    ("  voltage_set: .*sent as", "U {value}"),
    ("    decimals", "3"),
    ("    scale", "-"),
    ("    reply", "OK"),
    ("    for example which value", "1.8"),
    ("    is that what its manual prints", "U 1.800"),
    ("  current_set: .*sent as", "I {value}"),
    ("    decimals", "0"),
    ("    scale", "0.001"),
    ("    reply", "OK"),
    ("    is that what its manual prints", "I 150"),
    ("  ovp: .*sent as", "OV {value}"),
    ("    decimals", "2"),
    ("    scale", "-"),
    ("    reply", "OK"),
    ("  on: ", "S 1"),
    ("    reply", "OK"),
    ("  off: ", "S 0"),
    ("    reply", "OK"),
    ("  clear_protection: ", "OV!"),
    ("    reply", "OK"),
    ("  constant current", "questionable bit 0"),
    ("  constant voltage", "questionable bit 1"),
    ("  over voltage", "questionable bit 2"),
    ("  over current", "questionable bit 3"),
    ("When the mains returns", "off"),
]


def test_a_printed_list_is_typed_in_two_sittings_and_proven_on_the_wire(tmp_path: Path) -> None:
    began_s = time.monotonic()
    first, second = Typist(FIRST_SITTING), Typist(SECOND_SITTING)

    assert first.run(tmp_path, "dialect", "new", "sill") == Exit.STOPPED
    assert "answers are kept in dialects/sill.draft.csv; go on with: chargerd dialect new sill" in first.shown
    assert "it must hold {text} or {word}" in first.shown
    assert second.run(tmp_path, "dialect", "new", "sill") == Exit.OK
    assert second.prompts[0].startswith("  current: ")
    assert (first.left, second.left) == ([], [])

    pairs = Typist([])
    assert pairs.run(tmp_path, "dialect", "test", "sill") == Exit.OK, pairs.shown
    assert pairs.shown.count(" passed ") == 15

    world = World(seed=7, keeps_log=True)
    peer = world.add_peer("supply", "line-supply", [world.add_panel("supply", "supply", world.add_node("terminals", None))])
    with served(peer, on_pty=True) as supply:
        address = f"serial://{supply.path}?baud=9600"
        find = Typist([])
        assert find.run(tmp_path, "find", supply.path, "--yes") == Exit.OK
        assert f"address: {address}&eol=cr" in find.shown
        wire = Typist([("right instrument", "y")])
        assert wire.run(tmp_path, "dialect", "test", "sill", "--address", f"{address}&eol=cr") == Exit.OK, wire.shown
        said = supply.said
    assert any(message.startswith("U 1.000") for message in said)
    for check in ("identity", "off", "open terminals", "set-points", "protection levels", "on and off", "deliberate trip"):
        assert f"  {check:<20} passed" in wire.shown
    assert [message for message in said if message.startswith("S ")][-1] == "S 0"
    assert time.monotonic() - began_s < 15 * 60.0


def test_an_instrument_by_its_address_is_sent_nothing_but_who_are_you_without_a_yes(tmp_path: Path) -> None:
    world = World(seed=7, keeps_log=True)
    peer = world.add_peer("supply", "line-supply", [world.add_panel("supply", "supply", world.add_node("terminals", None))])
    with served(peer, on_pty=True) as supply:
        asked = Typist([("right instrument", "")])
        code = asked.run(tmp_path, "dialect", "test", "line-supply", "--address", f"serial://{supply.path}?eol=cr")
        assert (code, supply.said) == (Exit.REFUSED, ["ID"])

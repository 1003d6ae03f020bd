"""A new user at a terminal: from the printed list of an invented supply to a dialect proven on the wire, every key typed on a pty."""

from __future__ import annotations

import time
from pathlib import Path

from chargerd.errors import Exit
from chargerd.instruments.dialect_file import load_dialect
from chargerd.sim.world import World
from tests.cli.typist import CTRL_C, Typist
from tests.daemon.sim_thread import served

# From the list at the head of chargerd/sim/behaviours/line-supply.yaml, with the slips that a first reader makes.
FIRST_SITTING = [
    ("What is it", "supply on the windowsill"),
    ("How it is spoken to", ""),
    ("How it is spoken to", "lines"),
    ("How it is spoken to", "line"),
    ("All its numbers are in V and A", "no"),
    ("that it has obeyed", "OK"),
    ("  identity: .*asked by", "ID"),
    ("    what it answers", "ID {number}"),  # no name is a number
    ("    what it answers", "ID {text}"),
    ("    an answer", "Boathouse"),
    ("    an answer", ""),  # what did not fit is not passed over by Enter
    ("    an answer", "ID Boathouse Line-15 SN31"),
    ("  error: ", "E"),
    ("    what it answers", "-"),  # it was asked: something it must answer
    ("    what it answers", "E 0"),
    ("  events: ", "-"),
    ("  voltage: .*asked by", "M {value}"),  # a question carries nothing
    ("  voltage: .*asked by", "M"),
    ("    what it answers", "M 1.7983 149.6"),
    ("    which of its numbers", "1"),
    ("    scale", "-"),
    ("  current: ", "M"),
    ("    what it answers", CTRL_C),
]
SECOND_SITTING = [
    ("    what it answers", "M 1.7983 149.6"),
    ("    which of its numbers", "2"),
    ("    scale", "-"),
    ("  output: ", "back"),  # milliamperes, he sees, and goes back
    ("    scale", "0.001"),
    ("  output: ", "S?"),
    ("    what it answers", "S 1"),
    ("  voltage_set: .*asked by", "U?"),
    ("    what it answers", "U 1.800"),
    ("    scale", "-"),
    ("  current_set: .*asked by", "I?"),
    ("    what it answers", "I 150"),
    ("    scale", ""),  # as of the current
    ("  ovp: .*asked by", "OV?"),
    ("    what it answers", "OV 2.10"),
    ("    scale", "-"),
    ("  ocp: ", "-"),
    ("  voltage_set: .*sent as", "U"),  # without its number
    ("  voltage_set: .*sent as", "U 1.800"),
    ("    scale", "-"),
    ("  current_set: .*sent as", "I {value}"),
    ("    decimals", "0"),
    ("    scale", "0.001"),
    ("    for example which value", "0.1509"),
    ("    is that what its manual prints", "I 150"),
    ("  ovp: .*sent as", "OV 2.10"),
    ("    scale", "-"),
    ("  on: ", "S 1"),
    ("  off: ", "S 0"),
    ("  clear_protection: ", "OV!"),
    ("  Is there a question that says whether it holds", "R"),
    ("    what it answers", "R C or R V"),
    ("    when it holds the current", "C"),
    ("    when it holds the voltage", "R V"),  # the whole answer will do
    ("  Is there a question that says whether a protection", "R"),
    ("    when none has acted", "-"),
    ("    when over-voltage", "V"),  # that is constant voltage
    ("    when over-voltage", "O"),
    ("    when over-current", "A"),
    ("    anything else", ""),
    ("When the mains returns", "off"),
]


def test_a_printed_list_is_typed_in_two_sittings_and_proven_on_the_wire(tmp_path: Path) -> None:
    began_s = time.monotonic()
    first, second = Typist(FIRST_SITTING), Typist(SECOND_SITTING)

    assert first.run(tmp_path, "dialect", "new", "sill") == Exit.STOPPED
    assert "answers are kept in dialects/sill.draft.csv; go on with: chargerd dialect new sill" in first.shown
    assert "it must hold {text} or {word}" in first.shown
    assert "→ Boathouse Line-15 SN31; only that will be compared" in first.shown
    assert "1 for 1.7983, 2 for 149.6" in first.shown
    assert second.run(tmp_path, "dialect", "new", "sill") == Exit.OK
    assert "  current: measured current, A; asked by: M\r\n    what it answers" in second.shown, "whose answer, is said again"
    assert "V stands for something else already" in second.shown
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


# The sheet of an invented supply that answers V=01.850, says CC or CV, and which trip has acted: what is typed, in order.
SHEET = [
    ("What is it", "supply of a printed sheet"), ("How it is spoken to", "line"), ("that it has obeyed", "OK"),
    ("  identity: ", "WHO"), ("    what it answers", "PU-2 SN0417 V1.3"), ("  error: ", "ERR?"), ("    what it answers", "0 or 1..9"),
    ("  voltage: ", "V?"), ("    what it answers", "V=01.850"), ("  current: ", "I?"), ("    what it answers", "I=0.1504"),
    ("  output: ", "ST?"), ("    what it answers", "ST=1 or ST=0"), ("  voltage_set: .*asked", "SV?"), ("    what it answers", "SV=01.850"),
    ("  current_set: .*asked", "SI?"), ("    what it answers", "SI=0.1500"), ("  ovp: .*asked", "OV?"), ("    what it answers", "OV=02.00"),
    ("  ocp: .*asked", "OC?"), ("    what it answers", "OC=0.50"), ("  voltage_set: .*sent", "SV 1.850"),
    ("  current_set: .*sent", "SI 0.1500"), ("  ovp: .*sent", "OV 2.00"), ("  ocp: .*sent", "OC 0.50"), ("  on: ", "ON"),
    ("  off: ", "OFF"), ("  clear_protection: ", "RT"), ("holds the current or the voltage", "MD?"),
    ("    what it answers", "MD=CC or MD=CV"), ("when it holds the current", "CC"), ("when it holds the voltage", "CV"),
    ("a protection has acted", "TR?"), ("    what it answers", "TR=0, TR=V or TR=I"), ("when none has acted", "0"),
    ("when over-voltage", "V"), ("when over-current", "I"), ("When the mains returns", "off"),
]  # fmt: skip
PROMPTS_MAX = 50
"""For a sheet of 17 commands. A first reader spends a quarter of a minute on each: so fifteen minutes hold the rest, too."""


def test_a_whole_sheet_takes_fewer_than_fifty_answers_and_the_file_gives_them_back(tmp_path: Path) -> None:
    first, again = Typist(SHEET), Typist([("  ovp: .*sent", "OV 2.0")])
    assert (first.run(tmp_path, "dialect", "new", "sheet"), first.left) == (Exit.OK, [])
    assert len(first.prompts) < PROMPTS_MAX
    path = tmp_path / "dialects" / "sheet.yaml"
    before = path.read_text(encoding="utf-8")
    dialect = load_dialect("sheet", path.parent)
    trips = dialect.questions["operation"]
    assert [trips.parse(reply) for reply in (b"TR=0", b"TR=V", b"TR=I")] == [0, 1, 2]
    assert [dialect.has_status("over_current", {"questionable": 1, "operation": state}) for state in (0, 1, 2)] == [False, False, True]
    assert [dialect.has_status("constant_current", {"questionable": state, "operation": 0}) for state in (1, 2)] == [True, False]
    assert [dialect.commands[name].decimals for name in ("voltage_set", "current_set", "ovp")] == [3, 4, 2]

    assert again.run(tmp_path, "dialect", "new", "sheet") == Exit.OK, again.shown
    assert len(again.prompts) == len(first.prompts)
    now = path.read_text(encoding="utf-8")
    assert [line for line in now.splitlines() if line not in before.splitlines()] == [
        '  ovp: {send: "OV {value}", decimals: "1", reply: "OK"}', '  ovp: {value: "2.0", sent: "OV 2.0", reply: "OK"}',
    ]  # fmt: skip
    assert (path.parent / "sheet.yaml.before").read_text(encoding="utf-8") == before
    pairs, listed = Typist([]), Typist([])
    assert (pairs.run(tmp_path, "dialect", "test", "sheet"), pairs.shown.count(" passed ")) == (Exit.OK, 18)
    assert listed.run(tmp_path, "dialect", "list", "sheet") == Exit.OK
    assert listed.shown.replace("\r\n", "\n") == now


def test_what_no_question_says_is_told_in_a_sentence(tmp_path: Path) -> None:
    lost = ("holds the current or the voltage", "a protection has acted")
    answers = [(pattern, "-" if pattern in lost else typed) for pattern, typed in SHEET if not pattern.startswith("when ")]
    del answers[-4:-1:2]  # what MD? and TR? answer is not asked for
    typist = Typist(answers)
    assert typist.run(tmp_path, "dialect", "new", "sheet") == Exit.OK, typist.shown
    assert "Then it is not known which of the two it holds" in typist.shown
    assert "Then a protection that acts shows only as an output that went off" in typist.shown
    assert load_dialect("sheet", tmp_path / "dialects").lacks == {"events", "questionable"}


def test_an_instrument_by_its_address_is_sent_nothing_but_who_are_you_without_a_yes(tmp_path: Path) -> None:
    world = World(seed=7, keeps_log=True)
    peer = world.add_peer("supply", "line-supply", [world.add_panel("supply", "supply", world.add_node("terminals", None))])
    with served(peer, on_pty=True) as supply:
        asked = Typist([("right instrument", "")])
        code = asked.run(tmp_path, "dialect", "test", "line-supply", "--address", f"serial://{supply.path}?eol=cr")
        assert (code, supply.said) == (Exit.REFUSED, ["ID"])

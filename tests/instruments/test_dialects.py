"""Dialect files: every header obeys SCPI's short-form rule, and what is wrong in a file is told with its place."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from chargerd.errors import BenchError
from chargerd.instruments.dialect import FOLDER, NEEDED_COMMANDS, NEEDED_QUESTIONS, QUESTIONS, dialect_names
from chargerd.instruments.dialect_file import load_dialect
from chargerd.instruments.framing.scpi import is_standard_mnemonic
from chargerd.instruments.framing.scpi_rows import NEVER_SEND

# Mnemonics of SCPI-1999 volume 2 and of IEEE 488.2 that the shipped dialects may use. FUNCtion for a load's mode is common
# practice; SCPI-1999 knows it for sensors and sources.
STANDARD = {
    "MEASure", "VOLTage", "CURRent", "TEMPerature", "DC", "STATus", "QUEStionable", "OPERation", "CONDition", "OUTPut", "INPut",
    "PROTection", "STATe", "CLEar", "SYSTem", "ERRor", "FUNCtion", "ON", "OFF", "IDN", "ESR", "SOURce", "INSTrument", "NSELect", "ISUMmary",
    "RESistance", "FRESistance", "ROUTe", "CLOSe", "OPEN",
}  # fmt: skip
INVENTED = {"scpi-relays-mirror": {"MIRRor"}}
"""Words that no standard has, and whose file says so."""


def headers(name: str) -> list[str]:
    dialect = load_dialect(name)
    return [question.notation for question in dialect.questions.values()] + [
        command.notation for command in dialect.commands.values()
    ]


SCPI = [name for name in dialect_names() if load_dialect(name).framing == "scpi"]


@pytest.mark.parametrize("name", SCPI)
def test_every_header_obeys_the_short_form_rule_and_is_standard(name: str) -> None:
    text = (FOLDER / f"{name}.yaml").read_text()
    written = [re.sub(r"\{[a-z]+\}", "", match[1]) for match in re.finditer(r'(?:ask|send|select): "([^"]+)"', text)]
    mnemonics = {word for header in written for word in re.findall("[A-Za-z]+", header)}

    assert mnemonics - INVENTED.get(name, set()) <= STANDARD
    assert all(is_standard_mnemonic(word) for word in mnemonics)


@pytest.mark.parametrize("name", dialect_names())
def test_no_dialect_sends_a_short_a_reset_or_a_group_command(name: str) -> None:
    assert [header for header in headers(name) if NEVER_SEND.search(header)] == []


@pytest.mark.parametrize("name", dialect_names())
def test_every_dialect_has_what_its_role_needs_and_says_that_no_hardware_was_tried(name: str) -> None:
    dialect = load_dialect(name)

    assert set(dialect.questions) >= NEEDED_QUESTIONS[dialect.role] - dialect.lacks
    assert set(dialect.commands) >= NEEDED_COMMANDS[dialect.role] - dialect.lacks
    assert dialect.verified_on_hardware == "none yet"


def test_the_shipped_dialects_are_these() -> None:
    assert set(dialect_names()) == {
        "scpi-supply", "scpi-supply-operation", "scpi-supply-swapped", "scpi-supply-compound", "scpi-load", "scpi-load-compound",
        "scpi-meter", "scpi-thermometer", "scpi-supply-suffix", "scpi-supply-channel-list", "scpi-supply-select",
        "scpi-meter-scan", "scpi-meter-resistance", "scpi-relays", "scpi-relays-mirror", "line-supply", "one-wire-thermometer", "hwmon-thermometer", "line-sensor",
        "line-sensor-printing", "line-relays", "relay-pins", "relay-pins-mirror", "relay-bytes", "modbus-supply", "modbus-relay",
    }  # fmt: skip
    assert {name for name in dialect_names() if load_dialect(name).compound} == {"scpi-supply-compound", "scpi-load-compound"}


def test_the_three_status_conventions_read_the_same_condition_from_other_bits() -> None:
    def conditions(name: str, questionable: int, operation: int) -> set[str]:
        dialect = load_dialect(name)
        return {row for row in dialect.status if dialect.has_status(row, {"questionable": questionable, "operation": operation})}

    assert conditions("scpi-supply", 1 | 512, 0) == {"constant_current", "over_voltage"}
    assert conditions("scpi-supply-swapped", 1 | 512, 0) == {"constant_voltage", "over_voltage"}
    assert conditions("scpi-supply-operation", 1, 256) == {"constant_voltage", "over_voltage"}
    assert conditions("scpi-supply-operation", 1024, 1024) == {"constant_current", "unregulated"}


@pytest.mark.parametrize(("value", "text"), [
    (1.85, "VOLT 1.850"), (1.8509, "VOLT 1.850"), (1.8499999999999, "VOLT 1.850"), (0.0, "VOLT 0.000"), (1e-7, "VOLT 0.000"),
    (12.0, "VOLT 12.000"), (0.1 + 0.2, "VOLT 0.300"),
])
def test_a_set_point_is_cut_never_rounded_up(value: float, text: str) -> None:
    command = load_dialect("scpi-supply").commands["voltage_set"]

    assert command.text(value) == text
    assert float(command.sent(value)) <= value + 1e-9


GOOD = (FOLDER / "scpi-meter.yaml").read_text()
BAD = [
    ('ask: "MEASure:VOLTage:DC?"', 'ask: "MEASURe:VOLTage:DC?"', r":15:12: questions.voltage: 'MEASURe'"),
    ('ask: "MEASure:VOLTage:DC?"', 'ask: "MEASure:VOLTage:DC"', "asks nothing"),
    ('ask: "MEASure:VOLTage:DC?"', 'ask: "INPut:SHORt?"', "never sent"),
    ("reply: number", "reply: word", "write reply: number"),
    ("role: meter", "role: boiler", "write one of source"),
    ("role: meter", "role: thermometer", "a thermometer needs 'temperature'"),
    ("role: meter", "role: source", "a source needs 'off'"),
    ("dialect: mine", "dialect: other", "write dialect: mine"),
    ("about: digital", "abuot: digital", "abuot: no such key"),
    ("about: digital multimeter, direct voltage\n", "", "about: missing"),
    ("settle: 0 ms", "settle: 50", "settle"),
    ("settle: 0 ms", "settle: [1]", "settle: must be a text"),
    ("  voltage:", "  volts:", "no such question"),
    ("settle: 0 ms", "compound: perhaps", "write yes or no"),
    ("settle: 0 ms", "mode: CURR", "mode: must be a list"),
    ("settle: 0 ms", "status:\n  over_voltage: {register: questionable, bit: 3}", "is not asked"),
    ("settle: 0 ms", "status:\n  on_fire: {register: questionable, bit: 33}", "no such condition"),
    ("settle: 0 ms", 'commands:\n  on: {send: "OUTPut ON"}\n  reset: {send: "*RST"}', "never sent"),
    ("settle: 0 ms", 'commands:\n  on: {send: "OUTPut  ON"}', "is no command"),
    ("settle: 0 ms", 'commands:\n  on: {send: "OUTPut {value}", decimals: 2}', "a set-point, and nothing else"),
    ("settle: 0 ms", 'commands:\n  current_set: {send: "CURRent {value}", decimals: 9}', "decimals 0 to 6"),
    ("settle: 0 ms", 'commands:\n  mode: {send: "FUNCtion CURrent"}', "short-form rule"),
    ("settle: 0 ms", 'commands:\n  mode: {send: "FUNCtion SHORt"}', "never sent"),
    ("settle: 0 ms", "commands:\n  on: OUTP ON", "must hold send"),
    ("settle: 0 ms", "commands: on", "must hold names"),
    ("settle: 0 ms", "based_on: mine", "is based on this file"),
    ("settle: 0 ms", 'questions:\n  power_on: {ask: "OUTPut:PON?", reply: word}', "written twice"),
    ("questions:\n", 'questions:\n  power_on: {ask: "OUTPut:STATe?", reply: word, unit: V}\n', "power_on_safe"),
    ("questions:", "quests:", "questions: missing"),
]


@pytest.mark.parametrize(("old", "new", "told"), BAD, ids=[told for _, _, told in BAD])
def test_a_broken_dialect_is_refused_with_place_and_remedy(old: str, new: str, told: str, tmp_path: Path) -> None:
    text = GOOD.replace("dialect: scpi-meter", "dialect: mine")
    assert old in text
    (tmp_path / "mine.yaml").write_text(text.replace(old, new, 1))

    with pytest.raises(BenchError, match=told) as caught:
        load_dialect("mine", tmp_path)
    assert all(re.match(r".*mine\.yaml:\d+:\d+: ", fault) for fault in caught.value.faults)


def test_a_load_must_say_what_constant_current_is_called(tmp_path: Path) -> None:
    text = (FOLDER / "scpi-load.yaml").read_text().replace("dialect: scpi-load", "dialect: mine")
    (tmp_path / "mine.yaml").write_text(text.replace("mode: [CURR, CURRENT]", ""))

    with pytest.raises(BenchError, match="mode: a load needs it"):
        load_dialect("mine", tmp_path)


@pytest.mark.parametrize("name", ["no-such", "../scpi-supply", "", "a b"])
def test_an_unknown_dialect_is_refused_and_those_there_are_named(name: str) -> None:
    with pytest.raises(BenchError, match=r"there are .*scpi-supply"):
        load_dialect(name)


def test_a_dialect_beside_the_bench_file_comes_first_and_may_build_on_a_shipped_one(tmp_path: Path) -> None:
    (tmp_path / "mine.yaml").write_text(
        'dialect: mine\nbased_on: scpi-supply\nquestions:\n  voltage: {ask: "MEASure:VOLTage:DC?", reply: number}\nsettle: 200 ms\n'
    )

    dialect = load_dialect("mine", tmp_path)

    assert dialect.questions["voltage"].text == "MEAS:VOLT:DC?"
    assert dialect.commands["off"].text() == "OUTP OFF"
    assert dialect.settle_s == 0.2


def test_every_question_of_the_table_is_used_by_a_shipped_dialect_or_optional() -> None:
    used = {name for dialect in dialect_names() for name in load_dialect(dialect).questions}

    # Contacts, sensors and watchdogs are for dialects of other framings and for a person's own.
    assert set(QUESTIONS) - used <= {"power_on", "watchdog", "mirror"}


@pytest.mark.parametrize(("name", "asked", "sent"), [
    ("scpi-supply-suffix", "SOUR3:VOLT?", "SOUR3:VOLT 1.850"),
    ("scpi-supply-channel-list", "VOLT? (@3)", "VOLT 1.850,(@3)"),
    ("scpi-supply-select", "INST:NSEL 3;:VOLT?", "INST:NSEL 3;:VOLT 1.850"),
])
def test_an_output_is_selected_in_the_message_itself(name: str, asked: str, sent: str) -> None:
    dialect = load_dialect(name, output="3")

    assert dialect.needs == {"output"}
    assert dialect.questions["voltage_set"].message == asked.encode()
    assert dialect.commands["voltage_set"].message(1.85) == sent.encode()
    # Common commands are the whole instrument's (IEEE 488.2 §10): nothing is selected for them.
    assert dialect.questions["identity"].message == b"*IDN?"


@pytest.mark.parametrize("name", ["scpi-supply-suffix", "scpi-supply-channel-list", "scpi-supply-select"])
def test_every_message_to_a_supply_of_many_outputs_names_the_output(name: str) -> None:
    dialect = load_dialect(name, output="7")
    shared = {"identity", "error", "events"}

    messages = [question.text for key, question in dialect.questions.items() if key not in shared]
    messages += [command.text() for command in dialect.commands.values()]
    assert [message for message in messages if "7" not in message] == []


LACKING = """dialect: mine
about: a supply with hardly anything
role: source
verified_on_hardware: none yet
lacks: [%s]
questions:
  identity: {ask: "*IDN?", reply: identity}
  voltage: {ask: "MEASure:VOLTage?", reply: number}
  current: {ask: "MEASure:CURRent?", reply: number}
  output: {ask: "OUTPut?", reply: boolean}
  voltage_set: {ask: "VOLTage?", reply: number}
  current_set: {ask: "CURRent?", reply: number}
commands:
  on: {send: "OUTPut ON"}
  off: {send: "OUTPut OFF"}
  voltage_set: {send: "VOLTage {value}", decimals: 3}
  current_set: {send: "CURRent {value}", decimals: 3}
"""


def test_what_an_instrument_lacks_must_be_said_and_what_it_cannot_lack_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "mine.yaml"
    file.write_text(LACKING % "error, events, questionable, ovp, ocp")
    assert load_dialect("mine", tmp_path).lacks == {"error", "events", "questionable", "ovp", "ocp"}

    file.write_text(LACKING % "error, events, questionable, ovp")
    with pytest.raises(BenchError, match=r"a source needs 'ocp'; add it, or write lacks: \[ocp\] when it has no over-current"):
        load_dialect("mine", tmp_path)
    file.write_text((LACKING % "error, events, questionable, ovp, ocp, output").replace('  output: {ask: "OUTPut?", reply: boolean}\n', ""))
    with pytest.raises(BenchError, match="a source cannot do without 'output'"):
        load_dialect("mine", tmp_path)

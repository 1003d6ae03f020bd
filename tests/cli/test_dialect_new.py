"""The interview of `chargerd dialect new`: no answer is lost, a wrong one is refused where it is typed, pairs are made for commands."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import pytest

from chargerd.cli.dialect_new import interview
from chargerd.cli.dialect_pairs import plain
from chargerd.cli.dialect_parts import is_asked, part_fault
from chargerd.cli.main import main
from chargerd.errors import Exit, UsageError
from chargerd.instruments.dialect_file import load_dialect

DRAFT = Path("dialects/marram.draft.csv")
# The rows of an invented relay board in lines of text, by the beginning of the prompt.
RELAY = {
    "What is it": "an invented relay board", "Its role": "switch", "How it is spoken": "line",
    "  What it answers to a command": "OK", "  identity: ": "WHO", "  closed: ": "REL?", "  close: ": "REL{output} 1",
    "  open: ": "REL{output} 0",
}  # fmt: skip
REPLIES = {"WHO": ("I AM {text}", "I AM MARRAM 2"), "REL?": ("REL={integer}", "REL=1")}


@pytest.fixture(autouse=True)
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


class Person:
    """Answers each prompt from a table, the rest by what is offered; `slips` are typed first where their prompt begins so."""

    def __init__(self, rows: dict[str, str], slips: dict[str, list[str]] | None = None, *, leaves_at: str = "never") -> None:
        self.rows = rows
        self.slips = slips or {}
        self.leaves_at = leaves_at
        self.prompts: list[str] = []
        self.asked = ""

    def __call__(self, prompt: str) -> str:
        self.prompts.append(prompt)
        if prompt.startswith(self.leaves_at):
            raise KeyboardInterrupt
        for start, slips in self.slips.items():
            if prompt.startswith(start) and slips:
                return slips.pop(0)
        for start, answer in self.rows.items():
            if prompt.startswith(start):
                self.asked = answer
                return answer
        if prompt.startswith("    what it answers"):
            return REPLIES[self.asked][0]
        if prompt.startswith("    an answer"):
            return REPLIES[self.asked][1]
        return "-" if prompt.startswith(("  error: ", "  events: ")) else ""


def kept() -> list[list[str]]:
    with DRAFT.open(encoding="utf-8", newline="") as file:
        return list(csv.reader(file))[1:]


def test_without_any_bench_a_dialect_is_written_whose_every_row_has_a_pair(capsys: pytest.CaptureFixture[str]) -> None:
    assert interview("marram", None, Person(RELAY)) == Exit.OK
    assert not DRAFT.exists()

    assert main(["dialect", "test", "marram"]) == Exit.OK
    said = capsys.readouterr().out
    assert "  close                passed    REL1 1 → OK" in said
    assert said.rstrip().endswith("Every wire pair holds; the instrument itself has not been tried.")
    assert main(["dialect", "list"]) == Exit.OK
    assert "your own: an invented relay board" in capsys.readouterr().out


def test_a_row_without_a_pair_is_said_to_be_unproven_and_ends_with_a_code_of_its_own(capsys: pytest.CaptureFixture[str]) -> None:
    interview("marram", None, Person(RELAY, {"    is that what its manual prints": ["-"]}))
    capsys.readouterr()

    assert main(["dialect", "test", "marram"]) == Exit.NOT_PROVEN
    assert capsys.readouterr().out.rstrip().endswith("Nothing failed, and 1 of 4 not proven: close.")


def test_no_number_of_bad_answers_loses_the_good_ones(capsys: pytest.CaptureFixture[str]) -> None:
    person = Person(RELAY, {"Its role": ["spoon"] * 9, "    what it answers": ["{VALUE}"] * 9})

    assert interview("marram", None, person) == Exit.OK
    said = capsys.readouterr().out
    assert said.count("type one of source, load, meter, thermometer, switch") == 9
    assert said.count("reply '{VALUE}'") == 9
    assert sum(prompt.startswith("What is it") for prompt in person.prompts) == 1


def test_something_that_is_no_keyboard_is_not_listened_to_for_ever() -> None:
    with pytest.raises(UsageError, match="2 answers are kept"):
        interview("marram", None, Person(RELAY, {"How it is spoken": ["x"] * 1000}))


def test_who_leaves_goes_on_where_he_was_and_is_asked_nothing_twice(capsys: pytest.CaptureFixture[str]) -> None:
    assert interview("marram", None, Person(RELAY, leaves_at="  close: ")) == Exit.STOPPED
    answers = kept()
    assert f"{len(answers)} answers are kept in {DRAFT}; go on with: chargerd dialect new marram" in capsys.readouterr().out

    person = Person(RELAY)
    assert interview("marram", None, person) == Exit.OK
    assert person.prompts[0].startswith("  close: ")
    assert f"Going on with {len(answers)} answers" in capsys.readouterr().out
    assert load_dialect("marram", Path("dialects")).questions["closed"].text == "REL?"


def test_an_answer_is_taken_back_and_offered_again(capsys: pytest.CaptureFixture[str]) -> None:
    person = Person(RELAY | {"  closed: ": "RELAY?"}, {"    an answer": ["I AM MARRAM 2", "answers", "back", "REL=1"]})
    person.slips["    what it answers"] = ["I AM {text}", "WRONG={integer}", "back", "REL={integer}"]
    taken: list[str] = []

    def read(prompt: str) -> str:
        if "[RELAY?]" in prompt:
            taken.append(prompt)
            return "REL?"  # in its place
        return person(prompt)

    assert interview("marram", None, read) == Exit.OK
    said = capsys.readouterr().out
    assert "      closed? reply: WRONG={integer}" in said, "`answers` shows what was typed so far"
    assert len(taken) == 1
    assert load_dialect("marram", Path("dialects")).questions["closed"].text == "REL?"


def test_a_draft_that_no_longer_fits_is_asked_from_there_on_and_offered() -> None:
    interview("marram", None, Person(RELAY, leaves_at="  close: "))
    DRAFT.write_text(DRAFT.read_text(encoding="utf-8").replace("REL={integer}", "REL={VALUE}"), encoding="utf-8")

    person = Person(RELAY)
    person.asked = "REL?"
    assert interview("marram", None, person) == Exit.OK
    assert person.prompts[0].startswith("    what it answers")
    assert person.prompts[0].endswith("[REL={VALUE}]: ")


def test_what_cannot_be_a_draft_is_said_and_not_overwritten() -> None:
    DRAFT.parent.mkdir()
    DRAFT.write_text("my notes\n")

    with pytest.raises(UsageError, match="delete it to begin anew"):
        interview("marram", None, Person(RELAY))
    assert DRAFT.read_text() == "my notes\n"


def test_a_command_that_the_manual_prints_otherwise_is_compared_by_a_person(capsys: pytest.CaptureFixture[str]) -> None:
    assert interview("marram", None, Person(RELAY, {"    is that what": ["REL=1", "yes"]})) == Exit.OK
    assert "not the same: REL1 1 would be sent" in capsys.readouterr().out


@pytest.mark.parametrize(("framing", "typed", "kept_as"), [
    ("modbus", "03 02 07 3A", "03 02 07 3A"),
    ("modbus", "0x03,0x02,0x07,0x3a", "03 02 07 3A"),
    # Unit 17 is asked for holding registers 107 to 109: CRC 76 87, the worked example of many Modbus pages, from memory.
    ("modbus", "11 03 00 6B 00 03 76 87", "03 00 6B 00 03"),
    ("modbus", "11 03 00 6B 00 03 76 88", "11 03 00 6B 00 03 76 88"),
    ("bytes", "a50103a9", "A5 01 03 A9"),
    ("line", "0x03", "0x03"),
])  # fmt: skip
def test_bytes_may_be_typed_as_manuals_print_them(framing: str, typed: str, kept_as: str) -> None:
    assert plain(framing, typed) == kept_as


@pytest.mark.parametrize(("framing", "name", "fields", "told"), [
    ("modbus", "output", {"ask": "0x00"}, "type holding 0 (or input, coil, discrete)"),
    ("modbus", "output", {"ask": "holding 0x10"}, "type holding 16"),
    ("modbus", "output", {"ask": "4x0017"}, "type holding 16"),
    ("modbus", "output", {"ask": "30001"}, "type input 0"),
    ("modbus", "output", {"ask": "16"}, "type holding 16, or input, coil or discrete"),
    ("modbus", "voltage_set", {"send": "40017 {value}"}, "type holding 16 {value}"),
    ("modbus", "output", {"ask": "holding 70000"}, "65535"),
    ("modbus", "voltage", {"ask": "holding 16", "type": "4711"}, "types are uint16, int16, uint32, int32, float32"),
    ("modbus", "identity", {"ask": "holding 0-1", "type": "4711"}, "types are uint16"),
    ("modbus", "voltage", {"ask": "holding 16", "scale": "1 mV"}, "such as 0.001"),
    ("modbus", "output", {"ask": "holding 16", "bit": "16"}, "count from 0 to 15"),
    ("bytes", "closed", {"ask": "0xA5 0x01"}, "type A5 01"),
    ("bytes", "closed", {"ask": "a50103a9"}, "type a5 01 03 a9"),
    ("bytes", "closed", {"ask": "A5 01", "reply": "5A 01"}, "write vv where it stands"),
    ("bytes", "closed", {"ask": "A5 01", "reply": "5A vv", "bit": "0"}, "bits 1 (the lowest) to 8"),
    ("bytes", "closed", {"ask": "A5 cc", "reply": "5A vv cc", "check": "crc"}, "one of sum, complement, xor"),
    ("line", "closed", {"ask": "R?", "reply": "{number}"}, "it must hold {boolean} or {word} or {integer}"),
    ("scpi", "voltage", {"ask": "MEASURe:VOLTage?"}, "breaks the short-form rule"),
])  # fmt: skip
def test_each_part_is_refused_where_it_is_typed_with_what_to_type(
    framing: str, name: str, fields: dict[str, str], told: str
) -> None:
    is_question = "ask" in fields
    if framing == "scpi":
        fields = fields | {"reply": "number"}
    *_, last = (key for key in fields if not (framing == "scpi" and key == "reply"))

    assert told in part_fault(framing, name, fields, last, is_question=is_question)


@pytest.mark.parametrize(("framing", "name", "fields"), [
    ("modbus", "identity", {"ask": "holding 0-9"}),
    ("modbus", "voltage", {"ask": "holding 16-17"}),
    ("modbus", "voltage_set", {"send": "holding 40001 {value}"}),
    ("modbus", "mode", {"ask": "holding 16"}),
    ("bytes", "mode", {"ask": "A5 cc", "reply": "5A vv vv cc"}),
    ("bytes", "closed", {"ask": "A5 02 #{output} cc"}),
    ("line", "questionable", {"ask": "R", "reply": "R {word}"}),
    ("line", "voltage", {"ask": ""}),
])  # fmt: skip
def test_a_part_is_not_refused_for_what_is_still_to_come(framing: str, name: str, fields: dict[str, str]) -> None:
    *_, last = fields
    assert part_fault(framing, name, fields, last, is_question="ask" in fields) == ""


@pytest.mark.parametrize(("framing", "key", "name", "fields", "asked"), [
    ("modbus", "type", "closed", {"ask": "coil 3"}, False),
    ("modbus", "type", "voltage", {"ask": "holding 3"}, True),
    ("modbus", "words", "voltage", {"ask": "holding 3", "type": "int16"}, False),
    ("bytes", "check", "closed", {"ask": "A5 01", "reply": "5A vv"}, False),
    ("bytes", "check", "closed", {"ask": "A5 cc", "reply": "5A vv"}, True),
    ("bytes", "order", "voltage", {"ask": "A5", "reply": "5A vv vv"}, True),
    ("line", "scale", "identity", {"ask": "ID"}, False),
])  # fmt: skip
def test_only_parts_that_can_mean_something_are_asked_for(
    framing: str, key: str, name: str, fields: dict[str, str], asked: bool
) -> None:
    assert is_asked(framing, key, name, fields, is_question=True) is asked


def test_bits_are_said_to_count_from_where_they_do(capsys: pytest.CaptureFixture[str]) -> None:
    """In registers and status from 0; in frames of bytes from 1, where `bit: {output}` counts outputs."""
    prompts: list[str] = []

    def through(role: str, framing: str, rows: dict[str, str]) -> Callable[[str], str]:
        def read(prompt: str) -> str:
            prompts.append(prompt)
            if prompt.startswith("    bit"):
                raise EOFError
            given = {"What": "it", "Its role": role, "How": framing, **rows}
            return next((answer for start, answer in given.items() if prompt.startswith(start)), "-" if "[" not in prompt else "")

        return read

    for number, (framing, rows) in enumerate([
        ("modbus", {"  identity": "holding 0", "  closed": "holding 1"}),
        ("bytes", {"  identity": "A5", "  closed": "A5", "    reply": "vv", "    bit": ""}),
    ]):  # fmt: skip
        with pytest.raises(UsageError):
            interview(f"board-{number}", None, through("switch", framing, rows))
    bits = [prompt for prompt in prompts if prompt.startswith("    bit")]
    assert ["count from 0" in bits[0], "count from 1" in bits[1]] == [True, True]
    assert capsys.readouterr().out

"""The wire pairs of every shipped dialect: what a manual prints is what is sent, and means what it says."""

from __future__ import annotations

from pathlib import Path

import pytest

from chargerd.errors import BenchError
from chargerd.instruments.contract.examples import check_examples
from chargerd.instruments.contract.suite import Result
from chargerd.instruments.dialect import FOLDER, dialect_names
from chargerd.instruments.dialect_file import load_dialect


@pytest.mark.parametrize("name", dialect_names())
def test_every_question_and_command_of_a_shipped_dialect_has_a_wire_pair_that_holds(name: str) -> None:
    findings = check_examples(load_dialect(name, output="2", input="102"))

    assert [f"{finding.check}: {finding.said}" for finding in findings if finding.result is not Result.PASSED] == []


BROKEN = [
    ('sent: "MEAS:VOLT:DC?"', 'sent: "MEAS:VOLT?"', "voltage?", "the manual sends 'MEAS:VOLT?', the dialect 'MEAS:VOLT:DC?'"),
    ('means: "1.85012"', 'means: "1.85"', "voltage?", "means '1.85', the dialect reads '1.85012'"),
    ('reply: "+1.85012E+00"', 'reply: "1,85012"', "voltage?", "not a number"),
    ('means: "-113 Undefined header"', 'means: "0"', "error?", "means '0', the dialect reads '-113 Undefined header'"),
    ("events?: {", "output?: {", "output?", "neither a question nor a command of this dialect"),
]


@pytest.mark.parametrize(("old", "new", "check", "told"), BROKEN, ids=[told for *_, told in BROKEN])
def test_a_pair_that_does_not_hold_says_both_sides(old: str, new: str, check: str, told: str, tmp_path: Path) -> None:
    text = (FOLDER / "scpi-meter.yaml").read_text().replace("dialect: scpi-meter", "dialect: mine")
    assert old in text
    (tmp_path / "mine.yaml").write_text(text.replace(old, new))

    (finding,) = [finding for finding in check_examples(load_dialect("mine", tmp_path)) if finding.check == check]
    assert finding.result is Result.FAILED
    assert told in finding.said


@pytest.mark.parametrize(("line", "told"), [
    ('  boil?: {sent: "X?"}', "no such question or command"),
    ('  voltage_set: {sent: "X", value: much}', "is no number"),
    ('  off: {send: "X"}', "no such key"),
])
def test_an_example_that_cannot_be_is_refused(line: str, told: str, tmp_path: Path) -> None:
    text = (FOLDER / "scpi-meter.yaml").read_text().replace("dialect: scpi-meter", "dialect: mine")
    (tmp_path / "mine.yaml").write_text(f"{text}{line}\n")

    with pytest.raises(BenchError, match=told):
        load_dialect("mine", tmp_path)

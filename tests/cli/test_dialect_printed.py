"""Rows made of what a manual prints: the place of the value is found, or a person is asked, and nothing is guessed."""

from __future__ import annotations

from pathlib import Path

import pytest

from chargerd.cli.dialect_again import answers_of
from chargerd.cli.dialect_new import interview
from chargerd.cli.dialect_printed import advice, alternatives, places, set_point
from chargerd.cli.main import main
from chargerd.errors import BenchError, Exit, RefusedError
from chargerd.instruments.dialect import FOLDER


@pytest.mark.parametrize(("name", "printed", "found"), [
    ("voltage", "V=01.850", ["V={number}"]),
    ("voltage", "1.234V", ["{number}V"]),
    ("voltage", "V1=01.850", ["V1={number}"]),
    ("voltage", "+1.85E+00", ["{number}"]),
    ("voltage", "M 1.7983 149.6", ["M {number} {skip}", "M {skip} {number}"]),
    ("voltage", "1.850,0.150", []),  # a comma that a number could go on behind: the pattern is typed
    ("voltage", "V=1,85", []),
    ("voltage", "2 1.85,0.15", []),  # only the 2 could be written as a pattern, and it is not the voltage
    ("voltage", "V=none", []),
    ("temperature", "#12 T=+23.4C", ["#{number} T={skip}", "#{skip} T={number}C"]),
    ("current", "V=1.85V I=0.15", ["V={number}V I={skip}", "V={skip} I={number}"]),
    ("current", "1.85/0.15", ["{number}/{skip}", "{skip}/{number}"]),
    ("identity", "PU-2 SN0417 V1.3", ["{text}"]),
    ("error", "0,No error", ["{integer},{skip}"]),
    ("error", "E 0", ["E {integer}"]),
    ("output", "ST=1", ["ST={boolean}"]),
    ("output", "OUT OFF", ["OUT {boolean}"]),
    ("output", "ST=ENABLED", ["ST={word}"]),
])
def test_the_place_of_the_value_is_found(name: str, printed: str, found: list[str]) -> None:
    assert places(name, {"ask": "X?"}, printed) == found


@pytest.mark.parametrize(("printed", "made"), [
    ("SV 1.850", ("SV {value}", "3", "1.850")),
    ("SI1 0.1500", ("SI1 {value}", "4", "0.1500")),
    ("U150", ("U{value}", "0", "150")),
    ("OUT 1 VOLT 1.85", ("OUT 1 VOLT {value}", "2", "1.85")),
    ("SV", None),
    ("SV -1.85", None),
])
def test_the_number_of_a_set_point_gives_its_decimals(printed: str, made: tuple[str, str, str] | None) -> None:
    assert set_point(printed) == made


def test_answers_are_told_apart() -> None:
    assert alternatives("TR=0, TR=V or TR=I") == ["TR=0", "TR=V", "TR=I"]
    assert alternatives("0,No error") == ["0,No error"]


def test_what_to_type_shows_the_answer_with_the_place_in_it() -> None:
    assert "V={number}" in advice("voltage", "V=01.850")
    assert "decimal comma" in advice("voltage", "V=1,85")
    assert "no number stands in" in advice("voltage", "V=none")


def test_a_file_that_says_more_than_the_interview_knows_is_not_gone_through_again(tmp_path: Path) -> None:
    path = tmp_path / "mine.yaml"
    path.write_text("dialect: mine\nbased_on: scpi-supply\n", encoding="utf-8")
    with pytest.raises(RefusedError, match="based_on, which would be lost"):
        answers_of(path)
    path.write_text("dialect: [mine\n", encoding="utf-8")
    with pytest.raises(BenchError):
        answers_of(path)


def test_a_shipped_name_is_not_taken_and_its_file_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(RefusedError, match="is shipped; choose another name"):
        interview("line-supply", None, input)
    assert main(["dialect", "list", "line-supply"]) == Exit.OK
    assert capsys.readouterr().out == (FOLDER / "line-supply.yaml").read_text(encoding="utf-8")
    assert main(["dialect", "list", "nobody"]) == Exit.FILE_OR_COMMAND
    assert "there is none of that name" in capsys.readouterr().err

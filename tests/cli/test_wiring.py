"""`wiring` as it is typed: a page to print, text in the terminal, the dead-man relay alone."""

from __future__ import annotations

from pathlib import Path

import pytest

from chargerd.cli.main import main
from chargerd.config.sheet.page import MARK
from chargerd.errors import Exit
from tests.config.files import BOATHOUSE

STRING = str(BOATHOUSE / "bench-string.yaml")


def test_it_writes_a_page_named_after_the_bench_and_makes_it_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)

    codes = [main(["wiring", STRING]), main(["wiring", STRING])]

    assert codes == [Exit.OK, Exit.OK]
    assert [path.name for path in tmp_path.iterdir()] == ["wiring-boathouse-string.html"]
    assert MARK in (tmp_path / "wiring-boathouse-string.html").read_text(encoding="utf-8")
    assert capsys.readouterr().out.count("print it on A4, landscape") == 2


def test_text_goes_to_the_terminal_and_writes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)

    code = main(["wiring", STRING, "--text"])

    said = capsys.readouterr().out
    assert (code, list(tmp_path.iterdir())) == (Exit.OK, [])
    assert "INVENTED" in said
    assert "[dead-man contact 1]" in said
    assert max(map(len, said.splitlines())) <= 132


@pytest.mark.parametrize(("typed", "words"), [
    (["--dead-man"], "Example (computed, not yet built by anyone: measure yours)"),
    (["--dead-man", STRING], "contact KD 1: in the + lead of supply"),
])  # fmt: skip
def test_the_dead_man_relay_is_printed_with_or_without_a_bench(typed: list[str], words: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["wiring", *typed]) == Exit.OK
    assert words in capsys.readouterr().out


def test_the_dead_man_relay_can_be_a_page(tmp_path: Path) -> None:
    page = tmp_path / "relay.html"

    assert main(["wiring", "--dead-man", "--out", str(page)]) == Exit.OK
    assert "the source +" in page.read_text(encoding="utf-8")


def test_a_file_that_is_no_sheet_is_left_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    own = tmp_path / "notes.html"
    own.write_text("mine", encoding="utf-8")

    code = main(["wiring", STRING, "--out", str(own)])

    assert (code, own.read_text(encoding="utf-8")) == (Exit.FILE_OR_COMMAND, "mine")
    assert "is there already and is no wiring sheet; give another name with --out" in capsys.readouterr().err


@pytest.mark.parametrize(("typed", "words"), [
    ([], "which bench? give its file"),
    ([STRING, "--text", "--out", "x.html"], "give one of them"),
    (["nowhere.yaml"], "no bench file 'nowhere.yaml'"),
    ([STRING, "--out", "/nowhere/at/all.html"], "cannot be written: No such file or directory"),
])  # fmt: skip
def test_a_wrong_command_line_is_told(typed: list[str], words: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["wiring", *typed]) == Exit.FILE_OR_COMMAND
    assert words in capsys.readouterr().err

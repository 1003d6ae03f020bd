"""`rehearse` with steps that ask and steps that may refuse: it answers the questions, and stops where a person would be needed."""

from __future__ import annotations

from pathlib import Path

import pytest

from chargerd.cli.main import main
from chargerd.errors import Exit
from tests.config.files import BOATHOUSE

PROFILE = """\
profile: asks-and-checks
steps:
  - ask_person: {question: Is the vent open}
  - connection_check: {}
  - discharge:
      current: 300 mA
      power: 100 mW
      ends_when: {voltage_below: 0.80 V, charge: 1 Ah, time: 5 min}
  - rest: {lasts: 4 h, ends_when: {voltage_slope_below: 50 mV/h}}
"""


def rehearse(folder: Path, window: str, capsys: pytest.CaptureFixture[str]) -> str:
    profile, cell = folder / "profile.yaml", folder / "cell.yaml"
    profile.write_text(PROFILE, encoding="utf-8")
    text = (BOATHOUSE / "cells" / "plover-01.yaml").read_text(encoding="utf-8")
    cell.write_text(f"{text}\nresistance: {window}\n", encoding="utf-8")

    code = main(["rehearse", str(profile), "--cell", str(cell)])

    assert code == Exit.OK
    return capsys.readouterr().out.split("gassing from")[0]


def test_it_answers_and_comes_to_the_end(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    said = rehearse(tmp_path, "[0.1 ohm, 1 ohm]", capsys)

    for words in ("complete", "ASKS: Is the vent open", "step 1 ends by an answer", "step 2.2 ends by its time", "step 4 ends by"):
        assert words in said


def test_it_stops_where_a_person_would_be_needed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    said = rehearse(tmp_path, "[0.001 ohm, 0.1 ohm]", capsys)

    assert ", paused" in said
    assert "WAITS FOR A PERSON: connection check:" in said
    assert "believed for this cell are 0.001 to 0.1 ohm: clean and press the clips" in said
    assert "step 3" not in said

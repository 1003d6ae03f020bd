"""`chargerd init`: questions answered on standard input, files that check."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from socket import create_server

import pytest

import chargerd as package
from chargerd.instruments.dialect import FOLDER

IDENTITY = "Boathouse,Source 3A,SN1,1.0"
SUPPLY = ["bench-1", "", "tcp://127.0.0.1:9", IDENTITY, "", ""]
LOAD = ["scpi-load", "tcp://127.0.0.1:9", "Boathouse,Sink 10A,SN2,1.0"]
PROBE = ["scpi-thermometer", "tcp://127.0.0.1:9", "Boathouse,Thermometer,SN6,1.0"]
REST = [*LOAD, *PROBE, "", "", ""]
CELL = ["tern-01", "2026-11-20", "26.4 g", "112 g", "1.5 Ah", "", ""]

HERE = os.environ | {"PYTHONPATH": str(Path(package.__file__).parent.parent)}


def chargerd(*arguments: str, answers: list[str] | None = None, within: Path | None = None) -> subprocess.CompletedProcess[str]:
    typed = "".join(f"{answer}\n" for answer in answers or [])
    return subprocess.run(
        [sys.executable, "-m", "chargerd", *arguments], input=typed, capture_output=True, text=True, timeout=50, check=False,
        cwd=within, env=HERE,
    )  # fmt: skip


@pytest.fixture
def instrument() -> Iterator[int]:
    """A port at which one question is answered with an identity."""
    server = create_server(("127.0.0.1", 0))

    def answer() -> None:
        client, _ = server.accept()
        with client:
            if client.recv(64).startswith(b"*IDN?"):
                client.sendall(IDENTITY.encode() + b"\n")

    thread = threading.Thread(target=answer, daemon=True)
    thread.start()
    yield server.getsockname()[1]
    server.close()
    thread.join(5.0)


def test_the_files_it_writes_check_and_can_be_rehearsed(tmp_path: Path) -> None:
    made = chargerd("init", str(tmp_path / "mine"), answers=SUPPLY + REST + CELL)
    profile, cell, bench = (tmp_path / "mine" / name for name in ("profiles/gentle-formation.yaml", "cells/tern-01.yaml", "bench.yaml"))

    checked = chargerd("check", str(profile), str(cell), str(bench))

    assert (made.returncode, made.stderr) == (0, "")
    assert (checked.returncode, checked.stderr) == (0, "")
    assert "charge at 150 mA" in checked.stdout
    assert f"chargerd run {profile} --cell {cell} --bench {bench}" in made.stdout


def test_it_asks_a_networked_instrument_who_it_is(tmp_path: Path, instrument: int) -> None:
    answers = ["bench-1", "scpi-supply", f"tcp://127.0.0.1:{instrument}", "", "", "", *REST, *CELL]
    made = chargerd("init", str(tmp_path / "mine"), answers=answers)

    assert made.returncode == 0, made.stderr
    assert f'identity: "{IDENTITY}"' in (tmp_path / "mine" / "bench.yaml").read_text(encoding="utf-8")


def test_a_wrong_answer_is_asked_again(tmp_path: Path) -> None:
    answers = [*SUPPLY, *REST, "tern-01", "yesterday", *CELL[1:]]
    made = chargerd("init", str(tmp_path / "mine"), answers=answers)

    assert made.returncode == 0, made.stderr
    assert "year-month-day" in made.stdout


def test_when_the_answers_end_nothing_is_written(tmp_path: Path) -> None:
    made = chargerd("init", str(tmp_path / "mine"), answers=SUPPLY)

    assert (made.returncode, "the answers ended, no file was written; 6 answers are kept" in made.stderr) == (2, True)
    assert [path.name for path in (tmp_path / "mine").iterdir()] == ["init.draft.csv"]


def test_who_goes_on_is_asked_nothing_twice_and_back_takes_an_answer_back(tmp_path: Path) -> None:
    chargerd("init", str(tmp_path / "mine"), answers=SUPPLY)
    made = chargerd("init", str(tmp_path / "mine"), answers=["back", "5 A", *REST, *CELL])

    assert made.returncode == 0, made.stderr
    text = (tmp_path / "mine" / "bench.yaml").read_text(encoding="utf-8")
    assert f'identity: "{IDENTITY}"' in text
    assert "current: 5 A" in text
    assert not (tmp_path / "mine" / "init.draft.csv").exists()


OWN = (FOLDER / "line-supply.yaml").read_text(encoding="utf-8").replace("dialect: line-supply", "dialect: sill")


def test_a_dialect_of_ones_own_comes_first_and_goes_along_with_whatever_identity_it_has(tmp_path: Path) -> None:
    (tmp_path / "dialects").mkdir()
    (tmp_path / "dialects" / "sill.yaml").write_text(OWN, encoding="utf-8")
    supply = ["bench-1", "", "serial:///dev/ttyUSB0?baud=9600&eol=crlf&send_eol=cr", "PU-2 SN0417 V1.3", "", ""]
    made = chargerd("init", "mine", answers=[*supply, *REST, *CELL], within=tmp_path)
    bench, cell = (tmp_path / "mine" / name for name in ("bench.yaml", "cells/tern-01.yaml"))

    checked = chargerd("check", "gentle-formation", str(cell), str(bench))

    assert (made.returncode, made.stderr) == (0, "")
    assert "its dialect (sill, scpi-supply, " in made.stdout
    text = bench.read_text(encoding="utf-8")
    assert 'dialect: sill\n    identity: "PU-2 SN0417 V1.3"' in text
    assert "protects: [voltage]" in text, "what its dialect lacks, it does not protect"
    assert (tmp_path / "mine" / "dialects" / "sill.yaml").read_text(encoding="utf-8") == OWN
    assert (checked.returncode, checked.stderr) == (0, "")


def test_an_output_is_asked_for_where_the_dialect_has_several(tmp_path: Path) -> None:
    supply = ["bench-1", "scpi-supply-suffix", "tcp://127.0.0.1:9", "2", IDENTITY, "", ""]
    made = chargerd("init", str(tmp_path / "mine"), answers=[*supply, "none", "none", "", "", "", *CELL])

    assert made.returncode == 0, made.stderr
    assert 'output: "2"' in (tmp_path / "mine" / "bench.yaml").read_text(encoding="utf-8")
    profile, cell, bench = (tmp_path / "mine" / name for name in ("profiles/formation-without-load.yaml", "cells/tern-01.yaml", "bench.yaml"))
    assert f"chargerd check {profile} {cell} {bench}" in made.stdout, "without a load: what such a bench can do"
    assert chargerd("check", str(profile), str(cell), str(bench)).returncode == 0


def test_what_is_no_dialect_says_how_to_come_by_one(tmp_path: Path) -> None:
    made = chargerd("init", str(tmp_path / "mine"), answers=["bench-1", "mine", "scpi-load"])

    assert made.stdout.count("chargerd dialect new NAME, and init again: the answers are kept") == 2


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    (tmp_path / "bench.yaml").write_text("mine\n", encoding="utf-8")
    made = chargerd("init", str(tmp_path), answers=SUPPLY + REST + CELL)

    assert (made.returncode, (tmp_path / "bench.yaml").read_text(encoding="utf-8")) == (7, "mine\n")

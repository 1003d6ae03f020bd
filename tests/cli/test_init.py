"""`chargerd init`: questions answered on standard input, files that check."""

from __future__ import annotations

import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from socket import create_server

import pytest

IDENTITY = "Boathouse,Source 3A,SN1,1.0"
SUPPLY = ["bench-1", "tcp://127.0.0.1:9", IDENTITY, "", ""]
REST = ["tcp://127.0.0.1:9", "Boathouse,Sink 10A,SN2,1.0", "tcp://127.0.0.1:9", "Boathouse,Thermometer,SN6,1.0", "", "", ""]
CELL = ["tern-01", "2026-11-20", "26.4 g", "112 g", "1.5 Ah", "", ""]


def chargerd(*arguments: str, answers: list[str] | None = None) -> subprocess.CompletedProcess[str]:
    typed = "".join(f"{answer}\n" for answer in answers or [])
    return subprocess.run(
        [sys.executable, "-m", "chargerd", *arguments], input=typed, capture_output=True, text=True, timeout=50, check=False
    )


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
    answers = ["bench-1", f"tcp://127.0.0.1:{instrument}", "", "", "", *REST, *CELL]
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

    assert (made.returncode, "the answers ended; nothing was written" in made.stderr) == (2, True)
    assert not (tmp_path / "mine").exists()


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    (tmp_path / "bench.yaml").write_text("mine\n", encoding="utf-8")
    made = chargerd("init", str(tmp_path), answers=SUPPLY + REST + CELL)

    assert (made.returncode, (tmp_path / "bench.yaml").read_text(encoding="utf-8")) == (7, "mine\n")

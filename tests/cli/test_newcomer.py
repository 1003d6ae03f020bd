"""What a first reader stumbled over: names of profiles, open terminals, a register list typed into the interview."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from chargerd.cli.dialect_new import interview
from chargerd.cli.files import example_bench
from chargerd.cli.main import main
from chargerd.cli.simulated import world_of_bench
from chargerd.config.bench import load_bench
from chargerd.errors import Exit
from chargerd.instruments.dialect_file import load_dialect

ROWS = {
    "identity: ": "holding 0", "voltage: ": "input 32", "current: ": "input 33", "Is there a question": "holding 21",
    "output: ": "holding 20", "voltage_set: ": "holding 16", "current_set: ": "holding 17", "ovp: ": "holding 18",
    "ocp: ": "holding 19", "on: ": "holding 20 1", "off: ": "holding 20 0",
}  # fmt: skip


def test_a_profile_is_checked_by_its_name(capsys: pytest.CaptureFixture[str]) -> None:
    bench = example_bench()
    assert main(["check", "gentle-formation", str(bench.parent / "cells" / "plover-01.yaml"), str(bench)]) == Exit.OK
    assert "gentle-formation on plover-01" in capsys.readouterr().out


@pytest.mark.parametrize("name", ["bench.yaml", "bench-cheapest.yaml"])
def test_open_terminals_hold_no_cell(name: str) -> None:
    bench = load_bench(example_bench().parent / name)
    assert all(node.cell is None for node in world_of_bench(bench, {"slip-1": None}).nodes.values())


def test_an_integer_register_list_can_be_typed_in(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bench = tmp_path / "bench.yaml"
    shutil.copy(example_bench(), bench)
    current = [""]

    def read(prompt: str) -> str:
        if prompt.startswith("What is it"):
            return "module of an invented list"
        if prompt.startswith("How it is spoken"):
            return "modbus"
        if prompt.startswith("  ") and ("asked by" in prompt or "sent as" in prompt):
            current[0] = prompt.strip()
            row = next((row for start, row in ROWS.items() if current[0].startswith(start)), "-")
            return f"{row} {{value}}" if ("sent as" in prompt and "point" in prompt) or ("level" in prompt and "sent" in prompt) else row
        for condition, bit in (("when it holds the current", "bit 0"), ("when it holds the voltage", "1"), ("when over-cur", "bit 4")):
            if prompt.startswith(f"    {condition}"):
                return bit
        if prompt.startswith("    scale"):
            return "0.001"
        return "-" if "[-]" in prompt else ""

    assert interview("marram", bench, read) == Exit.OK
    assert "Addresses count from 0" in capsys.readouterr().out
    dialect = load_dialect("marram", tmp_path / "dialects")
    assert {name: (bit.bit, bit.equals) for name, bit in dialect.status.items()} == {
        "constant_current": (0, 0), "constant_voltage": (None, 1), "over_current": (4, 0),
    }  # fmt: skip
    assert dialect.questions["questionable"].notation == "holding 21"
    assert "operation" not in dialect.questions, "one register says both"
    command = dialect.commands["voltage_set"]
    assert command.message(1.8) == bytes.fromhex("0600100708")

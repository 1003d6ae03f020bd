"""What a run needs of its zeros: which ends a bench sees only because a zero is measured and subtracted, told before the start."""

from __future__ import annotations

from pathlib import Path

import pytest

from chargerd.config.bench import load_bench
from chargerd.config.cell import load_cell
from chargerd.config.echo import describe
from chargerd.config.plan import build_plan
from chargerd.config.profile import load_profile
from chargerd.errors import FileFaultsError
from tests.config.files import Edit, plan, write_files

RELAY = '  relay: {address: "tcp://127.0.0.1:5031", dialect: relay-bytes, identity: "B,R,1,1", contact: {without_power: open, rating: 5 A}}\n'


def supply(offset: str) -> Edit:
    """The supply with that stated offset of its current."""
    old = "ratings: {voltage: 30 V, current: 3 A}\n    accuracy: {voltage: 0.05 % + 5 mV, current: 0.1 % + 2 mA}"
    return Edit("bench", old, old.replace("2 mA", offset))


def relayed(offset: str) -> tuple[Edit, ...]:
    return (
        Edit("bench", "channels:\n", RELAY + "channels:\n"),
        Edit("bench", "    temperature: probe\n", "    temperature: probe\n    switch: relay\n"),
        supply(offset),
    )


def test_the_plan_says_which_instruments_zero_a_run_cannot_do_without(tmp_path: Path) -> None:
    # C/50 of 1.5 Ah is 30 mA: 3 × 25 mA/√3 is 43 mA, 3 × 15 mA/√3 is 26 mA (JCGM 100:2008, 4.3.7).
    needing, enough = plan(tmp_path, *relayed("25 mA")), plan(tmp_path, *relayed("15 mA"))

    assert list(needing.needs_zero) == ["supply"]
    assert "current_below: 30 mA is less than 3 × what supply resolves (14 mA)" in needing.needs_zero["supply"]
    assert enough.needs_zero == {}


def test_without_a_relay_no_zero_is_counted_on(tmp_path: Path) -> None:
    with pytest.raises(FileFaultsError, match="current_below: 30 mA is less than 3"):
        plan(tmp_path, supply("25 mA"))


def test_a_person_is_told_beforehand_what_hangs_on_the_zero(tmp_path: Path) -> None:
    paths, _ = write_files(tmp_path, *relayed("25 mA"))
    profile, cell, bench = load_profile(paths["profile"]), load_cell(paths["cell"]), load_bench(paths["bench"])

    said = describe(build_plan(profile, cell, bench, "slip-1"), profile, cell, bench, "slip-1")

    assert any(line.startswith("only if supply's zero, read with the relay open, proves something") for line in said)

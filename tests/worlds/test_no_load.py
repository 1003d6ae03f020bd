"""A bench without a load forms a cell, and says what it cannot know; a good cell is not called bad for that."""

from __future__ import annotations

import re
from pathlib import Path

from chargerd.core.states import State
from chargerd.sim.fixtures import make_cell
from chargerd.verdict.verdict import write_verdict
from chargerd.verdict.words import text as words_of
from tests.worlds.world_bench import bench_text, run_world


def without_load() -> dict[str, str]:
    """What to take out of the shipped bench file."""
    text = bench_text()
    load = re.search(r"  load:\n(?:    .*\n)+", text)
    assert load is not None
    return {load[0]: "", "    load: load\n": ""}


def test_formation_completes_without_a_load_and_the_verdict_says_not_tested(tmp_path: Path) -> None:
    cell = make_cell("plover", fresh=True)
    ran = run_world(
        tmp_path, "formation-without-load", cell=cell, cell_file="plover-01", bench_edit=without_load(), until_s=40 * 3600.0
    )

    assert (ran.state, ran.cause) == (State.COMPLETE, "")
    assert not ran.source.conducts
    assert 0.5 < (ran.engine.memory.tally.charge_in_Ah) < 1.2
    said = words_of(write_verdict(ran.folder))
    assert "Stored: not tested" in said
    assert not re.search(r"\b(bad|poor|not usable)\b", said)
    assert ran.replayed().differences == ()

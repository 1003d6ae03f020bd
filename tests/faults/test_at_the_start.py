"""What a start must refuse before anything is switched on."""

from __future__ import annotations

from pathlib import Path

import pytest

from chargerd.core.events import CheckFailed
from chargerd.core.states import State
from chargerd.errors import BenchError
from chargerd.sim.faults import forever
from chargerd.sim.fixtures import make_cell
from chargerd.sim.relay import Relay
from tests.worlds import switched_bench, test_string_taps
from tests.worlds.programs import CYCLE
from tests.worlds.world_bench import Ran, Stage, run_world


def test_a_cell_above_its_own_hard_limit_is_refused(tmp_path: Path) -> None:
    """Another cell, or a string, on the leads of a cell that may have 2.75 V at most."""
    fault = forever("reading", quantity="voltage_V", value=4.1)
    ran = run_world(tmp_path, CYCLE, faults=(("supply", fault),))
    (failed,) = (record for _, record in ran.records if isinstance(record, CheckFailed))

    assert ran.state is State.IDLE
    assert "above its hard limit 2.750 V: is it this cell?" in failed.reason
    assert ran.source.energised() == []


def test_a_relay_whose_closing_nothing_shows_is_refused(tmp_path: Path) -> None:
    """No second contact, no meter at the cell, and the source's own voltage does not move: was it ever closed?"""

    def weld_open(stage: Stage) -> None:
        relay = stage.world.panels["relay"]
        assert isinstance(relay, Relay)
        relay.weld("open", stage.now_s())

    ran = run_world(
        tmp_path, CYCLE, acts=((0.01, weld_open),), cell=make_cell("plover", stored_Ah=0.5), until_s=60.0,
        bench=switched_bench.text(meter=False, mirror=False), world_of=lambda cell: switched_bench.world(cell, meter=False),
    )  # fmt: skip
    failed = [record.reason for _, record in ran.records if isinstance(record, CheckFailed)]

    assert ran.state is State.IDLE
    assert len(failed) == 1
    assert "closing it changes nothing that is measured" in failed[0]


@pytest.mark.parametrize("isolated", ["no", "yes"])
def test_two_earthed_readers_on_different_taps_are_refused_by_name(isolated: str, tmp_path: Path) -> None:
    """Each reads its own cell of a string, and both negatives are the computer's ground: that shorts the cells between them.

    The twin with isolated readers runs to its end.
    """
    assert test_string_taps.BENCH.count("isolated: yes, inputs: isolated") == test_string_taps.CELLS
    text = test_string_taps.BENCH.replace("isolated: yes, inputs: isolated", f"isolated: {isolated}, inputs: isolated")

    def started() -> Ran:
        cells = [make_cell("plover", stored_Ah=0.5) for _ in range(test_string_taps.CELLS)]
        return run_world(tmp_path, test_string_taps.PROGRAM, bench=text, world_of=lambda _cell: test_string_taps.world(cells))

    if isolated == "yes":
        assert started().state is State.COMPLETE
        return
    with pytest.raises(BenchError) as refused:
        started()
    assert "cell-2" in str(refused.value)
    assert "cell-3" in str(refused.value)

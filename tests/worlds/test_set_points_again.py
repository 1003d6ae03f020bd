"""A set-point that was changed while its output was off is never switched on: it is written and read back each time."""

from __future__ import annotations

from pathlib import Path

import pytest

from chargerd.core.states import State
from chargerd.sim.faults import once
from tests.worlds.invariants import unproven_ons
from tests.worlds.programs import charge, profile, rest
from tests.worlds.world_bench import run_world

PROGRAM = profile(charge(time="4 min", interrupt="interrupt: {every: 1 min, lasts: 5 s}"), rest())
OFF_S = 72.0
"""In the first regular interruption, which begins at 70 s and lasts 5 s: the source is off."""


@pytest.mark.parametrize(("setting", "value"), [("voltage_set_V", 3.0), ("current_set_A", 2.9)])
def test_it_is_written_again_before_the_output_goes_on(setting: str, value: float, tmp_path: Path) -> None:
    ran = run_world(tmp_path, PROGRAM, faults=(("supply", once("change", at_s=OFF_S, setting=setting, value=value)),))
    off = [entry.time_s for entry in ran.source.output_log if not entry.on and entry.time_s < OFF_S][-1]
    again = next(entry.time_s for entry in ran.source.output_log if entry.on and entry.time_s > OFF_S)

    assert off < OFF_S < again
    assert (ran.state, ran.cause) == (State.COMPLETE, "")
    assert unproven_ons(ran) == []
    assert [e.received for e in ran.heard["supply"] if OFF_S < e.time_s <= again and e.received in ("VOLT 1.850", "CURR 0.150")] == [
        "VOLT 1.850", "CURR 0.150",
    ]  # fmt: skip

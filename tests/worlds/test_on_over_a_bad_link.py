"""A link that is bad for some seconds while an output should go on: it goes on later, or the run trips; never in between."""

from __future__ import annotations

from pathlib import Path

import pytest

from chargerd.core.states import State
from chargerd.instruments.acting import RAISES_MAX
from chargerd.sim.faults import forever
from tests.worlds.invariants import assert_safe, on_without_leave
from tests.worlds.programs import EVERY_S, charge, profile, rest
from tests.worlds.world_bench import conducts_at, run_world

PROGRAM = profile(charge(time="4 min", interrupt="interrupt: {every: 1 min, lasts: 5 s}"), rest())
AFTER_THE_INTERRUPTION_S = 75.0
"""The first regular interruption ends here and the source should go on; every reply to a writing is lost for a while."""


@pytest.mark.parametrize("for_s", [0.5, 2.0, 4.0])
def test_it_goes_on_at_a_later_reading(for_s: float, tmp_path: Path) -> None:
    bad = forever("mute", header="SYST:ERR", at_s=AFTER_THE_INTERRUPTION_S, for_s=for_s)
    ran = run_world(tmp_path, PROGRAM, faults=(("supply", bad),))
    again_s = next(entry.time_s for entry in ran.source.output_log if entry.on and entry.time_s >= AFTER_THE_INTERRUPTION_S)

    assert (ran.state, ran.cause) == (State.COMPLETE, "")
    assert again_s <= AFTER_THE_INTERRUPTION_S + for_s + 2 * EVERY_S
    assert_safe(ran, EVERY_S)


def test_it_is_not_tried_for_ever(tmp_path: Path) -> None:
    bad = forever("mute", header="SYST:ERR", at_s=AFTER_THE_INTERRUPTION_S)
    ran = run_world(tmp_path, PROGRAM, faults=(("supply", bad),))

    assert ran.cause in ("on-not-verified", "reading-lost")
    assert ran.trips()[0][0] - AFTER_THE_INTERRUPTION_S <= RAISES_MAX * (EVERY_S + 4.0)
    assert not conducts_at(ran.source, ran.ended_s)
    assert on_without_leave(ran) == []

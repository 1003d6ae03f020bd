"""The program stands still for thirty seconds (stopped, swapped out, suspended) at each step, and wakes as if nothing had been.

Whatever was on then had its lease lapse meanwhile: it goes off at the first pass, before anything is decided, and no good reading
mends it. Where nothing was on, the run goes on.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from chargerd.core.deadline import LEASE_EXTRA_S
from chargerd.core.events import Pause, Resume
from chargerd.core.states import State
from tests.worlds.invariants import OFF_TAKES_S, assert_safe
from tests.worlds.programs import CYCLE, EVERY_S
from tests.worlds.world_bench import Stage, run_world

STALL_S = 30.0
LEASE_S = 3 * EVERY_S + LEASE_EXTRA_S
"""Three missed periods are tolerated; so long a good reading lets an output be on."""
AT_S = {"charge": 62.5, "the pass after a reading": 60.001, "discharge": 242.5, "rest": 150.0, "just after switching on": 1.6, "last rest": 330.0}


def stall(stage: Stage, for_s: float = STALL_S) -> None:
    """Time goes on and nothing else does: the process is not scheduled."""
    stage.loop._jumping.now_s += for_s


@pytest.mark.parametrize("where", AT_S)
def test_what_was_on_is_off_at_the_first_pass_after_a_stall(where: str, tmp_path: Path) -> None:
    at_s = AT_S[where]
    ran = run_world(tmp_path, CYCLE, acts=((at_s, stall),))
    was_on = where not in ("rest", "last rest")

    assert_safe(ran, EVERY_S + STALL_S)
    assert (ran.state, ran.cause) == ((State.TRIPPED, "reading-lost") if was_on else (State.COMPLETE, ""))
    if was_on:
        off_s = ran.off_s(at_s + STALL_S)
        assert off_s is not None
        assert off_s - (at_s + STALL_S) <= OFF_TAKES_S
        assert ran.trips()[0][0] - (at_s + STALL_S) <= OFF_TAKES_S
        assert ran.trips()[0][1].text == "no reading in time"


@pytest.mark.parametrize("where", ["charge", "discharge"])
def test_a_stall_within_the_lease_is_no_reason_to_end_a_run(where: str, tmp_path: Path) -> None:
    ran = run_world(tmp_path, CYCLE, acts=((AT_S[where], lambda stage: stall(stage, LEASE_S - EVERY_S)),))

    assert (ran.state, ran.cause) == (State.COMPLETE, "")
    assert_safe(ran, LEASE_S)


def test_a_stall_while_paused_leaves_it_paused(tmp_path: Path) -> None:
    acts = (
        (62.5, lambda stage: stage.channel.ask(Pause(by="test"))), (80.0, stall),
        (130.0, lambda stage: stage.channel.ask(Resume(by="test"))),
    )  # fmt: skip
    ran = run_world(tmp_path, CYCLE, acts=acts)

    assert (ran.state, ran.cause) == (State.COMPLETE, "")
    assert not any(look.source_on or look.load_on for look in ran.looks if 66.0 < look.time_s < 130.0)

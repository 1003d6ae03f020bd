"""A bug of ours that raises at any place the channel calls: that channel trips, its outputs are off in time, and the reason is told.

The exception is no error of this program but a plain RuntimeError, as a slip of the hand makes one, and it comes once, in the
middle of a charge. Its twin without it completes.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from chargerd.core.engine import Engine
from chargerd.core.events import Fault, Observed
from chargerd.core.states import State
from chargerd.daemon import channel as channel_module
from chargerd.daemon.channel import PASS_EVERY_S
from chargerd.daemon.clock import Clock
from chargerd.instruments.bench import ChannelBench
from chargerd.journal.writer import JournalWriter
from chargerd.sim.faults import forever
from tests.worlds.invariants import OFF_TAKES_S, assert_safe
from tests.worlds.programs import CYCLE, EVERY_S
from tests.worlds.world_bench import Ran, Stage, run_world

HAPPENS_S = 62.5
BOUND_S = EVERY_S + PASS_EVERY_S + OFF_TAKES_S
"""Each of these is called at every reading or at every pass; then switching off."""

SEAMS: dict[str, tuple[type, str]] = {
    "reading the bench": (ChannelBench, "read"),
    "carrying out a reduction": (ChannelBench, "apply_reduction"),
    "carrying out a raise": (ChannelBench, "apply_raise"),
    "the engine taking a reading": (Engine, "take"),
    "the engine's tick": (Engine, "tick"),
    "the engine's demand": (Engine, "demand"),
    "the engine's deadline": (Engine, "deadline_s"),
    "writing a row": (JournalWriter, "reading"),
    "a checkpoint": (JournalWriter, "checkpoint"),
    "making rows safe": (JournalWriter, "sync_if_due"),
    "the wall clock": (Clock, "utc"),
    "the control clock": (Clock, "now_s"),
    "waiting for the next pass": (Clock, "wait_until"),
}


def raises_once(monkeypatch: pytest.MonkeyPatch, owner: Any, name: str) -> None:
    """From now on the first call raises, and later ones do what they always did. `owner` is a class, or a clock itself."""
    sound, calls = getattr(owner, name), []

    def slipped(*args: Any, **named: Any) -> Any:
        calls.append(name)
        if len(calls) == 1:
            raise RuntimeError("a slip of the hand")
        return sound(*args, **named)

    monkeypatch.setattr(owner, name, slipped)


def assert_tripped_in_time(ran: Ran) -> None:
    assert (ran.state, ran.cause) == (State.TRIPPED, "program-fault")
    assert len(ran.trips()) == 1
    time_s, trip = ran.trips()[0]
    assert time_s - HAPPENS_S <= BOUND_S
    assert "RuntimeError: a slip of the hand" in str(trip.text) + str([record for _, record in ran.records if isinstance(record, Fault)])
    off_s = ran.off_s(HAPPENS_S)
    assert off_s is not None
    assert off_s - HAPPENS_S <= BOUND_S
    assert [panel.conducts for panel in (ran.source, ran.load)] == [False, False]
    offs = [record for _, record in ran.records if isinstance(record, Observed) and record.what == "off"]
    assert [(record.instrument, record.verified) for record in offs[-2:]] == [("supply", True), ("load", True)]
    assert_safe(ran, EVERY_S)


@pytest.mark.parametrize("seam", SEAMS)
def test_an_exception_anywhere_in_a_pass_trips_with_everything_off(seam: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(channel_module, "CHECKPOINT_ROWS", 1)

    def slip(stage: Stage) -> None:
        assert stage.world.panels["supply"].conducts
        owner, name = SEAMS[seam]
        raises_once(monkeypatch, stage.channel.clock if owner is Clock and name != "wait_until" else owner, name)

    ran = run_world(tmp_path, CYCLE, acts=((HAPPENS_S, slip),))

    assert_tripped_in_time(ran)


def test_an_exception_in_a_watcher_trips_with_everything_off(tmp_path: Path) -> None:
    """A screen or a publisher that raises while it is told of a pass."""
    slips: list[float] = []

    def watch(stage: Stage, _: object) -> None:
        if stage.now_s() > HAPPENS_S and not slips:
            slips.append(stage.now_s())
            raise RuntimeError("a slip of the hand")

    ran = run_world(tmp_path, CYCLE, after_pass=watch)

    assert_tripped_in_time(ran)


def test_an_exception_while_switching_off_is_followed_by_switching_off(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The trip's own reduction raises: the boundary switches everything off once more and names both."""
    lie = ("supply", forever("reading", at_s=HAPPENS_S, quantity="voltage_V", value=2.8))
    ran = run_world(
        tmp_path, CYCLE, faults=(lie,), acts=((HAPPENS_S, lambda _: raises_once(monkeypatch, ChannelBench, "make_safe")),)
    )

    assert ran.state is State.TRIPPED
    off_s = ran.off_s(HAPPENS_S)
    assert off_s is not None
    assert off_s - HAPPENS_S <= BOUND_S
    assert_safe(ran, EVERY_S)


@pytest.mark.parametrize("name", ["identify", "check_quiet", "write_limits", "read"])
def test_an_exception_while_checking_starts_nothing(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    raises_once(monkeypatch, ChannelBench, name)
    ran = run_world(tmp_path, CYCLE)

    assert (ran.state, ran.cause) == (State.TRIPPED, "program-fault")
    assert ran.source.energised() == []
    assert ran.load.energised() == []


def test_the_twin_without_a_slip_completes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(channel_module, "CHECKPOINT_ROWS", 1)
    ran = run_world(tmp_path, CYCLE)

    assert (ran.state, ran.cause) == (State.COMPLETE, "")

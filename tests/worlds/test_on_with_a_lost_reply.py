"""A reply that is lost while an output goes on: it goes on anew and proven, and the channel knows that it is on."""

from __future__ import annotations

from pathlib import Path

import pytest

from chargerd.core.events import Observed
from chargerd.core.states import State
from chargerd.sim.faults import once
from tests.worlds.invariants import assert_safe
from tests.worlds.programs import CYCLE, EVERY_S
from tests.worlds.world_bench import run_world

ON_AT_S = {"supply": 0.0, "load": 180.0}
QUESTIONS = {"supply": ("OUTP?", "STAT:QUES:COND?", "SYST:ERR?"), "load": ("INP?", "STAT:QUES:COND?", "SYST:ERR?")}


def asked_around_on(folder: Path, name: str, question: str) -> list[int]:
    """Which of an instrument's questions of a text, counted from the run's begin, come at the instant it is switched on or just after."""
    ran = run_world(folder, CYCLE)
    heard = [exchange for exchange in ran.heard[name] if exchange.received in (question, "OUTP ON", "INP ON")]
    on = next(index for index, exchange in enumerate(heard) if exchange.received.endswith(" ON"))
    before = sum(exchange.received == question for exchange in heard[:on])
    return [before + 1, before + 2]


@pytest.mark.parametrize("name", ["supply", "load"])
@pytest.mark.parametrize("number", [0, 1])
@pytest.mark.parametrize("which", [0, 1, 2])
def test_one_lost_reply_at_switching_on_ends_no_run_and_leaves_nothing_on_unknown(name: str, which: int, number: int, tmp_path: Path) -> None:
    question = QUESTIONS[name][which]
    (tmp_path / "first").mkdir()
    (tmp_path / "second").mkdir()
    # Faults are armed when the links are open: the identity was asked by then, these questions were not.
    lost = once("mute", header=question, at_question=asked_around_on(tmp_path / "first", name, question)[number])
    ran = run_world(tmp_path / "second", CYCLE, faults=((name, lost),))
    said = [record.what for _, record in ran.records if isinstance(record, Observed) and record.instrument == name]

    assert (ran.state, ran.cause) == (State.COMPLETE, "")
    assert said == ["on", "off"]
    assert_safe(ran, EVERY_S)

"""A reply that comes late, doubled or one question on, at every question of a story: never is it taken for another's answer.

What is judged is every value in the record: each column may hold only what the same column holds in the twin whose replies come in
time. The quantities lie far apart (1.3 to 1.6 V, 1.85 V set, currents of 0, 0.15 and 0.30 A, 25 °C), so that an answer in the
wrong place cannot hide.
"""

from __future__ import annotations

import csv
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from chargerd.core.states import State
from chargerd.sim.faults import Fault, once
from tests.worlds.invariants import assert_safe
from tests.worlds.programs import EVERY_S, charge, discharge, profile, rest
from tests.worlds.world_bench import Ran, run_world

STORY = profile(charge(time="20 s"), rest("10 s"), discharge(time="20 s"), rest("10 s"))
NEAR, NEAR_K = 0.06, 1.0
"""V and A, or K: noise of the instruments, and what a reading taken a second later differs by."""
EVERY = 8
"""Of the questions of a story one in so many is answered late here; which ones depends on the instrument and the kind."""
JUDGED = ("voltage_V", "current_A", "temperature_degC", "voltage_set_V", "current_set_A", "ovp_V", "ocp_A", "output", "tripped", "restarted")
KINDS: dict[str, dict[str, float]] = {
    "late just after its time-out": {"delay_s": 0.55},
    "late by four time-outs": {"delay_s": 2.0},
    "twice": {},
    "in place of the next one's": {},
}
FAULT_OF = {"twice": "duplicate", "in place of the next one's": "shift"}


def columns(ran: Ran) -> dict[str, list[float]]:
    """Every number of the record by its column, of the columns that an instrument answered."""
    found: dict[str, list[float]] = {}
    with (ran.folder / "readings.csv").open(newline="") as file:
        for row in csv.DictReader(file):
            for name, text in row.items():
                if name.endswith(JUDGED) and text not in ("", "absent", "stale", "implausible"):
                    found.setdefault(name, []).append(float(text))
    return found


@cache
def twin() -> tuple[dict[str, list[float]], dict[str, int]]:
    """What each column holds without a fault, and how many questions each instrument hears."""
    with TemporaryDirectory() as folder:
        ran = run_world(Path(folder), STORY)
        assert ran.state.value == "COMPLETE"
        return columns(ran), {name: sum("?" in text for text in heard) for name, heard in ran.heard_bytes().items()}


def places(instrument: str, kind: str) -> range:
    offset = (list(KINDS).index(kind) + len(instrument)) % EVERY
    return range(1 + offset, twin()[1][instrument] + 1, EVERY)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("instrument", ["supply", "load", "probe"])
def test_no_answer_is_ever_taken_for_anothers(instrument: str, kind: str, tmp_path: Path) -> None:
    expected, _ = twin()
    wrong: list[str] = []
    for number in places(instrument, kind):
        fault: Fault = once(FAULT_OF.get(kind, "late"), at_question=number, header="?", **KINDS[kind])
        folder = tmp_path / str(number)
        folder.mkdir()
        ran = run_world(folder, STORY, faults=((instrument, fault),), until_s=200.0)
        assert_safe(ran, EVERY_S)
        wrong += [f"question {number}: {text}" for text in strangers(columns(ran), expected)]
        # While nothing is on yet a start may be refused for it; a run that has begun goes on.
        if (ran.state.value, ran.cause) != ("COMPLETE", "") and (ran.state is not State.IDLE or ran.source.energised()):
            wrong.append(f"question {number}: one reply ended the run as {ran.state.value} ({ran.cause})")

    assert wrong == []


def strangers(found: dict[str, list[float]], expected: dict[str, list[float]]) -> list[str]:
    """Values in a column that its twin does not know."""
    return [
        f"{name} = {value}" for name, values in found.items() for value in values
        if not any(abs(value - known) <= (NEAR_K if name.endswith("degC") else NEAR) for known in expected.get(name, ()))
    ]  # fmt: skip


@pytest.mark.parametrize(("instrument", "proof"), [("supply", "OUTP?"), ("load", "INP?")])
def test_a_proof_of_on_or_off_that_comes_late_is_asked_for_again(instrument: str, proof: str, tmp_path: Path) -> None:
    """An output that was told to go on and whose proof got lost is told and proven again: it is on because somebody wants it on."""
    count = sum(text.endswith(proof) for text in run_world(new(tmp_path, 0), STORY).heard_bytes()[instrument])
    ended = {}
    for number in range(1, count + 1):
        fault = once("late", at_question=number, header=proof, delay_s=0.55)
        ran = run_world(new(tmp_path, number), STORY, faults=((instrument, fault),), until_s=200.0)
        assert_safe(ran, EVERY_S)
        if ran.source.energised():
            ended[number] = (ran.state, ran.cause)

    assert count > 10
    assert len(ended) > count - 5
    assert set(ended.values()) == {(State.COMPLETE, "")}, ended


def new(folder: Path, number: int) -> Path:
    made = folder / str(number)
    made.mkdir()
    return made

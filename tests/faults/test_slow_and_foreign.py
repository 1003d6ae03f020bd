"""An instrument that is slow, and another program that talks on the same port: no wrong value, nothing piles up, off in time."""

from __future__ import annotations

import csv
from itertools import pairwise
from pathlib import Path

import pytest

from chargerd.core.events import Stop
from chargerd.core.states import State
from chargerd.sim.faults import forever
from tests.faults.test_late_replies import STORY, columns, strangers, twin
from tests.worlds.invariants import OFF_TAKES_S, assert_safe
from tests.worlds.programs import CYCLE, EVERY_S
from tests.worlds.world_bench import Ran, run_world

TIMEOUT_S = 0.5
QUESTIONS = 14
"""At most so many does one instrument hear for one whole reading."""


def rows_s(ran: Ran) -> list[float]:
    with (ran.folder / "readings.csv").open(newline="") as file:
        return [float(row["elapsed_s"]) for row in csv.DictReader(file)]


@pytest.mark.parametrize("latency_s", [0.0, 0.05, 0.2, 0.4])
def test_a_slow_bench_is_read_less_often_and_nothing_piles_up(latency_s: float, tmp_path: Path) -> None:
    """Every reply takes up to four fifths of the time-out: a reading takes longer than its period, and the next one waits for it."""
    ran = run_world(tmp_path, CYCLE, latency_s=latency_s, until_s=900.0)
    apart_s = [after - before for before, after in pairwise(rows_s(ran))]

    assert (ran.state, ran.cause) == (State.COMPLETE, "")
    assert_safe(ran, EVERY_S + QUESTIONS * latency_s)
    assert max(apart_s) <= EVERY_S + 2 * QUESTIONS * latency_s + 1e-6
    for log in ran.heard.values():
        asked_s = [exchange.time_s for exchange in log if exchange.received.endswith("?")]
        assert all(after - before >= latency_s - 1e-6 for before, after in pairwise(asked_s)), "one question at a time"


@pytest.mark.parametrize(("instrument", "at_s"), [("supply", 62.5), ("load", 242.5)])
def test_an_instrument_too_slow_for_its_time_out_ends_the_run_in_time(instrument: str, at_s: float, tmp_path: Path) -> None:
    """Ten times the time-out. Off is sent into the slow link and carried out, though its proof may come too late."""
    slow = (instrument, forever("slow", at_s=at_s, factor=1.0, usual_s=10 * TIMEOUT_S))
    ran = run_world(tmp_path, CYCLE, faults=(slow,), until_s=600.0)

    assert (ran.state, ran.cause) == (State.TRIPPED, "reading-lost")
    assert ran.trips()[0][0] - at_s <= 4 * EVERY_S + OFF_TAKES_S
    assert_safe(ran, EVERY_S)


@pytest.mark.parametrize("to", ["instrument", "here"])
@pytest.mark.parametrize("text", ["AT\r\n", "1.234\n", "+1.23400E+00\n", "1\n"])
@pytest.mark.parametrize("instrument", ["supply", "load", "probe"])
def test_what_another_program_says_is_never_a_reading(instrument: str, text: str, to: str, tmp_path: Path) -> None:
    """A modem manager's AT, or numbers that look like answers, each 0.7 s from 12 s on, to the instrument or straight to us.

    The run may end (there is no telling who else commands the instrument) or go on; what stands in its record is only what the
    twin's record knows.
    """
    writer = (instrument, forever("foreign", at_s=12.3, text=text, to=to, every_s=0.7, for_s=40.0))
    stop = ((150.0, lambda stage: stage.channel.ask(Stop(by="test"))),)
    ran = run_world(tmp_path, STORY, faults=(writer,), acts=stop, until_s=200.0)

    assert strangers(columns(ran), twin()[0]) == []
    assert_safe(ran, EVERY_S)
    assert ran.state in (State.COMPLETE, State.TRIPPED, State.STOPPED)
    if ran.state is State.TRIPPED:
        assert ran.cause in ("reading-lost", "on-not-verified", "off-not-verified")

"""The wall clock may say what it likes; a computer that slept trips."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from chargerd.core.events import ClockNoted
from chargerd.core.states import State
from chargerd.daemon.channel import PASS_EVERY_S
from chargerd.daemon.clock import Clock, utc_text
from chargerd.sim.faults import once
from chargerd.sim.jump_clock import JumpLoop
from tests.worlds.programs import CYCLE, EVERY_S, charge, profile
from tests.worlds.world_bench import BEGAN, Ran, run_world

DAY_S = 86400.0
OFFSETS: dict[str, Callable[[float], float]] = {
    "a second forward": lambda now_s: 1.5 if now_s > 61.0 else 0.0,
    "a second back": lambda now_s: -1.5 if now_s > 61.0 else 0.0,
    "a day forward": lambda now_s: DAY_S if now_s > 61.0 else 0.0,
    "a day back": lambda now_s: -DAY_S if now_s > 61.0 else 0.0,
    "ten years forward at each step": lambda now_s: 10 * 365 * DAY_S * int(now_s / 60.0),
    "back and forth": lambda now_s: 3600.0 * (int(now_s / 7.0) % 2),
    "running at half its pace": lambda now_s: -0.5 * now_s,
}


def clock_with(offset_s: Callable[[float], float], *, began: datetime = BEGAN) -> Callable[[JumpLoop], Clock]:
    """A clock whose wall time is moved by a script; control time is as ever."""

    def make(loop: JumpLoop) -> Clock:
        start_s = loop.time()

        def utc() -> str:
            now_s = loop.time() - start_s
            return utc_text(began + timedelta(seconds=now_s + offset_s(now_s)))

        return Clock(loop.time, utc, boot="jumping")

    return make


def decided(ran: Ran) -> list[tuple[bytes, ...]]:
    """Every event with the reading it follows, its run-relative time and all it says; only the clocks' own notes left out."""
    rows = [row.split(b",") for row in (ran.folder / "events.csv").read_bytes().split(b"\r\n")[1:-1]]
    return [(row[1], row[3], *row[4:-1]) for row in rows if row[5] != b"clock-noted"]


def readings(ran: Ran) -> list[list[bytes]]:
    """Every reading without its wall time and check value."""
    return [[row.split(b",")[0], *row.split(b",")[2:-1]] for row in (ran.folder / "readings.csv").read_bytes().split(b"\r\n")[1:-1]]


def trip(tmp_path: Path, name: str, clock_of: Callable[[JumpLoop], Clock]) -> Ran:
    folder = tmp_path / name.replace(" ", "-")
    folder.mkdir()
    hot = once("reading", at_s=222.5, quantity="temperature_degC", value=50.0)
    return run_world(folder, CYCLE, faults=(("probe", hot),), clock_of=clock_of, latency_s=0.004)


@pytest.mark.parametrize("name", [*OFFSETS, "begun in 1970", "begun in 2099"])
def test_no_wall_clock_changes_any_decision(tmp_path: Path, name: str) -> None:
    """INV-21: the same run, whole and with a trip, gives the same readings, events, times and bytes under any script."""
    began = {"begun in 1970": datetime(1970, 1, 1, tzinfo=UTC), "begun in 2099": datetime(2099, 12, 31, tzinfo=UTC)}
    plain = trip(tmp_path, "plain", clock_with(lambda _: 0.0))
    other = trip(tmp_path, name, clock_with(OFFSETS.get(name, lambda _: 0.0), began=began.get(name, BEGAN)))

    assert (plain.state, plain.cause) == (State.TRIPPED, "over-temperature")
    assert decided(other) == decided(plain)
    assert readings(other) == readings(plain)
    assert other.heard == plain.heard


def noted(ran: Ran) -> list[ClockNoted]:
    rows = [row for row in (ran.folder / "events.csv").read_bytes().split(b"\r\n")[1:-1] if row.split(b",")[5] == b"clock-noted"]
    return [ClockNoted(**json.loads(row.split(b',"', 1)[1].rsplit(b'",', 1)[0].replace(b'""', b'"'))) for row in rows]


def test_a_step_of_the_wall_clock_is_noted_with_its_old_and_new_offset(tmp_path: Path) -> None:
    """G1 of the safety specification."""
    ran = run_world(tmp_path, profile(charge()), clock_of=clock_with(OFFSETS["a day back"]))
    first, step = noted(ran)

    assert first.before_wall_s is None
    assert step.before_wall_s == first.wall_s
    assert step.wall_s - first.wall_s == pytest.approx(-DAY_S, abs=0.01)
    assert ran.state is State.COMPLETE


def test_a_slew_below_a_second_is_not_noted(tmp_path: Path) -> None:
    ran = run_world(tmp_path, profile(charge()), clock_of=clock_with(lambda now_s: 5e-4 * now_s))  # the kernel's most: 500 ppm

    assert len(noted(ran)) == 1


def sleeping(at_s: float, for_s: float) -> Callable[[JumpLoop], Clock]:
    """A computer that sleeps: control time goes on, the clock that counts waking hours does not."""

    def make(loop: JumpLoop) -> Clock:
        def awake_s() -> float:
            return loop.time() - (for_s if loop.time() >= at_s else 0.0)

        return Clock(loop.time, lambda: utc_text(BEGAN), awake_s=awake_s, boot="jumping")

    return make


@pytest.mark.parametrize("for_s", [1.0, 30.0])
@pytest.mark.parametrize("at_s", [62.5, 152.5])
def test_a_sleep_trips_at_wake_whatever_was_going_on(tmp_path: Path, at_s: float, for_s: float) -> None:
    """E11: in the charge and in the rest after it; off within a pass, and nothing on again."""
    ran = run_world(tmp_path, CYCLE, clock_of=sleeping(at_s, for_s))
    off_s = ran.off_s(at_s)

    assert (ran.state, ran.cause) == (State.TRIPPED, "suspended")
    assert off_s is not None
    assert off_s - at_s <= PASS_EVERY_S + 0.1
    assert [entry for panel in (ran.source, ran.load) for entry in panel.output_log if entry.on and entry.time_s > off_s] == []


def test_a_hiccup_between_two_clocks_trips_nothing(tmp_path: Path) -> None:
    ran = run_world(tmp_path, CYCLE, clock_of=sleeping(62.5, 0.9))

    assert ran.state is State.COMPLETE
    assert EVERY_S > 0.9

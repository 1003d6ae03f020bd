"""When the next reading is wanted, until when the last good one holds, and what is missing from one."""

from __future__ import annotations

from chargerd.core.events import Event, ReadingFound, ReadingLost
from chargerd.core.limits import Trip
from chargerd.core.memory import Memory
from chargerd.core.program import Step
from chargerd.core.states import State

LEASE_EXTRA_S = 5.0
"""A lease outlasts its last good reading by the missed periods tolerated and this: one scan with a retry at every instrument."""
CONFIRM_EVERY_S = 1.0
"""An end reached at one reading is read again this soon to confirm it: a cell out of zinc falls off a cliff within seconds."""
WATCH_EVERY_S = 10.0
"""Sampling period while nothing runs: paused, and after the end."""


def deadline_s(memory: Memory, step: Step) -> float:
    """Return when the next reading is wanted, run-relative s (0 = at once)."""
    m = memory
    last_s = m.last_reading_s
    if last_s is None:
        return 0.0
    if m.state != State.RUNNING:
        return last_s + WATCH_EVERY_S
    soonest_s = last_s + step.sample_every_s
    if any(m.confirmed.values()):
        soonest_s = min(soonest_s, round(last_s + CONFIRM_EVERY_S, 3))
    for due_s in (_time_left(memory, step), _opening_due_s(memory, step)):
        if due_s is not None and due_s > last_s:
            soonest_s = min(soonest_s, due_s)
    return soonest_s


def _time_left(memory: Memory, step: Step) -> float | None:
    time_s = step.lasts_s if step.timed else step.end("time")
    return None if time_s is None else round(memory.step_started_s + memory.step_paused_s + time_s, 3)


def _opening_due_s(memory: Memory, step: Step) -> float | None:
    opening, interrupt = memory.opening, step.interrupt
    if interrupt is None:
        return None
    if opening.open_s is not None:
        return round(opening.open_s + interrupt.lasts_s, 3)
    return opening.next_s


def valid_until_s(memory: Memory, step: Step, missed_max: int) -> float:
    """Return until when the last good reading allows an output to be on."""
    if memory.last_good_s is None:
        return -1.0
    return memory.last_good_s + missed_max * step.sample_every_s + LEASE_EXTRA_S


def lapsed(memory: Memory, step: Step, missed_max: int, now_s: float) -> Trip | None:
    """A live output held on past its lease (stalled, suspended, stopped). A good reading after that does not mend it."""
    m = memory
    if m.state != State.RUNNING or not m.live or now_s <= valid_until_s(m, step, missed_max):
        return None
    return Trip("reading-lost", now_s - (m.last_good_s or 0.0), None, "no reading in time")


def note_missing(memory: Memory, missing: list[str], now_s: float, events: list[Event]) -> None:
    """Remember which inputs this reading lacked; say which were lost and which came back."""
    m = memory
    if not missing:
        m.last_good_s = now_s
        if m.missing:
            events.extend(ReadingFound(name) for name in m.missing)
            m.missing = []
        m.missed = 0
        return
    m.missed += 1
    events.extend(ReadingLost(name, m.missed) for name in missing if name not in m.missing)
    events.extend(ReadingFound(name) for name in m.missing if name not in missing)
    m.missing = missing

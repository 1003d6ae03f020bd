"""The bounded mailbox between the channel loops and the publisher's thread: latest status per channel, events in order.

Nothing here waits for anything but a lock held for microseconds, so a dead network cannot delay control. Statuses and events
have bounds of their own: statuses, which replace each other, can never push out an event.
"""

from __future__ import annotations

import math
import threading
from collections import deque
from dataclasses import dataclass
from typing import Any, NamedTuple

from chargerd.status.snapshot import Snapshot

EVENTS_MAX = 1000
"""Events kept for a broker that is away, about 0.5 MB. Then the oldest goes, counted: the newest say what is the matter now."""

CHANNELS_MAX = 64
"""Channels of a bench. A status of a channel beyond is refused and counted."""

STATUS_EVERY_S = 1.0
"""A channel's status is not sent more often than this unless something a person would act on has changed."""


class Status(NamedTuple):
    """A status whose turn it is. `unknown`: it was not renewed in time and goes out as *unknown since* its own time."""

    channel: str
    snapshot: Snapshot
    unknown: bool


class Queued(NamedTuple):
    """An event whose turn it is; `number` counts all events ever put in."""

    number: int
    event: dict[str, Any]


@dataclass(slots=True)
class _Slot:
    snapshot: Snapshot
    offered_s: float
    waiting: bool = True
    told_unknown: bool = False
    sent_s: float = -math.inf
    sent_key: tuple[object, ...] = ()

    def due_s(self) -> float:
        """Return when this status may go out, if it waits."""
        return self.sent_s + (STATUS_EVERY_S if self.sent_key == _key(self.snapshot) else 0.0)

    def lapses_s(self) -> float:
        """Return when it will prove nothing any more."""
        return math.inf if self.told_unknown else self.offered_s + self.snapshot.valid_for_s


class Mailbox:
    """Filled from any thread, emptied by one. Look (`peek`), send, then take away (`pop`): what was not sent stays."""

    __slots__ = ("_events", "_first", "_lock", "_slots", "events_lost", "statuses_refused")

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._slots: dict[str, _Slot] = {}
        self._events: deque[dict[str, Any]] = deque()
        self._first = 0
        self.events_lost = 0
        self.statuses_refused = 0

    def put_status(self, snapshot: Snapshot, now_s: float) -> bool:
        """Replace the channel's status. Return whether it may go out at once."""
        channel = snapshot.subject.channel
        with self._lock:
            slot = self._slots.get(channel)
            if slot is None:
                if len(self._slots) >= CHANNELS_MAX:
                    self.statuses_refused += 1
                    return False
                self._slots[channel] = _Slot(snapshot, now_s)
                return True
            slot.snapshot, slot.offered_s, slot.waiting, slot.told_unknown = snapshot, now_s, True, False
            return slot.due_s() <= now_s

    def put_event(self, event: dict[str, Any]) -> None:
        """Append an event; over the bound the oldest is lost and counted."""
        with self._lock:
            self._events.append(event)
            if len(self._events) > EVENTS_MAX:
                self._drop_oldest()
                self.events_lost += 1

    def peek(self, now_s: float, *, all_now: bool = False) -> Queued | Status | None:
        """Return what to send next: events first, then statuses that are due (`all_now`: that wait). None: nothing yet."""
        with self._lock:
            if self._events:
                return Queued(self._first, self._events[0])
            for channel, slot in self._slots.items():
                if not all_now and slot.lapses_s() <= now_s:
                    return Status(channel, slot.snapshot, unknown=True)
                if slot.waiting and (all_now or slot.due_s() <= now_s):
                    return Status(channel, slot.snapshot, unknown=slot.told_unknown)
            return None

    def pop(self, item: Queued | Status, now_s: float, *, lost: bool = False) -> None:
        """Take away what has been sent (or, `lost`, what never can be). What replaced it meanwhile stays."""
        with self._lock:
            if isinstance(item, Queued):
                if item.number == self._first and self._events:
                    self._drop_oldest()
                    self.events_lost += lost
                return
            slot = self._slots[item.channel]
            slot.sent_s, slot.sent_key = now_s, _key(item.snapshot)
            if slot.snapshot is item.snapshot:
                slot.waiting, slot.told_unknown = False, item.unknown
            self.statuses_refused += lost

    def resend(self) -> None:
        """Let every channel's last status go out again: a broker that restarted may have forgotten it."""
        with self._lock:
            for slot in self._slots.values():
                slot.waiting, slot.sent_s = True, -math.inf

    def next_s(self) -> float:
        """Return when `peek` will have something if nothing new comes; infinity: never."""
        with self._lock:
            if self._events:
                return -math.inf
            return min((min(slot.due_s() if slot.waiting else math.inf, slot.lapses_s()) for slot in self._slots.values()),
                       default=math.inf)  # fmt: skip

    def sizes(self) -> tuple[int, int]:
        """Return how many events wait and how many channels are known."""
        with self._lock:
            return len(self._events), len(self._slots)

    def _drop_oldest(self) -> None:
        self._events.popleft()
        self._first += 1


def _key(snapshot: Snapshot) -> tuple[object, ...]:
    derived = snapshot.derived
    return (derived.state, derived.step, derived.round, snapshot.output, snapshot.trip, snapshot.warnings)

"""From a pass of the channel to what watchers see: one Snapshot for all of them, and the records as events."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict
from typing import Any

from chargerd.core.demand import Energise
from chargerd.core.engine import Engine
from chargerd.core.events import CheckPassed, Observed, Record, StepStarted, Tripped
from chargerd.core.limits import Trip
from chargerd.core.program import Repeat
from chargerd.core.states import OVER
from chargerd.daemon.channel import Pass
from chargerd.status.outlook import NO_OUTLOOK, Forecast
from chargerd.status.snapshot import UNKNOWN_OUTPUT, Ages, Output, Snapshot, Subject, make_event, make_snapshot

VALID_PASSES = 3.0
"""A snapshot is valid for three times the longest pause between two."""
QUIET_KINDS = frozenset({"observed", "tick"})
"""Records that watchers are not told of one by one: they say nothing a person could act on."""

Show = Callable[[Snapshot], None]
Announce = Callable[[dict[str, Any]], None]


class Watching:
    """Keeps what a Snapshot needs between passes. Feeding it never raises and never waits."""

    def __init__(self, engine: Engine, subject: Subject, shows: tuple[Show, ...], announce: tuple[Announce, ...]) -> None:
        self._engine = engine
        self._subject = subject
        self._shows = shows
        self._announce = announce
        self._forecast = Forecast(engine.step)
        self._output: Output = UNKNOWN_OUTPUT
        self._trip: Trip | None = None

    def take(self, done: Pass) -> Snapshot:
        """Tell the watchers of one pass."""
        engine = self._engine
        for seq, record in done.records:
            self._note(record)
            if record.kind not in QUIET_KINDS:
                event = make_event(self._subject, record, seq=seq, utc=done.utc)
                for announce in self._announce:
                    announce(event)
        running = engine.memory.state == "RUNNING"
        if running:
            self._forecast.take(engine.view)
        age_s = 0.0 if engine.memory.last_reading_s is None else max(done.elapsed_s - engine.memory.last_reading_s, 0.0)
        snapshot = make_snapshot(
            self._subject, engine.derived._replace(state=engine.memory.state), done.demand,
            seq=done.seq, utc=done.utc, elapsed_s=done.elapsed_s,
            valid_for_s=VALID_PASSES * max(done.demand.sample_every_s, 2.0),
            reason=engine.memory.reason, ages=Ages(age_s, age_s, age_s), rounds=self._rounds(),
            outlook=self._forecast.outlook() if running else NO_OUTLOOK,
            output=self._output, trip=self._trip,
        )  # fmt: skip
        for show in self._shows:
            show(snapshot)
        return snapshot

    def _note(self, record: Record) -> None:
        if isinstance(record, StepStarted):
            self._forecast = Forecast(self._engine.step)
        elif isinstance(record, Tripped) and self._trip is None:
            self._trip = Trip(**asdict(record))
        elif isinstance(record, Observed):
            on = record.what == "on" if record.verified else None
            self._output = Output(on, record.verified, f"{record.instrument}: {record.text or 'read back'}")
        elif isinstance(record, CheckPassed):
            self._output = Output(on=False, verified=True, by="reading back at the start")

    def _rounds(self) -> int | None:
        engine = self._engine
        items = engine.plan.program.items
        item = items[min(engine.memory.position.item, len(items) - 1)]
        return item.rounds if isinstance(item, Repeat) else None


def is_energised(engine: Engine) -> bool:
    """Return whether the engine holds an output on now, as far as observed."""
    return engine.memory.live or (engine.state not in OVER and engine.demand().energise is not Energise.NONE)

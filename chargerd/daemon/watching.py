"""From a pass of the channel to what watchers see: one Snapshot for all of them, and the records as events."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, replace
from typing import Any

from chargerd.core.demand import Energise
from chargerd.core.engine import Engine
from chargerd.core.events import CheckPassed, Observed, Record, StepStarted, Tripped
from chargerd.core.limits import Trip
from chargerd.core.program import Repeat
from chargerd.core.states import OVER, State
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

    def __init__(
        self, engine: Engine, subject: Subject, shows: tuple[Show, ...], announce: tuple[Announce, ...],
        warnings: tuple[str, ...] = (),
    ) -> None:  # fmt: skip
        self._engine = engine
        self._subject = subject
        self._shows = shows
        self._announce = announce
        self._warnings = warnings
        self._forecast = Forecast(engine.step, engine.voltage_set_V)
        self._outputs: dict[str, Output] = {}
        self._seen_s: list[float | None] = [None, None, None]
        self._trip: Trip | None = None

    def take(self, done: Pass) -> Snapshot:
        """Tell the watchers of one pass."""
        self.hear(done)
        return self.tell(done)

    def hear(self, done: Pass) -> None:
        """Take note of one pass and announce its records."""
        for seq, record in done.records:
            self._note(record)
            if self._announce and record.kind not in QUIET_KINDS:
                event = make_event(self._subject, record, seq=seq, utc=done.utc)
                for announce in self._announce:
                    announce(event)
        if self._engine.memory.state == State.RUNNING:
            self._forecast.take(self._engine.view)

    def tell(self, done: Pass) -> Snapshot:
        """Show the channel as it is after that pass."""
        engine = self._engine
        running = engine.memory.state == State.RUNNING
        snapshot = make_snapshot(
            self._subject, engine.derived._replace(state=engine.memory.state), done.demand,
            seq=done.seq, utc=done.utc, elapsed_s=done.elapsed_s,
            valid_for_s=VALID_PASSES * max(done.demand.sample_every_s, 2.0),
            reason=engine.memory.reason, ages=self._ages(done.elapsed_s), rounds=self._rounds(),
            outlook=self._forecast.outlook() if running else NO_OUTLOOK,
            output=combined(self._outputs), trip=self._trip, warnings=(*self._warnings, *done.warnings),
        )  # fmt: skip
        for show in self._shows:
            show(snapshot)
        return snapshot

    def _ages(self, elapsed_s: float) -> Ages:
        """Age of each of the three numbers: of the last reading that had it."""
        derived, last_s = self._engine.derived, self._engine.memory.last_reading_s
        values = (derived.voltage_V, derived.current_A, derived.temperature_degC)
        for place, value in enumerate(values):
            if value is not None and last_s is not None:
                self._seen_s[place] = last_s
        return Ages(*(None if seen_s is None else max(elapsed_s - seen_s, 0.0) for seen_s in self._seen_s))

    def _note(self, record: Record) -> None:
        if isinstance(record, StepStarted):
            self._forecast = Forecast(self._engine.step, self._engine.voltage_set_V)
        elif isinstance(record, Tripped) and self._trip is None:
            self._trip = Trip(**asdict(record))
        elif isinstance(record, Observed):
            on = record.what == "on" if record.verified else None
            self._outputs[record.instrument] = Output(on, record.verified, f"{record.instrument}: {record.text or 'read back'}")
        elif isinstance(record, CheckPassed):
            inputs = self._engine.plan.inputs
            off = Output(on=False, verified=True, by="reading back at the start")
            self._outputs = {name: off for name in (inputs.source, inputs.load) if name}
            if record.unattended or record.attended_because:
                self._subject = replace(
                    self._subject, attended_only=not record.unattended, attended_because=record.attended_because
                )

    def _rounds(self) -> int | None:
        engine = self._engine
        items = engine.plan.program.items
        item = items[min(engine.memory.position.item, len(items) - 1)]
        return item.rounds if isinstance(item, Repeat) else None


def combined(outputs: dict[str, Output]) -> Output:
    """Return one output for all: on when any is, verified only when all are; what is not known of one is not known of all."""
    if not outputs:
        return UNKNOWN_OUTPUT
    for output in outputs.values():
        if output.on or not output.verified:
            return output
    return Output(on=False, verified=True, by="; ".join(dict.fromkeys(output.by for output in outputs.values())))


def is_energised(engine: Engine) -> bool:
    """Return whether the engine holds an output on now, as far as observed."""
    return engine.memory.live or (engine.state not in OVER and engine.demand().energise is not Energise.NONE)

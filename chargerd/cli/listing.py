"""A few words about a run folder, from the end of its files."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from chargerd.errors import RefusedError

if TYPE_CHECKING:
    from chargerd.daemon.frozen import FrozenRun


@dataclass(frozen=True, slots=True)
class Summary:
    """How a run stands in its record."""

    name: str
    state: str
    reason: str
    elapsed_s: float
    rows: int
    size_bytes: int

    def words(self) -> str:
        """Return one line."""
        from chargerd.status.words import duration

        why = f" ({self.reason})" if self.reason else ""
        return f"{self.state}{why}, {duration(self.elapsed_s)}, {self.rows} readings, {self.size_bytes / 1e6:.1f} MB"


def summary_of(folder: Path) -> Summary:
    """Return how a run stands: the last change of state it recorded. Raises JournalError on damage."""
    from chargerd.core.events import StateChanged
    from chargerd.journal.columns import EVENTS, READINGS
    from chargerd.journal.reader import iter_events, iter_readings

    state, reason, elapsed_s, rows = "IDLE", "", 0.0, 0
    if (folder / EVENTS).is_file():
        for event in iter_events(folder / EVENTS):
            if event.kind == StateChanged.kind and isinstance(event.record, StateChanged):
                state, reason = event.record.after, event.record.reason
            elapsed_s = event.elapsed_s
        for row in iter_readings(folder / READINGS):
            rows, elapsed_s = row.seq, max(elapsed_s, row.elapsed_s)
    size = sum(path.stat().st_size for path in folder.iterdir() if path.is_file())
    return Summary(folder.name, state, reason, elapsed_s, rows, size)


def refuse_if_over(run: FrozenRun) -> None:
    """Refuse a run that has ended and is closed: an off plan of its own could switch off its successor.

    Raises RefusedError, also when another run is going on there; JournalError on damage.
    """
    from chargerd.core.events import StateChanged
    from chargerd.core.states import OVER
    from chargerd.journal.columns import EVENTS
    from chargerd.journal.ledger import ChannelLedger
    from chargerd.journal.reader import iter_events

    path = run.folder / EVENTS
    records = [event.record for event in iter_events(path)] if path.is_file() else []
    state = next((record.after for record in reversed(records) if isinstance(record, StateChanged)), "")
    with ChannelLedger.open(run.data, run.channel.name) as ledger:
        if state in OVER and ledger.open_run() != run.folder.name:
            raise RefusedError(f"{run.folder.name}: this run is over ({state}); start a new one with: chargerd run")

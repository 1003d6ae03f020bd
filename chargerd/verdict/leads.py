"""What leads and clips drop between the source's terminals and the cell, where a meter reads at each end: their resistance."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

from chargerd.config.bench import BenchFile
from chargerd.journal.reader import ReadingRow
from chargerd.verdict.uncertainty import significant

LEAST_A = 0.050
"""Below this the drop drowns in the difference of two voltages."""
AT_EACH_END = 20
"""Readings averaged at the beginning and at the end of a run."""
AGE_MAX_S = 5.0
"""Older than this, a voltage says little about the current beside it."""
WORSE_OHM = 0.050
"""A contact that has grown by this much is going bad: at 1.5 A it makes 0.1 W in one spot (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Leads:
    """Mean resistance over the first and over the last charging readings and its standard uncertainty, ohm.

    Both means hold the same error of the two voltage readings, so that their difference is known far better than either.
    """

    first_ohm: float
    last_ohm: float
    u_ohm: float

    @property
    def is_worse(self) -> bool:
        """Whether a contact has gone bad in the course of the run."""
        return self.last_ohm - self.first_ohm > WORSE_OHM

    def sentence(self) -> str:
        """Say it, and what to do when a contact is going bad."""
        said = (
            f"Leads and clips: {significant(self.last_ohm, 2)} Ω ± {significant(2.0 * self.u_ohm, 1)} Ω at the last charge, "
            f"{significant(self.first_ohm, 2)} Ω at first, beside the cell's own."
        )
        return f"{said} A contact is going bad: clean or replace the clips before the next run." if self.is_worse else said


class LeadsReader:
    """Takes the readings of a run in order and keeps the first and last of those that charge; only these are parsed."""

    def __init__(self, bench: BenchFile, channel: str) -> None:
        spec = bench.channels[channel]
        ends = (spec.sense or spec.source, spec.meter) if spec.meter else ()
        self._keys = [f"{name}_voltage_V" for name in ends]
        accuracies = [bench.instruments[name].accuracy.get("voltage") for name in ends]
        self._accuracies = [given for given in accuracies if given is not None]
        self._first: list[ReadingRow] = []
        self._last: deque[ReadingRow] = deque(maxlen=AT_EACH_END)

    def take(self, row: ReadingRow) -> None:
        """Look at one reading."""
        if not self._keys or row.cells[3] != "RUNNING" or not _current_A(row) >= LEAST_A:
            return
        self._last.append(row)
        if len(self._first) < AT_EACH_END:
            self._first.append(row)

    def found(self) -> Leads | None:
        """Return what they say; None without a meter at the cell, its accuracy, or a charge. Raises JournalError."""
        first, last = _mean(self._first, self._keys), _mean(self._last, self._keys)
        if first is None or last is None or len(self._accuracies) < len(self._keys):
            return None
        u_V = math.hypot(*((given.gain * last.voltage_V + given.offset) / math.sqrt(3.0) for given in self._accuracies))
        return Leads(first.ohm, last.ohm, u_V / min(first.current_A, last.current_A))


@dataclass(frozen=True, slots=True)
class _Mean:
    ohm: float
    voltage_V: float
    current_A: float


def _current_A(row: ReadingRow) -> float:
    return float(row.cells[9] or 0.0)


def _mean(rows: Sequence[ReadingRow] | deque[ReadingRow], keys: Sequence[str]) -> _Mean | None:
    """Return the means over those readings that hold both voltages; the smaller a current, the less it weighs."""
    drop_V = voltage_V = current_A = 0.0
    count = 0
    for row in rows:
        inputs = row.reading().inputs
        near_V, far_V = (inputs[key].usable(AGE_MAX_S) if key in inputs else None for key in keys)
        if near_V is None or far_V is None:
            continue
        drop_V, voltage_V, current_A, count = drop_V + near_V - far_V, voltage_V + near_V, current_A + _current_A(row), count + 1
    return _Mean(drop_V / current_A, voltage_V / count, current_A / count) if count else None

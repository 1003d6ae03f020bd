"""Resistance by current interruption: the voltage step over the current step, always with its time after opening."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from chargerd.core.events import ResistanceMeasured
from chargerd.verdict.sample import Noted

FIRM_SHARE = 0.5


@dataclass(frozen=True, slots=True)
class Resistance:
    """One d.c. resistance: at `after_s` after opening the circuit, and later at `end_after_s`."""

    elapsed_s: float
    ohm: float
    after_s: float
    end_ohm: float
    end_after_s: float
    current_A: float


@dataclass(frozen=True, slots=True)
class Resistances:
    """Of one leg or one run: the first and the last that were believed, how many, and how many were not believed.

    `firm` is the last one at no less than half of the largest current: a small current's voltage step drowns in noise.
    """

    first: Resistance | None
    last: Resistance | None
    firm: Resistance | None
    accepted: int
    refused: int

    @property
    def change(self) -> float | None:
        """Return the last over the first, None without two."""
        if self.first is None or self.last is None or self.accepted < 2 or self.first.ohm <= 0.0:
            return None
        return self.last.ohm / self.first.ohm


def resistances(noted: Sequence[Noted], seq_first: int, seq_last: int) -> Resistances:
    """Collect the interruptions recorded after any reading from `seq_first` to `seq_last`."""
    found: list[Resistance] = []
    refused = 0
    for item in noted:
        record = item.record
        if not isinstance(record, ResistanceMeasured) or not seq_first <= item.after_seq <= seq_last:
            continue
        if not record.accepted:
            refused += 1
            continue
        found.append(Resistance(item.elapsed_s, record.resistance_ohm, record.after_s, record.resistance_end_ohm,
                                record.end_after_s, record.current_A))  # fmt: skip
    if not found:
        return Resistances(None, None, None, 0, refused)
    largest_A = max(item.current_A for item in found)
    firm = next(item for item in reversed(found) if item.current_A >= FIRM_SHARE * largest_A)
    return Resistances(found[0], found[-1], firm, len(found), refused)

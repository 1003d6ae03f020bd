"""Detectors of sums: the bounds that prove that a step's own end did not work, and readings that have been missing too long."""

from __future__ import annotations

from chargerd.core.detect.sight import Detect, Sight
from chargerd.core.limits import BOUND_FACTOR, StepBounds, Trip
from chargerd.core.observation import missing_inputs
from chargerd.core.protection_memory import ProtectionMemory


def bound(cause: str, of: str, end: str) -> Detect:
    """Return the detector of a sum (a field of ProtectionMemory) that has passed `BOUND_FACTOR` × an end (of StepBounds)."""
    assert of in ProtectionMemory.__slots__
    assert end in StepBounds.__slots__

    def detect(sight: Sight) -> Trip | None:
        most, value = getattr(sight.bounds, end), getattr(sight.memory, of)
        if most is None or value <= BOUND_FACTOR * most:
            return None
        return Trip(cause, value, BOUND_FACTOR * most)

    return detect


def reading_lost(sight: Sight) -> Trip | None:
    """Readings needed to supervise an energising step. Counted over readings running; one good reading ends the count."""
    m, frozen = sight.memory, sight.frozen
    missing = missing_inputs(sight.seen, has_thermometer=frozen.has_thermometer, has_relay=sight.connected is not None)
    if not missing or not sight.watched:
        m.missed = 0
        return None
    m.missed += 1
    if m.missed > frozen.missed_max:
        return Trip("reading-lost", float(m.missed), float(frozen.missed_max), ", ".join(missing))
    return None

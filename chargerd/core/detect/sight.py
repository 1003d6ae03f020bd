"""What a detector looks at: one reading, the bounds of the present step, the limits frozen at the start, its own memory."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from chargerd.core.limits import OFF_CURRENT_FLOOR_A, Limits, StepBounds, Trip, Zeros
from chargerd.core.observation import Observation
from chargerd.core.protection_memory import ProtectionMemory


@dataclass(frozen=True, slots=True)
class Frozen:
    """What was fixed at the start of the run.

    `ovp_V`, `ocp_A`: the levels written to the source, None when nothing ever charges. `current_u_A`: the standard uncertainty
    of the current. `missed_max`: how many readings running may lack something.
    """

    limits: Limits
    zeros: Zeros
    has_thermometer: bool
    missed_max: int
    current_u_A: float
    ovp_V: float | None
    ocp_A: float | None

    @property
    def off_A(self) -> float:
        """The largest reading that is no current at all."""
        return max(OFF_CURRENT_FLOOR_A, 5.0 * self.current_u_A)


@dataclass(slots=True)
class Sight:
    """One reading as a detector sees it.

    `live`: an output is wanted on and was switched on before this reading. `watched`: the step energises, so its readings must
    not go missing. `connected`: how the cell's relay was last switched, None without one. `raise_waits`: a step has begun on half
    a reading, so that its set-points are not written yet.
    """

    seen: Observation
    bounds: StepBounds
    frozen: Frozen
    memory: ProtectionMemory
    live: bool
    watched: bool
    connected: bool | None
    raise_waits: bool = False

    @property
    def charging(self) -> bool:
        """A charge is on."""
        return self.live and self.bounds.direction > 0

    @property
    def discharging(self) -> bool:
        """A discharge is on."""
        return self.live and self.bounds.direction < 0

    def confirmed(self, name: str, *, doubt: bool) -> bool:
        """Count readings running that show a doubt; True from the third: instruments are not read at the same instant."""
        count = self.memory.confirmed.get(name, 0) + 1 if doubt else 0
        self.memory.confirmed[name] = count
        return count >= CONFIRMS


CONFIRMS = 3
"""Readings in agreement before instruments that contradict each other trip a run."""

Detect = Callable[[Sight], Trip | None]
"""A detector: the trip that this reading calls for, or None."""

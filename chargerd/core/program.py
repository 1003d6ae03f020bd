"""The parsed program: what a profile asks of one cell, resolved to SI numbers. Knows nothing of limits or trips.

A `Program` is frozen data. The engine walks it; `config/profile.py` builds it from a file.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import StrEnum

RUNG_MERGE_V = 0.020
"""A rung capped at the ceiling and closer than this to the rung below is dropped: it would teach nothing new."""


class StepKind(StrEnum):
    """Kinds of step, by the words a profile uses."""

    REST = "rest"
    CHARGE = "charge"
    CONSTANT_VOLTAGE = "constant_voltage"
    DISCHARGE = "discharge"
    PULSES = "pulses"
    CONNECTION_CHECK = "connection_check"
    ZERO_CURRENT = "zero_current"
    ASK_PERSON = "ask_person"


CHARGING = frozenset({StepKind.CHARGE, StepKind.CONSTANT_VOLTAGE})
ENERGISING = CHARGING | {StepKind.DISCHARGE}
"""Kinds whose every execution is one charge or one discharge, with ends of its own. Others are taken apart into timed parts."""


@dataclass(frozen=True, slots=True)
class EndSpec:
    """One end of a step: a key of `ENDS` (core/ends.py) and its value in that end's unit (V, A, s, Ah, Wh, degC, K, V/h …)."""

    kind: str
    value: float


@dataclass(frozen=True, slots=True)
class Interrupt:
    """Current interruptions for the resistance: every `every_s` the output goes off for `lasts_s`."""

    every_s: float
    lasts_s: float


@dataclass(frozen=True, slots=True)
class Step:
    """One instruction. `number` is its place in the profile ("2", "1.3"); it stands in the `step` column.

    `current_A` and `voltage_V` are magnitudes. A charge without `voltage_V` is constant current up to the limits; a climbing
    charge (`climbs`) takes its voltage from the rung of the enclosing repeat. `lasts_s` belongs to rests and to parts.

    `power_W` and `resistance_ohm`: the current follows from the voltage at each reading, `current_A` is the most. `ramp_V_per_h`:
    the voltage set-point rises to `voltage_V`. `grain` is the instrument's step of the set-point that follows (A or V).

    Pulses, connection checks and zero currents are taken apart into parts of one `group` (the number of the step as written),
    each with its `sign` (+1 source, -1 load, 0 off) and its `lasts_s`. `question` and the time for an answer (`lasts_s`) are
    ask_person's; `window_ohm` is what a connection check believes.
    """

    number: str
    kind: StepKind
    current_A: float = 0.0
    voltage_V: float | None = None
    climbs: bool = False
    lasts_s: float = 0.0
    interrupt: Interrupt | None = None
    sample_every_s: float = 10.0
    ends: tuple[EndSpec, ...] = ()
    power_W: float | None = None
    resistance_ohm: float | None = None
    ramp_V_per_h: float | None = None
    grain: float = 0.0
    sign: int = 0
    group: str = ""
    question: str = ""
    window_ohm: tuple[float, float] = (0.0, 100.0)

    direction: int = field(init=False, compare=False)
    """+1 when the source may be on, -1 when the load may, 0 when neither may."""
    timed: bool = field(init=False, compare=False)
    """Whether it ends by its own `lasts_s`: a rest, a part."""
    isolated: bool = field(init=False, compare=False)
    """Whether an output is on with the relay to the cell open."""
    follows: bool = field(init=False, compare=False)
    """Whether a set-point is worked out anew at each reading."""

    def __post_init__(self) -> None:
        """Work out once what every reading asks."""
        set_field = object.__setattr__  # frozen for everybody else
        sign = 1 if self.kind in CHARGING else -1 if self.kind is StepKind.DISCHARGE else self.sign
        set_field(self, "direction", sign)
        set_field(self, "timed", self.kind is StepKind.REST or bool(self.group))
        set_field(self, "isolated", self.kind is StepKind.ZERO_CURRENT and sign != 0)
        followed = (self.power_W, self.resistance_ohm, self.ramp_V_per_h)
        set_field(self, "follows", any(value is not None for value in followed))

    def end(self, kind: str) -> float | None:
        """Return the value of that end, None when the step has no such end."""
        for spec in self.ends:
            if spec.kind == kind:
                return spec.value
        return None


@dataclass(frozen=True, slots=True)
class Climb:
    """Rungs in V, lowest first, already under the ceiling; step back when coulombic efficiency is below the value."""

    rungs_V: tuple[float, ...]
    step_back_efficiency: float | None = None


@dataclass(frozen=True, slots=True)
class Repeat:
    """Steps done again. `capacity_within` (a fraction) ends the repeat when two rounds running agree that well.

    With a climb, agreement is judged on the last rung only.
    """

    number: str
    rounds: int
    steps: tuple[Step, ...]
    climb: Climb | None = None
    capacity_within: float | None = None


@dataclass(frozen=True, slots=True)
class Program:
    """A whole profile for one cell."""

    name: str
    items: tuple[Step | Repeat, ...]
    attended: bool = False

    def steps(self) -> Iterator[Step]:
        """Yield every step once, in order."""
        for item in self.items:
            if isinstance(item, Repeat):
                yield from item.steps
            else:
                yield item

    def step(self, number: str) -> Step:
        """Return the step of that number. Raises KeyError when there is none."""
        for step in self.steps():
            if step.number == number:
                return step
        raise KeyError(number)


def resolve_rungs(rungs_V: tuple[float, ...], ceiling_V: float) -> tuple[float, ...]:
    """Put rungs under the ceiling: one above it becomes it, and is dropped when less than 20 mV above the rung below."""
    kept: list[float] = []
    for rung_V in rungs_V:
        capped_V = min(rung_V, ceiling_V)
        if kept and capped_V - kept[-1] < RUNG_MERGE_V - 1e-9:
            continue
        kept.append(capped_V)
    return tuple(kept)

"""What the engine wants of the instruments: a lease on energy, never more."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Energise(StrEnum):
    """Which instrument may be on. At most one, ever."""

    NONE = "none"
    SOURCE = "source"
    LOAD = "load"


class Activity(StrEnum):
    """What the channel does at this instant; the `activity` column."""

    OFF = "off"
    REST = "rest"
    CHARGE = "charge"
    DISCHARGE = "discharge"
    INTERRUPTION = "interruption"
    PULSE = "pulse"
    PROBE = "probe"
    ZERO_CURRENT = "zero-current"
    ASK_PERSON = "ask-person"


@dataclass(frozen=True, slots=True)
class Demand:
    """The wanted state of the channel's outputs. Not renewed before `valid_until_s` (run-relative), it falls to off.

    `voltage_set_V` and `current_set_A` are set-points of the energised instrument (magnitudes). `ovp_V` and `ocp_A` are the
    levels its own protection must hold, written and read back before it may be on. `connected`: the cell's relay may be
    closed, or stay so; without it a relay opens, as the last thing, once source and load are off. `isolated`: the relay stays
    open although the output is on (zero current).
    """

    energise: Energise
    activity: Activity
    valid_until_s: float
    sample_every_s: float
    voltage_set_V: float | None = None
    current_set_A: float | None = None
    ovp_V: float | None = None
    ocp_A: float | None = None
    connected: bool = False
    isolated: bool = False


def off_demand(activity: Activity, sample_every_s: float, *, connected: bool = False) -> Demand:
    """Return the demand that everything be off, the cell's relay open unless `connected`. Off needs no lease."""
    return Demand(Energise.NONE, activity, 0.0, sample_every_s, connected=connected)

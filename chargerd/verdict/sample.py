"""What the verdict is worked out from: samples, event rows and the facts of a run. Knows no file.

`load.py` builds these from a run folder; tests build them by hand. Charge current is positive.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from chargerd.core.events import Record
from chargerd.verdict.uncertainty import UNKNOWN, Accuracies


class Sample(NamedTuple):
    """One row of the readings: the columns a verdict needs. None = not known at this reading, never zero."""

    seq: int
    elapsed_s: float
    state: str
    step: str
    round: int
    activity: str
    regulated_by: str
    voltage_V: float | None
    current_A: float | None
    temperature_degC: float | None
    charge_in_Ah: float = 0.0
    charge_out_Ah: float = 0.0
    energy_in_Wh: float = 0.0
    energy_out_Wh: float = 0.0
    gassing_s: float = 0.0
    gassing_terminal_s: float = 0.0
    gas_charge_Ah: float = 0.0


class Noted(NamedTuple):
    """One row of the events: what was recorded after which reading."""

    seq: int
    after_seq: int
    elapsed_s: float
    record: Record


@dataclass(frozen=True, slots=True)
class Rating:
    """What the cell's record says it holds, and under which conditions. None = the record does not say."""

    charge_Ah: float
    provisional: bool = True
    voltage_max_V: float | None = None
    voltage_min_V: float | None = None
    current_A: float | None = None


@dataclass(frozen=True, slots=True)
class RunFacts:
    """What a run's frozen files say about it. `sample_every_s` is by step number; `sha256` by file name.

    `faults` are things the reader of the folder had to say (a torn last row that was left out), `not_known` what the bench
    cannot tell. `leads_in_voltage`: no meter is at the cell, so that leads and clips are in its voltage and resistance.
    """

    run: str
    cell: str
    profile: str = ""
    bench: str = ""
    versions: Mapping[str, str] = field(default_factory=dict)
    sha256: Mapping[str, str] = field(default_factory=dict)
    rating: Rating | None = None
    accuracies: Accuracies = UNKNOWN
    sample_every_s: Mapping[str, float] = field(default_factory=dict)
    faults: tuple[str, ...] = ()
    not_known: tuple[str, ...] = ()
    leads_in_voltage: bool = False

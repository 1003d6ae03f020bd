"""What the instruments said, each value with its quality and age. A missing reading is never a number."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple


class Quality(StrEnum):
    """Quality of one measured value."""

    GOOD = "good"
    STALE = "stale"
    IMPLAUSIBLE = "implausible"
    ABSENT = "absent"


class Measured(NamedTuple):
    """One judged input. `value` is None unless an instrument really answered it; `age_s` is counted at the reading."""

    value: float | None
    age_s: float = 0.0
    quality: Quality = Quality.GOOD

    def usable(self, age_max_s: float) -> float | None:
        """Return the value when it is good and not older than `age_max_s` seconds, else None."""
        if self.quality is Quality.GOOD and self.value is not None and self.age_s <= age_max_s:
            return self.value
        return None


ABSENT = Measured(None, 0.0, Quality.ABSENT)

INPUT_QUANTITIES: dict[str, str] = {
    "voltage_V": "voltage measured by this instrument, V",
    "current_A": "current measured by this instrument (a source's out of it, a load's into it, both positive), A",
    "temperature_degC": "temperature, degC",
    "output": "1 when the instrument says that its output or input is on, 0 when off",
    "regulated": "what the instrument regulates: 0 off, 1 constant current, 2 constant voltage, 3 unregulated",
    "tripped": "1 when a protection of the instrument itself has acted, 0 when not",
    "voltage_set_V": "voltage set-point read back, V",
    "current_set_A": "current set-point read back, A",
    "ovp_V": "over-voltage protection level read back, V",
    "ocp_A": "over-current protection level read back, A",
    "restarted": "1 when the instrument reports a power-on or reset since it was identified, 0 when not",
    "closed": "1 when the relay says that its contact is closed, 0 when open",
    "mirror": "1 when the relay's second contact shows that the first is closed, 0 when it shows it open",
}
"""What one instrument can contribute to a reading. A journal column is `<instrument>_<quantity>`, its age `<…>_age_s`."""


@dataclass(slots=True)
class Reading:
    """All that is judged at one instant: `inputs["supply_voltage_V"]` and so on, keyed `<instrument>_<quantity>`.

    `elapsed_s` is run-relative, in whole milliseconds (rounded at the door so that a replay sees identical numbers).
    """

    elapsed_s: float
    inputs: dict[str, Measured]

    def get(self, key: str) -> Measured:
        """Return the input of that key, ABSENT when nobody measured it."""
        return self.inputs.get(key, ABSENT)


@dataclass(frozen=True, slots=True)
class BankPart:
    """One resistor of a load made of switched resistors: its relay's name in bench.yaml, and its value, leads included."""

    switch: str
    resistance_ohm: float


@dataclass(frozen=True, slots=True)
class ChannelInputs:
    """Which instrument plays which role on this channel (names as in bench.yaml; "" = none).

    Voltage at the cell is the meter's where there is one, else the source's: then it is known only while the relay `switch`
    is closed. Current is the ammeter's where there is one, else the source's minus the load's. A load made of resistors has a
    `bank` instead of readings of its own. `taps` are the meters of a string's cells, the negative end first.
    """

    source: str
    load: str = ""
    meter: str = ""
    thermometer: str = ""
    ambient: str = ""
    ammeter: str = ""
    switch: str = ""
    bank: tuple[BankPart, ...] = ()
    taps: tuple[str, ...] = ()

    @property
    def cells(self) -> int:
        """How many cells hang in series between the channel's ends."""
        return max(1, len(self.taps))

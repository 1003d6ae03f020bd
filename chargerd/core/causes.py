"""Why a channel may trip: in plain words, how loudly it is told, and how long it must rest before anything may start again."""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple


class Priority(StrEnum):
    """How loudly a cause is told (after the idea of ISA-18.2: an alert exists only where a person must act)."""

    EMERGENCY = "emergency"
    """Look at once, also at night."""
    HIGH = "high"
    """Look in the morning: what can harm is off."""
    LOW = "low"
    """Nothing to do: it is told for the record."""


COOLING_S = 1800.0
"""A cell that was too hot rests this long before its trip may be cleared: its core is hotter than its skin."""


class Cause(NamedTuple):
    """One cause. `wait_s`: how long after the trip it may be cleared at the earliest."""

    words: str
    priority: Priority
    wait_s: float = 0.0


CAUSES: dict[str, Cause] = {
    "over-voltage": Cause("the cell's voltage is above its hard limit", Priority.EMERGENCY),
    "under-voltage": Cause("the cell's voltage is below its hard limit", Priority.HIGH),
    "reverse-polarity": Cause("the cell reads as connected the wrong way round", Priority.HIGH),
    "step-voltage": Cause("the voltage stands above this step's own limit: the source does not obey", Priority.HIGH),
    "over-discharge": Cause("the voltage fell below this step's end without the discharge ending", Priority.HIGH),
    "over-current": Cause("the current is above its hard limit", Priority.EMERGENCY),
    "current-above-set-point": Cause("the current is above what was set: the instrument does not limit it", Priority.EMERGENCY),
    "current-direction": Cause("the current flows the wrong way for this step", Priority.EMERGENCY),
    "over-temperature": Cause("the cell is hotter than its limit", Priority.EMERGENCY, wait_s=COOLING_S),
    "too-cold": Cause("the cell is colder than its limit", Priority.LOW),
    "temperature-rise": Cause("the cell has warmed too far above the room", Priority.EMERGENCY),
    "heating-too-fast": Cause("the cell is heating too fast", Priority.EMERGENCY),
    "reading-lost": Cause("a value needed to supervise the cell has been missing too long", Priority.HIGH),
    "current-while-off": Cause("current flows although the outputs are off", Priority.EMERGENCY),
    "current-while-isolated": Cause("current flows although the relay to the cell is open", Priority.EMERGENCY),
    "source-and-load-on": Cause("source and load are on together", Priority.EMERGENCY),
    "source-found-on": Cause("the source is on although it was switched off", Priority.EMERGENCY),
    "load-found-on": Cause("the load is on although it was switched off", Priority.HIGH),
    "load-found-off": Cause("the load is off although it was switched on", Priority.HIGH),
    "load-mode-changed": Cause("the load no longer draws a constant current: somebody changed its mode", Priority.HIGH),
    "instrument-protection": Cause("a protection inside an instrument has acted", Priority.HIGH),
    "instrument-restarted": Cause("an instrument lost power or was reset", Priority.HIGH),
    "set-point-changed": Cause("a set-point is not what was written: somebody or something changed it", Priority.HIGH),
    "protection-level-changed": Cause("an instrument's own protection level is not what was written", Priority.HIGH),
    "bound-time": Cause("the step ran past 1.25 × its time end", Priority.HIGH),
    "bound-charge": Cause("the step moved more than 1.25 × its charge end", Priority.HIGH),
    "bound-energy": Cause("the step moved more than 1.25 × its energy end", Priority.HIGH),
    "bound-gassing-time": Cause("the step gassed for more than 1.25 × its gassing time end", Priority.EMERGENCY),
    "bound-gas": Cause("more than 1.25 × the step's gas charge end went into gas", Priority.EMERGENCY),
    "relay-found-open": Cause("the cell's relay is open although it was closed", Priority.HIGH),
    "relay-found-closed": Cause("the cell's relay is closed although it was opened", Priority.EMERGENCY),
    "relay-contradicts": Cause(
        "the relay's second contact contradicts the relay: it is welded, or it does not close", Priority.EMERGENCY
    ),
    "relay-not-verified": Cause("the relay could not be proven open or closed", Priority.EMERGENCY),
    "hot-contact": Cause("a clip, a contact or a lead between source and cell turns too much power into heat", Priority.HIGH),
    "voltages-differ": Cause("a meter at the cell contradicts the instrument that charges or drains it", Priority.HIGH),
    "currents-differ": Cause("the instruments do not agree about the current", Priority.HIGH),
    "off-not-verified": Cause("an output could not be proven off", Priority.EMERGENCY),
    "on-not-verified": Cause("an output could not be proven on with its set-points and protection", Priority.HIGH),
    "link-lost": Cause("an instrument does not answer", Priority.EMERGENCY),
    "keeper-lost": Cause("the guarding process is gone", Priority.EMERGENCY),
    "suspended": Cause("the computer slept: nothing supervised the cell", Priority.HIGH),
    "program-fault": Cause("a fault inside the program itself", Priority.EMERGENCY),
}
"""Every cause a trip can have. Codes never stand alone on a screen."""

NOT_VERIFIED = {
    "off": "off-not-verified",
    "on": "on-not-verified",
    "open": "relay-not-verified",
    "closed": "relay-not-verified",
}
"""The cause that follows when a switching could not be proven; the key is what was wanted."""


def in_words(reason: str) -> str:
    """Return a cause in words; a reason that is none is words already."""
    return CAUSES[reason].words if reason in CAUSES else reason

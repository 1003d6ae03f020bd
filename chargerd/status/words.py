"""Plain sentences about a channel: what it does, what comes next, and whether a person is needed. No codes.

Called by whoever shows a snapshot, never by the channel loop.
"""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum
from typing import TYPE_CHECKING

from chargerd.core.causes import in_words
from chargerd.core.demand import Activity
from chargerd.core.events import LeftPaused, Record, Resume, StepEnded, StepStarted, Tripped
from chargerd.core.limits import Trip
from chargerd.core.states import State

if TYPE_CHECKING:
    from chargerd.status.outlook import NextEnd
    from chargerd.status.snapshot import Output, Snapshot

HANDS = (
    "Open a window, no flame and no spark. Switch the instruments off at their own switch or pull their plug, "
    "away from the cells; then unplug the cell's leads at the instrument's end. Do not lean over the cells."
)
"""What to do with one's hands when an output may still be on. Gas first: a spark at the cell can light hydrogen."""

AIR = "Air the room before you work there: hydrogen may have gathered. Keep flames and sparks away."


AFTER_ENERGY = (State.PAUSED, State.COMPLETE, State.STOPPED, State.TRIPPED)
"""States in which outputs have been on and must now be off: whatever is not confirmed off here calls a person."""


class Attention(StrEnum):
    """Whether a person is needed, in the words every screen shows."""

    NOTHING = "nothing to do"
    MORNING = "safe, look in the morning"
    STAY = "stay with it"
    NOW = "go now"


URGENCY = (Attention.NOW, Attention.STAY, Attention.MORNING, Attention.NOTHING)
"""Most urgent first: the order in which cells are listed."""


def attention(snapshot: Snapshot) -> tuple[Attention, str]:
    """Return whether a person is needed and, in one or two sentences, for what."""
    output, state = snapshot.output, snapshot.derived.state
    energised = state in (State.RUNNING, State.CHECKING)
    if state in AFTER_ENERGY and not (output.on is False and output.verified):
        return Attention.NOW, HANDS
    if state == State.IDLE and output.on:
        return Attention.NOW, HANDS
    if snapshot.unknown_since is not None:
        return (Attention.NOW if output.on else Attention.MORNING), _unheard(snapshot)
    if state == State.TRIPPED:
        return Attention.MORNING, f"The run is over. {AIR}"
    if energised and snapshot.subject.attended_only:
        return Attention.STAY, snapshot.subject.attended_because or "This run is attended only."
    if snapshot.warnings:
        return Attention.MORNING, snapshot.warnings[0]
    if state == State.PAUSED:
        return Attention.MORNING, f"It waits, the {output_words(output)}."
    return Attention.NOTHING, ""


def _unheard(snapshot: Snapshot) -> str:
    if snapshot.output.on:
        return "Nothing has been heard while an output was on. Look whether the computer runs; if not: " + HANDS
    return "Nothing has been heard for too long; the output was off when it last was."


def output_words(output: Output) -> str:
    """Return "output is off, confirmed by …" and its relatives."""
    by = f" by {plain(output.by)}" if output.by else ""
    if output.on is None:
        return "output is not known"
    if output.verified:
        return f"output is {'on' if output.on else 'off'}, confirmed{by}"
    return "output may be on" if output.on else "output was switched off, NOT confirmed"


def sentence(snapshot: Snapshot) -> str:
    """Return the one sentence that says what this channel does and what ends it."""
    if snapshot.unknown_since is not None:
        return f"Unknown since {snapshot.unknown_since}; before that: {_doing(snapshot)}"
    return _doing(snapshot)


def _doing(snapshot: Snapshot) -> str:
    state = snapshot.derived.state
    reason = f": {plain(in_words(snapshot.reason))}" if snapshot.reason else ""
    if state == State.RUNNING:
        return f"{_activity(snapshot)}{_then(snapshot)}"
    if state == State.TRIPPED:
        return f"Tripped: {cause_words(snapshot.trip)}" if snapshot.trip else f"Tripped{reason}"
    opening: dict[str, str] = {
        State.IDLE: "Idle",
        State.CHECKING: "Checking instruments and connections before anything is switched on",
        State.PAUSED: "Paused",
        State.COMPLETE: "Complete",
        State.STOPPED: "Stopped early",
    }
    return f"{opening.get(state, plain(state))}{reason}"


def cause_words(trip: Trip | Tripped) -> str:
    """Return the cause of a trip in words, with its value and limit."""
    words = plain(in_words(trip.cause))
    if trip.text:
        words = f"{words}: {plain(trip.text)}"
    write = next((write for start, write in _CAUSE_NUMBERS if trip.cause.startswith(start)), _bare)
    numbers = [
        f"{name} {write(number)}" for name, number in (("value", trip.value), ("limit", trip.limit)) if number is not None
    ]
    return f"{words} ({', '.join(numbers)})" if numbers else words


def _activity(snapshot: Snapshot) -> str:
    derived = snapshot.derived
    now_V, now_A = volts(derived.voltage_V), amps(derived.current_A)
    falling = {-1: " and falling", 1: " and rising", 0: ""}
    if derived.activity == Activity.CHARGE:
        if derived.regulated_by == "cv":
            limit = f"the {volts(snapshot.voltage_set_V)} limit" if snapshot.voltage_set_V is not None else "the voltage limit"
            return f"Charging at {limit}, {now_A}{falling[snapshot.outlook.current_trend]}"
        return f"Charging with {now_A}, {now_V}{falling[snapshot.outlook.voltage_trend]}"
    if derived.activity == Activity.DISCHARGE:
        return f"Discharging with {now_A}, {now_V}{falling[snapshot.outlook.voltage_trend]}"
    if derived.activity == Activity.INTERRUPTION:
        return f"Current interrupted for a moment to measure the resistance, {now_V}"
    if derived.activity == Activity.PULSE:
        return f"A pulse for the resistance, {now_A}, {now_V}"
    if derived.activity == Activity.PROBE:
        return f"Checking the connection, {now_A}, {now_V}"
    if derived.activity == Activity.ZERO_CURRENT:
        return "Relay open, reading what the instruments show at no current"
    if derived.activity == Activity.REST:
        return f"Resting, {now_V}{falling[snapshot.outlook.voltage_trend]}"
    return f"Running with everything off, {now_V}"


def _then(snapshot: Snapshot) -> str:
    end, to_limit_s = snapshot.outlook.next_end, snapshot.outlook.to_limit_s
    if to_limit_s is not None:
        limit = "its voltage limit" if snapshot.voltage_set_V is None else f"its {volts(snapshot.voltage_set_V)} limit"
        return f"; reaches {limit} in {about(to_limit_s)}"
    if end is None:
        return ""
    if end.remaining_s is None:
        return f"; {end_words(end)}, when is not known yet"
    return f"; {end_words(end)}, in {about(end.remaining_s)}"


_END_WORDS = {
    "current_below": lambda limit: f"ends below {amps(limit)}",
    "plateau_lasts": lambda limit: f"ends when it has stood still for {duration(limit)}",
    "voltage_above": lambda limit: f"ends at {volts(limit)}",
    "ir_free_voltage_above": lambda limit: f"ends at {volts(limit)} IR-free",
    "voltage_below": lambda limit: f"ends at {volts(limit)}",
    "temperature_above": lambda limit: f"ends at {degrees(limit)}",
    "temperature_rise_above": lambda limit: f"ends when {limit:.1f} K warmer",
    "temperature_slope_above": lambda limit: f"ends when it warms by {limit:.2f} K/min",
    "voltage_slope_below": lambda limit: f"ends when the voltage changes by less than {1000.0 * limit:.3g} mV/h",
    "voltage_slope_above": lambda limit: f"ends when the voltage falls by {1000.0 * limit:.3g} mV/h",
    "voltage_falls_by": lambda limit: f"ends when the voltage has fallen by {1000.0 * limit:.3g} mV",
    "gassing_time": lambda limit: f"ends after {duration(limit)} of gassing",
    "gas_charge": lambda limit: f"ends after {charge(limit)} of gas",
    "charge": lambda limit: f"ends after {charge(limit)}",
    "energy": lambda limit: f"ends after {energy(limit)}",
    "time": lambda limit: f"ends after {duration(limit)}",
    "lasts": lambda limit: f"ends after {duration(limit)}",
}


def end_words(end: NextEnd) -> str:
    """Return "ends below 0.030 A" and its relatives. Raises KeyError for a word that is no end."""
    return _END_WORDS[end.end](end.limit)


def event_sentence(record: Record) -> str:
    """Return one sentence for an event: steps and trips in words, anything else by the word the journal has for it."""
    if isinstance(record, StepStarted):
        return f"Step {record.step} began: {record.activity}"
    if isinstance(record, StepEnded):
        ended = _END_WORDS[record.end](record.limit).replace("ends", "ended", 1) if record.end in _END_WORDS else "ended"
        return f"Step {record.step} {ended}, after {duration(record.elapsed_s)} and {charge(record.charge_Ah)}"
    if isinstance(record, Tripped):
        return f"Tripped: {cause_words(record)}"
    if isinstance(record, Resume) and record.by not in ("person", ""):
        return f"Goes on by itself ({plain(record.by)}), after its program had ended: look at it"
    if isinstance(record, LeftPaused):
        return f"Left paused, {'nobody may go on with it' if record.never else 'for a person'}: {plain(record.reason)}"
    text = str(getattr(record, "text", "") or getattr(record, "reason", ""))
    return plain(record.kind.replace("-", " ").capitalize() + (f": {text}" if text else ""))


# --- numbers as people write them ---------------------------------------------------------------------------------------


def volts(voltage_V: float | None) -> str:
    """Return "1.85 V", or that it is not known."""
    return "voltage not known" if voltage_V is None else f"{voltage_V:.2f} V"


def amps(current_A: float | None) -> str:
    """Return the magnitude, "0.043 A": the words around it say the direction."""
    return "current not known" if current_A is None else f"{abs(current_A):.3f} A"


def degrees(temperature_degC: float | None) -> str:
    """Return "23.4 °C", or that it is not known."""
    return "temperature not known" if temperature_degC is None else f"{temperature_degC:.1f} °C"


def energy(energy_Wh: float) -> str:
    """Return "0.655 Wh"."""
    return f"{energy_Wh:.3f} Wh"


def charge(charge_Ah: float) -> str:
    """Return "0.412 Ah"."""
    return f"{charge_Ah:.3f} Ah"


def duration(duration_s: float) -> str:
    """Return a duration no finer than a person plans with: "40 s", "12 min", "5 h 20 min", "3 days"."""
    if duration_s < 90.0:
        return f"{duration_s:.0f} s"
    minutes = round(duration_s / 60.0)
    if minutes < 100:
        return f"{minutes} min"
    if minutes < 48 * 60:
        return f"{minutes // 60} h {minutes % 60} min" if minutes % 60 else f"{minutes // 60} h"
    return f"{round(minutes / 1440.0)} days"


def about(duration_s: float) -> str:
    """Return an estimated duration, "about 2 h 5 min": beyond an hour to five minutes, as no estimate is better."""
    return f"about {duration(duration_s if duration_s < 3600.0 else 300.0 * round(duration_s / 300.0))}"


def plain(text: str) -> str:
    """Return text safe to print: control characters, which could drive a terminal, are written out as hexadecimal."""
    return "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text)


def _bare(number: float) -> str:
    return f"{number:.4g}"


def _fine_volts(voltage_V: float) -> str:
    return f"{voltage_V:.3f} V"


_CAUSE_NUMBERS: tuple[tuple[str, Callable[[float], str]], ...] = (
    ("over-voltage", _fine_volts), ("under-voltage", _fine_volts), ("step-voltage", _fine_volts), ("over-discharge", _fine_volts),
    ("reverse-polarity", _fine_volts), ("over-current", amps), ("current-", lambda current_A: f"{current_A:.3f} A"),
    ("over-temperature", degrees), ("too-cold", degrees), ("temperature-rise", lambda rise_K: f"{rise_K:.1f} K"),
    ("heating-too-fast", lambda slope: f"{slope:.2f} K/min"), ("bound-time", duration), ("bound-charge", charge),
    ("bound-gas", charge), ("bound-energy", energy),
)  # fmt: skip
"""How the numbers of a trip are written, by the beginning of its cause; others stand bare."""

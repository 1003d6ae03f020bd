"""The checks: each does one thing to one instrument with nothing connected to it, and says what was seen or what is wrong.

They are written against roles and dialects, so they are the same for every framing and transport. None raises an output above
`TRIAL_V` and `TRIAL_A`; the runner proves off before the first, after each and at the end.
"""

from __future__ import annotations

import asyncio

from chargerd.errors import InstrumentError, LinkError
from chargerd.instruments.dialect import QUESTIONS
from chargerd.instruments.framing.scpi import ErrorEntry, NoReadingError, OverRangeError
from chargerd.instruments.relay import Switch
from chargerd.instruments.roles import Instrument, Load, Output, Source

TRIAL_V, TRIAL_A = 1.0, 0.1
"""Small enough for anything that was left connected by mistake, large enough to be seen by every instrument."""

TRIP_V, ABOVE_TRIP_V = 0.5, 1.0
"""The deliberate trip: protection at half a volt, then a set-point above it."""

OPEN_V = 0.3
"""More than this at open terminals, everything off: something is connected."""

PLAIN = {"error": "question for its list of errors (error)", "voltage": "question for its voltage"}
"""What a missing row is called to a person."""

LAST_ROUNDS, LAST_PAUSE_S = 3, 0.5
"""At the end off is tried this often, each time through a link opened anew, and tried again there as `switch_off` does."""

ROUNDS = 3
"""Every question is asked this often: a reply that comes late shows with the next question."""


class ContractError(InstrumentError):
    """The instrument does not do what its dialect says."""


class NotHereError(Exception):
    """The check says nothing about this instrument; the text says why."""


class UnprovenError(Exception):
    """There is something to prove that no question can; the text says how a person does."""


def _has(instrument: Instrument, *names: str) -> None:
    for name in names:
        if name not in instrument.dialect.questions and name not in instrument.dialect.commands:
            raise NotHereError(f"its dialect has no {PLAIN.get(name, name)}")


async def identity(instrument: Instrument) -> str:
    """It says who it is, the same each time, and as the bench file says."""
    said = {await instrument.identify() for _ in range(ROUNDS)}
    if len(said) != 1:
        raise ContractError(f"it calls itself {' and then '.join(sorted(said))}")
    return said.pop()


async def questions(instrument: Instrument) -> str:
    """Every question of its dialect is answered in its grammar, again and again, and none leaves an error behind."""
    await instrument.drain_errors()
    asked = [name for name in instrument.dialect.questions if name not in ("identity", "error")]
    blank = set()
    for _ in range(ROUNDS):
        for name in asked:
            question = instrument.dialect.questions[name]
            try:
                await instrument.connection.ask(question, object)
            except (NoReadingError, OverRangeError):
                blank.add(name)
            entries = await instrument.drain_errors()
            if entries:
                raise ContractError(f"{question.text} leaves an error: {entries[0].number} {entries[0].text}")
    rest = f"; no reading of {', '.join(sorted(blank))}" if blank else ""
    return f"{len(asked)} questions, {ROUNDS} times{rest}"


async def error_queue(instrument: Instrument) -> str:
    """A command it cannot know is refused by its error queue; without that, refusals would never be seen."""
    _has(instrument, "error")
    if instrument.dialect.framing != "scpi":
        raise NotHereError("only SCPI says what its list of errors must hold after a command it cannot know")
    await instrument.drain_errors()
    await instrument.connection.tell_text("XQZV")
    entry = await instrument.connection.ask(instrument.dialect.questions["error"], ErrorEntry)
    await instrument.drain_errors()
    if not -199 <= entry.number <= -100:
        raise ContractError(f"a foreign command left {entry.number} in the error queue, not a command error (-1xx)")
    return f"a foreign command left {entry.number} {entry.text}"


async def power_on(instrument: Instrument) -> str:
    """After a power failure its output stays off, as far as it can tell."""
    if "power_on" not in instrument.dialect.questions:
        known = instrument.dialect.power_on
        if known == "unknown":
            raise UnprovenError(
                "it cannot be asked: pull its mains plug while its output is on, look, and write power_on: into its dialect"
            )
        raise NotHereError(f"it cannot be asked; its dialect's file says {known}")
    await instrument.check_power_on()
    return "its output stays off when the mains returns"


async def off(instrument: Instrument) -> str:
    """Off is off: by its state and by its current."""
    assert isinstance(instrument, Output)
    observed = await instrument.switch_off()
    if not observed.verified:
        raise ContractError(observed.text)
    return observed.text


async def off_at_last(instrument: Instrument) -> str:
    """Off, or open, for certain: whatever went before, and through a fresh link as often as `LAST_ROUNDS`."""
    assert isinstance(instrument, (Output, Switch))
    said = ""
    for attempt in range(LAST_ROUNDS):
        if attempt:
            await instrument.connection.close()
            await asyncio.sleep(LAST_PAUSE_S)
        observed = await (instrument.switch_off() if isinstance(instrument, Output) else instrument.switch(closed=False))
        if observed.verified:
            return observed.text
        said = observed.text
    raise ContractError(said)


async def open_terminals(instrument: Instrument) -> str:
    """Nothing is connected: measured, not asked."""
    _has(instrument, "voltage")
    voltage_V = await instrument.connection.ask(instrument.dialect.questions["voltage"], float)
    if not abs(voltage_V) <= OPEN_V:
        raise ContractError(f"{voltage_V:.3f} V at its terminals: disconnect everything from it first")
    return f"{voltage_V * 1000:.0f} mV"


async def set_points(instrument: Instrument) -> str:
    """What is written is read back, at several values, with the output off."""
    seen = []
    if isinstance(instrument, Source):
        for voltage_V, current_A in ((TRIAL_V, TRIAL_A), (1.237, 0.043), (0.0, 0.0)):
            await instrument.write_points(voltage_V=voltage_V, current_A=current_A)
            seen.append(f"{voltage_V:g} V {current_A:g} A")
    elif isinstance(instrument, Load):
        for current_A in (TRIAL_A, 0.043, 0.0):
            await instrument.write_points(current_A=current_A)
            seen.append(f"{current_A:g} A")
    return ", ".join(seen)


async def protection_levels(instrument: Instrument) -> str:
    """Its own protection levels are written, switched on and read back."""
    if isinstance(instrument, Source):
        if {"ovp", "ocp"} <= instrument.dialect.lacks:
            raise NotHereError("it has no protection of its own: the fuse counts")
        await instrument.write_limits(ovp_V=TRIAL_V + 1.0, ocp_A=TRIAL_A + 0.1)
        levels = (("ovp", f"over-voltage {TRIAL_V + 1.0:g} V"), ("ocp", f"over-current {TRIAL_A + 0.1:g} A"))
        written = [text for name, text in levels if name in instrument.dialect.commands]
        if not written:
            raise NotHereError("its dialect has no command for a protection level: the fuse counts")
        none = [text.split(" ")[0] for name, text in levels if name not in instrument.dialect.commands]
        return ", ".join(written) + (f" (no {none[0]} protection of its own)" if none else "")
    assert isinstance(instrument, Load)
    await instrument.write_limits(ocp_A=TRIAL_A + 0.1)
    return "its mode" + (f", over-current {TRIAL_A + 0.1:g} A" if "ocp" in instrument.dialect.commands else "")


async def energised(instrument: Instrument) -> str:
    """On is on, at a small value, with nothing connected; its voltage comes within the time its dialect says; then off."""
    assert isinstance(instrument, Output)
    if isinstance(instrument, Source):
        await instrument.write_limits(ovp_V=TRIAL_V + 1.0, ocp_A=TRIAL_A + 0.1)
        await instrument.write_points(voltage_V=TRIAL_V, current_A=TRIAL_A)
    else:
        assert isinstance(instrument, Load)
        await instrument.write_limits(ocp_A=TRIAL_A + 0.1)
        await instrument.write_points(current_A=0.0)
    try:
        observed = await instrument.switch_on()
        said = observed.text
        if isinstance(instrument, Source):
            await asyncio.sleep(instrument.dialect.settle_s)
            said += ", " + await _open_voltage(instrument)
    finally:
        observed = await instrument.switch_off()
    if not observed.verified:
        raise ContractError(observed.text)
    return f"{said}; off again: {observed.text}"


async def _open_voltage(source: Source) -> str:
    """Judge what a source holds at open terminals. Raises ContractError."""
    ask = source.connection.ask
    voltage_V = await ask(source.dialect.questions["voltage"], float)
    current_A = await ask(source.dialect.questions["current"], float)
    room_V = max(0.05, 3.0 * source.spec.uncertainty("voltage", TRIAL_V))
    if not abs(voltage_V - TRIAL_V) <= room_V:
        raise ContractError(f"set to {TRIAL_V:g} V it measures {voltage_V:.3f} V: wrong, slow, or something is connected")
    if not abs(current_A) <= source.zero_current_A:
        raise ContractError(f"{current_A * 1000:.1f} mA flow: something is connected, or its zero is off")
    return f"{voltage_V:.3f} V, {current_A * 1000:.1f} mA"


async def deliberate_trip(instrument: Instrument) -> str:
    """Its over-voltage protection really acts: at a low level, with a set-point above it, and stays until it is cleared."""
    assert isinstance(instrument, Source)
    if "ovp" not in instrument.dialect.commands:
        raise NotHereError("it has no over-voltage protection of its own")
    await instrument.write_points(voltage_V=0.0, current_A=TRIAL_A)
    await instrument.write_limits(ovp_V=TRIP_V, ocp_A=TRIAL_A + 0.1)
    try:
        await _provoke(instrument)
    finally:
        await _restore(instrument)
    return f"at {TRIP_V:g} V it acted, and was cleared with its output off"


async def _provoke(source: Source) -> None:
    """Ask for more than the protection allows. Raises ContractError when it lets it through."""
    try:
        await source.write_points(voltage_V=ABOVE_TRIP_V, current_A=TRIAL_A)
    except InstrumentError:
        return  # it refuses set-points above its protection level: that is protection too
    try:
        await source.switch_on()
        await asyncio.sleep(source.dialect.settle_s)
    except InstrumentError:
        pass  # on, and off again at once
    is_on = await source.connection.ask(source.dialect.questions["output"], bool)
    voltage_V = await source.connection.ask(source.dialect.questions["voltage"], float)
    tripped = await source.tripped()
    if is_on and not voltage_V <= TRIP_V + 0.1:
        raise ContractError(
            f"its over-voltage level of {TRIP_V:g} V was written and read back, and {2.0 * source.dialect.settle_s:g} s after it "
            f"was switched on at {ABOVE_TRIP_V:g} V it is still on and holds {voltage_V:.3f} V. Try it by hand at its panel; if "
            "it never acts there either, do not trust this supply; if it has none, write lacks: [ovp] into its dialect and "
            "delete the rows of ovp there"
        )
    if not tripped and source.dialect.status.keys() & {"over_voltage"}:
        raise ContractError("its protection acted, but its status does not say so: the status bits of the dialect are wrong")


async def _restore(source: Source) -> None:
    await source.switch_off()
    if "clear_protection" in source.dialect.commands:
        await source.clear_protection()
    await source.write_points(voltage_V=0.0, current_A=0.0)
    await source.write_limits(ovp_V=TRIAL_V + 1.0, ocp_A=TRIAL_A + 0.1)


async def contact(instrument: Instrument) -> str:
    """It opens, closes and opens again, says so, and its second contact agrees."""
    states = []
    for command, wanted in (("open", False), ("close", True), ("open", False)):
        await instrument.connection.tell(instrument.dialect.commands[command])
        await instrument.refuse_errors(command)
        settle_s = instrument.spec.contact.settle_s if instrument.spec.contact is not None else instrument.dialect.settle_s
        await asyncio.sleep(max(settle_s, instrument.dialect.settle_s))
        for name in ("closed", "mirror"):
            if name in instrument.dialect.questions:
                is_closed = await instrument.connection.ask(instrument.dialect.questions[name], bool)
                if is_closed is not wanted:
                    raise ContractError(f"told to {command}, {name} says {'closed' if is_closed else 'open'}")
        states.append(command)
    told = "its state"
    if "closed" not in instrument.dialect.questions:
        told = "nothing: it cannot say; listen to it, or fit a mirror contact"
    return f"{', '.join(states)}; proven by {told}"


async def plausible(instrument: Instrument) -> str:
    """What it measures is a number that can be."""
    seen = []
    for name in ("voltage", "current", "temperature", "resistance"):
        if name in instrument.dialect.questions:
            try:
                value = await instrument.connection.ask(instrument.dialect.questions[name], float)
            except (NoReadingError, OverRangeError) as blank:
                seen.append(f"{name}: {blank}")
                continue
            if name == "temperature" and not -40.0 <= value <= 150.0:
                raise ContractError(f"{value:g} °C is no room and no cell")
            seen.append(f"{name} {value:g}")
    assert set(QUESTIONS) >= {"voltage", "current", "temperature", "resistance"}
    return ", ".join(seen)


async def reopened(instrument: Instrument) -> str:
    """After its link is closed and opened again it is the same instrument, and whatever was proven is proven no longer."""
    await instrument.connection.close()
    try:
        await instrument.identify()
    except LinkError as fault:
        raise ContractError(f"its link does not open a second time: {fault}") from fault
    if isinstance(instrument, Output) and instrument.is_armed:
        raise ContractError("it counts as armed after its link was opened anew")
    return "the same instrument answers"

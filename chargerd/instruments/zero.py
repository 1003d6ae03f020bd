"""The current an instrument shows when none flows: measured with the cell's relay open, so that none can.

The output is switched on for it, at the voltage it will charge at, since its offset while off may be another. If the relay is
welded after all, what flows into the cell is at most a tenth of its rating for a second or two, and shows as a wrong zero.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from chargerd.config.inputs import stated_zero
from chargerd.core import zero as core_zero
from chargerd.core.zero import Zero
from chargerd.errors import InstrumentError, RefusedError
from chargerd.instruments.acting import Hands
from chargerd.instruments.roles import Instrument, Load, Meter, Output, Source

READINGS = 5
APART_S = 0.1
"""Time between two readings of a zero: an instrument that is asked faster than it measures repeats itself."""

EMPTIES_TRIES = 80
"""Tries to find an output capacitor empty, ten a second; what is still charged then is refused when the relay is to close."""

Alive = Callable[[], None]
"""Tells the keeper that the program goes on."""


async def zero_of_output(hands: Hands, output: Output, voltage_V: float | None, current_A: float, alive: Alive) -> Zero:
    """Switch an output on into the open relay, read its current, switch it off again and prove it.

    Raises:
        RefusedError: another cell is on its leads. InstrumentError: the relay is not open, or the output does not obey.
        LinkError.
    """
    relay = hands.relay
    assert relay is not None
    await relay.prove_open()
    await hands.prove_alone()
    for other in hands.outputs:
        await other.prove_off()
    if isinstance(output, Source):
        assert voltage_V is not None
        await output.write_points(voltage_V=voltage_V, current_A=current_A)
    elif isinstance(output, Load):
        await output.write_points(current_A=current_A)
    alive()
    try:
        await output.switch_on()
        zero = await zero_of(output, alive)
        await relay.prove_open()
    finally:
        off = await output.switch_off()
    if not off.verified:
        raise InstrumentError(off.text)
    for _ in range(EMPTIES_TRIES):
        alive()
        try:
            await hands.prove_dead()
            break
        except InstrumentError:
            await asyncio.sleep(APART_S)
    return zero


async def zero_of(instrument: Output | Meter, alive: Alive) -> Zero:
    """Read an instrument's current a few times. Raises LinkError or InstrumentError."""
    readings_A = []
    for _ in range(READINGS):
        await asyncio.sleep(APART_S)
        readings_A.append(await instrument.current_A())
        alive()
    return core_zero.zero_of(
        READINGS, sum(readings_A), sum(one_A * one_A for one_A in readings_A), stated_zero(instrument.spec).step_A
    )


def judge_zero(instrument: Instrument, zero: Zero) -> None:
    """Raise RefusedError unless the zero is one that the data sheet allows (`core/zero.py`)."""
    why = core_zero.why_not(zero, stated_zero(instrument.spec), instrument.name)
    if why:
        raise RefusedError(why)


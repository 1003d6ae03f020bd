"""The current an instrument shows when none flows: measured with the cell's relay open, so that none can.

The output is switched on for it, at the voltage it will charge at, since its offset while off may be another. If the relay is
welded after all, what flows into the cell is at most a tenth of its rating for a second or two, and shows as a wrong zero.
"""

from __future__ import annotations

import asyncio
import math
import statistics
from collections.abc import Callable
from dataclasses import dataclass

from chargerd.errors import InstrumentError, RefusedError
from chargerd.instruments.acting import Hands
from chargerd.instruments.roles import Instrument, Load, Meter, Output, Source

READINGS = 5
APART_S = 0.1
"""Time between two readings of a zero: an instrument that is asked faster than it measures repeats itself."""

SCATTER_MOST_A = 0.010
"""Scatter excuses no larger zero: a current that dies away through a welded relay scatters, too."""

EMPTIES_TRIES = 80
"""Tries to find an output capacitor empty, ten a second; what is still charged then is refused when the relay is to close."""

Alive = Callable[[], None]
"""Tells the keeper that the program goes on."""


@dataclass(frozen=True, slots=True)
class Zero:
    """The mean reading without current, and its standard uncertainty from scatter and step (JCGM 100:2008, 4.2 and 4.3)."""

    mean_A: float
    u_A: float


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
    scatter_A = statistics.stdev(readings_A) / math.sqrt(READINGS)
    step_A = instrument.spec.resolution.get("current", 0.0)
    return Zero(_seven(statistics.fmean(readings_A)), _seven(math.hypot(scatter_A, step_A / math.sqrt(12))))


def judge_zero(instrument: Instrument, zero: Zero) -> None:
    """Raise RefusedError unless the zero is within what the data sheet allows: its offset, two steps, three times its scatter."""
    accuracy, step_A = instrument.spec.accuracy.get("current"), instrument.spec.resolution.get("current", 0.0)
    allowed_A = (0.0 if accuracy is None else accuracy.offset) + 2.0 * step_A + min(3.0 * zero.u_A, SCATTER_MOST_A)
    if not abs(zero.mean_A) <= allowed_A:
        raise RefusedError(
            f"{instrument.name} reads {zero.mean_A * 1000:.1f} mA with the cell's relay open, where no current can flow; its "
            f"stated accuracy allows {allowed_A * 1000:.1f} mA: it needs adjusting, or the relay does not open"
        )


def _seven(value: float) -> float:
    return float(f"{value:.7g}")



"""The warm hand: somebody warms the sensor at the cell, and it must be seen to rise. One that nobody saw move reads the room.

At every start, for a sensor falls off between two runs; by the bench's own sampling, so that any kind of sensor is proven.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from typing import Protocol

from chargerd.core.reading import ABSENT, Measured
from chargerd.errors import RefusedError
from chargerd.instruments.bench import ChannelBench

WARM_K, WARM_S = 1.0, 120.0
"""A hand warms a taped sensor by more than this within two minutes, or the sensor is not where it is thought to be."""
READ_EVERY_S = 1.0
AGE_MAX_S = 70.0
"""A slow sensor gives a new value each minute at worst."""


class Asked(Protocol):
    """Who stands at the bench and can be asked."""

    def tell(self, text: str) -> None:
        """Say something."""

    async def confirm(self, text: str) -> bool:
        """Ask for a yes; anything else is a no."""


Hold = Callable[[str], Awaitable[object]]
"""Has a simulated bench hold the sensor of that name; does nothing on a real one."""


async def nobody_holds(_name: str) -> None:
    """On a real bench the person's hand is all there is."""


async def warm_hand(bench: ChannelBench, person: Asked, hold: Hold = nobody_holds) -> str:
    """Ask for a hand on the channel's thermometer and see it rise; return why that was not done, "" when it was seen.

    Raises:
        RefusedError: it did not rise, or another one rose as much: fallen off, exchanged, or broken.
    """
    name, other = bench.inputs.thermometer, bench.inputs.ambient
    inputs = await bench.read(full=False)
    start_degC, other_degC = _value(inputs, name), _value(inputs, other) if other else 0.0
    if not await person.confirm(
        f"Is the sensor {name} fixed to this cell? Warm it there with a finger and keep doing so. Ready?"
    ):
        return "the person did not do it"
    await hold(name)
    needed_K = max(WARM_K, 3.0 * bench.instruments[name].spec.resolution.get("temperature", 0.0))
    loop = asyncio.get_running_loop()
    until_s = loop.time() + WARM_S
    rise_K = 0.0
    while loop.time() < until_s and not rise_K >= needed_K:
        await asyncio.sleep(READ_EVERY_S)
        inputs = await bench.read(full=False)
        rise_K = _value(inputs, name) - start_degC
        other_K = _value(inputs, other) - other_degC if other else 0.0
        if not other_K < max(needed_K, rise_K):
            raise RefusedError(f"{other} rose by {other_K:.1f} K and {name} by {rise_K:.1f} K: they are exchanged")
    if not rise_K >= needed_K:
        raise RefusedError(
            f"{name} rose by {rise_K:.1f} K in {WARM_S:.0f} s under a hand, not {needed_K:.1f} K: it is not at this cell, it is "
            "exchanged with another, or it is stuck"
        )
    person.tell(f"  {name} rose by {rise_K:.1f} K: thank you, let go")
    return ""


def _value(inputs: Mapping[str, Measured], name: str) -> float:
    value = inputs.get(f"{name}_temperature_degC", ABSENT).usable(AGE_MAX_S)
    if value is None:
        raise RefusedError(f"no good reading of {name}; check the sensor and its leads")
    return value

"""Proving what acts last: the relay at the cell, the dead-man relay, an instrument's own watchdog, relays at a boot."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Awaitable, Callable, Iterator
from typing import TYPE_CHECKING

from chargerd.daemon.commissioning_feed import TOGGLE_S
from chargerd.instruments.contract.steps import ContractError, NotHereError
from chargerd.instruments.relay import Switch
from chargerd.instruments.roles import WATCHDOG_S, Instrument

if TYPE_CHECKING:
    from chargerd.daemon.commissioning import Proving

PROBE_V, PROBE_A = 1.0, 0.1
NOTHING_V = 0.2
"""Less than this at the clips: nothing drives them."""
EMPTIES_TRIES = 80
"""Ten a second. An output capacitor has lost its charge by then; a cell has not."""
LATE = 1.2
"""A dead-man relay may let go this much later than the bench file says, for the meter's own slowness."""
WATCHDOG_EXTRA_S = 3.0

Step = Callable[["Proving"], Awaitable[str]]


def last_steps(proving: Proving) -> list[tuple[str, str, Step]]:
    """Return the steps that apply to the channel: what is proven, of what, how."""
    channel = proving.channel
    steps: list[tuple[str, str, Step]] = []
    if channel.switch:
        steps.append(("relay cuts the cell off", channel.switch, relay_cuts))
    if proving.bench.dead_man is not None:
        steps.append(("dead-man relay lets go", "dead-man", dead_man_lets_go))
    steps.append(("its own watchdog", channel.source, watchdog))
    relays = [name for name, instrument in proving.instruments.items() if isinstance(instrument, Switch)]
    return steps + [("while the computer starts", name, _boot_of(name)) for name in relays]


async def _clips_V(proving: Proving) -> float:
    """The voltage where a cell would be. Raises NotHereError without a meter there."""
    meter = proving.instruments.get(proving.channel.meter)
    if meter is None:
        raise NotHereError("no meter at the cell's clips; look with a hand meter")
    return await meter.connection.ask(meter.dialect.questions["voltage"], float)


async def nothing_at_the_clips(proving: Proving) -> None:
    """A cell left on the clips is seen before anything is switched towards it. Raises ContractError; as `_clips_V`."""
    for _ in range(EMPTIES_TRIES):
        left_V = await _clips_V(proving)
        if abs(left_V) <= NOTHING_V:
            return
        await asyncio.sleep(0.1)
    raise ContractError(f"{left_V:.3f} V at the clips with everything off: a cell is connected; take it off first")


async def _drive(proving: Proving) -> None:
    source = proving.source
    await source.write_limits(ovp_V=PROBE_V + 1.0, ocp_A=PROBE_A + 0.1)
    await source.write_points(voltage_V=PROBE_V, current_A=PROBE_A)
    await source.switch_on()
    await asyncio.sleep(2.0 * source.dialect.settle_s)


async def switched(relay: Switch, *, closed: bool) -> None:
    """Open or close a contact and prove it. Raises ContractError."""
    observed = await relay.switch(closed=closed)
    if not observed.verified:
        raise ContractError(observed.text)


def relay_of(proving: Proving) -> Switch | None:
    """Return the relay at the channel's cell."""
    relay = proving.instruments.get(proving.channel.switch)
    return relay if isinstance(relay, Switch) else None


async def relay_cuts(proving: Proving) -> str:
    """The relay at the cell, seen by the meter behind it: closed it lets the supply through, open it does not."""
    relay = relay_of(proving)
    assert relay is not None
    asked = "Meter's leads on the cell's clips, the clips hanging free, supply connected as for a run?"
    if not await proving.person.confirm(asked):
        raise NotHereError("not done by the person")
    await nothing_at_the_clips(proving)
    try:
        await switched(relay, closed=True)
        await _drive(proving)
        through_V = await _clips_V(proving)
        await proving.off(proving.source)  # a contact never breaks a current, here neither
        await switched(relay, closed=False)
        await _drive(proving)
        behind_V = await _clips_V(proving)
    finally:
        await proving.off(proving.source)
        await switched(relay, closed=False)
    if not through_V >= PROBE_V - NOTHING_V:
        raise ContractError(f"closed, with {PROBE_V:g} V on the supply, {through_V:.3f} V reach the clips")
    if not abs(behind_V) <= NOTHING_V:
        raise ContractError(f"open, with {PROBE_V:g} V on the supply, {behind_V:.3f} V reach the clips: it is welded or bypassed")
    return f"closed {through_V:.3f} V, open {behind_V * 1000:.0f} mV at the clips"


async def dead_man_lets_go(proving: Proving) -> str:
    """The dead-man relay: fed it lets the supply through; unfed it cuts it off within the time the bench file says."""
    dead_man, feeding, relay = proving.bench.dead_man, proving.feeding, relay_of(proving)
    assert dead_man is not None
    if feeding is None:
        raise NotHereError("it cuts nothing of this channel")
    await nothing_at_the_clips(proving)
    try:
        if relay is not None:
            await switched(relay, closed=True)
        await asyncio.sleep(2.0 * TOGGLE_S)
        if feeding.fault:
            raise ContractError(feeding.fault)
        await _drive(proving)
        fed_V = await _clips_V(proving)
        if not fed_V >= PROBE_V - NOTHING_V:
            raise ContractError(f"fed, and only {fed_V:.3f} V reach the clips: it does not pull in")
        feeding.leave()
        took_s = await _let_go_s(proving, LATE * dead_man.drop_out_s)
    finally:
        await proving.off(proving.source)
        feeding.leave()
        feeding.begin()
        if relay is not None:
            await switched(relay, closed=False)
    proving.numbers["dead_man_drop_out_s"] = took_s
    proving.proven.add("dead-man")
    return f"let go {took_s:.1f} s after the last feeding (at most {dead_man.drop_out_s:g} s)"


async def _let_go_s(proving: Proving, most_s: float) -> float:
    began_s = proving.now_s()
    while proving.now_s() - began_s <= most_s:
        if abs(await _clips_V(proving)) <= NOTHING_V:
            return proving.now_s() - began_s
        await asyncio.sleep(0.1)
    raise ContractError(f"not fed for {most_s:.1f} s, and the supply still reaches the clips: what holds it?")


@contextlib.contextmanager
def quiet(proving: Proving) -> Iterator[None]:
    """Nobody speaks to the supply, the guard neither."""
    guard = proving.guard
    if guard is not None:
        guard.is_quiet = True
    try:
        yield
    finally:
        if guard is not None:
            guard.is_quiet = False


async def watchdog(proving: Proving) -> str:
    """The supply's own watchdog: nobody speaks to it, and it switches off by itself."""
    source = proving.source
    if "watchdog" not in source.dialect.commands:
        raise NotHereError("it has none: when this computer dies its output stays on, unless a dead-man relay cuts it")
    try:
        await _drive(proving)
        with quiet(proving):
            await asyncio.sleep(WATCHDOG_S + WATCHDOG_EXTRA_S)
        is_on = await source.connection.ask(source.dialect.questions["output"], bool)
    finally:
        await proving.off(source)
    if is_on:
        raise ContractError(f"nobody spoke to it for {WATCHDOG_S + WATCHDOG_EXTRA_S:.0f} s, and its output is still on")
    proving.proven.add("watchdog")
    return f"off by itself after {WATCHDOG_S:.0f} s of silence"


def _boot_of(name: str) -> Step:
    async def while_it_starts(proving: Proving) -> str:
        """What no program of this computer can see, said by whoever watched it."""
        instrument: Instrument = proving.instruments[name]
        asked = f"With no cell connected, did you switch this computer off and on, and did {name}'s contact stay open throughout?"
        if not await proving.person.confirm(asked):
            raise NotHereError("nobody has watched it: some boards close their relays until a program sets their inputs")
        proving.proven.add(f"boot:{instrument.name}")
        return "stayed open, by whoever watched it"

    return while_it_starts

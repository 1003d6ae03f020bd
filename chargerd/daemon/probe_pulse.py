"""The probe pulse of CHECKING: a tenth of the rated current for a second tells an open lead, a short, polarity and resistance.

It is the only time that anything flows before the run is RUNNING, and at most C/10 for 10 s (here about one): no row counts it.
The off plan lies on disk and the keeper has its limits before it.
"""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from typing import Protocol

from chargerd.config.cell import OPEN_LEAD_ohm
from chargerd.config.plan import top_voltage_V
from chargerd.core.demand import Activity, Demand, Energise, off_demand
from chargerd.core.events import CheckPassed
from chargerd.core.observation import Observation, Observer
from chargerd.core.plan import Plan, probe_current_A
from chargerd.core.reading import Reading
from chargerd.core.zero import Zero, proves
from chargerd.errors import RefusedError
from chargerd.instruments.bench import ChannelBench


class Alive(Protocol):
    """Tells the keeper that the program goes on. `seen`: what was read while an output is on, to be compared with its limits."""

    def __call__(self, seen: Observation | None = None) -> None:
        """Send one beat."""


def nobody_guards(seen: Observation | None = None) -> None:
    """Where nothing real can be left on there is no keeper."""


PULSE_S = 1.0
PULSE_MOST_S = 10.0
READ_EVERY_S = 0.25
SETTLED_S = 0.3
"""After switching off: a source's output capacitor gives the cell's voltage back."""
LEASE_S = 4.0
AGE_MAX_S = 10.0
FLAT_V = 0.10
"""A cell below this may as well be shorted, or the wrong way round on a supply that shows no negative voltage."""
ROOM_V = 0.05
"""A cell that stands closer than this to the highest charging voltage takes no current that says anything."""
SEEN_FACTOR = 1.5
"""A probe must be this many times what the bench shows when nothing flows, or noise would call a good lead off."""
RISE_FACTOR = 3.0
LEADS_FACTOR = 1.2
SAME_FACTOR = 2.0
"""Between two runs a cell's resistance may double or halve: clips are clipped anew, a fresh cell is being formed. Not more."""


@dataclass(frozen=True, slots=True)
class Believed:
    """What is believed of the cell's resistance, clips included: its file's window, and its last run's, None when there was none.

    `may_differ`: a person has said that it is this cell although its resistance is not what it was.
    """

    window_ohm: tuple[float, float] = (0.0, OPEN_LEAD_ohm)
    last_ohm: float | None = None
    may_differ: bool = False


ANY_CELL = Believed()


@dataclass(frozen=True, slots=True)
class Probed:
    """What a probe has shown: a resistance, or why it can show none here; and the charge that it may have put in at most."""

    resistance_ohm: float | None = None
    charge_Ah: float = 0.0
    not_shown: str = ""


async def probe(bench: ChannelBench, plan: Plan, zeros: CheckPassed, believed: Believed, alive: Alive) -> Probed:
    """Send one pulse through the cell and judge it; everything is off and proven off afterwards, the relay as it was.

    Raises:
        RefusedError: what speaks against starting, or an output that does not obey. InstrumentError, LinkError.
    """
    top_V, current_A = top_voltage_V(plan.program), probe_current_A(plan)
    if top_V is None or not current_A > 0.0:
        return await _by_its_own_voltage(bench, plan, zeros)
    sees_A = _sees_A(plan, zeros)
    if not current_A >= SEEN_FACTOR * sees_A:
        return Probed(
            not_shown=f"a probe of {current_A * 1000:.0f} mA is hardly more than this bench may show when nothing flows "
            f"({sees_A * 1000:.0f} mA)"
        )
    before = await _look(bench, plan, zeros)
    if before.voltage_V is None:
        raise RefusedError("no good reading of: voltage; check the instruments and their connections")
    set_V = min(top_V, plan.limits.voltage_max_V)
    if before.voltage_V > set_V - ROOM_V:
        return Probed(not_shown=f"the cell stands at {before.voltage_V:.3f} V, as high as a probe may go")
    alive()
    loop = asyncio.get_running_loop()
    began_s = loop.time()
    try:
        during = await _pulse(bench, plan, zeros, set_V, current_A, alive)
    finally:
        offs = await bench.apply_reduction(off_demand(Activity.PROBE, LEASE_S, connected=bool(plan.inputs.switch)))
    charge_Ah = float(f"{current_A * (loop.time() - began_s) / 3600.0:.7g}")
    for off in offs:
        if not off.verified:
            raise RefusedError(f"{off.instrument}: after the probe: {off.text}")
    await asyncio.sleep(SETTLED_S)
    after = await _look(bench, plan, zeros)
    alive()
    ohm = judged(plan, believed, before.voltage_V, during, after.voltage_V, current_A, sees_A)
    return Probed(ohm, charge_Ah)


async def _by_its_own_voltage(bench: ChannelBench, plan: Plan, zeros: CheckPassed) -> Probed:
    """A run that charges nothing sends no probe: a cell that shows a voltage is there, and the right way round."""
    if not any(step.direction for step in plan.program.steps()):
        return Probed()
    voltage_V = (await _look(bench, plan, zeros)).voltage_V
    flat = voltage_V is None or not voltage_V >= FLAT_V
    return Probed(not_shown="it shows no voltage, and this run does not charge, so no probe is sent" if flat else "")


async def _look(bench: ChannelBench, plan: Plan, zeros: CheckPassed) -> Observation:
    reading = Reading(0.0, await bench.read(full=False))
    return Observer(plan.inputs).observe(reading, AGE_MAX_S, zeros.zero_source_A, zeros.zero_load_A, zeros.zero_ammeter_A)


async def _pulse(
    bench: ChannelBench, plan: Plan, zeros: CheckPassed, set_V: float, current_A: float, alive: Alive
) -> Observation:
    """Switch on, read until the pulse is over, return the last reading. The caller switches off."""
    demand = Demand(
        Energise.SOURCE, Activity.PROBE, LEASE_S, LEASE_S, set_V, current_A, plan.ovp_V, plan.ocp_A,
        connected=bool(plan.inputs.switch),
    )  # fmt: skip
    for switched in await bench.apply_raise(demand):
        if not switched.verified:
            raise RefusedError(f"{switched.instrument}: the probe could not be sent: {switched.text}")
    loop = asyncio.get_running_loop()
    began_s = loop.time()
    while True:
        await asyncio.sleep(READ_EVERY_S)
        seen = await _look(bench, plan, zeros)
        alive(seen)
        for voltage_V in seen.voltages_V:
            if not voltage_V <= plan.limits.voltage_max_V:
                raise RefusedError(f"a probe of {current_A * 1000:.0f} mA drives the voltage to {voltage_V:.3f} V")
        if not loop.time() - began_s < PULSE_S:
            break
    if not loop.time() - began_s <= PULSE_MOST_S:
        raise RefusedError(f"the probe lasted {loop.time() - began_s:.0f} s: the instruments are too slow to be believed")
    return seen


def _sees_A(plan: Plan, zeros: CheckPassed) -> float:
    """Return the current that this bench may show when none flows: all of the stated offset, a tenth where a zero was proven."""
    stated = plan.zeros.ammeter if plan.inputs.ammeter else plan.zeros.source
    whole_A = plan.zeros.ammeter_A if plan.inputs.ammeter else plan.zeros.source_A
    zero = (
        Zero(zeros.zero_ammeter_A, zeros.zero_ammeter_u_A)
        if plan.inputs.ammeter
        else Zero(zeros.zero_source_A, zeros.zero_source_u_A)
    )
    return max(RISE_FACTOR * plan.resolves.current_A, whole_A if not proves(zero, stated.step_A) else 0.1 * whole_A)


def judged(
    plan: Plan, believed: Believed, before_V: float, during: Observation, after_V: float | None, set_A: float, sees_A: float
) -> float:
    """Return the resistance that the pulse shows, in the order in which one fault hides another. Raises RefusedError."""
    during_V, during_A = during.voltage_V, during.current_A
    if during_V is None or during_A is None or after_V is None:
        raise RefusedError("a voltage or current during or after the probe pulse is missing; check the instruments")
    sees_V = RISE_FACTOR * plan.resolves.voltage_V
    if not during_A > sees_A:
        raise RefusedError(
            f"probe pulse: only {during_A * 1000:.1f} of {set_A * 1000:.1f} mA flow at {during_V:.3f} V: a lead or a clip is "
            "off, a fuse has blown, or this is not the cell's place"
        )
    if not during_V - before_V > (sees_V if before_V < FLAT_V else -sees_V):
        raise RefusedError(
            f"probe pulse: the voltage went from {before_V:.3f} V to {during_V:.3f} V while a charge flowed, but it must rise: "
            "the cell is connected the wrong way round, or shorted, or the voltage is not read at this cell"
        )
    ohm = float(f"{(during_V - after_V) / during_A:.7g}")
    doubt_ohm = sees_V * 2**0.5 / during_A
    leads_ohm = 0.0 if plan.inputs.meter else LEADS_FACTOR * plan.zeros.lead_ohm
    if before_V < FLAT_V and not ohm - doubt_ohm > leads_ohm:
        raise RefusedError(f"probe pulse: {ohm:.3f} ohm and no voltage of its own: the leads are shorted, or the cell is")
    _judge_believed(believed, ohm, doubt_ohm)
    return ohm


def _judge_believed(believed: Believed, ohm: float, doubt_ohm: float) -> None:
    lowest, highest = believed.window_ohm
    if not lowest - doubt_ohm <= ohm <= highest + doubt_ohm:
        what = "clean and press the clips" if ohm > highest else "is this cell shorted, or another one?"
        raise RefusedError(
            f"probe pulse: {ohm:.3f} ohm, and its cell file believes {lowest:g} to {highest:g} ohm: {what}"
        )
    last_ohm = believed.last_ohm
    if last_ohm is None or believed.may_differ:
        return
    if not last_ohm / SAME_FACTOR - doubt_ohm <= ohm <= last_ohm * SAME_FACTOR + doubt_ohm:
        raise RefusedError(
            f"probe pulse: {ohm:.3f} ohm, and {last_ohm:.3f} ohm at this cell's last start: is it another cell, or a bad clip? "
            "If it is this one and its clips are good, say so once: --resistance-changed"
        )

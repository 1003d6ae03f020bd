"""What the bench says before a run goes on by itself: read with everything off, the cell through its relay if it has one."""

from __future__ import annotations

from chargerd.config.bench import ChannelSpec
from chargerd.core.demand import Activity, off_demand
from chargerd.core.observation import Observer, missing_inputs
from chargerd.core.plan import Plan
from chargerd.core.reading import Reading
from chargerd.core.resumption import BenchFacts
from chargerd.daemon.checking import AGE_MAX_S
from chargerd.errors import RefusedError
from chargerd.instruments.bench import ChannelBench


async def probe(
    bench: ChannelBench, channel: ChannelSpec, plan: Plan, band_V: tuple[float | None, float | None]
) -> BenchFacts:
    """Identify all, prove them quiet, read once. Nothing is switched on; the relay to the cell is open again at the end.

    The resistance is not measured: that needs a pulse, which only a run may ask for.

    Raises:
        FoundOnError: an output was on, and was switched off. InstrumentError: another instrument answers, or one is not as it
            must be. RefusedError: the relay could not be proven. LinkError: no answer.
    """
    await bench.identify()
    await bench.check_quiet()
    relay = bench.hands.relay
    if relay is not None:
        observed = await bench.hands.connect()
        if not all(one.verified for one in observed):
            raise RefusedError("; ".join(one.text for one in observed if not one.verified))
    inputs = await bench.read(full=True)
    if relay is not None:
        observed = await bench.hands.apply_reduction(off_demand(Activity.OFF, AGE_MAX_S))
        if not all(one.verified for one in observed):
            raise RefusedError("; ".join(one.text for one in observed if not one.verified))
    seen = Observer(plan.inputs).observe(Reading(0.0, inputs), AGE_MAX_S, 0.0, 0.0)
    has_thermometer = bool(plan.inputs.thermometer)
    missing = missing_inputs(seen, has_thermometer=has_thermometer, has_relay=bool(plan.inputs.switch))
    limits = plan.limits
    return BenchFacts(
        tuple(missing), seen.voltage_V, *band_V, seen.temperature_degC, limits.temperature_min_degC, limits.temperature_max_degC,
        has_thermometer, is_safe_at_power_on(bench, channel),
    )  # fmt: skip


def is_safe_at_power_on(bench: ChannelBench, channel: ChannelSpec) -> bool:
    """Tell whether a source that gets its mains back leaves the cell alone: it says so, its manual does, or a relay is open then.

    What it says was judged by `check_quiet`.
    """
    source = bench.hands.source.dialect
    if "power_on" in source.questions or source.power_on == "off":
        return True
    contact = None if not channel.switch else bench.instruments[channel.switch].spec.contact
    return contact is not None and contact.without_power == "open" and contact.at_boot == "open"

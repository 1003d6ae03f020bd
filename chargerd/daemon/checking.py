"""CHECKING: what must be proven, in this order, before anything may be switched on. A failure is a reason to a person."""

from __future__ import annotations

from collections.abc import Awaitable, Callable

from chargerd.core.events import CheckPassed
from chargerd.core.limits import OFF_CURRENT_FLOOR_A, REVERSED_V, missing_inputs
from chargerd.core.observation import Observation, Observer
from chargerd.core.plan import Plan
from chargerd.core.reading import Reading
from chargerd.errors import RefusedError
from chargerd.instruments.bench import ChannelBench

Prove = Callable[[], Awaitable[None]]
"""Leaves the off plan on disk and waits until the keeper has acknowledged its limits. Raises RefusedError."""

AGE_MAX_S = 10.0
"""At CHECKING a reading older than one scan with its retries is no proof."""


class Checking:
    """Identity → quiet → protection written and read back → readings plausible → off plan and keeper."""

    def __init__(self, prove: Prove) -> None:
        self._prove = prove

    async def run(self, bench: ChannelBench, plan: Plan) -> CheckPassed:
        """Return the proof. Raises RefusedError, LinkError or InstrumentError with the reason why not."""
        await bench.identify()
        await bench.check_quiet()
        await bench.write_limits(ovp_V=plan.ovp_V, ocp_A=plan.ocp_A, load_ocp_A=plan.ocp_A)
        inputs = await bench.read(full=True)
        seen = Observer(plan.inputs).observe(Reading(0.0, inputs), AGE_MAX_S, 0.0, 0.0)
        _judge_readings(seen, plan)
        await self._prove()
        # Without a relay the current at rest says nothing of the offset while on: it is judged, not subtracted.
        return CheckPassed()


def _judge_readings(seen: Observation, plan: Plan) -> None:
    missing = missing_inputs(seen, has_thermometer=bool(plan.inputs.thermometer))
    if missing:
        raise RefusedError(f"no good reading of: {', '.join(missing)}; check the instruments and their connections")
    if seen.source_on or seen.load_on:
        raise RefusedError("an output is on before the start; switch it off at its panel and find out why it was on")
    limits = plan.limits
    for voltage_V in seen.voltages_V:
        if not voltage_V >= REVERSED_V:
            raise RefusedError(f"the cell reads {voltage_V:.3f} V: it is connected the wrong way round; swap its leads")
        if not voltage_V <= limits.voltage_max_V:
            raise RefusedError(
                f"the cell reads {voltage_V:.3f} V, above its hard limit {limits.voltage_max_V:.3f} V: is it this cell?"
            )
    _judge_zero("source", seen.source_current_A, plan)
    _judge_zero("load", seen.load_current_A, plan)
    temperature_degC = seen.temperature_degC
    if temperature_degC is not None and not limits.temperature_min_degC <= temperature_degC <= limits.temperature_max_degC:
        span = f"{limits.temperature_min_degC:g} to {limits.temperature_max_degC:g} °C"
        raise RefusedError(f"the cell is at {temperature_degC:.1f} °C, outside {span}; wait, or check the thermometer")


def _judge_zero(name: str, current_A: float | None, plan: Plan) -> None:
    zero_A = max(OFF_CURRENT_FLOOR_A, 5.0 * plan.resolves.current_A)
    if current_A is not None and not abs(current_A) <= zero_A:
        raise RefusedError(
            f"the {name} reads {current_A * 1000:.1f} mA with its output off, more than {zero_A * 1000:.1f} mA: "
            "its zero is outside its stated accuracy, or current really flows"
        )

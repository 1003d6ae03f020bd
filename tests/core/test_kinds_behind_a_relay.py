"""The cell's relay with steps that need it open, and with set-points that are not known before a reading through it."""

from __future__ import annotations

from dataclasses import replace

from chargerd.core.demand import Energise
from chargerd.core.engine import Engine
from chargerd.core.events import Observed, ZeroMeasured
from chargerd.core.limits import Zeros
from chargerd.core.program import EndSpec, Step, StepKind
from chargerd.core.reading import Measured, Reading
from chargerd.core.states import State
from chargerd.core.zero import StatedZero

from .bench_of_one import INPUTS, begun, charge_step, inputs_of, plan_of

RELAY = replace(INPUTS, switch="isolator")
ZERO = Step("1.1", StepKind.ZERO_CURRENT, 0.075, 1.85, lasts_s=10.0, sample_every_s=1.0, sign=1, group="1")
ZEROS = Zeros(source=StatedZero(0.005, 0.001))
POWER = Step(
    "1", StepKind.DISCHARGE, 0.3, power_W=0.24, sample_every_s=5.0,
    ends=(EndSpec("voltage_below", 0.8), EndSpec("charge", 2.0), EndSpec("time", 40_000.0)),
)  # fmt: skip


def take(engine: Engine, at_s: float, *, closed: bool, **inputs: object):
    raw = inputs_of(**inputs) | {"isolator_closed": Measured(float(closed))}  # type: ignore[arg-type]
    return engine.take(Reading(at_s, raw), at_s)


def wants(engine: Engine) -> tuple[Energise, bool]:
    demand = engine.demand()
    return demand.energise, demand.connected


def test_a_zero_current_is_with_the_relay_open_and_the_relay_moves_only_with_everything_seen_off():
    engine = begun(plan_of(ZERO, charge_step("2"), inputs=RELAY, zeros=ZEROS))
    take(engine, 0.0, closed=False)
    first = wants(engine)
    engine.command(Observed("supply", "on", verified=True), 0.0)
    seen = [take(engine, float(at_s), closed=False, source_on=True, current_A=0.004) for at_s in range(1, 11)]
    still_on = wants(engine)
    engine.command(Observed("supply", "off", verified=True), 10.0)
    unseen = wants(engine)
    take(engine, 10.0, closed=False)
    seen_off = wants(engine)
    engine.command(Observed("isolator", "closed", verified=True), 10.1)
    take(engine, 10.2, closed=True)

    assert first == (Energise.SOURCE, False)
    assert [event.current_A for events in seen for event in events if isinstance(event, ZeroMeasured)] == [0.004]
    assert (still_on, unseen) == ((Energise.NONE, False), (Energise.NONE, False))
    assert seen_off == (Energise.NONE, True)
    assert wants(engine) == (Energise.SOURCE, True)
    assert engine.memory.zero_source_A == 0.004


def test_after_a_charge_the_relay_opens_before_a_zero_current_begins():
    zero = replace(ZERO, number="2.1", group="2")
    engine = begun(plan_of(charge_step("1", ends=(EndSpec("charge", 1.8), EndSpec("time", 10.0))), zero, inputs=RELAY))
    take(engine, 0.0, closed=False)
    engine.command(Observed("isolator", "closed", verified=True), 0.0)
    take(engine, 0.1, closed=True)
    engine.command(Observed("supply", "on", verified=True), 0.2)
    take(engine, 10.0, closed=True, source_on=True, current_A=0.15)
    leaving = wants(engine)
    engine.command(Observed("supply", "off", verified=True), 10.1)
    engine.command(Observed("isolator", "open", verified=True), 10.2)
    take(engine, 10.3, closed=False)

    assert leaving == (Energise.NONE, False)
    assert (engine.step.number, wants(engine)) == ("2.1", (Energise.SOURCE, False))


def test_a_set_point_that_follows_waits_for_the_relay_and_a_reading_through_it():
    engine = begun(plan_of(POWER, inputs=RELAY))
    take(engine, 0.0, closed=False, voltage_V=None)
    before = wants(engine)
    engine.command(Observed("isolator", "closed", verified=True), 0.1)
    blind = wants(engine)
    take(engine, 0.2, closed=True, voltage_V=1.2)

    assert (before, blind) == ((Energise.NONE, True), (Energise.NONE, True))
    assert (wants(engine), engine.demand().current_set_A) == ((Energise.LOAD, True), 0.2)
    assert engine.state is State.RUNNING

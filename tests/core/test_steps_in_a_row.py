"""Two energising steps in one direction, one right after the other: the output stays on and nothing trips."""

from __future__ import annotations

from chargerd.core.demand import Energise
from chargerd.core.events import StepEnded, Tripped
from chargerd.core.program import EndSpec

from .bench_of_one import charge_step, charging, discharge_step, energised, plan_of, take

SOON = (EndSpec("charge", 1.8), EndSpec("time", 10.0))


def kinds(records: tuple[object, ...]) -> list[str]:
    return [record.kind for record in records if isinstance(record, StepEnded | Tripped)]  # type: ignore[attr-defined]


def test_a_charge_after_a_charge_finds_the_source_rightly_on():
    engine = energised(plan_of(charge_step("1", ends=SOON), charge_step("2", voltage_V=2.0)))

    ended = charging(engine, 10.0)
    after = charging(engine, 15.0)

    assert (kinds(ended), kinds(after), engine.step.number) == (["step-ended"], [], "2")


def test_a_discharge_after_a_discharge_finds_the_load_rightly_on():
    engine = energised(plan_of(discharge_step("1", ends=SOON), discharge_step("2")))

    ended = take(engine, 10.0, current_A=-0.3, load_on=True)
    after = take(engine, 15.0, current_A=-0.3, load_on=True)

    assert (kinds(ended), kinds(after), engine.step.number) == (["step-ended"], [], "2")


def test_a_source_still_on_when_a_discharge_has_begun_trips():
    engine = energised(plan_of(charge_step("1", ends=SOON), discharge_step("2")))

    ended = charging(engine, 10.0)
    after = charging(engine, 15.0)

    assert (kinds(ended), kinds(after), engine.demand().energise) == (["step-ended"], ["tripped"], Energise.NONE)

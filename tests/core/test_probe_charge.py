"""What CHECKING's probe puts into the cell no reading sees: the worst case counts it all the same."""

from __future__ import annotations

from dataclasses import replace

import pytest

from chargerd.core.engine import Engine
from chargerd.core.events import CheckPassed, Gap, Resume, Start
from chargerd.core.plan import probe_current_A
from chargerd.core.program import Step, StepKind
from tests.core.bench_of_one import charge_step, discharge_step, plan_of, rest_step

PROBE_Ah = 0.15 * 1.1 / 3600.0


def sums_Ah(engine: Engine) -> tuple[float, float]:
    return engine.memory.protection.charge_Ah, engine.memory.protection.gas_charge_Ah


def test_the_probe_of_a_start_counts_to_the_first_step() -> None:
    engine = Engine(plan_of(charge_step(), rest_step("2")))
    engine.command(Start(), 0.0)
    engine.command(CheckPassed(probe_charge_Ah=PROBE_Ah), 2.0)

    assert sums_Ah(engine) == (PROBE_Ah, PROBE_Ah)


def test_a_program_that_ends_while_its_probe_may_be_on_is_charged_for_it() -> None:
    """0.15 A for 12 s: it ended before the first step had begun, so the first step has it."""
    engine = Engine(plan_of(charge_step(), rest_step("2")))
    engine.command(Start(), 0.0)
    engine.command(Gap(duration_s=20.0, off_after_s=12.0), 20.0)
    engine.command(Resume(), 20.0)
    engine.command(CheckPassed(probe_charge_Ah=PROBE_Ah), 22.0)

    assert sums_Ah(engine) == pytest.approx((0.15 * 12.0 / 3600.0 + PROBE_Ah,) * 2)
    assert engine.memory.protection.owed_Ah == 0.0


@pytest.mark.parametrize(
    ("step", "probe_A"), [(charge_step(), 0.15), (charge_step(current_A=0.05), 0.05), (discharge_step(), 0.0), (rest_step(), 0.0)]
)
def test_a_probe_is_a_tenth_of_the_rating_and_never_more_than_the_run_itself_charges_with(step: Step, probe_A: float) -> None:
    """The plan's cell is rated 1.5 Ah."""
    assert probe_current_A(plan_of(step)) == pytest.approx(probe_A)


def test_no_probe_is_larger_than_the_hard_limit() -> None:
    plan = plan_of(Step("1", StepKind.CHARGE, 2.0, 1.85))
    assert probe_current_A(replace(plan, limits=replace(plan.limits, charge_current_max_A=0.1))) == 0.1

"""The zero of a current: how large it may be, how well it is known, and when it proves nothing."""

from __future__ import annotations

import json
import math
import statistics
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chargerd.core import parts
from chargerd.core.engine import Engine
from chargerd.core.events import CheckPassed, Observed, Pause, Resume, Start, Tripped, ZeroMeasured
from chargerd.core.limits import SET_POINT_FLOOR_A, Zeros
from chargerd.core.memory import Memory
from chargerd.core.program import Step
from chargerd.core.reading import BankPart, ChannelInputs
from chargerd.core.zero import SCATTER_MOST_A, StatedZero, Zero, allowed_A, proves, why_not, zero_of

from .bench_of_one import INPUTS, charge_step, charging, discharge_step, plan_of, take

STEP_A = 0.001
STATED = StatedZero(0.025, STEP_A)
EXACT_u_A = float(f"{STEP_A / math.sqrt(12):.7g}")


def zero_from(*readings_A: float) -> Zero:
    return zero_of(len(readings_A), sum(readings_A), sum(one_A**2 for one_A in readings_A), STEP_A)


@given(st.lists(st.integers(-30, 30), min_size=2, max_size=40))
def test_mean_and_uncertainty_are_those_of_the_readings(steps: list[int]) -> None:
    readings_A = [STEP_A * step for step in steps]
    zero = zero_from(*readings_A)

    # JCGM 100:2008: 4.2.3 for the mean of readings that scatter, 4.3.7 for a step taken as a uniform distribution.
    expected_A = math.hypot(statistics.stdev(readings_A) / math.sqrt(len(readings_A)), STEP_A / math.sqrt(12))
    assert zero.mean_A == pytest.approx(statistics.fmean(readings_A), rel=1e-6, abs=1e-12)
    assert zero.u_A == pytest.approx(expected_A, rel=1e-4)


def test_no_reading_measures_nothing_and_one_has_no_scatter() -> None:
    assert zero_of(0, 0.0, 0.0, STEP_A) == Zero(0.0, None)
    assert zero_from(0.004) == Zero(0.004, EXACT_u_A)


def test_a_zero_may_be_its_stated_offset_two_steps_and_three_times_what_it_scatters() -> None:
    assert allowed_A(Zero(0.0, 0.001), STATED) == pytest.approx(0.025 + 0.002 + 0.003)
    assert allowed_A(Zero(0.0, 0.070), STATED) == pytest.approx(0.025 + 0.002 + SCATTER_MOST_A)
    assert why_not(Zero(-0.0299, 0.001), STATED, "supply") == ""
    assert why_not(Zero(-0.0301, 0.001), STATED, "supply").startswith("supply reads -30.1 mA with the cell's relay open")


@pytest.mark.parametrize("zero", [Zero(math.nan, 0.001), Zero(0.030, math.nan), Zero(math.inf, 0.001)])
def test_what_is_no_number_is_no_zero(zero: Zero) -> None:
    assert why_not(zero, STATED, "supply") != ""


@pytest.mark.parametrize(
    ("readings_A", "proven"),
    [
        ((0.0, 0.0, 0.0, 0.0, 0.0), False),
        ((-0.0, 0.0, 0.0), False),
        ((0.0, 0.0, 0.001, 0.0, 0.0), True),
        ((0.001, -0.001, 0.0), True),  # a mean of exactly 0 of readings that move
        ((0.025, 0.025, 0.025), True),
    ],
)
def test_a_zero_of_exactly_0_in_every_reading_proves_nothing(readings_A: tuple[float, ...], proven: bool) -> None:
    assert proves(zero_from(*readings_A), STEP_A) is proven


def test_a_zero_that_was_not_measured_proves_nothing() -> None:
    assert not proves(Zero(), STEP_A)


# --- what protection makes of it --------------------------------------------------------------------------------------------

SMALL = StatedZero(0.009, STEP_A)
ZEROS = Zeros(source_A=0.052, load_A=0.030, ammeter_A=0.020, source=STATED, load=SMALL, ammeter=SMALL)
PROVEN = CheckPassed(0.001, 0.001, 0.001, 0.0005, 0.0005, 0.0005)
NOT_MEASURED = CheckPassed()
EXACTLY_0 = CheckPassed(0.0, 0.0, 0.0, EXACT_u_A, EXACT_u_A, EXACT_u_A)
SHUNT = replace(INPUTS, ammeter="shunt")
RESISTORS = replace(INPUTS, load="", bank=(BankPart("k1", 10.0),))


@pytest.mark.parametrize(
    ("inputs", "step", "whole_A"),
    [
        (INPUTS, charge_step(), 0.052),
        (INPUTS, discharge_step("1"), 0.030),
        (SHUNT, charge_step(), 0.020),
        (SHUNT, discharge_step("1"), 0.020),
        (RESISTORS, discharge_step("1"), SET_POINT_FLOOR_A),
    ],
    ids=["source", "load", "ammeter, charge", "ammeter, discharge", "resistors"],
)
def test_a_current_may_be_wrong_by_all_that_is_stated_until_its_zero_proves_something(
    inputs: ChannelInputs, step: Step, whole_A: float
) -> None:
    plan = plan_of(step, zeros=ZEROS, inputs=inputs)

    def slack_A(checked: CheckPassed) -> float:
        memory = Memory()
        parts.take_zeros(memory, checked)
        return parts.slack_A(memory, step, plan)

    assert slack_A(PROVEN) == SET_POINT_FLOOR_A
    assert slack_A(NOT_MEASURED) == slack_A(EXACTLY_0) == whole_A


def cause_at(current_A: float, *checks: CheckPassed) -> str:
    """What trips at that current in a charge of 150 mA, a pause and a CHECKING before it for each further check."""
    engine = Engine(plan_of(charge_step(), zeros=ZEROS))
    engine.command(Start(), 0.0)
    engine.command(checks[0], 0.0)
    for checked in checks[1:]:
        for record in (Pause(), Resume(), checked):
            engine.command(record, 0.0)
    take(engine, 0.0)
    engine.command(Observed("supply", "on", verified=True), 0.0)
    return next((event.cause for event in charging(engine, 1.0, current_A) if isinstance(event, Tripped)), "")


def test_protection_takes_the_zero_that_the_last_checking_found() -> None:
    # A tenth above 150 mA and 10 mA of slack is 175 mA; with the whole 52 mA it is 217 mA.
    assert cause_at(0.180, PROVEN) == cause_at(0.180, EXACTLY_0, PROVEN) == "current-above-set-point"
    assert cause_at(0.180, EXACTLY_0) == cause_at(0.180, PROVEN, EXACTLY_0) == ""
    assert cause_at(0.220, EXACTLY_0) == "current-above-set-point"


# --- the record of a step that measures it -----------------------------------------------------------------------------------


def test_a_record_from_before_the_uncertainty_was_stored_is_read_without_one() -> None:
    old = '{"accepted":true,"current_A":0.0123,"instrument":"supply","readings":28}'

    assert ZeroMeasured.from_detail(old) == ZeroMeasured("supply", 0.0123, 28, accepted=True, u_A=None)


@pytest.mark.parametrize("field", ["current_A", "later"])
def test_no_other_field_may_be_missing_or_new(field: str) -> None:
    detail = json.loads(ZeroMeasured("supply", 0.0123, 28, accepted=True, u_A=0.0003).detail())
    changed = {name: value for name, value in detail.items() if name != field} if field in detail else detail | {field: 1}

    with pytest.raises(ValueError, match="zero-measured: fields"):
        ZeroMeasured.from_detail(json.dumps(changed))

"""While a live output's current is not read, protection counts what it was set to: the last current known may be of before."""

from __future__ import annotations

import pytest

from chargerd.core.detect.protection import Protection
from chargerd.core.detect.sight import Frozen
from chargerd.core.limits import StepBounds, Zeros
from chargerd.core.observation import Observer
from chargerd.core.reading import ABSENT, Reading
from tests.core.bench_of_one import INPUTS, LIMITS, inputs_of

CHARGE = StepBounds(1, 0.3, 1.85, time_s=3600.0, charge_Ah=1.0, current_most_A=0.3)
READ_EVERY_S = 5.0


def counted_Ah(before_A: float, *, live: bool) -> float:
    """Three readings: a whole one with the source off, then two without a current, the source on or not."""
    guard, observer = Protection(Frozen(LIMITS, Zeros(), has_thermometer=True, missed_max=3, current_u_A=0.0, ovp_V=2.0, ocp_A=0.5)), Observer(INPUTS)
    for number in range(3):
        at_s, unknown = number * READ_EVERY_S, number > 0
        raw = inputs_of(source_on=live and unknown, current_A=before_A)
        if unknown:
            raw |= {"supply_current_A": ABSENT}
        seen = observer.observe(Reading(at_s, raw), 20.0, 0.0, 0.0)
        guard.judge(seen, CHARGE, live=live and unknown, watched=live, gas_A=0.0)
    return guard.memory.charge_Ah


def test_an_output_that_went_on_and_was_not_read_since_may_carry_all_it_was_set_to() -> None:
    assert counted_Ah(0.0, live=True) == pytest.approx(2 * READ_EVERY_S * 0.3 / 3600.0)


def test_an_output_that_is_not_on_goes_on_as_it_was_last_seen() -> None:
    assert counted_Ah(0.0, live=False) == 0.0

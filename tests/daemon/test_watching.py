"""What watchers are told of the outputs and of the ages of the numbers."""

from __future__ import annotations

import pytest

from chargerd.core.demand import Activity, off_demand
from chargerd.core.events import CheckPassed, Observed, Record, Tripped
from chargerd.core.reading import Reading
from chargerd.daemon.channel import Pass
from chargerd.daemon.watching import Watching
from chargerd.status.snapshot import Output, Snapshot, Subject
from tests.core.bench_of_one import charge_step, energised, inputs_of, plan_of


def watching_of(records: list[Record], *, elapsed_s: float = 5.0) -> tuple[Snapshot, list[dict[str, object]]]:
    engine = energised(plan_of(charge_step()))
    told: list[dict[str, object]] = []
    watching = Watching(engine, Subject("boathouse", "slip-1"), (), (told.append,))
    demand = off_demand(Activity.OFF, 10.0)
    snapshot = watching.take(Pass(1, elapsed_s, "2026-11-25T10:00:00.000Z", demand, list(enumerate(records, 1))))
    return snapshot, told


def test_one_output_not_proven_off_is_not_hidden_by_another_that_is():
    records = [
        CheckPassed(),
        Observed("supply", "off", verified=False, text="still 0.15 A"),
        Observed("load", "off", verified=True),
    ]  # fmt: skip

    output = watching_of(records)[0].output

    assert (output.on, output.verified, output.by) == (None, False, "supply: still 0.15 A")


def test_all_outputs_proven_off_are_off():
    records = [CheckPassed(), Observed("supply", "off", verified=True), Observed("load", "off", verified=True)]
    output = watching_of(records)[0].output

    assert (output.on, output.verified) == (False, True)


def test_any_output_that_is_on_is_on():
    output = watching_of([CheckPassed(), Observed("supply", "on", verified=True, text="OUTP? answers 1")])[0].output

    assert output == Output(True, True, "supply: OUTP? answers 1")


def test_before_checking_nothing_is_known():
    assert watching_of([])[0].output.on is None


def test_each_number_has_the_age_of_the_last_reading_that_had_it():
    engine = energised(plan_of(charge_step()))
    watching = Watching(engine, Subject("boathouse", "slip-1"), (), ())
    demand = off_demand(Activity.OFF, 10.0)
    for elapsed_s, temperature_degC in ((5.0, 25.0), (10.0, None)):
        inputs = inputs_of(source_on=True, current_A=0.15, temperature_degC=temperature_degC)
        engine.take(Reading(elapsed_s, inputs), elapsed_s)
        snapshot = watching.take(Pass(1, elapsed_s + 1.0, "2026-11-25T10:00:00.000Z", demand, []))

    assert snapshot.ages == pytest.approx((1.0, 1.0, 6.0))


def test_the_first_trip_stays_the_cause_and_is_announced():
    snapshot, told = watching_of([Tripped("over-voltage", 2.8, 2.75), Tripped("over-current", 3.0, 2.5)])

    assert snapshot.trip is not None
    assert snapshot.trip.cause == "over-voltage"
    assert [event["kind"] for event in told] == ["tripped", "tripped"]

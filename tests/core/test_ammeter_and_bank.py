"""A current that another instrument measures, and a load that is only resistors."""

from __future__ import annotations

import math

import pytest

from chargerd.core.detect.sight import CONFIRMS
from chargerd.core.engine import Engine
from chargerd.core.events import CheckPassed, Observed, Record, Start, Tripped
from chargerd.core.limits import Zeros
from chargerd.core.observation import Observation, Observer
from chargerd.core.reading import ABSENT, BankPart, ChannelInputs, Measured, Reading
from tests.core.bench_of_one import LIMITS, charge_step, discharge_step, inputs_of, plan_of

AMMETER = ChannelInputs("supply", "load", "", "probe", ammeter="shunt")
BANK = ChannelInputs("supply", "", "", "probe", bank=(BankPart("k1", 10.0), BankPart("k2", 5.0)))
ZEROS = Zeros(apart_A=0.02, apart_share=0.02)


def engine_of(inputs: ChannelInputs, *steps: object, first: str = "supply") -> Engine:
    engine = Engine(plan_of(*steps, inputs=inputs, zeros=ZEROS))  # type: ignore[arg-type]
    engine.command(Start(), 0.0)
    engine.command(CheckPassed(zero_ammeter_A=0.005), 0.0)
    contacts = {f"{part.switch}_closed": Measured(0.0) for part in inputs.bank}
    engine.take(Reading(0.0, inputs_of() | {"shunt_current_A": Measured(0.005)} | contacts), 0.0)
    engine.command(Observed(first, "on", verified=True), 0.0)
    return engine


def take(engine: Engine, elapsed_s: float, shunt_A: float | None, **inputs: object) -> tuple[Record, ...]:
    raw = inputs_of(**inputs)  # type: ignore[arg-type]
    raw["shunt_current_A"] = ABSENT if shunt_A is None else Measured(shunt_A)
    return engine.take(Reading(elapsed_s, raw), elapsed_s)


def causes(events: tuple[Record, ...]) -> list[str]:
    return [event.cause for event in events if isinstance(event, Tripped)]


def see(inputs: ChannelInputs, **raw: float | None) -> Observation:
    base = inputs_of(voltage_V=1.2)
    base.update({key: ABSENT if value is None else Measured(value) for key, value in raw.items()})
    return Observer(inputs).observe(Reading(0.0, base), 10.0, 0.0, 0.0, 0.005)


def test_the_cells_current_is_the_ammeters_without_its_zero():
    engine = engine_of(AMMETER, charge_step())
    take(engine, 1.0, 0.155, source_on=True, current_A=0.16)

    assert engine.derived.current_A == pytest.approx(0.150, abs=1e-12)


def test_no_current_flows_by_definition_while_both_outputs_read_off():
    assert see(AMMETER, shunt_current_A=0.006).current_A == 0.0


@pytest.mark.parametrize("state", ["supply_output", "load_output"])
def test_the_ammeters_current_is_not_the_cells_while_a_state_is_unknown(state):
    assert see(AMMETER, shunt_current_A=0.1, **{state: None}).current_A is None


def test_instruments_that_differ_trip_at_the_third_reading_running():
    engine = engine_of(AMMETER, charge_step())
    seen = [causes(take(engine, float(n), 0.120, source_on=True, current_A=0.15)) for n in range(1, CONFIRMS + 1)]

    assert seen == [[], [], ["currents-differ"]]


def test_one_reading_in_agreement_forgives_and_what_their_accuracy_allows_is_none():
    engine = engine_of(AMMETER, charge_step())
    shunts_A = (0.120, 0.120, 0.155, 0.120, 0.120, 0.134, 0.134, 0.134, 0.134)  # 0.134 - 0.005 is 21 mA below 0.150

    assert [causes(take(engine, float(n), shunt_A, source_on=True, current_A=0.15)) for n, shunt_A in enumerate(shunts_A, 1)] == [
        []
    ] * len(shunts_A)


@pytest.mark.parametrize(("shunt_A", "limit_A"), [(2.51, LIMITS.charge_current_max_A), (-2.51, LIMITS.discharge_current_max_A)])
def test_the_ammeter_alone_may_trip(shunt_A, limit_A):
    trip = next(event for event in take(engine_of(AMMETER, charge_step()), 1.0, shunt_A, source_on=True, current_A=0.15))

    assert (trip.cause, trip.limit) == ("over-current", limit_A)


@pytest.mark.parametrize("shunt_A", [2.51, -2.51])
def test_the_ammeter_alone_may_trip_while_the_source_is_mute(shunt_A):
    engine = engine_of(AMMETER, charge_step())

    assert causes(take(engine, 1.0, shunt_A, source_on=None, supply_current_A=None)) == ["over-current"]


def test_an_ammeter_that_shows_a_current_with_all_off_trips():
    engine = engine_of(AMMETER, charge_step())
    engine.command(Observed("supply", "off", verified=True), 0.5)

    assert causes(take(engine, 1.0, -0.05, source_on=False)) == ["current-while-off"]


def test_an_ammeter_that_shows_the_charge_while_the_source_is_mute_does_not():
    engine = engine_of(AMMETER, charge_step())

    assert causes(take(engine, 1.0, 0.155, source_on=None, current_A=0.15)) == []


@pytest.mark.parametrize("shunt_A", [math.nan, math.inf])
def test_an_ammeter_without_a_number_never_passes_for_healthy(shunt_A):
    assert causes(take(engine_of(AMMETER, charge_step()), 1.0, shunt_A, source_on=True, current_A=0.15)) == ["over-current"]


@pytest.mark.parametrize(
    ("k1", "k2", "is_on", "current_A"),
    [
        (0.0, 0.0, False, 0.0),
        (1.0, 0.0, True, -0.12),
        (1.0, 1.0, True, -0.36),
        (None, 0.0, None, None),
        (None, 1.0, True, None),
        (None, None, None, None),
    ],
)
def test_resistors_are_on_when_any_contact_is_closed_and_off_only_when_all_are_known_open(k1, k2, is_on, current_A):
    seen = see(BANK, k1_closed=k1, k2_closed=k2)

    assert seen.load_on is is_on
    assert seen.current_A == (None if current_A is None else pytest.approx(current_A))


def test_resistors_without_a_voltage_have_no_known_current():
    assert see(BANK, k1_closed=1.0, k2_closed=0.0, supply_voltage_V=None).current_A is None


def test_a_resistor_found_connected_while_charging_trips():
    engine = engine_of(BANK, charge_step())
    raw = inputs_of(source_on=True, current_A=0.15) | {"k1_closed": Measured(1.0), "k2_closed": Measured(0.0)}

    assert causes(engine.take(Reading(1.0, raw), 1.0)) == ["source-and-load-on"]


def test_a_resistors_contact_that_contradicts_itself_trips():
    engine = engine_of(BANK, discharge_step(), first="bank")
    raw = inputs_of() | {"k1_closed": Measured(1.0), "k2_closed": Measured(0.0), "k2_mirror": Measured(1.0)}
    (trip,) = [event for event in engine.take(Reading(1.0, raw), 1.0) if isinstance(event, Tripped)]

    assert (trip.cause, trip.text) == ("relay-contradicts", "k2")


def test_resistors_that_carry_too_much_trip():
    engine = engine_of(BANK, discharge_step(), first="bank")
    raw = inputs_of(voltage_V=1.2) | {"k1_closed": Measured(1.0), "k2_closed": Measured(1.0)}

    assert causes(engine.take(Reading(1.0, raw), 1.0)) == ["current-above-set-point"]

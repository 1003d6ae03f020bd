"""One run through every kind of step this bench can do, on the driver's real bytes: what the panels were told, what the cell gave."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from chargerd.core.events import Answer, ConnectionChecked, StateChanged, StepEnded, StepStarted, Tripped, ZeroMeasured
from chargerd.core.states import State
from chargerd.journal.reader import iter_events, iter_readings
from chargerd.sim.faults import forever
from chargerd.verdict.verdict import write_verdict
from tests.worlds import switched_bench
from tests.worlds.invariants import assert_safe
from tests.worlds.world_bench import Ran, run_world

PROFILE = """\
profile: all-kinds
about: Invented; one of each.
steps:
  - connection_check: {}
  - ask_person: {question: Is the vent open, within: 10 min}
  - pulses:
      train:
        - discharge: {current: 0.2 It, lasts: 10 s}
        - discharge: {current: 0.5 It, lasts: 2 s}
        - rest: {lasts: 30 s}
        - charge: {current: 0.2 It, lasts: 10 s}
      ends_when: {voltage_below: 0.80 V}
  - charge:
      current: 300 mA
      voltage: 1.80 V
      ramp: 6 V/h
      sample_every: 5 s
      ends_when: {time: 3 min, charge: 1 Ah}
  - rest: {lasts: 20 min, sample_every: 5 s, ends_when: {voltage_slope_below: 1 V/h}}
  - discharge:
      current: 300 mA
      power: 200 mW
      sample_every: 5 s
      ends_when: {voltage_below: 0.80 V, charge: 1 Ah, time: 20 min}
  - discharge:
      current: 300 mA
      resistance: 10 ohm
      sample_every: 5 s
      ends_when: {voltage_below: 0.80 V, charge: 1 Ah, time: 60 min}
  - rest: {lasts: 1 min, sample_every: 5 s}
"""
ANSWER_S = 90.0


def run(folder: Path, **more: object) -> Ran:
    acts = ((ANSWER_S, lambda stage: stage.channel.ask(Answer(text="yes, I looked"))),)
    return run_world(folder, PROFILE, acts=acts, until_s=6000.0, **more)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def ran(tmp_path_factory: pytest.TempPathFactory) -> Ran:
    return run(tmp_path_factory.mktemp("kinds"))


def test_it_comes_to_its_end_and_was_safe_all_the_while(ran: Ran) -> None:
    assert (ran.state, ran.cause) == (State.COMPLETE, "")
    assert_safe(ran, 5.0)


def test_its_record_reproduces_every_decision(ran: Ran) -> None:
    replayed = ran.replayed()

    assert (replayed.differences, replayed.owed) == ((), ())
    assert ran.folded_memory() == ran.engine.memory_json()


def test_each_step_ended_by_what_it_should(ran: Ran) -> None:
    ended = [(record.step, record.end) for _, record in ran.records if isinstance(record, StepEnded)]

    assert ended == [
        ("1.1", "lasts"), ("1.2", "lasts"), ("1.3", "lasts"), ("2", "answered"),
        ("3.1", "lasts"), ("3.2", "lasts"), ("3.3", "lasts"), ("3.4", "lasts"),
        ("4", "time"), ("5", "voltage_slope_below"), ("6", "time"), ("7", "time"), ("8", "lasts"),
    ]  # fmt: skip


def test_the_probe_found_the_cells_resistance(ran: Ran) -> None:
    (found,) = [record for _, record in ran.records if isinstance(record, ConnectionChecked)]

    assert (found.passed, found.text) == (True, "")
    # 0.377 ohm at 0.1 s and a wire of 0.05 ohm; ± half a step of the supply's millivolt over the probe's 30 mA.
    assert found.resistance_ohm == pytest.approx(0.40, abs=0.06)


def test_while_it_asked_nothing_was_on(ran: Ran) -> None:
    asked_s = next(time_s for time_s, record in ran.records if isinstance(record, StepStarted) and record.step == "2")
    waiting = [look for look in ran.looks if asked_s < look.time_s < ANSWER_S]

    assert len(waiting) > 10
    assert {look.state for look in waiting} == {State.PAUSED}
    assert not any(look.may_energise or look.source_on or look.load_on for look in waiting)
    assert [record.text for _, record in ran.records if isinstance(record, Answer)] == ["yes, I looked"]


def written(ran: Ran, instrument: str, header: str, step: str) -> list[float]:
    """What that set-point was set to from the beginning of a step to its end."""
    began_s = next(time_s for time_s, record in ran.records if isinstance(record, StepStarted) and record.step == step)
    ended_s = next(time_s for time_s, record in ran.records if isinstance(record, StepEnded) and record.step == step)
    found = [
        (exchange.time_s, re.fullmatch(rf"{header} ([0-9.]+)", exchange.received)) for exchange in ran.heard[instrument]
    ]  # fmt: skip
    return [float(match[1]) for time_s, match in found if match and began_s <= time_s < ended_s]


def test_the_load_is_told_a_new_current_as_the_voltage_falls(ran: Ran) -> None:
    power, ohm = written(ran, "load", "CURR", "6"), written(ran, "load", "CURR", "7")

    assert len(power) > 1
    assert power == sorted(power)
    assert len(ohm) > 1
    assert ohm == sorted(ohm, reverse=True)
    assert max(power + ohm) <= 0.3


def test_power_and_resistance_are_held_within_the_hundredth(ran: Ran) -> None:
    rows = [row.derived() for row in iter_readings(ran.folder / "readings.csv")]
    watts = [-row.voltage_V * row.current_A for row in rows if row.step == "6" and row.current_A][2:]
    ohms = [-row.voltage_V / row.current_A for row in rows if row.step == "7" and row.current_A][2:]

    # A hundredth that is not written again, a milliampere of 150 the load is cut to, and its own accuracy.
    assert (min(watts), max(watts)) == (pytest.approx(0.2, rel=0.025), pytest.approx(0.2, rel=0.025))
    assert (min(ohms), max(ohms)) == (pytest.approx(10.0, rel=0.025), pytest.approx(10.0, rel=0.025))


def test_the_ramp_rises_and_never_beyond_its_voltage(ran: Ran) -> None:
    volts = written(ran, "supply", "VOLT", "4")

    assert len(volts) > 20
    assert volts == sorted(volts)
    assert max(volts) <= 1.80


def test_pulses_measure_no_capacity_and_the_discharges_after_them_do(ran: Ran) -> None:
    verdict = write_verdict(ran.folder)

    assert [leg.kind for leg in verdict.legs] == ["charge", "discharge", "discharge"]


def test_a_lead_that_is_off_is_found_before_anything_more_is_tried(tmp_path: Path) -> None:
    ran = run(tmp_path, faults=(("supply", forever("scale", at_s=1.2, quantity="current_A", factor=0.0)),))
    (found,) = [record for _, record in ran.records if isinstance(record, ConnectionChecked)]

    assert not found.passed
    assert "a lead is off" in found.text
    assert [(record.after, record.reason) for _, record in ran.records if isinstance(record, StateChanged)][2:3] == [("PAUSED", found.text)]
    assert [record.step for _, record in ran.records if isinstance(record, StepStarted)] == ["1.1", "1.2", "1.3"]
    assert not any(isinstance(record, Tripped) for _, record in ran.records)


ONE_PULSE = """\
profile: one-pulse
about: Invented.
steps:
  - pulses:
      train: [discharge: {current: 0.2 It, lasts: 10 s}]
      ends_when: {voltage_below: 0.80 V}
  - rest: {lasts: 1 min, sample_every: 5 s}
"""


def test_a_pulse_lasts_from_its_switching_on_however_long_that_takes(tmp_path: Path) -> None:
    # 50 ms for an answer: arming, switching on and proving it take a second before the load conducts and is known to.
    ran = run_world(tmp_path, ONE_PULSE, latency_s=0.05, until_s=300.0)
    rows = list(iter_events(ran.folder / "events.csv"))
    began_s, known_s = (next(row.elapsed_s for row in rows if row.kind == kind) for kind in ("step-started", "observed"))
    ((on_s, off_s),) = ran.load.energised()

    assert known_s - began_s > 0.5
    assert off_s is not None
    # One reading of three instruments and the command to switch off come after the tenth second; it is never cut short.
    assert 10.0 <= off_s - on_s <= 10.0 + 1.5


ZERO_BETWEEN = """\
profile: zero-between
about: Invented; a supply's zero is measured again between two charges.
steps:
  - charge:
      current: 150 mA
      voltage: 1.80 V
      sample_every: 1 s
      ends_when: {time: 1 min, charge: 1 Ah}
  - zero_current: {lasts: 20 s}
  - charge:
      current: 150 mA
      voltage: 1.80 V
      sample_every: 1 s
      ends_when: {time: 2 min, charge: 1 Ah}
  - discharge:
      current: 300 mA
      power: 200 mW
      sample_every: 1 s
      ends_when: {voltage_below: 0.80 V, charge: 1 Ah, time: 1 min}
"""
DRIFT_A = 0.006
TWO_AMPERES = {"  charge_current: 2.5 A": "  charge_current: 2 A", "  discharge_current: 2.5 A": "  discharge_current: 2 A"}
"""The bench with relays allows no more."""


@pytest.mark.parametrize("meter", [True, False])
def test_a_zero_that_drifted_is_measured_again_behind_the_open_relay(meter: bool, tmp_path: Path) -> None:
    # From the middle of the first charge on the supply reads 6 mA too much while it is on, of the 5 mA and two steps of 1 mA that it may.
    drift = forever("offset", at_s=30.0, quantity="current_A", by=DRIFT_A)
    ran = run_world(
        tmp_path, ZERO_BETWEEN, faults=(("supply", drift),), until_s=1000.0,
        bench=switched_bench.text(meter=meter), world_of=lambda cell: switched_bench.world(cell, meter=meter),
        cell_edit=TWO_AMPERES,
    )  # fmt: skip
    rows = [row.derived() for row in iter_readings(ran.folder / "readings.csv")]
    second = [row.current_A for row in rows if row.step == "3" and row.current_A]
    zeros = {record.instrument: record.current_A for _, record in ran.records if isinstance(record, ZeroMeasured)}
    began_Ah = next(row.charge_in_Ah for row in rows if row.step == "2.1")
    ended_Ah = next(row.charge_in_Ah for row in rows if row.step == "3")

    assert (ran.state, ran.cause, ran.replayed().differences) == (State.COMPLETE, "", ())
    assert zeros == {"supply": pytest.approx(DRIFT_A, abs=1.5e-3), "load": pytest.approx(0.0, abs=1.5e-3)}
    assert sum(second) / len(second) == pytest.approx(0.150, abs=2e-3)
    assert began_Ah == ended_Ah
    # While an output was on for its zero, no current reached the cell: the relay's own record.
    relay, supply = ran.world.panels["relay"], ran.source
    on_s, off_s = supply.energised()[-2]
    assert off_s is not None
    assert 20.0 <= off_s - on_s <= 22.0
    assert not any(start_s < off_s and (end_s is None or end_s > on_s) for start_s, end_s in relay.energised())


def test_a_relay_that_stays_closed_unseen_trips_by_the_current_that_flows(tmp_path: Path) -> None:
    # It has no second contact to betray it: the board answers open, and the contact conducts.
    ran = run_world(
        tmp_path, ZERO_BETWEEN, acts=((30.0, lambda stage: stage.world.panels["relay"].weld("closed", stage.now_s())),), until_s=1000.0,
        bench=switched_bench.text(mirror=False), world_of=switched_bench.world, cell_edit=TWO_AMPERES,
    )  # fmt: skip

    assert (ran.state, ran.cause) == (State.TRIPPED, "current-while-isolated")
    on_s, off_s = ran.source.energised()[-1]
    assert off_s is not None
    assert off_s - on_s <= 3.0

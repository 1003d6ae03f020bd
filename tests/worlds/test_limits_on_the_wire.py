"""Every cause a trip can have, provoked on a whole bench, and its twin without the fault.

The scenario's cause must be the first and only one, and the simulated panels' own record must show source and load off within
one sampling period and the link's round trips of the instant at which something was wrong. Where the limit itself takes longer
to be sure (readings missing, heating over minutes, set-points read back each minute), that time is stated with the row.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pytest

from chargerd.core import ends
from chargerd.core.causes import CAUSES
from chargerd.core.detect.temperatures import SLOPE_POINT_EVERY_S
from chargerd.core.detect.voltages import STEP_FOR_S as STEP_VOLTAGE_FOR_S
from chargerd.core.events import StateChanged, Stop
from chargerd.core.states import State
from chargerd.daemon.channel import FULL_EVERY_S, RETRY_OFF_S
from chargerd.sim.faults import Fault, forever
from chargerd.sim.fixtures import make_cell
from tests.worlds.programs import CYCLE, EVERY_S, charge, discharge, profile, rest
from tests.worlds.world_bench import Act, Ran, Stage, run_world

LATENCY_S = 0.01
PROBED_S, CHECKS_S = 2.0, 2.5
"""At this latency: the probe pulse of CHECKING is over, and the program begins."""
ROUND_TRIPS = 60
"""Questions of one full reading of three instruments and of switching off, with the settling times of the outputs in them."""
HAPPENS_S = 62.5
"""In the middle of a charge, or of the discharge of DRAIN: between two readings."""
DRAIN = profile(charge(time="1 min"), discharge(), rest())
"""The discharge runs from 60 s to 180 s."""
DRAINS_S = 122.5
LONG = profile(charge(time="5 min"), rest())
READ_BACK = FULL_EVERY_S


@dataclass(frozen=True)
class Scenario:
    """What is run, what goes wrong at `at_s`, and how long the limit itself may take beyond one sampling period."""

    program: str
    faults: tuple[tuple[str, Fault], ...] = ()
    acts: tuple[tuple[float, Act], ...] = ()
    at_s: float = HAPPENS_S
    takes_s: float = 0.0
    without_end: str = ""
    stored_Ah: float = 0.5
    ambient_degC: float = 25.0


def lie(instrument: str, quantity: str, value: float, at_s: float = HAPPENS_S, **more: Any) -> tuple[tuple[str, Fault], ...]:
    return ((instrument, forever("reading", at_s=at_s, quantity=quantity, value=value, **more)),)


def happens(instrument: str, kind: str, at_s: float = HAPPENS_S, **values: Any) -> tuple[tuple[str, Fault], ...]:
    return ((instrument, forever(kind, at_s=at_s, **values)),)


def a_bug_of_ours(stage: Stage) -> None:
    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("planted")

    stage.engine.take = broken  # type: ignore[method-assign,assignment]  # a planted bug


AT_REST_S = 152.5
"""In the rest of CYCLE, 32.5 s after the charge."""

SCENARIOS: dict[str, Scenario] = {
    "over-voltage": Scenario(CYCLE, lie("supply", "voltage_V", 2.80)),
    "under-voltage": Scenario(
        profile(charge(time="1 min"), discharge("voltage_below: 0.95 V"), limits=("voltage_min: 0.90 V",)),
        lie("supply", "voltage_V", 0.87, DRAINS_S), at_s=DRAINS_S,
    ),
    "reverse-polarity": Scenario(CYCLE, lie("supply", "voltage_V", -0.40)),
    "step-voltage": Scenario(CYCLE, lie("supply", "voltage_V", 1.92), takes_s=max(STEP_VOLTAGE_FOR_S, EVERY_S)),
    "over-discharge": Scenario(DRAIN, lie("supply", "voltage_V", 0.60, DRAINS_S), at_s=DRAINS_S, takes_s=max(STEP_VOLTAGE_FOR_S, EVERY_S)),
    "over-current": Scenario(CYCLE, lie("supply", "current_A", 2.6, for_s=8.0)),
    "current-above-set-point": Scenario(CYCLE, lie("supply", "current_A", 0.30, for_s=8.0)),
    "current-direction": Scenario(CYCLE, happens("supply", "scale", quantity="current_A", factor=-1.0)),
    "over-temperature": Scenario(CYCLE, lie("probe", "temperature_degC", 46.0)),
    "temperature-rise": Scenario(CYCLE, lie("probe", "temperature_degC", 39.0)),
    "heating-too-fast": Scenario(
        profile(charge(time="8 min"), rest()), happens("probe", "offset", 250.0, quantity="temperature_degC", by=6.0),
        at_s=250.0, takes_s=SLOPE_POINT_EVERY_S,
    ),
    "reading-lost": Scenario(CYCLE, happens("probe", "not_a_number"), takes_s=3 * EVERY_S),
    "current-while-off": Scenario(
        CYCLE, lie("supply", "current_A", 0.05, AT_REST_S, for_s=8.0), at_s=AT_REST_S
    ),
    "source-and-load-on": Scenario(CYCLE, happens("load", "panel_switch", on=True)),
    "source-found-on": Scenario(CYCLE, happens("supply", "panel_switch", AT_REST_S, on=True), at_s=AT_REST_S),
    "load-found-on": Scenario(CYCLE, happens("load", "panel_switch", AT_REST_S, on=True), at_s=AT_REST_S),
    "load-found-off": Scenario(DRAIN, happens("load", "panel_switch", DRAINS_S, on=False), at_s=DRAINS_S),
    "load-mode-changed": Scenario(DRAIN, happens("load", "change", DRAINS_S, setting="mode", value="RES"), at_s=DRAINS_S),
    "instrument-protection": Scenario(CYCLE, happens("supply", "trip", cause="ocp")),
    "instrument-restarted": Scenario(CYCLE, happens("supply", "reboot", output_on=True), takes_s=READ_BACK),
    "set-point-changed": Scenario(LONG, happens("supply", "panel_set", setting="current_set_A", value=0.12), takes_s=READ_BACK),
    "protection-level-changed": Scenario(
        LONG, happens("supply", "change", setting="ovp_level_V", value=20.0), takes_s=READ_BACK
    ),
    # Bounds: 1.25 × the end, crossed only when that end itself does not work. 60 s; 1 % of 1.5 Ah = 360 s at 0.15 A.
    "bound-time": Scenario(profile(charge(time="1 min"), rest()), at_s=75.0, without_end="time"),
    "bound-charge": Scenario(
        profile(charge("charge: 1 % rated", time="10 min"), rest()), at_s=450.0 + CHECKS_S, without_end="charge"
    ),
    # At 1.457 V (open circuit 1.386 V and R0, R1, R2 with 0.15 A) and above: 10 mWh are in after less than 165 s.
    "bound-energy": Scenario(profile(charge("energy: 10 mWh", time="10 min"), rest()), at_s=206.0, without_end="energy"),
    # In a room of 40 °C the threshold is 1.85 V - 15 K × 4 mV/K = 1.79 V; this cell stands above 1.84 V from 600 s on, where
    # the gas law sees at least 15 mA × 10^(0.05 V / 120 mV) = 39 mA: 1.25 × 1 % of 1.5 Ah within 1731 s more.
    "bound-gas": Scenario(
        profile(charge("gas_charge: 1 % rated", time="1 h"), rest()), at_s=2331.0, without_end="gas_charge",
        stored_Ah=1.0, ambient_degC=40.0,
    ),
    # The same cell and room: it gasses from 600 s on at the latest, so that 12.5 min, a delay and a reading are over at 1360 s.
    "bound-gassing-time": Scenario(
        profile(charge("gassing_time: 10 min", time="1 h"), rest()), at_s=1360.0, without_end="gassing_time",
        stored_Ah=1.0, ambient_degC=40.0,
    ),
    "off-not-verified": Scenario(
        CYCLE, happens("supply", "ignore_off", 120.0, for_s=15.0), at_s=120.0, takes_s=15.0 + RETRY_OFF_S
    ),
    "on-not-verified": Scenario(CYCLE, happens("supply", "ignore_on", PROBED_S), at_s=PROBED_S),
    "program-fault": Scenario(CYCLE, acts=((HAPPENS_S, a_bug_of_ours),)),
}  # fmt: skip

PAUSES: dict[str, Scenario] = {
    "too-cold": Scenario(
        CYCLE, lie("probe", "temperature_degC", -6.0), acts=((100.0, lambda stage: stage.channel.ask(Stop(by="test"))),)
    )
}
"""Causes that switch off and wait for a person."""

NOT_HERE: dict[str, str] = {
    "link-lost": "the bench turns every fault of a link into missing readings or an output not verified; only a bug lets one through",
    "current-while-isolated": "needs a relay at the cell; test_step_kinds.py welds one",
    "relay-found-open": "this bench has no relay: tests/worlds/test_switching.py",
    "relay-found-closed": "this bench has no relay: tests/worlds/test_switching.py",
    "relay-contradicts": "this bench has no relay: tests/worlds/test_switching.py",
    "relay-not-verified": "this bench has no relay: tests/worlds/test_switching.py",
    "hot-contact": "this bench has no meter at the cell: tests/worlds/test_switching.py",
    "voltages-differ": "this bench has no meter at the cell: tests/worlds/test_switching.py",
    "currents-differ": "this bench has no ammeter: tests/worlds/test_ammeter.py",
    "suspended": "no fault of a wire: tests/worlds/test_clocks.py",
    "keeper-lost": "there is no keeper in this harness; the worker's own tests kill one",
}
"""Causes that no fault on the wire can provoke, and why."""


def run(tmp_path: Any, scenario: Scenario, *, with_fault: bool) -> Ran:
    faults, acts = (scenario.faults, scenario.acts) if with_fault else ((), ())
    cell = make_cell("plover", stored_Ah=scenario.stored_Ah, ambient_degC=scenario.ambient_degC)
    return run_world(tmp_path, scenario.program, faults=faults, acts=acts, cell=cell, latency_s=LATENCY_S)


def off_in_time(ran: Ran, scenario: Scenario) -> None:
    """Both panels off, by their own record, in time, and never on again."""
    off_s = ran.off_s(scenario.at_s)
    assert off_s is not None
    assert off_s - scenario.at_s <= EVERY_S + scenario.takes_s + ROUND_TRIPS * LATENCY_S
    assert [entry for panel in (ran.source, ran.load) for entry in panel.output_log if entry.on and entry.time_s > off_s] == []


def test_every_cause_is_provoked_or_said_why_not() -> None:
    assert {*SCENARIOS, *PAUSES, *NOT_HERE} == set(CAUSES)
    assert len(SCENARIOS) + len(PAUSES) + len(NOT_HERE) == len(CAUSES)


@pytest.mark.parametrize("cause", SCENARIOS)
def test_the_cause_is_first_out_and_the_outputs_are_off_in_time(cause: str, tmp_path: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    scenario = SCENARIOS[cause]
    if scenario.without_end:
        row = ends.ENDS[scenario.without_end]
        broken = ends.EndKind(row.key, row.dimension, row.steps, row.confirm, row.bounded, row.meaning, lambda view, limit: None)
        monkeypatch.setitem(ends.ENDS, scenario.without_end, broken)

    ran = run(tmp_path, scenario, with_fault=True)

    assert [trip.cause for _, trip in ran.trips()] == [cause]
    assert (ran.state, ran.is_over) == (State.TRIPPED, True)
    at_s, trip = ran.trips()[0]
    if scenario.without_end:
        assert trip.value is not None
        assert trip.limit is not None
        assert trip.value > trip.limit
    else:
        assert at_s >= scenario.at_s
    assert at_s - scenario.at_s <= EVERY_S + scenario.takes_s + ROUND_TRIPS * LATENCY_S
    off_in_time(ran, scenario)
    # After a trip every output is told to go off, whatever was believed of it before.
    for name, off in (("supply", "OUTP OFF"), ("load", "INP OFF")):
        assert [message.received for message in ran.heard[name] if message.time_s >= at_s - 1.0].count(off) >= 1


def test_a_load_that_draws_although_it_says_off_keeps_the_source_off(tmp_path: Any) -> None:
    program = profile(rest("50 s"), charge(time="1 min"))
    drawing = ("load", forever("reading", at_s=30.0, header="MEAS:CURR", quantity="current_A", value=0.5, for_s=30.0))

    ran = run_world(tmp_path, program, faults=(drawing,))

    assert (ran.state, ran.cause) == (State.TRIPPED, "on-not-verified")
    assert [end_s is not None and end_s < PROBED_S for _, end_s in ran.source.energised()] == [True]  # the probe alone


@pytest.mark.parametrize("cause", PAUSES)
def test_the_cause_pauses_with_the_outputs_off_in_time(cause: str, tmp_path: Any) -> None:
    ran = run(tmp_path, PAUSES[cause], with_fault=True)

    paused = [record for _, record in ran.records if isinstance(record, StateChanged) and record.after == "PAUSED"]
    assert [record.reason for record in paused] == [cause]
    assert (ran.state, ran.cause) == (State.STOPPED, "")
    off_in_time(ran, PAUSES[cause])


@pytest.mark.parametrize("cause", [*SCENARIOS, *PAUSES])
def test_the_twin_without_the_fault_completes(cause: str, tmp_path: Any) -> None:
    ran = run(tmp_path, (SCENARIOS | PAUSES)[cause], with_fault=False)

    assert (ran.state, ran.cause) == (State.COMPLETE, "")
    assert ran.off_s(ran.ended_s) == ran.ended_s

"""A shunt and a meter measure the cell's current: what they say is counted, and source and load still watch over them."""

from __future__ import annotations

from functools import partial
from typing import Any

import pytest

from chargerd.core.events import CheckPassed
from chargerd.core.states import State
from chargerd.sim.faults import Fault, forever
from chargerd.sim.fixtures import make_cell
from tests.worlds import switched_bench
from tests.worlds.programs import EVERY_S, charge, discharge, profile, rest
from tests.worlds.world_bench import Ran, run_world

CYCLE = profile(charge(time="3 min"), rest("1 min"), discharge(time="3 min"), rest("1 min"))
LATENCY_S = 0.01
ROUND_TRIPS_S = 1.5


def run(tmp_path: Any, *, faults: tuple[tuple[str, Fault], ...] = (), program: str = CYCLE, **more: Any) -> Ran:
    return run_world(
        tmp_path, program, faults=faults, cell=make_cell("plover", stored_Ah=0.5), latency_s=LATENCY_S,
        bench=switched_bench.text(ammeter=True), world_of=partial(switched_bench.world, ammeter=True), **more,
    )  # fmt: skip


def test_the_charge_is_the_shunts_whatever_the_source_says(tmp_path: Any) -> None:
    # The source reads 5 mA too much, which its data sheet allows: 180 s of it are 0.25 mAh in 7.5.
    ran = run(tmp_path, faults=(("supply", forever("offset", at_s=10.0, quantity="current_A", by=0.005)),))
    node = ran.world.nodes["slip-1"]

    assert (ran.state, ran.cause) == (State.COMPLETE, "")
    assert ran.engine.memory.tally.charge_in_Ah == pytest.approx(node.charge_in_C / 3600.0, rel=0.01)
    assert ran.engine.memory.tally.charge_out_Ah == pytest.approx(node.charge_out_C / 3600.0, rel=0.01)
    assert ran.replayed().differences == ()


def test_the_ammeters_zero_is_measured_too(tmp_path: Any) -> None:
    ran = run(tmp_path, faults=(("shunt", forever("offset", at_s=0.0, quantity="voltage_V", by=0.0002)),))
    passed = next(record for _, record in ran.records if isinstance(record, CheckPassed))

    assert passed.zero_ammeter_A == pytest.approx(0.002, abs=0.0005)  # 0.2 mV over 0.1 ohm
    assert passed.zero_ammeter_u_A is not None
    assert ran.engine.memory.tally.charge_in_Ah == pytest.approx(ran.world.nodes["slip-1"].charge_in_C / 3600.0, rel=0.01)


@pytest.mark.parametrize("at_s", [62.5, 302.5], ids=["charge", "discharge"])
def test_an_ammeter_that_differs_from_source_and_load_trips_at_the_third_reading(at_s: float, tmp_path: Any) -> None:
    ran = run(tmp_path, faults=(("shunt", forever("scale", at_s=at_s, quantity="voltage_V", factor=0.5)),))
    off_s = ran.off_s(at_s)

    assert ran.cause == "currents-differ"
    assert off_s is not None
    assert off_s - at_s <= 3 * EVERY_S + ROUND_TRIPS_S


def test_an_ammeter_with_its_leads_swapped_trips_at_once(tmp_path: Any) -> None:
    ran = run(tmp_path, faults=(("shunt", forever("scale", at_s=5.0, quantity="voltage_V", factor=-1.0)),))

    assert ran.cause == "current-direction"
    assert ran.world.nodes["slip-1"].charge_in_C < 0.15 * (3.0 + 1.3)  # and what the probe put in


def test_a_mute_ammeter_trips_as_missing(tmp_path: Any) -> None:
    ran = run(tmp_path, faults=(("shunt", forever("not_a_number", at_s=62.5)),))

    assert ran.cause == "reading-lost"

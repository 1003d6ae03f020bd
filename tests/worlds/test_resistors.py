"""A load of switched resistors on the wire: what really flows, and that no contact does what it must not."""

from __future__ import annotations

from functools import partial
from typing import Any

import pytest

from chargerd.core.states import State
from chargerd.instruments.bank import ABOVE
from chargerd.sim.fixtures import make_cell
from chargerd.sim.relay import Relay
from tests.worlds import switched_bench
from tests.worlds.programs import charge, discharge, profile, rest
from tests.worlds.world_bench import Ran, Stage, conducts_at, run_world

OHMS = ((10.0, 5.0), (5.6, 5.0))
"""At 1.4 V: 0.14 A and 0.25 A, together 0.39 A; asked for is 0.3 A."""
LATENCY_S = 0.01


def run(tmp_path: Any, program: str, *, meter: bool = True, resistors: Any = OHMS, **more: Any) -> Ran:
    return run_world(
        tmp_path, program, cell=make_cell("plover", stored_Ah=0.5), latency_s=LATENCY_S,
        bench=switched_bench.text(meter=meter, load="bank", resistors=resistors),
        world_of=partial(switched_bench.world, meter=meter, load="bank", resistors=resistors), **more,
    )  # fmt: skip


def contacts(ran: Ran) -> list[Relay]:
    return [panel for name, panel in ran.world.panels.items() if name.startswith("load-") and isinstance(panel, Relay)]


def drawn_A(ran: Ran, time_s: float, voltage_V: float) -> float:
    return sum(voltage_V / ohm for (ohm, _), relay in zip(OHMS, contacts(ran), strict=True) if conducts_at(relay, time_s))


@pytest.mark.parametrize("meter", [True, False])
def test_a_discharge_runs_on_resistors_and_counts_what_really_flows(meter: bool, tmp_path: Any) -> None:
    ran = run(tmp_path, profile(charge(time="1 min"), discharge(time="4 min"), rest("1 min")), meter=meter)
    out_C = ran.world.nodes["slip-1"].charge_out_C

    assert (ran.state, ran.cause) == (State.COMPLETE, "")
    assert out_C == pytest.approx(0.25 * 240.0, rel=0.15)
    # Leads, clip and contacts are 0.08 ohm beside 5.6, and without a meter the source reads before the clip.
    assert ran.engine.memory.tally.charge_out_Ah * 3600.0 == pytest.approx(out_C, rel=0.02)
    assert not any(relay.contact_closed for relay in contacts(ran))
    assert ran.replayed().differences == ()


def test_a_falling_cell_is_given_a_larger_combination_and_never_more_than_the_band_allows(tmp_path: Any) -> None:
    # 5.6 ohm alone carries less than 0.225 A below 1.26 V; both together more than 0.3 A above 1.08 V.
    program = profile(discharge("voltage_below: 0.80 V", time="2 h", every="10 s"), rest("1 min"))
    ran = run(tmp_path, program, until_s=9000.0)
    second = contacts(ran)[0].output_log
    joined_s = [entry.time_s for entry in second if entry.on]

    assert ran.state is State.COMPLETE
    assert 1 <= len(joined_s) <= 3
    biggest_A = max(abs(record.current_A or 0.0) for _, record in ran.records if hasattr(record, "current_A"))
    assert biggest_A <= 0.3 * (1 + ABOVE) + 0.005


def test_no_contact_chatters(tmp_path: Any) -> None:
    ran = run(tmp_path, profile(discharge("voltage_below: 0.80 V", time="2 h", every="10 s"), rest("1 min")), until_s=9000.0)

    assert max(len(relay.output_log) for relay in contacts(ran)) <= 7


def test_no_contact_closes_while_the_source_is_on_and_the_cells_relay_closes_onto_nothing(tmp_path: Any) -> None:
    ran = run(tmp_path, profile(charge(time="1 min"), discharge(time="1 min"), rest("3 min"), discharge(time="1 min")))

    for relay in contacts(ran):
        closings = [entry.time_s for entry in relay.output_log if entry.on]
        assert [at_s for at_s in closings if conducts_at(ran.source, at_s)] == []
    cell = ran.world.panels["relay"]
    for entry in cell.output_log:
        if entry.on:
            assert not any(conducts_at(panel, entry.time_s) for panel in (ran.source, *contacts(ran)))


@pytest.mark.parametrize("which", [1, 2])
def test_a_resistors_contact_that_welds_is_found_when_it_is_to_open_and_the_cells_relay_frees_the_cell(
    which: int, tmp_path: Any
) -> None:
    def weld(stage: Stage) -> None:
        relay = stage.world.panels[f"load-{which}"]
        assert isinstance(relay, Relay)
        relay.weld("closed", stage.now_s())

    ran = run(tmp_path, profile(discharge(time="2 min"), charge(time="5 min")), acts=((62.5, weld),), until_s=240.0)

    assert ran.cause in ("relay-contradicts", "off-not-verified")
    assert ran.world.panels["relay"].conducts is False
    assert ran.source.energised()[2:] == []  # zero and probe of CHECKING, and then never onto a resistor


def test_a_resistors_contact_found_closed_at_the_start_is_refused(tmp_path: Any) -> None:
    def weld(stage: Stage) -> None:
        relay = stage.world.panels["load-1"]
        assert isinstance(relay, Relay)
        relay.weld("closed", stage.now_s())

    ran = run(tmp_path, profile(discharge(time="2 min"), rest("1 min")), acts=((0.01, weld),), until_s=60.0)

    assert "check-passed" not in ran.kinds()
    assert ran.source.energised() == []


def test_a_resistors_contact_that_opens_by_itself_ends_the_discharge(tmp_path: Any) -> None:
    def fall(stage: Stage) -> None:
        relay = stage.world.panels["load-2"]
        assert isinstance(relay, Relay)
        relay.set("closed", value=False, now_s=stage.now_s())

    ran = run(tmp_path, profile(discharge(time="4 min"), rest("1 min")), acts=((62.5, fall),), until_s=400.0)

    assert ran.cause == "load-found-off"
    assert ran.off_s is not None
    assert not any(relay.contact_closed for relay in contacts(ran))



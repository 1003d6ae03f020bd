"""Strings: one current through all cells, taps that read each cell's own voltage, and readers that share a ground."""

from __future__ import annotations

import pytest

from chargerd.sim.benches import bench_of
from chargerd.sim.ports import OUTPUT_ohm
from chargerd.sim.world import World
from tests.sim.test_circuit import charge

LINK_ohm, LEAD_ohm, CLIP_ohm, CONTACT_ohm, WIRE_ohm = 0.004, 0.08, 0.01, 0.02, 0.001
CELLS = [{"name": "plover", "stored_Ah": 0.3}, {"name": "plover", "stored_Ah": 0.5}, {"name": "redshank", "stored_Ah": 0.4}]
NAMES = ("jetty.1", "jetty.2", "jetty.3")


def string(*, isolated: bool = True, **changes: object) -> World:
    taps = {f"tap-{k}": {"kind": "meter", "isolated": isolated or k == 2} for k in (1, 2, 3)}
    return bench_of({
        "lead_ohm": LEAD_ohm, "clip_ohm": CLIP_ohm, "link_ohm": LINK_ohm,
        "instruments": {
            "supply": {"kind": "supply"}, "load": {"kind": "load"}, "relay": {"kind": "relay", "contact_ohm": CONTACT_ohm}, **taps,
        },
        "channels": {"jetty": {"cells": CELLS, "source": "supply", "load": "load", "switch": "relay", "taps": list(taps)}},
        **changes,
    })  # fmt: skip


def test_one_current_flows_through_all_cells_and_each_tap_reads_its_own() -> None:
    world = string()
    charge(world.panels, 9.0, 0.4)
    world.panels["relay"].set("closed", value=True, now_s=0.0)
    cells = [world.nodes[name].look(600.0) for name in NAMES]

    assert [at.current_A for at in cells] == pytest.approx([0.4] * 3)
    for number, at in enumerate(cells, start=1):
        assert world.panels[f"tap-{number}"].truth("voltage_V", 600.0) == pytest.approx(at.voltage_V, abs=1e-9)
    path_ohm = LEAD_ohm + WIRE_ohm + CONTACT_ohm + CLIP_ohm + 4 * LINK_ohm
    total_V = sum(at.voltage_V for at in cells)
    assert world.panels["supply"].truth("voltage_V", 600.0) == pytest.approx(total_V + path_ohm * 0.4)
    assert world.nodes["jetty"].look(600.0).voltage_V == pytest.approx(total_V + 4 * LINK_ohm * 0.4)
    assert world.nodes["jetty"].look(600.0).temperature_degC == max(at.temperature_degC for at in cells)


def test_at_constant_voltage_the_cells_share_it_and_agree_on_one_current() -> None:
    world = string()
    charge(world.panels, 4.8, 3.0)
    world.panels["relay"].set("closed", value=True, now_s=0.0)
    for now_s in (0.0, 10.0, 3000.5):
        cells = [world.nodes[name].look(now_s) for name in NAMES]
        path_ohm = LEAD_ohm + WIRE_ohm + CONTACT_ohm + CLIP_ohm + 4 * LINK_ohm
        current_A = (4.8 - sum(at.voltage_V for at in cells)) / (path_ohm + OUTPUT_ohm)

        assert [at.current_A for at in cells] == pytest.approx([current_A] * 3, abs=1e-7)
        assert 0.0 < current_A < 3.0


def test_a_string_at_constant_voltage_does_not_depend_on_the_length_of_its_steps() -> None:
    currents = []
    for step_s in (1.0, 0.25):
        world = string()
        world.nodes["jetty"].circuit._step_s = step_s  # type: ignore[attr-defined]
        charge(world.panels, 4.8, 3.0)
        world.panels["relay"].set("closed", value=True, now_s=0.0)
        world.nodes["jetty"].arrive(2000.0)
        currents.append(world.nodes["jetty.2"].charge_in_C)

    assert currents[0] == pytest.approx(currents[1], rel=2e-3)


def test_books_of_a_string_balance() -> None:
    world = string()
    charge(world.panels, 4.8, 1.0)
    world.panels["relay"].set("closed", value=True, now_s=0.0)
    world.panels["supply"].set("output", value=False, now_s=2000.0)
    world.panels["load"].set("current_set_A", 0.3, 2000.0)
    world.panels["load"].set("input", value=True, now_s=2000.0)
    world.nodes["jetty"].arrive(2500.0)

    for name in NAMES:
        assert world.nodes[name].charge_in_C == pytest.approx(world.panels["supply"].charge_C, abs=1e-5)  # type: ignore[attr-defined]
        assert world.nodes[name].charge_out_C == pytest.approx(150.0, abs=1e-6)


def test_an_empty_cell_is_driven_backwards_by_the_others() -> None:
    cells = [{"name": "plover", "stored_Ah": 1.0}, {"name": "plover", "stored_Ah": 0.0, "fresh": True}]
    channel = {"jetty": {"cells": cells, "source": "supply", "load": "load"}}
    world = bench_of({"instruments": {"supply": {"kind": "supply"}, "load": {"kind": "load"}}, "channels": channel})
    world.panels["load"].set("current_set_A", 0.5, 0.0)
    world.panels["load"].set("input", value=True, now_s=0.0)

    assert world.nodes["jetty.2"].look(1500.0).voltage_V < 0.0 < world.nodes["jetty.1"].look(1500.0).voltage_V


def test_two_readers_that_share_a_ground_short_the_cells_between_them() -> None:
    world = string(isolated=False)
    before = string()
    middle_V = sum(before.nodes[name].look(0.0).voltage_V for name in NAMES[:2])
    cells_ohm = sum(before.nodes[name].cell.resistance_ohm for name in NAMES[:2])  # type: ignore[union-attr]
    shorted = [world.nodes[name].look(0.0).current_A for name in NAMES]
    # Reader 1's negative side is at the string's end, reader 3's above two cells; both go to ground through 0.5 ohm.
    path_ohm = 2 * 0.5 + 2 * WIRE_ohm + 2 * LINK_ohm

    assert shorted[0] == pytest.approx(shorted[1], abs=1e-8)
    assert shorted[0] == pytest.approx(-middle_V / (cells_ohm + path_ohm), rel=1e-6)
    assert shorted[2] == pytest.approx(0.0, abs=1e-9)


def test_tap_resistors_bound_the_current_of_such_a_short() -> None:
    world = string(isolated=False, tap_ohm=100.0)
    at = world.nodes["jetty.1"].look(0.0)
    both_V = at.voltage_V + world.nodes["jetty.2"].look(0.0).voltage_V

    assert -at.current_A == pytest.approx(both_V / (200.0 + 1.0), rel=1e-3)


def test_the_ground_of_one_reader_alone_carries_nothing_until_a_second_is_tied_to_it() -> None:
    world = string()
    world.arm({"panel": "tap-1", "kind": "ground", "ohm": 0.5})

    assert world.nodes["jetty.1"].look(1.0).current_A == 0.0

    world.arm({"panel": "tap-3", "kind": "ground", "ohm": 0.5}, now_s=1.0)

    assert world.nodes["jetty.1"].look(2.0).current_A < -0.5


def test_a_string_repeats_itself_whoever_looks() -> None:
    def story(looks_s: list[float]) -> tuple[float, ...]:
        world = string()
        world.panels["supply"].set("ovp_level_V", 6.0, 0.0)
        charge(world.panels, 6.2, 2.0)
        world.panels["relay"].set("closed", value=True, now_s=3.7)
        for look_s in looks_s:
            world.panels["tap-2"].read("voltage_V", look_s)
        at = world.nodes["jetty.2"].look(1500.0)
        return (*at, world.nodes["jetty.2"].charge_in_C, *(entry.time_s for entry in world.panels["supply"].output_log))

    unseen = story([])

    assert story([4.0 + 0.7 * k for k in range(2100)]) == unseen
    assert story([13.37, 13.37, 900.001]) == unseen

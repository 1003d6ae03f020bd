"""Terminals and time: what happens there is the same whoever looks, and protections act between looks."""

from __future__ import annotations

import pytest

from chargerd.sim.fixtures import make_cell
from chargerd.sim.load import Load
from chargerd.sim.meter import Meter
from chargerd.sim.node import Node
from chargerd.sim.supply import Supply


def rig(stored_Ah: float = 0.5, **supply: float) -> tuple[Node, Supply, Load]:
    node = Node(make_cell("plover", stored_Ah=stored_Ah))
    return node, Supply("supply", node, **supply), Load("load", node)  # type: ignore[arg-type]


def charge(supply: Supply, voltage_V: float, current_A: float, now_s: float = 0.0) -> None:
    supply.set("voltage_set_V", voltage_V, now_s)
    supply.set("current_set_A", current_A, now_s)
    supply.set("output", value=True, now_s=now_s)


def state_after(looks_s: list[float]) -> tuple[float, ...]:
    """Everything about a charge that trips on over-voltage and is then discharged, seen at these instants."""
    node, supply, load = rig()
    charge(supply, 2.6, 1.5)
    supply.set("ovp_level_V", 2.0, 0.0)
    for look_s in looks_s:
        if look_s < 3000.0:
            supply.read("voltage_V", look_s)
    load.set("current_set_A", 0.3, 3000.3)
    load.set("input", value=True, now_s=3000.3)
    for look_s in looks_s:
        if look_s >= 3000.0:
            load.read("current_A", look_s)
    at = node.look(4000.0)
    return (*at, node.charge_in_C, node.charge_out_C, *(entry.time_s for entry in supply.output_log))


def test_what_happens_does_not_depend_on_who_looks_or_when() -> None:
    unseen = state_after([])

    assert state_after([0.7 * k for k in range(5714)]) == unseen
    assert state_after([1.0 * k for k in range(4000)]) == unseen
    assert state_after([13.37, 13.37, 2500.001, 3000.9]) == unseen

    tripped_s = unseen[-1]

    assert state_after([tripped_s + 0.0003]) == unseen


def test_over_voltage_trips_to_the_millisecond_between_two_looks() -> None:
    node, supply, _ = rig()
    charge(supply, 2.6, 1.5)
    supply.set("ovp_level_V", 2.0, 0.0)
    node.advance_to(3000.0)
    ((start_s, end_s),) = supply.energised()

    assert start_s == 0.0
    assert end_s is not None

    _, twin_supply, _ = rig()
    charge(twin_supply, 2.6, 1.5)

    assert twin_supply.truth("voltage_V", end_s - 0.002) < 2.0 < twin_supply.truth("voltage_V", end_s + 0.002)


def test_a_trip_happens_at_the_instant_of_the_setting_that_causes_it() -> None:
    _, supply, _ = rig()
    charge(supply, 2.0, 0.5)
    supply.set("ovp_level_V", 1.0, 7.25)

    assert [(entry.time_s, entry.on, entry.cause) for entry in supply.output_log[1:]] == [
        (0.0, True, "command"),
        (7.25, False, "ovp"),
    ]


def test_opening_the_circuit_drops_the_voltage_at_once() -> None:
    node, supply, _ = rig()
    charge(supply, 2.6, 1.0)
    driven_V = node.look(0.0).voltage_V
    supply.set("output", value=False, now_s=0.0)
    opened_V = node.look(0.0).voltage_V

    assert node.cell is not None
    assert driven_V - opened_V == pytest.approx(node.cell.resistance_ohm * 1.0, rel=1e-6)


def test_a_supply_delivers_what_the_cell_and_the_load_take_together() -> None:
    node, supply, load = rig()
    load.set("current_set_A", 0.4, 0.0)
    load.set("input", value=True, now_s=0.0)
    charge(supply, 2.6, 1.0)

    assert supply.truth("current_A", 1.0) == pytest.approx(1.0)
    assert load.truth("current_A", 1.0) == pytest.approx(0.4)
    assert node.look(1.0).current_A == pytest.approx(0.6)


def test_charge_is_counted_at_the_cell_and_at_each_panel() -> None:
    node, supply, load = rig()
    charge(supply, 2.6, 1.0)
    supply.set("output", value=False, now_s=100.0)
    load.set("current_set_A", 0.5, 100.0)
    load.set("input", value=True, now_s=100.0)
    node.arrive(160.0)

    assert (node.charge_in_C, supply.charge_C) == pytest.approx((100.0, 100.0))
    assert (node.charge_out_C, load.charge_C) == pytest.approx((30.0, 30.0))


def test_open_terminals_show_the_set_voltage_and_no_current() -> None:
    supply = Supply("supply", Node())
    charge(supply, 5.0, 1.0)

    assert supply.truth("voltage_V", 10.0) == 5.0
    assert supply.truth("current_A", 10.0) == 0.0


def test_leads_that_come_off_leave_the_cell_at_rest_and_the_panel_at_its_limit() -> None:
    node, supply, _ = rig()
    charge(supply, 2.6, 1.0)
    node.schedule(50.0, node.open_leads)
    node.schedule(70.0, node.close_leads)

    assert (supply.truth("voltage_V", 60.0), supply.truth("current_A", 60.0)) == (2.6, 0.0)
    assert supply.truth("current_A", 71.0) == pytest.approx(1.0)

    node.arrive(80.0)

    assert node.charge_in_C == pytest.approx(60.0)


def test_what_is_scheduled_happens_then_even_if_nobody_looks_until_later() -> None:
    node, supply, _ = rig()
    charge(supply, 2.6, 1.0)
    node.schedule(12.5, supply.clear_protection)
    node.schedule(10.5, lambda at_s: supply.touch("output", value=False, now_s=at_s))
    node.advance_to(3600.0)

    assert supply.energised() == [(0.0, 10.5)]
    assert node.charge_in_C == pytest.approx(10.5)


def test_what_is_scheduled_for_one_instant_happens_in_the_order_it_was_scheduled() -> None:
    node, supply, _ = rig()
    charge(supply, 2.6, 1.0)
    for value in (1.9, 1.8, 1.7):
        node.schedule(10.5, lambda at_s, value=value: supply.set("voltage_set_V", value, at_s))  # type: ignore[misc]
    node.advance_to(11.0)

    assert supply.voltage_set_V == 1.7


def test_without_remote_sense_the_drop_of_the_leads_is_missing_at_the_cell() -> None:
    node, supply, _ = rig(lead_ohm=0.1)
    charge(supply, 1.9, 3.0)
    at = node.look(5.0)

    assert supply.truth("voltage_V", 5.0) == pytest.approx(1.9)
    assert at.voltage_V == pytest.approx(1.9 - 0.1 * at.current_A)

    supply.set("remote_sense", value=True, now_s=5.0)

    assert node.look(5.0).voltage_V == pytest.approx(1.9)


def test_a_bleeder_and_a_crowbar_load_the_cell_when_the_output_is_off() -> None:
    node, supply, _ = rig(bleed_ohm=100.0)
    at = node.look(1.0)

    assert at.current_A == pytest.approx(-at.voltage_V / 100.0)
    assert supply.truth("current_A", 1.0) == 0.0

    node, supply, _ = rig(crowbar_ohm=0.05)
    charge(supply, 2.6, 1.0)
    supply.set("ovp_level_V", 1.0, 1.0)

    assert node.look(1.0).current_A < -2.0


def test_a_load_lets_go_at_its_minimum_working_voltage() -> None:
    node, _, load = rig(stored_Ah=0.0)
    load.set("working_voltage_min_V", 0.6, 0.0)
    load.set("current_set_A", 3.0, 0.0)
    load.set("input", value=True, now_s=0.0)
    node.advance_to(3600.0)

    assert load.truth("voltage_V", 3600.0) == pytest.approx(0.6, abs=1e-6)
    assert 0.0 < load.truth("current_A", 3600.0) < 0.5


@pytest.mark.parametrize(
    ("mode", "setting", "value"), [("RES", "resistance_set_ohm", 2.0), ("POW", "power_set_W", 0.5), ("SHOR", "", 0.0)]
)
def test_a_load_is_a_resistance_a_power_or_a_short(mode: str, setting: str, value: float) -> None:
    _, _, load = rig()
    load.set("mode", mode, 0.0)
    if setting:
        load.set(setting, value, 0.0)
    load.set("input", value=True, now_s=0.0)
    voltage_V, current_A = load.truth("voltage_V", 60.0), load.truth("current_A", 60.0)

    if mode == "POW":
        assert load.node.look(60.0).voltage_V * current_A == pytest.approx(0.5, rel=1e-3)
    else:
        assert voltage_V / current_A == pytest.approx(2.0 if mode == "RES" else 0.02)


def test_a_load_trips_on_over_current_and_under_voltage() -> None:
    for level, state, value, cause in (("ocp_level_A", "ocp_enabled", 0.2, "ocp"), ("uvp_level_V", "uvp_enabled", 1.0, "uvp")):
        _, _, load = rig(stored_Ah=0.1)
        load.set("current_set_A", 1.0, 0.0)
        load.set("input", value=True, now_s=0.0)
        load.set(level, value, 1.0)
        load.set(state, value=True, now_s=1.0)
        load.node.advance_to(2000.0)

        assert load.output_log[-1].cause == cause
        assert not load.conducts


def test_a_meter_and_its_sensor_read_the_cell_until_the_sensor_falls_off() -> None:
    node, supply, _ = rig()
    meter = Meter("meter", node)
    charge(supply, 2.6, 3.0)
    node.advance_to(600.0)

    assert meter.truth("voltage_V", 600.0) == node.look(600.0).voltage_V
    assert meter.truth("temperature_degC", 600.0) > 27.0

    meter.detach(600.0)

    assert meter.truth("temperature_degC", 600.0) == 25.0
    assert meter.truth("resistance_ohm", 600.0) == pytest.approx(109.7347, abs=1e-4)  # IEC 60751

"""Benches with relays, resistors and shunts obey Kirchhoff, keep their books, and are the same whoever looks."""

from __future__ import annotations

import pytest

from chargerd.sim.benches import bench_of
from chargerd.sim.panel import Panel
from chargerd.sim.relay import Relay
from chargerd.sim.world import World

LEAD_ohm, CLIP_ohm, CONTACT_ohm, SHUNT_ohm, WIRE_ohm = 0.08, 0.03, 0.02, 0.1, 0.001
SPEC = {
    "lead_ohm": LEAD_ohm,
    "clip_ohm": CLIP_ohm,
    "instruments": {
        "supply": {"kind": "supply"},
        "load": {"kind": "load"},
        "relay-a": {"kind": "relay", "contact_ohm": CONTACT_ohm},
        "relay-b": {"kind": "relay", "contact_ohm": CONTACT_ohm},
        "relay-4": {"kind": "relay", "contact_ohm": CONTACT_ohm},
        "relay-10": {"kind": "relay", "contact_ohm": CONTACT_ohm},
        "meter": {"kind": "meter"},
        "sense": {"kind": "meter"},
        "ammeter": {"kind": "meter", "shunt": {"ohm": SHUNT_ohm}},
    },
    "channels": {
        "a": {
            "cell": {"name": "plover", "stored_Ah": 0.5},
            "source": "supply", "load": "load", "switch": "relay-a", "meter": "meter", "sense": "sense", "ammeter": "ammeter",
        },
        "b": {"cell": {"name": "plover", "stored_Ah": 0.2}, "source": "supply", "load": "load", "switch": "relay-b"},
    },
    "resistors": {
        "four": {"load": "load", "switch": "relay-4", "ohm": 4.7},
        "ten": {"load": "load", "switch": "relay-10", "ohm": 10.0, "at": "b"},
    },
}  # fmt: skip


def bench(**changes: object) -> tuple[World, dict[str, Panel]]:
    world = bench_of({**SPEC, **changes})
    return world, world.panels


def charge(panels: dict[str, Panel], voltage_V: float, current_A: float, now_s: float = 0.0) -> None:
    panels["supply"].set("voltage_set_V", voltage_V, now_s)
    panels["supply"].set("current_set_A", current_A, now_s)
    panels["supply"].set("output", value=True, now_s=now_s)


def close(panels: dict[str, Panel], *names: str, now_s: float = 0.0) -> None:
    for name in names:
        panels[name].set("closed", value=True, now_s=now_s)


def test_an_open_relay_keeps_the_cell_at_rest_and_the_source_at_its_limit() -> None:
    world, panels = bench()
    charge(panels, 1.9, 1.0)

    assert world.nodes["a"].look(5.0).current_A == 0.0
    assert panels["supply"].truth("voltage_V", 5.0) == pytest.approx(1.9, abs=1e-9)
    assert panels["supply"].truth("current_A", 5.0) == pytest.approx(0.0, abs=1e-9)
    assert panels["meter"].truth("voltage_V", 5.0) == pytest.approx(world.nodes["a"].look(5.0).voltage_V)


def test_leads_shunt_contact_and_clips_drop_their_share_between_source_and_cell() -> None:
    world, panels = bench()
    charge(panels, 2.6, 1.0)
    close(panels, "relay-a")
    at = world.nodes["a"].look(30.0)

    assert at.current_A == pytest.approx(1.0)
    assert panels["ammeter"].truth("voltage_V", 30.0) == pytest.approx(SHUNT_ohm * 1.0)
    assert panels["shunt-a"].truth("current_A", 30.0) == pytest.approx(1.0)
    assert panels["meter"].truth("voltage_V", 30.0) == pytest.approx(at.voltage_V, abs=1e-9)
    drop_ohm = LEAD_ohm + SHUNT_ohm + CONTACT_ohm + CLIP_ohm
    assert panels["sense"].truth("voltage_V", 30.0) - at.voltage_V == pytest.approx(drop_ohm * 1.0)
    assert panels["supply"].truth("voltage_V", 30.0) == pytest.approx(panels["sense"].truth("voltage_V", 30.0), abs=1e-9)


def test_at_constant_voltage_the_current_is_what_all_resistances_in_series_let_through() -> None:
    world, panels = bench()
    charge(panels, 1.7, 3.0)
    close(panels, "relay-a")
    at = world.nodes["a"].look(30.0)

    assert at.current_A == pytest.approx((1.7 - at.voltage_V) / (LEAD_ohm + SHUNT_ohm + CONTACT_ohm + CLIP_ohm), abs=1e-5)
    assert 0.0 < at.current_A < 3.0


def test_a_source_set_below_the_cell_takes_nothing_from_it() -> None:
    world, panels = bench()
    close(panels, "relay-a")
    charge(panels, 1.0, 3.0)
    at = world.nodes["a"].look(30.0)

    assert at.voltage_V > 1.2
    assert at.current_A == 0.0
    assert panels["sense"].truth("voltage_V", 30.0) == pytest.approx(at.voltage_V)


def test_what_was_seen_ahead_of_a_change_is_forgotten() -> None:
    world, panels = bench()
    charge(panels, 2.6, 1.0)

    assert world.nodes["a"].look(0.5).current_A == 0.0

    close(panels, "relay-a")

    assert world.nodes["a"].look(0.5).current_A == pytest.approx(1.0)


def test_remote_sense_holds_the_voltage_at_the_cell_and_falls_back_when_the_relay_opens() -> None:
    world, panels = bench()
    panels["supply"].set("remote_sense", value=True, now_s=0.0)
    charge(panels, 1.7, 3.0)
    close(panels, "relay-a")

    assert world.nodes["a"].look(30.0).voltage_V == pytest.approx(1.7, abs=1e-5)
    assert panels["supply"].truth("voltage_V", 30.0) == pytest.approx(1.7, abs=1e-5)
    assert panels["sense"].truth("voltage_V", 30.0) > 1.8

    panels["relay-a"].set("closed", value=False, now_s=31.0)

    assert panels["sense"].truth("voltage_V", 40.0) == pytest.approx(1.7, abs=1e-9)


def test_a_switched_resistor_draws_voltage_over_all_the_resistance_in_its_path() -> None:
    world, panels = bench()
    close(panels, "relay-a", "relay-4")
    at = world.nodes["a"].look(60.0)
    path_ohm = CLIP_ohm + CONTACT_ohm + SHUNT_ohm + CONTACT_ohm + 4.7

    assert at.current_A == pytest.approx(-at.voltage_V / path_ohm)
    assert panels["four"].truth("current_A", 60.0) == pytest.approx(at.voltage_V / path_ohm)
    assert panels["four"].truth("power_W", 60.0) == pytest.approx((at.voltage_V / path_ohm) ** 2 * 4.7)


def test_conductances_of_resistors_add_and_one_at_the_cell_draws_whatever_the_switch_does() -> None:
    world, panels = bench()
    close(panels, "relay-10")
    at = world.nodes["b"].look(60.0)

    assert at.current_A == pytest.approx(-at.voltage_V / (CLIP_ohm + CONTACT_ohm + 10.0))

    close(panels, "relay-b", "relay-4", now_s=60.0)
    at = world.nodes["b"].look(90.0)
    four_S, ten_S = 1.0 / (WIRE_ohm + CONTACT_ohm + CONTACT_ohm + 4.7), 1.0 / (CONTACT_ohm + 10.0)

    assert at.current_A == pytest.approx(-at.voltage_V / (CLIP_ohm + 1.0 / (four_S + ten_S)))


def test_a_resistor_beside_a_source_takes_its_part_of_the_current() -> None:
    world, panels = bench()
    charge(panels, 2.6, 1.0)
    close(panels, "relay-a", "relay-4")
    at, taken_A = world.nodes["a"].look(30.0), panels["four"].truth("current_A", 30.0)

    assert panels["supply"].truth("current_A", 30.0) == pytest.approx(1.0)
    assert at.current_A + taken_A == pytest.approx(1.0)
    rail_V = at.voltage_V + at.current_A * (CLIP_ohm + CONTACT_ohm + SHUNT_ohm)
    assert taken_A == pytest.approx(rail_V / (CONTACT_ohm + 4.7))


def test_a_load_draws_through_the_relay_and_lets_go_at_its_own_terminals() -> None:
    world, panels = bench()
    panels["load"].set("current_set_A", 0.5, 0.0)
    panels["load"].set("input", value=True, now_s=0.0)

    assert panels["load"].truth("current_A", 1.0) == pytest.approx(0.0, abs=1e-9)

    close(panels, "relay-a", now_s=1.0)
    at = world.nodes["a"].look(30.0)

    assert at.current_A == pytest.approx(-0.5)
    drop_V = 0.5 * (LEAD_ohm + SHUNT_ohm + CONTACT_ohm + CLIP_ohm)
    assert panels["load"].truth("voltage_V", 30.0) == pytest.approx(at.voltage_V - drop_V)

    panels["load"].set("working_voltage_min_V", 1.2, 30.0)
    panels["load"].set("current_set_A", 3.0, 30.0)
    at = world.nodes["a"].look(60.0)

    assert panels["load"].truth("voltage_V", 60.0) == pytest.approx(1.2, abs=1e-5)
    assert -at.current_A == pytest.approx((at.voltage_V - 1.2) / (LEAD_ohm + SHUNT_ohm + CONTACT_ohm + CLIP_ohm), rel=1e-4)


@pytest.mark.parametrize(("mode", "setting", "value"), [("RES", "resistance_set_ohm", 2.0), ("POW", "power_set_W", 0.5)])
def test_a_load_on_a_rail_is_a_resistance_or_a_power(mode: str, setting: str, value: float) -> None:
    _, panels = bench()
    panels["load"].set("mode", mode, 0.0)
    panels["load"].set(setting, value, 0.0)
    panels["load"].set("input", value=True, now_s=0.0)
    close(panels, "relay-a")
    voltage_V, current_A = panels["load"].truth("voltage_V", 60.0), panels["load"].truth("current_A", 60.0)

    assert (voltage_V / current_A if mode == "RES" else voltage_V * current_A) == pytest.approx(value, rel=1e-3)


def test_source_and_load_both_on_share_the_rail() -> None:
    world, panels = bench()
    panels["load"].set("current_set_A", 0.4, 0.0)
    panels["load"].set("input", value=True, now_s=0.0)
    charge(panels, 2.6, 1.0)
    close(panels, "relay-a")

    assert world.nodes["a"].look(5.0).current_A == pytest.approx(0.6)


def test_two_closed_relays_short_their_cells_together_through_the_leads() -> None:
    world, panels = bench()
    before = {name: world.nodes[name].look(0.0).voltage_V for name in ("a", "b")}
    close(panels, "relay-a", "relay-b")
    a, b = world.nodes["a"].look(0.0), world.nodes["b"].look(0.0)
    path_ohm = SHUNT_ohm + WIRE_ohm + 2.0 * (CONTACT_ohm + CLIP_ohm)
    cells_ohm = sum(world.nodes[name].cell.resistance_ohm for name in ("a", "b"))  # type: ignore[union-attr]

    assert a.current_A == pytest.approx(-b.current_A, abs=1e-9)
    assert -a.current_A == pytest.approx((a.voltage_V - b.voltage_V) / path_ohm, abs=1e-8)
    assert -a.current_A == pytest.approx((before["a"] - before["b"]) / (path_ohm + cells_ohm), rel=1e-6)

    later_a, later_b = world.nodes["a"].look(600.0), world.nodes["b"].look(600.0)

    assert later_a.current_A == pytest.approx(-later_b.current_A, abs=1e-9)
    assert world.nodes["a"].charge_out_C == pytest.approx(world.nodes["b"].charge_in_C)


def test_a_source_feeds_two_closed_cells_at_once() -> None:
    world, panels = bench()
    charge(panels, 2.6, 1.0)
    close(panels, "relay-a", "relay-b")
    a, b = world.nodes["a"].look(30.0), world.nodes["b"].look(30.0)

    assert a.current_A + b.current_A == pytest.approx(1.0, abs=1e-8)
    assert a.voltage_V + a.current_A * (SHUNT_ohm + CONTACT_ohm + CLIP_ohm) == pytest.approx(
        b.voltage_V + b.current_A * (WIRE_ohm + CONTACT_ohm + CLIP_ohm), abs=1e-8
    )


def test_books_balance_while_relays_switch() -> None:
    world, panels = bench()
    charge(panels, 2.6, 1.0)
    for number, name in enumerate(("relay-a", "relay-b") * 3):
        panels[name].set("closed", value=True, now_s=100.0 * number)
        panels[name].set("closed", value=False, now_s=100.0 * number + 60.0)
    world.advance_to(1000.0)
    panels["supply"].set("output", value=False, now_s=1000.0)

    delivered_C = panels["supply"].charge_C  # type: ignore[attr-defined]
    into_C = sum(world.nodes[name].charge_in_C for name in ("a", "b"))
    assert delivered_C == pytest.approx(360.0)
    assert into_C == pytest.approx(delivered_C, abs=1e-6)
    assert panels["shunt-a"].charge_C == pytest.approx(world.nodes["a"].charge_in_C, abs=1e-6)  # type: ignore[attr-defined]
    for name in ("a", "b"):
        cell = world.nodes[name].cell
        assert cell is not None
        assert cell.charge_in_C == pytest.approx(world.nodes[name].charge_in_C, abs=1e-9)


def story(looks_s: list[float]) -> tuple[float, ...]:
    """Everything about a charge that trips, a discharge into resistors and two cells on one rail, seen at these instants."""
    world, panels = bench()
    panels["supply"].set("ovp_level_V", 2.2, 0.0)
    script = [
        (0.0, "relay-a", "closed", True), (1.3, "supply", "voltage_set_V", 2.6), (1.3, "supply", "current_set_A", 1.5),
        (2.0, "supply", "output", True), (2400.7, "relay-4", "closed", True), (2500.0, "relay-b", "closed", True),
        (2600.2, "relay-4", "closed", False), (2700.0, "relay-a", "closed", False),
    ]  # fmt: skip
    for at_s, name, key, value in script:
        for look_s in looks_s:
            if world.nodes["a"].now_s <= look_s < at_s:
                panels["sense"].read("voltage_V", look_s)
                world.nodes["b"].look(look_s)
        panels[name].set(key, value, at_s)
    a, b = world.nodes["a"].look(3000.0), world.nodes["b"].look(3000.0)
    log = [entry.time_s for name in ("supply", "relay-a", "relay-4") for entry in panels[name].output_log]
    return (*a, *b, world.nodes["a"].charge_in_C, world.nodes["b"].charge_in_C, *log)


def test_what_happens_in_a_circuit_does_not_depend_on_who_looks_or_when() -> None:
    unseen = story([])

    assert story([0.7 * k for k in range(4286)]) == unseen
    assert story([1.0 * k for k in range(3000)]) == unseen
    assert story([13.37, 13.37, 1500.001, 2600.9]) == unseen
    assert len(unseen) > 12


def test_a_supply_behind_a_relay_trips_to_the_millisecond_between_two_looks() -> None:
    world, panels = bench()
    close(panels, "relay-a")
    charge(panels, 2.6, 1.5, 1.0)
    panels["supply"].set("ovp_level_V", 2.3, 1.0)
    world.advance_to(4000.0)
    ((_, end_s),) = panels["supply"].energised()
    assert end_s is not None

    _, twin_panels = bench()
    close(twin_panels, "relay-a")
    charge(twin_panels, 2.6, 1.5, 1.0)

    assert twin_panels["supply"].truth("voltage_V", end_s - 0.002) < 2.3 < twin_panels["supply"].truth("voltage_V", end_s + 0.002)


def test_a_copy_of_a_circuit_goes_its_own_way() -> None:
    world, panels = bench()
    charge(panels, 2.6, 1.0)
    close(panels, "relay-a")
    world.advance_to(50.3)
    before = world.report(50.3)
    twin = world.copy()
    twin.panels["relay-a"].set("closed", value=False, now_s=60.0)
    twin.panels["relay-b"].set("closed", value=True, now_s=60.0)
    twin.nodes["b"].arrive(500.0)

    assert world.report(50.3) == before
    assert twin.nodes["a"].cell is not world.nodes["a"].cell
    assert twin.nodes["b"].charge_in_C == pytest.approx(440.0)
    assert world.nodes["a"].look(500.0).current_A == pytest.approx(1.0)


def test_a_bleeder_draws_from_whichever_cell_is_on_the_rail() -> None:
    spec = {**SPEC, "instruments": {**SPEC["instruments"], "supply": {"kind": "supply", "bleed_ohm": 100.0}}}  # type: ignore[dict-item]
    world = bench_of(spec)

    assert world.nodes["b"].look(1.0).current_A == 0.0

    close(world.panels, "relay-b", now_s=1.0)
    at = world.nodes["b"].look(30.0)

    assert at.current_A == pytest.approx(-at.voltage_V / (100.0 + LEAD_ohm + WIRE_ohm + CONTACT_ohm + CLIP_ohm))


def test_leads_of_one_instrument_come_off_alone_and_clips_take_the_cell_off() -> None:
    world, panels = bench()
    charge(panels, 2.6, 1.0)
    close(panels, "relay-a")
    panels["supply"].node.open_leads(10.0)

    assert world.nodes["a"].look(11.0).current_A == pytest.approx(0.0, abs=1e-12)
    assert panels["supply"].truth("voltage_V", 11.0) == 2.6

    panels["supply"].node.close_leads(12.0)
    world.nodes["a"].open_leads(20.0)

    assert world.nodes["a"].look(21.0).current_A == 0.0
    assert panels["meter"].truth("voltage_V", 21.0) == pytest.approx(2.6, abs=1e-9)


def test_channels_that_share_nothing_are_circuits_of_their_own() -> None:
    instruments = {"one": {"kind": "supply"}, "two": {"kind": "supply"}}
    channels = {"a": {"cell": "plover", "source": "one"}, "b": {"cell": "dotterel", "source": "two"}}
    world = bench_of({"instruments": instruments, "channels": channels})

    assert world.nodes["a"].circuit is not world.nodes["b"].circuit  # type: ignore[attr-defined]


def test_a_resistor_has_its_tolerance_and_warms_by_its_own_power() -> None:
    resistors = {"four": {"load": "load", "switch": "relay-4", "ohm": 4.7, "error": 0.05, "per_K": 1e-3, "warming_K_per_W": 60.0, "lag_s": 100.0}}
    world, panels = bench(resistors=resistors)
    close(panels, "relay-a", "relay-4")

    assert panels["four"].truth("resistance_ohm", 0.0) == pytest.approx(4.7 * 1.05)

    world.advance_to(1000.0)
    power_W = panels["four"].truth("power_W", 1000.0)

    assert panels["four"].truth("resistance_ohm", 1000.0) == pytest.approx(4.935 * (1.0 + 1e-3 * 60.0 * power_W), rel=1e-3)
    assert panels["four"].truth("temperature_degC", 1000.0) > 35.0


def test_a_relay_settles_and_its_mirror_tells_on_it() -> None:
    world, panels = bench(instruments={**SPEC["instruments"], "relay-a": {"kind": "relay", "settle_s": 0.05}})  # type: ignore[dict-item]
    relay = panels["relay-a"]
    assert isinstance(relay, Relay)
    relay.set("closed", value=True, now_s=1.0)

    assert (relay.closed_shown, relay.truth("mirror_closed", 1.049)) == (True, 0.0)
    assert (relay.truth("mirror_closed", 1.051), relay.energised()) == (1.0, [(1.05, None)])

    relay.weld("closed", 2.0)
    relay.set("closed", value=False, now_s=3.0)
    world.advance_to(4.0)

    assert (relay.closed_shown, relay.mirror_closed) == (False, True)

    relay.weld("open", 5.0)
    relay.set("closed", value=True, now_s=6.0)
    world.advance_to(7.0)

    assert (relay.closed_shown, relay.mirror_closed) == (True, False)


def test_a_relay_closes_by_itself_while_the_computer_boots_and_without_power_falls_back() -> None:
    instruments = {
        **SPEC["instruments"],  # type: ignore[dict-item]
        "relay-a": {"kind": "relay", "at_boot": "closed", "boots_at_start": True, "settle_s": 0.01},
        "relay-b": {"kind": "relay", "without_power": "closed", "settle_s": 0.01},
    }
    world, panels = bench(instruments=instruments)
    world.advance_to(60.0)

    assert panels["relay-a"].energised() == [(0.01, 20.01)]
    assert panels["relay-b"].energised() == []

    panels["relay-b"].power(100.0, on=False)  # type: ignore[attr-defined]
    panels["relay-b"].power(130.0, on=True)  # type: ignore[attr-defined]
    world.advance_to(200.0)

    assert panels["relay-b"].energised() == [(100.01, 130.01)]


def test_a_worn_contact_drops_more() -> None:
    world, panels = bench()
    charge(panels, 2.6, 1.0)
    close(panels, "relay-a")
    world.advance_to(10.0)
    panels["relay-a"].wear(0.5, 20.0)  # type: ignore[attr-defined]

    assert panels["relay-a"].truth("voltage_V", 30.0) == pytest.approx(0.5)

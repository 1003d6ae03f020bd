"""Every fault of the bench itself happens at its instant, to what it is said of, and nothing else; groups B and D of the fault table."""

from __future__ import annotations

from math import inf, isnan
from pathlib import Path
from typing import Any

import pytest

from chargerd.sim.bench_faults import BENCH_FAULTS, PanelFault
from chargerd.sim.benches import WIRE_ohm, bench_of, world_from
from chargerd.sim.faults import FAULTS, once
from chargerd.sim.world import World, boathouse_bench
from tests.sim.bench import ask
from tests.sim.test_circuit import charge, close

INSTRUMENTS: dict[str, dict[str, Any]] = {
    "supply": {"kind": "supply", "behaviour": "scpi-supply"},
    "load": {"kind": "load", "behaviour": "scpi-load"},
    "relay": {"kind": "relay"},
    "meter": {"kind": "meter"},
    "sense": {"kind": "meter"},
    "thermometer": {"kind": "thermometer", "sensor": {"kind": "degrees", "power_up_degC": 85.0}},
    "fan": {"kind": "supply"},
}
CHANNEL = {
    "cell": {"name": "plover", "stored_Ah": 0.5}, "source": "supply", "load": "load", "switch": "relay", "meter": "meter",
    "sense": "sense", "temperature": "thermometer",
}  # fmt: skip


def bench(*faults: dict[str, Any], **instruments: Any) -> World:
    return bench_of({"instruments": INSTRUMENTS | instruments, "channels": {"a": CHANNEL}, "faults": faults})


def test_every_fault_of_the_bench_has_a_test_here_and_is_in_the_one_table() -> None:
    text = Path(__file__).read_text(encoding="utf-8")

    assert [kind for kind in BENCH_FAULTS if f'"{kind}"' not in text] == []
    assert set(BENCH_FAULTS) <= set(FAULTS)


def test_a_load_that_says_off_draws() -> None:
    world = bench({"panel": "load", "kind": "sink", "current_A": 0.25, "at_s": 5.0})
    close(world.panels, "relay")

    assert world.nodes["a"].look(4.9).current_A == 0.0
    assert world.nodes["a"].look(6.0).current_A == pytest.approx(-0.25)
    assert ask(world.peers["load"], "INP?", 6.0) == "0"
    assert world.panels["load"].energised() == [(5.0, None)]

    world.panels["load"].set("current_set_A", 0.6, 7.0)
    world.panels["load"].set("input", value=True, now_s=7.0)

    assert world.nodes["a"].look(8.0).current_A == pytest.approx(-0.6)


def test_a_load_that_says_off_draws_from_the_source_too_when_no_relay_is_between() -> None:
    world = boathouse_bench("plover", stored_Ah=0.5)
    charge(world.panels, 2.6, 1.0)
    world.arm({"peer": "load", "kind": "sink", "current_A": 0.25}, now_s=1.0)

    assert world.nodes["cell"].look(2.0).current_A == pytest.approx(0.75)


@pytest.mark.parametrize("ohm", [40.0, 300.0])
def test_an_off_supply_bleeds_some_milliamperes(ohm: float) -> None:
    world = bench({"panel": "supply", "kind": "bleed", "ohm": ohm})
    close(world.panels, "relay")

    assert 0.004 < -world.nodes["a"].look(5.0).current_A < 0.05
    assert world.panels["supply"].truth("current_A", 5.0) == 0.0

    world.panels["relay"].set("closed", value=False, now_s=6.0)

    assert world.nodes["a"].look(7.0).current_A == 0.0


def test_a_crowbar_shorts_the_cell_until_the_relay_opens() -> None:
    world = bench({"panel": "supply", "kind": "crowbar", "at_s": 10.0})
    close(world.panels, "relay")
    charge(world.panels, 2.6, 1.0)
    at = world.nodes["a"].look(10.5)

    assert -at.current_A == pytest.approx(at.voltage_V / (0.05 + 0.05 + WIRE_ohm + 0.02 + 0.005))
    assert world.panels["supply"].output_log[-1].cause == "ovp"

    world.panels["relay"].set("closed", value=False, now_s=11.0)

    assert world.nodes["a"].look(11.5).current_A == 0.0


def test_an_output_that_cannot_be_switched_off_is_cut_by_the_relay_alone() -> None:
    world = bench()
    close(world.panels, "relay")
    charge(world.panels, 2.6, 1.0)
    world.arm({"panel": "supply", "kind": "stick_on"}, now_s=5.0)
    world.panels["supply"].set("output", value=False, now_s=6.0)

    assert world.nodes["a"].look(7.0).current_A == pytest.approx(1.0)

    world.panels["relay"].set("closed", value=False, now_s=8.0)

    assert world.nodes["a"].look(9.0).current_A == 0.0


def test_a_lost_sense_lead_raises_the_output_above_what_is_read_and_over_voltage_sees_it() -> None:
    world = bench({"panel": "supply", "kind": "sense", "volts": 0.3, "at_s": 10.0})
    close(world.panels, "relay")
    charge(world.panels, 1.8, 3.0)
    world.advance_to(12.0)

    assert world.panels["supply"].truth("voltage_V", 12.0) == pytest.approx(1.8, abs=1e-5)
    assert world.panels["sense"].truth("voltage_V", 12.0) == pytest.approx(2.1, abs=1e-5)

    world.panels["supply"].set("ovp_level_V", 2.05, 13.0)

    assert world.panels["supply"].energised() == [(0.0, 13.0)]

    node_world = boathouse_bench("plover", stored_Ah=0.5)
    charge(node_world.panels, 1.5, 3.0)
    node_world.arm({"peer": "supply", "kind": "sense", "volts": 0.2}, now_s=5.0)
    at = node_world.nodes["cell"].look(6.0)

    assert node_world.panels["supply"].truth("voltage_V", 6.0) == pytest.approx(1.5)
    assert at.voltage_V + 0.02 * at.current_A == pytest.approx(1.7)


@pytest.mark.parametrize(("state", "told", "does"), [("closed", False, True), ("open", True, False)])
def test_a_welded_relay_does_not_do_what_it_is_told_and_its_mirror_says_so(state: str, told: bool, does: bool) -> None:
    world = bench({"panel": "relay", "kind": "weld", "state": state, "at_s": 3.0})
    world.panels["relay"].set("closed", value=not told, now_s=0.0)
    world.panels["relay"].set("closed", value=told, now_s=5.0)
    relay = world.panels["relay"]

    assert (relay.truth("closed", 6.0), relay.truth("mirror_closed", 6.0)) == (float(told), float(does))


def test_a_supply_that_restarts_with_its_output_on_drives_the_cell_again() -> None:
    world = bench({"panel": "supply", "kind": "reboot", "output_on": True, "at_s": 20.0})
    close(world.panels, "relay")
    charge(world.panels, 2.6, 1.0)
    world.panels["supply"].set("output", value=False, now_s=10.0)

    assert world.nodes["a"].look(19.0).current_A == 0.0
    assert world.nodes["a"].look(21.0).current_A == pytest.approx(1.0)


def test_a_load_that_changes_its_mode_to_a_short_draws_what_the_leads_let_through() -> None:
    world = bench({"panel": "load", "kind": "change", "setting": "mode", "value": "SHOR", "at_s": 20.0})
    close(world.panels, "relay")
    world.panels["load"].set("current_set_A", 0.3, 0.0)
    world.panels["load"].set("input", value=True, now_s=0.0)
    at = world.nodes["a"].look(21.0)

    assert -at.current_A == pytest.approx(at.voltage_V / (0.02 + 0.05 + WIRE_ohm + 0.02 + 0.005))


def test_a_relay_closes_while_the_computer_boots() -> None:
    world = bench({"panel": "relay", "kind": "relay_boot", "at_s": 100.0})
    world.advance_to(200.0)

    assert world.panels["relay"].energised() == [(100.0, 120.0)]
    assert world.panels["relay"].get("closed") is False


def test_a_relay_without_power_does_what_it_is_made_to_do() -> None:
    world = bench({"panel": "relay", "kind": "relay_power", "on": False, "at_s": 50.0}, relay={"kind": "relay", "settle_s": 0.02})
    close(world.panels, "relay")
    world.advance_to(60.0)

    assert world.panels["relay"].energised() == [(0.02, 50.02)]


def test_a_clip_that_wears_drops_more_and_one_that_comes_off_looks_like_a_full_cell() -> None:
    world = bench({"panel": "clip-a", "kind": "wear", "ohm": 0.4, "at_s": 10.0}, {"panel": "clip-a", "kind": "wear", "ohm": inf, "at_s": 20.0})
    close(world.panels, "relay")
    charge(world.panels, 2.6, 1.0)
    at = world.nodes["a"].look(12.0)

    assert world.panels["clip-a"].truth("voltage_V", 12.0) == pytest.approx(0.4)
    assert world.panels["sense"].truth("voltage_V", 12.0) - at.voltage_V == pytest.approx(0.4 + 0.05 + WIRE_ohm + 0.02)

    assert world.nodes["a"].look(21.0).current_A == 0.0
    assert world.panels["supply"].truth("voltage_V", 21.0) == pytest.approx(2.6)
    assert world.panels["supply"].truth("current_A", 21.0) == pytest.approx(0.0, abs=1e-9)


def test_a_loose_clip_opens_for_ten_milliseconds_at_a_time() -> None:
    world = bench({"panel": "clip-a", "kind": "flicker", "openings": 3, "at_s": 5.0})
    close(world.panels, "relay")
    charge(world.panels, 2.6, 1.0)
    currents = [world.nodes["a"].look(now_s).current_A for now_s in (4.9, 5.005, 5.02, 15.005, 25.005, 25.02, 35.005)]

    assert currents == pytest.approx([1.0, 0.0, 1.0, 0.0, 0.0, 1.0, 1.0])


def test_an_instrument_that_is_not_isolated_does_nothing_alone() -> None:
    world = bench({"panel": "meter", "kind": "ground"})

    assert world.nodes["a"].look(5.0).current_A == 0.0

    world.arm({"panel": "supply", "kind": "ground"}, now_s=5.0)  # both negative sides are the same point of the circuit

    assert world.nodes["a"].look(6.0).current_A == pytest.approx(0.0, abs=1e-12)
    with pytest.raises(ValueError, match="no ground"):
        bench({"panel": "relay", "kind": "ground"})


def test_faults_of_sensors_happen_at_their_instants() -> None:
    world = bench(
        {"panel": "thermometer", "kind": "hand", "degC": 33.0, "held_s": 10.0, "at_s": 100.0},
        {"panel": "thermometer", "kind": "sensor_spike", "factor": 1.2, "at_s": 200.0},
        {"panel": "thermometer", "kind": "sensor_restart", "at_s": 300.0},
        {"panel": "thermometer", "kind": "sensor", "state": "open", "at_s": 400.0},
        {"panel": "thermometer", "kind": "sensor", "state": "", "at_s": 500.0},
        {"panel": "thermometer", "kind": "sensor_frozen", "at_s": 600.0},
        {"panel": "thermometer", "kind": "detach", "at_s": 700.0},
    )
    read = [world.panels["thermometer"].read("temperature_degC", now_s) for now_s in (99.0, 105.0, 111.0, 200.04, 200.1, 300.5, 301.0, 401.0)]

    assert read == [25.0, 33.0, 25.0, 30.0, 25.0, 85.0, 25.0, inf]
    assert world.panels["thermometer"].read("temperature_degC", 501.0) == 25.0
    assert world.panels["thermometer"].read("temperature_degC", 701.0) == 25.0


def test_a_thermocouple_whose_cold_junction_is_lost_gives_no_number() -> None:
    world = bench({"panel": "thermometer", "kind": "junction", "at_s": 5.0}, thermometer={"kind": "thermometer", "sensor": {"kind": "thermocouple-t"}})
    before, after = (world.panels["thermometer"].read("temperature_degC", now_s) for now_s in (4.0, 6.0))

    assert before == pytest.approx(25.0, abs=0.5)
    assert isnan(after)


def test_two_sensors_are_swapped_whoever_is_asked_first() -> None:
    def shown(*order: str) -> dict[str, float]:
        instruments = INSTRUMENTS | {"other": {"kind": "supply"}, "t2": {"kind": "thermometer", "sensor": {"lag_s": 20.0}}}
        channels = {"a": CHANNEL, "b": {"cell": "plover", "source": "other", "temperature": "t2"}}
        swap = {"panel": "t2", "kind": "sensor_swap", "other": "thermometer", "at_s": 300.0}
        world = bench_of({"instruments": instruments, "channels": channels, "faults": [swap]})
        close(world.panels, "relay")
        charge(world.panels, 2.6, 3.0)
        return {name: world.panels[name].truth("temperature_degC", 900.0) for name in order}

    assert shown("t2", "thermometer") == shown("thermometer", "t2")
    assert shown("t2")["t2"] > 26.0


def test_what_happens_to_a_meter_happens_to_its_sensor_wherever_that_sits() -> None:
    instruments = INSTRUMENTS | {"other": {"kind": "supply"}, "t2": {"kind": "thermometer"}}
    channels = {"a": CHANNEL, "b": {"cell": "plover", "source": "other", "temperature": "t2"}}
    swap = {"panel": "t2", "kind": "sensor_swap", "other": "thermometer", "at_s": 10.0}
    restart = {"panel": "thermometer", "kind": "sensor_restart", "at_s": 100.0}
    world = bench_of({"instruments": instruments, "channels": channels, "faults": [swap, restart]})
    read = [world.panels["thermometer"].read("temperature_degC", now_s) for now_s in (50.0, 100.5, 101.0)]

    assert read == [25.0, 85.0, 25.0]


def test_an_event_on_two_agendas_happens_once() -> None:
    world = bench()
    armed = PanelFault(world.panels["supply"], once("reboot"), lambda target, now_s: target.panel.reboot(now_s))
    armed.happen(1.0)
    armed.happen(1.0)

    assert world.panels["supply"].boots == 1


def test_a_forbidden_output_counts_every_command_and_a_fan_its_time_off() -> None:
    world = bench()
    fan = world.panels["fan"]
    fan.set("voltage_set_V", 12.0, 0.0)
    fan.set("output", value=True, now_s=10.0)

    assert (fan.commands, fan.off_s(10.0, 100.0)) == (2, 0.0)

    fan.ignores.add("off")
    fan.set("output", value=False, now_s=20.0)
    fan.touch("output", value=False, now_s=30.0)
    fan.set("output", value=True, now_s=35.0)
    fan.reset(90.0)

    assert fan.commands == 5
    assert fan.off_s(10.0, 100.0) == pytest.approx(5.0 + 10.0)
    assert world.report(100.0)["panels"]["fan"]["commands"] == 5


def test_a_fault_is_refused_where_it_cannot_happen() -> None:
    with pytest.raises(TypeError, match="meter is a meter and cannot have 'weld'"):
        bench({"panel": "meter", "kind": "weld"})
    with pytest.raises(TypeError, match="supply is a supply and cannot have 'sink'"):
        bench({"peer": "supply", "kind": "sink"})
    with pytest.raises(ValueError, match="nothing that happens to a panel"):
        bench({"panel": "meter", "kind": "mute"})
    with pytest.raises(ValueError, match="open or closed"):
        bench({"panel": "relay", "kind": "weld", "state": "ajar"})
    with pytest.raises(KeyError):
        bench({"panel": "toaster", "kind": "weld"})
    with pytest.raises(TypeError, match="swapped with what"):
        bench({"panel": "thermometer", "kind": "sensor_swap"})


def test_a_copy_of_a_world_keeps_what_is_still_to_happen() -> None:
    world = bench({"panel": "clip-a", "kind": "flicker", "openings": 3, "at_s": 5.0}, {"panel": "relay", "kind": "relay_boot", "at_s": 30.0})
    close(world.panels, "relay")
    charge(world.panels, 2.6, 1.0)
    world.advance_to(16.0)
    twin = world.copy()

    assert twin.nodes["a"].look(25.005).current_A == 0.0
    assert twin.nodes["a"].look(60.0).current_A == 0.0
    assert world.panels["relay"].energised() == [(0.0, None)]
    assert world.nodes["a"].look(25.005).current_A == 0.0
    assert world.report(60.0)["nodes"] == twin.report(60.0)["nodes"]


def test_plain_data_with_instruments_are_such_a_bench() -> None:
    world = world_from({"instruments": INSTRUMENTS, "channels": {"a": CHANNEL}, "peers": {"board": {"behaviour": "scpi-relays", "panels": ["relay"]}}})
    ask(world.peers["board"], "ROUT:CLOS (@1)", 1.0)

    assert world.panels["relay"].energised() == [(1.0, None)]
    assert ask(world.peers["board"], "ROUT:MIRR? (@1)", 2.0) == "1"

"""Sensors show what the standard curves say, feel with a lag, and fail as such sensors fail."""

from __future__ import annotations

from math import exp, inf, isnan

import pytest

from chargerd.sim.benches import bench_of
from chargerd.sim.bodies import Body
from chargerd.sim.curves import platinum_ohm, thermistor_by_b_ohm, thermistor_ohm, thermocouple_mV
from chargerd.sim.meter import Meter, Thermometer
from chargerd.sim.sensors import SensorMake
from chargerd.sim.world import World, boathouse_bench

PLATINUM = {-200: 18.52, -100: 60.26, -40: 84.27, -20: 92.16, 0: 100.00, 1: 100.39, 25: 109.73, 60: 123.24, 100: 138.51, 200: 175.86, 400: 247.09}
"""IEC 60751 (curve of 1995 and later), two decimals."""

COUPLES = {
    "k": {-200: -5.891, -150: -4.913, -50: -1.889, -40: -1.527, 0: 0.000, 23: 0.919, 25: 1.000, 60: 2.436, 100: 4.096, 200: 8.138},
    "t": {-200: -5.603, -100: -3.379, -50: -1.819, -40: -1.475, 0: 0.000, 23: 0.911, 25: 0.992, 60: 2.468, 100: 4.279, 200: 9.288},
}
"""NIST Monograph 175 (ITS-90), reference junction at 0 °C, mV."""

THERMISTOR = {
    -40: 336045.5, -30: 176782.6, -20: 96998.2, -10: 55300.5, 0: 32649.6, 1: 31029.6, 25: 9999.9, 30: 8056.0, 55: 2985.1, 60: 2487.1,
    65: 2082.3, 100: 678.4,
}  # fmt: skip
"""Ohms of the constants 1.12924e-3, 2.34108e-4, 0.87755e-7 (a common 10 kohm curve, from memory) by 1/T = a + b·ln R + c·(ln R)³
(Steinhart and Hart, 1968), solved for R by halving, apart from this program."""


def test_platinum_follows_iec_60751_on_both_sides_of_zero() -> None:
    assert {degC: round(platinum_ohm(degC), 2) for degC in PLATINUM} == PLATINUM
    assert platinum_ohm(25.0, 1000.0) == pytest.approx(10.0 * platinum_ohm(25.0))


@pytest.mark.parametrize("letter", COUPLES)
def test_thermocouples_follow_its_90(letter: str) -> None:
    for degC, emf_mV in COUPLES[letter].items():
        assert thermocouple_mV(letter, degC) == pytest.approx(emf_mV, abs=0.0005)


def test_thermistors_follow_the_equation_of_their_constants() -> None:
    assert {degC: round(thermistor_ohm(degC), 1) for degC in THERMISTOR} == THERMISTOR


def test_the_b_equation_is_one_at_25_degrees_and_only_there() -> None:
    # Own arithmetic from the B equation of IEC 60539: B 3950 K, 10 kohm.
    assert thermistor_by_b_ohm(25.0, 10000.0, 3950.0) == pytest.approx(10000.0)
    assert thermistor_by_b_ohm(0.0, 10000.0, 3950.0) == pytest.approx(33620.6, abs=0.1)
    assert thermistor_by_b_ohm(60.0, 10000.0, 3950.0) == pytest.approx(2486.2, abs=0.1)


def test_a_body_follows_with_its_time_constant_in_any_number_of_steps() -> None:
    one, many = Body(20.0, 30.0), Body(20.0, 30.0)
    one.pass_time(60.0, 50.0)
    for _ in range(600):
        many.pass_time(0.1, 50.0)

    assert one.temperature_degC == pytest.approx(50.0 - 30.0 * exp(-2.0))
    assert many.temperature_degC == pytest.approx(one.temperature_degC)


def warm(sensor: dict[str, object], kind: str = "thermometer", *, lag_s: float = 0.0) -> tuple[World, Meter]:
    """A cell some degrees warmer than the room, with this sensor on it; looked at after 600 s."""
    channel = {"a": {"cell": {"name": "plover", "stored_Ah": 0.5}, "source": "supply", "temperature": "t"}}
    instruments = {"supply": {"kind": "supply"}, "t": {"kind": kind, "sensor": {"lag_s": lag_s, **sensor}}}
    world = bench_of({"ambient_degC": 23.0, "instruments": instruments, "channels": channel})
    world.panels["supply"].set("voltage_set_V", 2.6, 0.0)
    world.panels["supply"].set("current_set_A", 3.0, 0.0)
    world.panels["supply"].set("output", value=True, now_s=0.0)
    panel = world.panels["t"]
    assert isinstance(panel, Meter)
    return world, panel


@pytest.mark.parametrize(("wires", "leads_ohm"), [(2, 2.4), (3, 0.05), (4, 0.0)])
def test_leads_add_to_a_two_wire_sensor_and_their_difference_to_a_three_wire_one(wires: int, leads_ohm: float) -> None:
    world, panel = warm({"kind": "pt100", "wires": wires, "lead_ohm": 1.2, "mismatch_ohm": 0.05})
    degC = world.nodes["a"].look(600.0).temperature_degC

    assert degC > 25.0
    assert panel.truth("resistance_ohm", 600.0) == pytest.approx(platinum_ohm(degC) + leads_ohm)


@pytest.mark.parametrize("letter", ["k", "t"])
def test_a_thermocouple_shows_the_difference_of_two_emfs_not_of_two_temperatures(letter: str) -> None:
    world, panel = warm({"kind": f"thermocouple-{letter}", "cold_junction_K": 1.5})
    degC = world.nodes["a"].look(600.0).temperature_degC
    expected_mV = thermocouple_mV(letter, degC) - thermocouple_mV(letter, 24.5)

    assert panel.truth("emf_V", 600.0) == pytest.approx(expected_mV / 1000.0)
    assert panel.truth("voltage_V", 600.0) == panel.truth("emf_V", 600.0)
    assert panel.truth("temperature_degC", 600.0) == pytest.approx(degC)
    assert panel.truth("resistance_ohm", 600.0) == inf

    panel.lose_junction(601.0)

    assert isnan(panel.truth("temperature_degC", 601.0))
    assert panel.truth("emf_V", 601.0) == pytest.approx(expected_mV / 1000.0, rel=0.01)


def test_other_sensors_show_their_own_curves() -> None:
    world, panel = warm({"kind": "ntc"})
    degC = world.nodes["a"].look(600.0).temperature_degC

    assert panel.truth("resistance_ohm", 600.0) == pytest.approx(thermistor_ohm(degC))

    _, panel = warm({"kind": "ntc", "nominal_ohm": 10000.0, "beta_K": 3950.0})

    assert panel.truth("resistance_ohm", 600.0) == pytest.approx(thermistor_by_b_ohm(degC, 10000.0, 3950.0))

    _, panel = warm({"kind": "pt1000", "error_K": 0.4})

    assert panel.truth("resistance_ohm", 600.0) == pytest.approx(platinum_ohm(degC + 0.4, 1000.0))
    assert panel.truth("temperature_degC", 600.0) == pytest.approx(degC + 0.4)


def test_a_sensor_lags_behind_the_cell_and_feels_only_its_share() -> None:
    world, panel = warm({}, lag_s=60.0)
    _, loose = warm({"coupling": 0.5})
    cell_degC = world.nodes["a"].look(600.0).temperature_degC

    assert 23.5 < panel.truth("temperature_degC", 600.0) < cell_degC - 0.1
    assert loose.truth("temperature_degC", 600.0) == pytest.approx(23.0 + 0.5 * (cell_degC - 23.0))


def test_what_a_lagging_sensor_shows_does_not_depend_on_who_looks() -> None:
    def shown(looks_s: list[float]) -> list[float]:
        world, panel = warm({}, lag_s=45.0)
        for look_s in looks_s:
            panel.read("temperature_degC", look_s)
        panel.hold(300.5)
        world.panels["supply"].set("output", value=False, now_s=420.25)
        return [panel.truth("temperature_degC", now_s) for now_s in (420.25, 421.0, 500.9, 1234.5)]

    unseen = shown([])

    assert shown([0.7 * k for k in range(400)]) == unseen
    assert shown([13.37, 299.9]) == unseen


def test_a_hand_warms_a_sensor_and_lets_go() -> None:
    world, panel = warm({}, lag_s=8.0)
    world.panels["supply"].set("output", value=False, now_s=0.0)
    panel.hold(100.0, for_s=20.0)

    assert panel.truth("temperature_degC", 100.0) == pytest.approx(23.0, abs=0.2)
    assert panel.truth("temperature_degC", 120.0) == pytest.approx(33.0 - 10.0 * exp(-20.0 / 8.0), abs=0.1)
    assert panel.truth("temperature_degC", 200.0) == pytest.approx(23.0, abs=0.2)


def test_a_detached_sensor_feels_the_room_after_its_lag() -> None:
    world, panel = warm({}, lag_s=30.0)
    before_degC = panel.truth("temperature_degC", 600.0)
    panel.detach(600.0)

    assert panel.truth("temperature_degC", 630.0) == pytest.approx(23.0 + (before_degC - 23.0) * exp(-1.0), abs=1e-6)
    assert world.nodes["a"].look(900.0).temperature_degC > 25.0


@pytest.mark.parametrize(
    ("kind", "how", "ohm", "emf_V", "degC"),
    [
        ("pt100", "open", inf, 0.0, inf), ("pt100", "short", 0.2, 0.0, -242.0), ("ntc", "short", 0.2, 0.0, 400.0),
        ("thermocouple-k", "open", inf, inf, inf), ("thermocouple-k", "short", inf, 0.0, 23.0), ("degrees", "open", inf, 0.0, inf),
    ],
)  # fmt: skip
def test_open_and_shorted_sensors_show_what_such_sensors_show(kind: str, how: str, ohm: float, emf_V: float, degC: float) -> None:
    _, panel = warm({"kind": kind})
    panel.break_sensor(how, 10.0)

    assert [panel.truth(key, 11.0) for key in ("resistance_ohm", "emf_V", "temperature_degC")] == [ohm, emf_V, degC]

    panel.break_sensor("", 12.0)

    assert panel.truth("temperature_degC", 13.0) == pytest.approx(23.0, abs=0.5)


def test_an_open_sensor_may_answer_exactly_zero() -> None:
    _, panel = warm({"open_degC": 0.0})
    panel.break_sensor("open", 10.0)

    assert panel.truth("temperature_degC", 11.0) == 0.0


def test_a_one_wire_sensor_answers_85_until_its_first_conversion_and_then_sixteenths() -> None:
    _, panel = warm({"kind": "degrees", "power_up_degC": 85.0})

    assert [panel.read("temperature_degC", now_s) for now_s in (0.0, 0.74)] == [85.0, 85.0]
    assert panel.read("temperature_degC", 0.76) == 23.0
    readings = {panel.read("temperature_degC", 10.0 * k) for k in range(1, 60)}
    assert len(readings) > 10
    assert all(reading * 16 == int(reading * 16) for reading in readings)

    panel.restart_sensor(700.0)

    assert panel.read("temperature_degC", 700.5) == 85.0
    assert panel.read("temperature_degC", 701.0) < 40.0


def test_a_sensor_that_is_really_at_85_degrees_shows_it_on_its_way() -> None:
    _, panel = warm({"kind": "degrees", "power_up_degC": 85.0}, lag_s=10.0)
    panel.hold(10.0, 95.0, 60.0)
    readings = [panel.read("temperature_degC", 10.0 + 0.5 * k) for k in range(100)]

    assert readings == sorted(readings)
    assert readings[-1] > 90.0


def test_frozen_and_spiking_sensors() -> None:
    world, panel = warm({})
    frozen_degC = panel.truth("temperature_degC", 100.0)
    panel.freeze_sensor(100.0)

    assert panel.truth("temperature_degC", 900.0) == frozen_degC

    _, panel = warm({})
    panel.spike(1.2, 0.05, 100.0)

    assert panel.truth("temperature_degC", 100.04) == pytest.approx(1.2 * panel.truth("temperature_degC", 100.06), rel=1e-3)
    assert world.nodes["a"].look(900.0).temperature_degC > frozen_degC


def test_swapped_sensors_feel_each_others_cells() -> None:
    world = boathouse_bench("plover", prefix="a-", stored_Ah=0.5)
    boathouse_bench("plover", prefix="b-", into=world)
    supply, a, b = world.panels["a-supply"], world.panels["a-thermometer"], world.panels["b-thermometer"]
    for key, value in (("voltage_set_V", 2.6), ("current_set_A", 3.0), ("output", True)):
        supply.set(key, value, 0.0)
    world.arm({"panel": "a-thermometer", "kind": "sensor_swap", "other": "b-thermometer", "at_s": 300.0})

    assert a.truth("temperature_degC", 299.0) > 25.5 > b.truth("temperature_degC", 299.0)
    assert b.truth("temperature_degC", 600.0) > 27.0
    assert a.truth("temperature_degC", 600.0) < 25.5


def test_a_lagging_sensor_that_is_swapped_brings_its_own_temperature_along() -> None:
    instruments = {name: {"kind": "supply"} for name in ("one", "two")} | {
        name: {"kind": "thermometer", "sensor": {"lag_s": 60.0}} for name in ("ta", "tb")
    }
    channels = {
        "a": {"cell": {"name": "plover", "stored_Ah": 0.5}, "source": "one", "temperature": "ta"},
        "b": {"cell": "plover", "source": "two", "temperature": "tb"},
    }
    world = bench_of({"instruments": instruments, "channels": channels})
    for key, value in (("voltage_set_V", 2.6), ("current_set_A", 3.0), ("output", True)):
        world.panels["one"].set(key, value, 0.0)
    hot_degC = world.panels["ta"].truth("temperature_degC", 600.0)
    world.arm({"panel": "ta", "kind": "sensor_swap", "other": "tb"}, now_s=600.0)

    assert world.panels["ta"].truth("temperature_degC", 600.0) == pytest.approx(hot_degC)
    assert world.panels["ta"].truth("temperature_degC", 660.0) == pytest.approx(25.0 + (hot_degC - 25.0) * exp(-1.0), abs=0.01)


def test_what_is_no_sensor_is_refused() -> None:
    with pytest.raises(ValueError, match="no sensor 'pt50'"):
        SensorMake(kind="pt50")
    with pytest.raises(ValueError, match="2, 3 or 4 wires"):
        SensorMake(wires=5)
    with pytest.raises(ValueError, match="open or short"):
        Thermometer("t", World().add_node("room", None)).break_sensor("wet", 0.0)


def test_a_meter_across_a_shunt_shows_the_current_its_label_says() -> None:
    instruments = {
        "supply": {"kind": "supply"}, "relay": {"kind": "relay"},
        "ammeter": {
            "kind": "meter", "shunt": {"ohm": 0.1, "error": 0.01},
            "accuracy": {"current_A": {"gain": 1.002, "offset": 0.004, "resolution": 0.001}},
        },
    }  # fmt: skip
    channel = {"a": {"cell": {"name": "plover", "stored_Ah": 0.5}, "source": "supply", "switch": "relay", "ammeter": "ammeter"}}
    world = bench_of({"instruments": instruments, "channels": channel})
    for name, key, value in (("supply", "voltage_set_V", 2.6), ("supply", "current_set_A", 1.0), ("supply", "output", True)):
        world.panels[name].set(key, value, 0.0)

    assert world.panels["ammeter"].read("current_A", 1.0) == 0.004

    world.panels["relay"].set("closed", value=True, now_s=1.0)

    assert world.panels["ammeter"].read("current_A", 2.0) == round(1.01 * 1.002 + 0.004, 3)


def test_zero_errors_and_steps_of_a_supply_come_from_the_data() -> None:
    accuracy = {"current_A": {"offset": 0.025, "resolution": 0.01}}
    settings = {"current_set_A": {"resolution": 0.01}, "voltage_set_V": {"resolution": 0.01, "default": 1.5}}
    spec = {"instruments": {"supply": {"kind": "supply", "accuracy": accuracy, "settings": settings}}}
    supply = bench_of({**spec, "channels": {"a": {"cell": None, "source": "supply"}}}).panels["supply"]
    supply.set("current_set_A", 0.1249, 0.0)

    assert supply.get("current_set_A") == 0.12
    assert supply.get("voltage_set_V") == 1.5
    assert supply.read("current_A", 1.0) in {0.02, 0.03}

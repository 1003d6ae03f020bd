"""Sensors, contacts, resistors, taps and a dead-man relay in a bench file: read into numbers, and every slip told with its place."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from chargerd.config.bench import load_bench
from chargerd.errors import BenchError

BENCH = """\
bench: boathouse
about: Invented.
data: runs
instruments:
  supply:
    address: tcp://127.0.0.1:5025
    dialect: scpi-supply-select
    identity: Boathouse,Source 3A,SN1,1.0
    output: 2
    protects: [voltage]
    ratings: {voltage: 30 V, current: 3 A}
    accuracy: {voltage: 0.05 % + 5 mV, current: 0.1 % + 25 mA}
    resolution: {voltage: 1 mV, current: 1 mA}
    isolated: yes
  shunt:
    address: tcp://127.0.0.1:5028
    dialect: scpi-meter-scan
    identity: Boathouse,Meter 6,SN5,1.0
    input: 101
    shunt: 100 mohm
    accuracy: {voltage: 0.02 % + 10 uV, current: 0.1 % + 1 mA}
    resolution: {voltage: 1 uV, current: 10 uA}
    isolated: yes
  probe:
    address: tcp://127.0.0.1:5028
    dialect: scpi-meter-scan
    identity: Boathouse,Meter 6,SN5,1.0
    input: 102
    every: 2 s
    sensor: {kind: pt100, wires: 2, lead: 0.4 ohm}
    accuracy: {temperature: 0.5 K}
    resolution: {temperature: 0.01 K}
    isolated: yes
  room:
    address: tcp://127.0.0.1:5028
    dialect: scpi-meter-scan
    identity: Boathouse,Meter 6,SN5,1.0
    input: 103
    sensor: {kind: ntc, table: [0 °C = 32.65 kohm, 25 °C = 10 kohm, 60 °C = 2488 ohm]}
    accuracy: {temperature: 0.5 K}
    resolution: {temperature: 0.01 K}
    isolated: yes
  relay:
    address: serial:///dev/ttyUSB3
    dialect: line-relays
    identity: relays Boathouse
    output: 1
    contact: {without_power: open, at_boot: open, rating: 2 A, settle: 20 ms}
    isolated: yes
  burner:
    address: serial:///dev/ttyUSB3
    dialect: line-relays
    identity: relays Boathouse
    output: 2
    contact: {without_power: open}
    isolated: yes
resistors:
  r1: {load: bank, switch: burner, resistance: 4.7 ohm, power: 10 W, accuracy: 2 %}
channels:
  slip-1:
    source: supply
    load: bank
    voltage: supply
    current: shunt
    temperature: probe
    ambient: room
    switch: relay
limits: {voltage: 3 V, charge_current: 1 A, discharge_current: 1 A, temperature: 50 °C}
wiring: {lead: 0.05 ohm, fuse: 1 A, tap_resistor: 100 ohm}
ventilation: {outdoors: yes}
dead_man: {feed: line:///dev/ttyUSB4, drop_out: 4 s, cuts: [relay], buzzer: yes}
"""


def loaded(text: str, folder: Path) -> list[str]:
    (folder / "bench.yaml").write_text(text, encoding="utf-8")
    try:
        load_bench(folder / "bench.yaml")
    except BenchError as faults:
        return list(faults.faults)
    return []


def test_a_bench_of_odd_parts_is_read_into_numbers(tmp_path: Path) -> None:
    assert loaded(BENCH, tmp_path) == []
    bench = load_bench(tmp_path / "bench.yaml")

    supply, shunt, probe, room, relay = (bench.instruments[name] for name in ("supply", "shunt", "probe", "room", "relay"))
    assert (supply.output, supply.protects) == ("2", ("voltage",))
    assert (shunt.input, shunt.shunt_ohm) == ("101", 0.1)
    assert probe.sensor is not None
    assert (probe.sensor.kind, probe.sensor.wires, probe.sensor.lead_ohm, probe.every_s) == ("pt100", 2, 0.4, 2.0)
    assert room.sensor is not None
    assert room.sensor.table == ((0.0, 32650.0), (25.0, 10000.0), (60.0, 2488.0))
    assert relay.contact is not None
    assert (relay.contact.without_power, relay.contact.at_boot, relay.contact.rating_A, relay.contact.settle_s) == ("open", "open", 2.0, 0.02)
    (resistor,) = bench.resistors
    assert (resistor.load, resistor.switch, resistor.resistance_ohm, resistor.power_W, resistor.accuracy) == ("bank", "burner", 4.7, 10.0, 0.02)
    channel = bench.channels["slip-1"]
    assert (channel.load, channel.ammeter, channel.switch) == ("bank", "shunt", "relay")
    assert bench.wiring.tap_ohm == 100.0
    assert bench.dead_man is not None
    assert (bench.dead_man.feed, bench.dead_man.drop_out_s, bench.dead_man.cuts, bench.dead_man.buzzer) == (
        "line:///dev/ttyUSB4", 4.0, ("relay",), True,
    )  # fmt: skip


SLIPS = [
    ("kind: pt100", "kind: pt99", "sensor.kind: 'pt99' is none"),
    ("wires: 2,", "wires: 5,", "above 4"),
    ("wires: 2, lead", "wires: 4, lead", "only two-wire sensors need it"),
    ("{kind: ntc, table: [0 °C = 32.65 kohm, 25 °C = 10 kohm, 60 °C = 2488 ohm]}", "{kind: ntc}", "one of beta, steinhart_hart or table"),
    ("{kind: ntc, table: [0 °C = 32.65 kohm, 25 °C = 10 kohm, 60 °C = 2488 ohm]}", "{kind: ntc, beta: 3950 K}", "beta needs nominal"),
    ("{kind: ntc, table: [0 °C = 32.65 kohm, 25 °C = 10 kohm, 60 °C = 2488 ohm]}", "{kind: ntc, steinhart_hart: [1e-3, 2e-4]}",
     "three constants"),
    ("{kind: ntc, table: [0 °C = 32.65 kohm, 25 °C = 10 kohm, 60 °C = 2488 ohm]}", "{kind: ntc, steinhart_hart: [1e-3, 2e-4, x]}",
     "'x' is no number"),
    ("25 °C = 10 kohm", "25 °C = 40 kohm", "no falling table"),
    ("25 °C = 10 kohm", "25 °C: 10 kohm", "sensor.table"),
    ("25 °C = 10 kohm", "25 °C = 10", "sensor.table"),
    ("{kind: pt100, wires: 2, lead: 0.4 ohm}", "{kind: pt100, nominal: 100 ohm}", "sensor.nominal: pt100 has none"),
    ("{kind: pt100, wires: 2, lead: 0.4 ohm}", "{kind: thermocouple-k}", "a thermocouple needs a cold_junction"),
    ("{kind: pt100, wires: 2, lead: 0.4 ohm}", "{kind: thermocouple-k, cold_junction: rom}", "'rom' is no other instrument"),
    ("{kind: pt100, wires: 2, lead: 0.4 ohm}", "{kind: thermocouple-k, cold_junction: probe}", "'probe' is no other instrument"),
    ("every: 2 s", "every: 2 min", "above 60 s"),
    ("    shunt: 100 mohm\n", "    shunt: 100 mohm\n    sensor: {kind: pt100}\n", "channels.slip-1.current: shunt has a sensor"),
    ("protects: [voltage]", "protects: [heat]", "protects: 'heat'"),
    ("without_power: open, at", "without_power: shut, at", "contact.without_power: 'shut'"),
    ("at_boot: open", "at_boot: perhaps", "contact.at_boot: 'perhaps'"),
    ("switch: relay", "switch: supply", "supply has no contact"),
    ("    shunt: 100 mohm\n", "", "shunt has no shunt"),
    ("switch: burner", "switch: burnr", "there is no instrument 'burnr'"),
    ("load: bank, switch", "load: supply, switch", "supply is an instrument"),
    ("resistance: 4.7 ohm", "resistance: 4.7", "no unit"),
    ("cuts: [relay]", "cuts: [relais]", "there is no instrument 'relais'"),
    ("drop_out: 4 s", "drop_out: 4 min", "above 30 s"),
    ("  r1: {load: bank", "  r0: {load: bank, switch: burner, resistance: 10 ohm, power: 5 W}\n  r1: {load: bank", "connects another resistor"),
]


@pytest.mark.parametrize(("old", "new", "told"), SLIPS, ids=[told for *_, told in SLIPS])
def test_a_slip_is_told_with_its_place(old: str, new: str, told: str, tmp_path: Path) -> None:
    assert old in BENCH
    faults = loaded(BENCH.replace(old, new), tmp_path)

    assert any(told in fault for fault in faults), faults
    assert all(re.match(r".*bench\.yaml:\d+:\d+: ", fault) for fault in faults)


NTC = "{kind: ntc, table: [0 °C = 32.65 kohm, 25 °C = 10 kohm, 60 °C = 2488 ohm]}"


@pytest.mark.parametrize(
    ("every", "probe", "told"),
    [
        ("50 s", "{kind: pt100, wires: 2, lead: 0.4 ohm}", "sensor.cold_junction: probe has a new value too seldom"),
        ("2 s", "{kind: thermocouple-t, cold_junction: room}", "sensor.cold_junction: probe is a thermocouple itself"),
    ],
)
def test_the_end_of_a_thermocouples_leads_must_be_known(every: str, probe: str, told: str, tmp_path: Path) -> None:
    text = BENCH.replace(NTC, "{kind: thermocouple-k, cold_junction: probe}").replace("every: 2 s", f"every: {every}")
    faults = loaded(text.replace("{kind: pt100, wires: 2, lead: 0.4 ohm}", probe), tmp_path)

    assert any(told in fault for fault in faults), faults

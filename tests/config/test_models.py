"""What the loaders make of good files: ratings and their bound, roles, uncertainty, places."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from chargerd.config.bench import Accuracy, ChannelSpec, MqttSpec, Ventilation, Wiring, load_bench, parse_accuracy
from chargerd.config.cell import bounded_rating, load_cell
from chargerd.config.profile import ProfileRepeat, load_profile
from tests.config.files import BOATHOUSE, Edit, write_files

P, C, B = "profile", "cell", "bench"


def test_plovers_rating_stands_and_phalaropes_label_is_bounded_by_its_carbon() -> None:
    plover, phalarope = (load_cell(BOATHOUSE / "cells" / f"{name}-01.yaml") for name in ("plover", "phalarope"))

    assert (plover.rated_Ah, plover.rated_bounded, plover.rated_provisional) == (1.5, False, True)
    assert phalarope.rated_typed_Ah == 1.5
    assert phalarope.rated_Ah == pytest.approx(0.5192)  # 8.8 g × 0.059 Ah/g
    assert phalarope.rated_bounded


@pytest.mark.parametrize(("typed_Ah", "ingredients_g", "rated_Ah"), [
    (1.5, {"activated_carbon": 26.4}, 1.5),  # its bound is 1.5576 Ah
    (15.0, {"activated_carbon": 26.4}, 1.5576),  # a slip by ten
    (1.5, {"activated_carbon": 8.8}, 0.5192),
    (1.5, {"activated_carbon": 8.8, "manganese_dioxide": 2.0}, 1.0192),
    (1.5, {"activated_carbon": 8.8, "manganese_dioxide": 10.0}, 1.5),
    (1.5, {"graphite": 8.8}, 1.5),  # no carbon mass: the typed figure stands, provisionally
    (1.5, {"manganese_dioxide": 1.0}, 1.5),
])  # fmt: skip
def test_a_typed_rating_is_bounded_by_the_ingredients(typed_Ah: float, ingredients_g: dict[str, float], rated_Ah: float) -> None:
    assert bounded_rating(typed_Ah, ingredients_g) == pytest.approx(rated_Ah, rel=1e-9)


def test_the_carbon_figure_is_170_farads_per_gram_over_1_25_volts() -> None:
    assert bounded_rating(100.0, {"activated_carbon": 1.0}) == pytest.approx(170 * 1.25 / 3600, abs=5e-5)


def test_a_measured_capacity_is_not_bounded(tmp_path: Path) -> None:
    paths, _ = write_files(tmp_path, Edit(C, "capacity: 1.5 Ah", "capacity: 1.7 Ah\n  measured: yes"))
    cell = load_cell(paths[C])

    assert (cell.rated_Ah, cell.rated_bounded, cell.rated_provisional) == (1.7, False, False)


def test_a_cell_file_becomes_numbers_and_keeps_its_text_and_hash(tmp_path: Path) -> None:
    paths, _ = write_files(tmp_path)
    cell = load_cell(paths[C])

    assert cell.name == "plover-01"
    assert cell.ingredients_g == {"activated_carbon": 26.4, "zinc_sulfate_heptahydrate": 22.0}
    assert cell.mass_g == 112.0
    assert cell.rated_window_V == (2.1, 0.8)
    assert cell.rated_current_A == 0.15
    assert cell.limits.voltage_min_V == -0.1
    assert cell.limits.rise_max_K == 12.0
    assert cell.top_charging_V == 1.85
    assert (cell.costs["carbon"].value, cell.costs["carbon"].unit) == (1.2, "EUR")
    assert cell.notes == ("Two layers of paper.",)
    assert cell.places["voltage_max"].line == 12
    assert cell.text == paths[C].read_text(encoding="utf-8")
    assert len(cell.sha256) == 64


def test_a_bench_file_becomes_instruments_and_channels(tmp_path: Path) -> None:
    paths, _ = write_files(tmp_path)
    bench = load_bench(paths[B])
    supply, load = bench.instruments["supply"], bench.instruments["load"]

    assert bench.data_dir == tmp_path / "boathouse-data"
    assert (supply.voltage_max_V, supply.current_max_A, supply.timeout_s, supply.isolated) == (30.0, 3.0, 0.5, False)
    assert supply.accuracy == {"voltage": Accuracy(0.0005, 0.005), "current": Accuracy(0.001, 0.002)}
    assert supply.resolution == {"voltage": 0.001, "current": 0.001}
    assert load.minimum_voltage_V == 0.1
    assert bench.channels == {"slip-1": ChannelSpec("slip-1", "supply", "load", "", "probe", "")}
    assert bench.wiring == Wiring(0.05, 2.0, 0.5, 1.0)
    assert bench.ventilation == Ventilation(outdoors=True)
    assert bench.mqtt == MqttSpec("127.0.0.1", 1883, "boathouse")
    assert bench.limits.temperature_max_degC == 50.0


def test_a_meter_is_who_measures_voltage_and_is_not_the_source(tmp_path: Path) -> None:
    meter = (
        '  meter:\n    address: tcp://127.0.0.1:5028\n    dialect: scpi-meter\n    identity: "a,b,c,d"\n'
        "    accuracy: {voltage: 0.01 % + 1 mV}\n    resolution: {voltage: 0.1 mV}\nchannels:\n"
    )
    paths, _ = write_files(tmp_path, Edit(B, "channels:\n", meter), Edit(B, "    voltage: supply\n", "    voltage: meter\n"))

    assert load_bench(paths[B]).channels["slip-1"].meter == "meter"


@pytest.mark.parametrize(("text", "quantity", "gain", "offset"), [
    ("0.05 % + 5 mV", "voltage", 0.0005, 0.005), ("5 mV + 0.05 %", "voltage", 0.0005, 0.005), ("5 mV", "voltage", 0.0, 0.005),
    ("0.1 %", "current", 0.001, 0.0), ("0.5 K", "temperature", 0.0, 0.5),
])  # fmt: skip
def test_an_accuracy_is_gain_and_offset(text: str, quantity: str, gain: float, offset: float) -> None:
    assert parse_accuracy(text, quantity) == Accuracy(gain, offset)


def test_a_readings_uncertainty_takes_limits_and_steps_as_uniform_distributions(tmp_path: Path) -> None:
    """JCGM 100:2008, 4.3.7: limits ± a give a/√3; a step of width r gives r/√12."""
    paths, _ = write_files(tmp_path)
    supply = load_bench(paths[B]).instruments["supply"]

    expected = math.sqrt((0.002 / math.sqrt(3)) ** 2 + (0.001 / math.sqrt(12)) ** 2 + (0.001 * 0.03 / math.sqrt(3)) ** 2)
    assert supply.uncertainty("current", 0.03) == pytest.approx(expected)
    assert supply.uncertainty("temperature", 20.0) == 0.0


def test_a_profile_knows_its_steps_by_number(tmp_path: Path) -> None:
    paths, _ = write_files(tmp_path)
    profile = load_profile(paths[P])

    assert [step.number for step in profile.steps()] == ["1.1", "1.2", "1.3", "2"]
    assert isinstance(profile.items[0], ProfileRepeat)
    assert profile.items[0].climb is not None
    assert (profile.name, profile.attended) == ("first-try", False)

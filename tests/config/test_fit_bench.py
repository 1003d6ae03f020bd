"""Relays, resistors, shunts, slow sensors and the dead-man relay against what a profile asks of them."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from chargerd.cli.files import example_bench, profile_path
from chargerd.config.bank import Bank, power_W
from chargerd.config.bench import load_bench
from chargerd.config.bench_parts import ResistorSpec
from chargerd.config.cell import load_cell
from chargerd.config.echo import describe
from chargerd.config.plan import build_plan
from chargerd.config.profile import load_profile
from chargerd.config.safety_time import cell_heat_s, covered_by_dead_man, hang_s, reaction
from chargerd.errors import FileFaultsError
from tests.config.files import Edit, faults_of, plan, write_files

RELAY = '  {name}: {{address: "tcp://127.0.0.1:5031", dialect: relay-bytes, identity: "B,R,1,1", contact: {{without_power: open{rating}}}}}\n'
METER = (
    '  {name}: {{address: "tcp://127.0.0.1:5032", dialect: scpi-meter-scan, identity: "B,M,1,1", isolated: yes, inputs: isolated, '
    "accuracy: {{{quantity}: {accuracy}}}, resolution: {{{quantity}: {step}}}{more}}}\n"
)
WATCH_ONLY = "profile: watch\nabout: Reads a string.\nsteps:\n  - rest: {lasts: 10 min, sample_every: 5 s}\n"
PROBE = "    resolution: {temperature: 0.1 K}\n"
RESISTORS = "resistors:\n  r-a: {{load: bank, switch: relay-a, resistance: {a}, power: {power}}}\n  r-b: {{load: bank, switch: relay-b, resistance: 15 ohm, power: 5 W}}\n"


def bank_edits(a: str = "10 ohm", power: str = "5 W", rating: str = ", rating: 5 A") -> tuple[Edit, ...]:
    """The good bench with two resistors instead of its load: 8 edits in three places."""
    relays = RELAY.format(name="relay-a", rating=rating) + RELAY.format(name="relay-b", rating="")
    return (
        Edit("bench", "channels:\n", f"{relays}channels:\n"),
        Edit("bench", "    load: load\n", "    load: bank\n"),
        Edit("bench", "limits:\n  voltage", RESISTORS.format(a=a, power=power) + "limits:\n  voltage"),
    )


def misfits(folder: Path, *edits: Edit) -> list[str]:
    """Everything that does not fit, file names without folders."""
    with pytest.raises(FileFaultsError) as refused:
        plan(folder, *edits)
    return faults_of(refused.value, folder)


# --- resistors as a load ---------------------------------------------------------------------------------------------------


def test_a_bank_makes_the_currents_of_ohms_law() -> None:
    bank = Bank((ResistorSpec("a", "bank", "k1", 10.0, 5.0, 0.01), ResistorSpec("b", "bank", "k2", 15.0, 5.0, 0.01)))

    assert bank.smallest_A(1.85) == pytest.approx(1.85 / 15)
    assert bank.largest_A(1.85) == pytest.approx(1.85 / 6)
    assert bank.falls_behind_V(0.3) == pytest.approx(1.8)
    assert power_W(bank.resistors[0], 3.0) == pytest.approx(0.9)


def test_a_profile_runs_on_resistors_and_says_what_they_draw(tmp_path: Path) -> None:
    paths, _ = write_files(tmp_path, *bank_edits())
    profile, cell, bench = load_profile(paths["profile"]), load_cell(paths["cell"]), load_bench(paths["bench"])
    said = describe(build_plan(profile, cell, bench, "slip-1"), profile, cell, bench, "slip-1")

    assert ("step 1.3: bank draws 123 mA to 308 mA from 1.85 V, 53.3 mA to 133 mA from 0.80 V; below 1.80 V less than the 300 mA that are "
            "asked for") in said  # fmt: skip


def test_a_bank_that_always_draws_more_is_refused(tmp_path: Path) -> None:
    (fault,) = misfits(tmp_path, *bank_edits(), Edit("profile", "current: C/5", "current: 60 mA"))

    assert "discharge.current: 60 mA is less than bank can draw from 1.85 V (123 mA through its largest resistor)" in fault
    assert "write at least 123 mA, or add a resistor of 30.8 ohm or more" in fault


def test_a_bank_that_draws_less_than_half_is_refused(tmp_path: Path) -> None:
    (fault,) = misfits(tmp_path, *bank_edits(), Edit("profile", "current: C/5", "current: 700 mA"))

    assert "700 mA is more than twice what bank can draw even from 1.85 V (308 mA with every relay closed)" in fault


def test_a_resistor_too_small_for_its_heat_at_the_hard_limit_is_refused(tmp_path: Path) -> None:
    """2.75 V across 10 ohm: 0.756 W."""
    (fault,) = misfits(tmp_path, *bank_edits(power="0.5 W"))

    assert fault.startswith("bench.yaml:34:8: ")
    assert "resistors.r-a: 2.75 V, the cell's hard limit, makes 756 mW in it, more than its 500 mW; take one for 1.51 W" in fault


def test_a_banks_contact_too_small_for_its_current_is_refused(tmp_path: Path) -> None:
    (fault,) = misfits(tmp_path, *bank_edits(rating=", rating: 300 mA"))

    assert "the contact of relay-a is for 300 mA; 275 mA may flow; take a relay for 344 mA of direct current or more" in fault


# --- contact, shunt, leads -------------------------------------------------------------------------------------------------


def switch_edits(rating: str) -> tuple[Edit, ...]:
    return (
        Edit("bench", "channels:\n", RELAY.format(name="relay", rating=rating) + "channels:\n"),
        Edit("bench", "    voltage: supply\n", "    voltage: supply\n    switch: relay\n"),
    )


def test_a_contact_needs_a_quarter_more_than_the_steps_current(tmp_path: Path) -> None:
    """Common practice, no source: 1.25 × 300 mA = 375 mA."""
    faults = misfits(tmp_path, *switch_edits(", rating: 374 mA"))

    assert [("profile.yaml" not in fault, "300 mA is too much for the contact of relay (374 mA, bench.yaml:" in fault) for fault in faults] == [
        (True, True)
    ] * 2
    assert plan(tmp_path, *switch_edits(", rating: 375 mA")).ocp_A is not None
    assert plan(tmp_path, *switch_edits("")).ocp_A is not None


def shunt_edits(shunt: str, more: str = "") -> tuple[Edit, ...]:
    meter = METER.format(name="amps", quantity="current", accuracy="0.1 % + 0.2 mA", step="0.1 mA", more=f", shunt: {shunt}{more}")
    return (
        Edit("bench", "channels:\n", meter + "channels:\n"),
        Edit("bench", "    voltage: supply\n", "    voltage: supply\n    current: amps\n"),
    )


def test_the_meter_at_the_shunt_decides_what_is_resolved(tmp_path: Path) -> None:
    """The supply of 25 mA offset cannot see an end of 30 mA; the shunt's meter can."""
    coarse = Edit("bench", "    accuracy: {voltage: 0.05 % + 5 mV, current: 0.1 % + 2 mA}\n    resolution: {voltage: 1 mV, current: 1 mA}\n  load",
                  "    accuracy: {voltage: 0.05 % + 5 mV, current: 0.1 % + 25 mA}\n    resolution: {voltage: 1 mV, current: 1 mA}\n  load")  # fmt: skip

    (fault,) = misfits(tmp_path, coarse)

    assert "current_below: 30 mA is less than 3 × what supply resolves (14 mA)" in fault
    assert plan(tmp_path, coarse, *shunt_edits("0.1 ohm")).resolves.current_A == pytest.approx(0.1e-3 / math.sqrt(6))


def test_a_shunt_that_drops_more_than_its_meter_reads_is_refused(tmp_path: Path) -> None:
    faults = misfits(tmp_path, *shunt_edits("1 ohm", ", ratings: {voltage: 0.2 V}"))

    assert all("300 mA makes 0.30 V across the shunt, more than amps reads (0.20 V, bench.yaml:" in fault for fault in faults)
    assert len(faults) == 2


def test_a_shunt_that_leaves_the_load_too_little_voltage_is_refused(tmp_path: Path) -> None:
    """0.80 V less 300 mA × (2.4 + 0.05) ohm = 65 mV; the load holds down to 100 mV."""
    (fault,) = misfits(tmp_path, *shunt_edits("2.4 ohm"))

    assert "voltage_below: 0.80 V at the cell leaves 0.065 V at load after leads and shunt; it holds its current down to 0.10 V" in fault
    assert "write at least 0.835 V, or shorten the leads" in fault


def test_a_supply_that_cannot_give_the_shunts_drop_as_well_is_refused(tmp_path: Path) -> None:
    weak = Edit("bench", "    ratings: {voltage: 30 V, current: 3 A}", "    ratings: {voltage: 2 V, current: 3 A}")

    faults = misfits(tmp_path, weak, *shunt_edits("1 ohm"))

    assert any("1.85 V and the shunt's 0.30 V are more than supply can give (2.00 V, bench.yaml:5)" in fault for fault in faults)


# --- speed -----------------------------------------------------------------------------------------------------------------


def test_a_sensor_slower_than_the_missed_readings_allow_is_refused(tmp_path: Path) -> None:
    faults = misfits(tmp_path, Edit("bench", PROBE, PROBE + "    every: 20 s\n"))

    assert "sample_every: probe has a new value every 20 s (bench.yaml:20); with readings every 5 s it would be missing; write 7 s or more" in faults[0]


def test_a_slow_thermometer_is_judged_by_the_cells_heat_alone(tmp_path: Path) -> None:
    """0.8 A × 2.75 V in 112 g: 15 K in 24 min. A meter as slow is refused at the same current, see below."""
    assert cell_heat_s(0.8, 2.75, 112.0) == pytest.approx(15 * 112 * 1.86 / (0.8 * 2.75))

    slow = (Edit("bench", PROBE, PROBE + "    every: 15 s\n"), Edit("profile", "current: 300 mA\n", "current: 750 mA\n"))

    assert plan(tmp_path, *slow).missed_max == 3


def test_a_slow_meter_is_judged_by_the_quickest_fault(tmp_path: Path) -> None:
    """At 0.78 A half of a bad clip's time is 50.6 s; readings 15 s old with three missed take longer."""
    meter = METER.format(name="volts", quantity="voltage", accuracy="1 mV", step="1 mV", more=", every: 15 s")
    edits = (
        Edit("bench", "channels:\n", meter + "channels:\n"),
        Edit("bench", "    voltage: supply\n", "    voltage: volts\n"),
        Edit("profile", "current: 300 mA\n", "current: 750 mA\n"),
    )

    faults = misfits(tmp_path, *edits)

    assert len(faults) == 3
    assert all("volts has a new value every 15 s (bench.yaml:" in fault and "so switching off may take" in fault for fault in faults)


@pytest.mark.parametrize(("timeout", "refused"), [("2 s", True), ("2.1 s", False)])
def test_a_device_that_prints_unasked_needs_more_than_two_of_its_lines_of_patience(timeout: str, refused: bool, tmp_path: Path) -> None:
    text = (example_bench().parent / "bench-cheapest.yaml").read_text(encoding="utf-8")
    path = tmp_path / "bench.yaml"
    path.write_text(text.replace("timeout: 2500 ms", f"timeout: {timeout}"), encoding="utf-8")
    files = load_profile(profile_path("gentle-formation")), load_cell(example_bench().parent / "cells" / "plover-01.yaml"), load_bench(path)
    if refused:
        with pytest.raises(FileFaultsError, match="probe: prints every 1 s, and the first whole line may take twice as long"):
            build_plan(*files, "slip-1")
    else:
        assert build_plan(*files, "slip-1").ocp_A == pytest.approx(0.374)


def test_a_scanner_that_cannot_finish_between_two_readings_is_refused(tmp_path: Path) -> None:
    meters = "".join(
        METER.format(name=f"cell-{number}", quantity="voltage", accuracy="1 mV", step="1 mV", more=f", input: {number}, timeout: 2 s")
        for number in (1, 2, 3)
    )
    edits = (
        Edit("bench", "channels:\n", meters + "channels:\n"),
        Edit("bench", "    voltage: supply\n", "    voltage: supply\n    taps: [cell-1, cell-2, cell-3]\n"),
    )
    paths, _ = write_files(tmp_path, *edits)
    paths["profile"].write_text(WATCH_ONLY)

    with pytest.raises(FileFaultsError) as refused:
        build_plan(load_profile(paths["profile"]), load_cell(paths["cell"]), load_bench(paths["bench"]), "slip-1")

    faults = faults_of(refused.value, tmp_path)
    assert "sample_every: reading 3 inputs one after another may take 6 s (cell-1, bench.yaml:25)" in faults[0]


# --- dead-man relay --------------------------------------------------------------------------------------------------------


def dead_man(cuts: str, drop_out: str = "5 s") -> Edit:
    return Edit("bench", "", f'dead_man: {{feed: "gpio:///dev/gpiochip0?line=27", drop_out: {drop_out}, cuts: [{cuts}]}}\n')


@pytest.mark.parametrize(("cuts", "covered"), [("supply, load", True), ("supply", False), ("load", False), ("relay", True)])
def test_a_dead_man_relay_covers_a_channel_when_it_ends_both_currents(tmp_path: Path, cuts: str, covered: bool) -> None:
    paths, _ = write_files(tmp_path, *switch_edits(""), dead_man(cuts))
    bench = load_bench(paths["bench"])

    assert covered_by_dead_man(bench, bench.channels["slip-1"]) is covered


def test_a_bank_is_cut_through_every_one_of_its_relays(tmp_path: Path) -> None:
    found = []
    for cuts in ("supply, relay-a", "supply, relay-a, relay-b"):
        paths, _ = write_files(tmp_path, *bank_edits(), dead_man(cuts))
        bench = load_bench(paths["bench"])
        found.append(covered_by_dead_man(bench, bench.channels["slip-1"]))

    assert found == [False, True]


def test_a_hang_is_ended_by_the_dead_man_relay_only_when_it_is_proven_and_covers(tmp_path: Path) -> None:
    """Keeper's patience 5 s, then the shorter of drop-out (5 s) and kill + off plan (4.7 s); without it the service manager's 14 s
    and the off plan (3.7 s)."""
    found = []
    for cuts, proven in (("supply, load", True), ("supply, load", False), ("supply", True)):
        paths, _ = write_files(tmp_path, dead_man(cuts))
        bench = load_bench(paths["bench"])
        found.append(hang_s(bench, bench.channels["slip-1"], dead_man_proven=proven))

    service = (pytest.approx(17.7), "the service manager")
    assert found == [(pytest.approx(9.7), "the keeper with the dead-man relay"), service, service]


def test_a_dead_man_relay_slower_than_half_the_safety_time_is_refused(tmp_path: Path) -> None:
    """0.334 A through 0.5 ohm into 0.2 g of copper alloy: 40 K in 55 s; 30 s are more than half of it."""
    light = Edit("bench", "wiring: {lead: 0.05 ohm, fuse: 1 A}", "wiring: {lead: 0.05 ohm, fuse: 1 A, clip_mass: 0.2 g}")

    faults = misfits(tmp_path, light, dead_man("supply, load", "30 s"))

    assert any(fault.startswith("bench.yaml:") and "dead_man.drop_out: 30 s is more than half of the time until a bad clip is hot" in fault for fault in faults)


def test_a_banks_relays_are_opened_one_after_the_other(tmp_path: Path) -> None:
    """Two tries of two questions for each output: 2 s each at the default time-out."""
    times = []
    for edits in ((), bank_edits()):
        paths, _ = write_files(tmp_path, *edits)
        bench = load_bench(paths["bench"])
        times.append(reaction(bench, bench.channels["slip-1"]).off_s)

    assert times == [4.0, 6.0]



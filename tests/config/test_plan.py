"""Profile, cell and bench together: what becomes of relative values, and which misfits are refused naming both places."""

from __future__ import annotations

from pathlib import Path

import pytest

from chargerd.config.bench import load_bench
from chargerd.config.cell import load_cell
from chargerd.config.echo import describe
from chargerd.config.plan import build_plan
from chargerd.config.profile import load_profile
from chargerd.core.program import EndSpec, Interrupt, Repeat, Step, StepKind
from chargerd.core.reading import ChannelInputs
from chargerd.errors import BenchError, FileFaultsError, ProfileError
from tests.config.files import Edit, faults_of, plan, write_files

P, C, B = "profile", "cell", "bench"
UNATTENDED_FAST = Edit(P, "current: 300 mA", "current: 1.2 A")
LONE = "    load: load\n"


def _repeat(made: object) -> Repeat:
    assert isinstance(made, Repeat)
    return made


def test_relative_values_become_numbers_for_this_cell(tmp_path: Path) -> None:
    made = plan(tmp_path)
    repeat = _repeat(made.program.items[0])

    assert made.rated_Ah == 1.5
    assert repeat.steps[0] == Step(
        "1.1", StepKind.CHARGE, current_A=0.15, climbs=True, interrupt=Interrupt(300.0, 1.0), sample_every_s=5.0,
        ends=(EndSpec("current_below", 0.03), EndSpec("charge", 1.8), EndSpec("time", 50400.0)),
    )  # fmt: skip
    assert repeat.steps[1] == Step("1.2", StepKind.REST, lasts_s=600.0, sample_every_s=10.0)
    assert (repeat.rounds, repeat.capacity_within, repeat.number) == (10, 0.02, "1")
    assert repeat.climb is not None
    assert repeat.climb.step_back_efficiency == 0.95
    assert made.program.step("2").voltage_V == 1.85
    assert made.inputs == ChannelInputs("supply", "load", "", "probe", "")
    assert not made.program.attended


@pytest.mark.parametrize(("threshold", "rungs_V"), [
    ("unmeasured", (1.75, 1.80, 1.85)),
    ("2.105 V", (1.75, 1.80, 1.85, 1.95)),
    ("1.858 V", (1.75, 1.80)),  # 1.808 V is less than 20 mV above the rung below: dropped
    ("1.90 V", (1.75, 1.80, 1.85)),
    ("1.70 V", (1.65,)),
])  # fmt: skip
def test_rungs_end_at_the_ceiling_the_threshold_allows(threshold: str, rungs_V: tuple[float, ...], tmp_path: Path) -> None:
    made = plan(tmp_path, Edit(C, "threshold: unmeasured", f"threshold: {threshold}"))
    climb = _repeat(made.program.items[0]).climb

    assert climb is not None
    assert climb.rungs_V == pytest.approx(rungs_V, abs=1e-12)


def test_the_top_charging_voltage_follows_a_measured_threshold(tmp_path: Path) -> None:
    made = plan(tmp_path, Edit(C, "threshold: unmeasured", "threshold: 2.105 V"))

    assert made.program.step("2").voltage_V == pytest.approx(2.055)
    assert made.gassing.measured
    assert made.gassing.threshold_V == 2.105


def test_the_gas_current_is_a_hundredth_of_the_rating_unless_measured(tmp_path: Path) -> None:
    assert plan(tmp_path).gassing.current_25_A == 0.015
    measured = plan(tmp_path, Edit(C, "threshold: unmeasured", "threshold: 2.1 V\n  current: 12 mA\n  decade: 100 mV"))

    assert (measured.gassing.current_25_A, measured.gassing.decade_V) == (0.012, 0.1)


def test_the_tightest_of_profile_cell_and_bench_is_the_limit(tmp_path: Path) -> None:
    made = plan(
        tmp_path, Edit(P, "steps:\n  - repeat", "limits:\n  temperature_max: 40 °C\n  charge_current: C/2\nsteps:\n  - repeat")
    )

    assert made.limits.temperature_max_degC == 40.0
    assert made.limits.charge_current_max_A == 0.75
    assert made.limits.voltage_max_V == 2.75
    assert made.limits.rise_max_K == 12.0


def test_protection_of_the_supply_stands_a_little_above_the_run_and_never_above_the_hard_limits(tmp_path: Path) -> None:
    made = plan(tmp_path)

    # 1.85 V + 100 mV + 3 × √(5²/3 + 1²/12 + 0.925²/3) mV = 1.9588 V; 0.3 A + 10 % + 3 × √(2²/3 + 1²/12 + 0.3²/3) mA = 0.3336 A
    assert made.ovp_V == 1.959
    assert made.ocp_A == 0.334
    tight = plan(tmp_path, Edit(C, "voltage_max: 2.75 V", "voltage_max: 1.9 V"), Edit(B, "fuse: 1 A", "fuse: 0.4 A"),
                 Edit(C, "charge_current: 2.5 A\n  d", "charge_current: 0.32 A\n  d"),
                 Edit(C, "discharge_current: 2.5 A\n  t", "discharge_current: 0.31 A\n  t"))  # fmt: skip
    assert tight.ovp_V == 1.9
    assert tight.ocp_A == 0.32


def test_what_the_bench_tells_apart_is_its_step_over_root_six(tmp_path: Path) -> None:
    made = plan(
        tmp_path,
        Edit(B, "resolution: {voltage: 1 mV, current: 1 mA}\n  load", "resolution: {voltage: 10 mV, current: 1 mA}\n  load"),
    )

    assert made.resolves.voltage_V == pytest.approx(0.00408, abs=5e-6)  # two readings, each ± half a step: 10 mV·√2/√12
    assert made.resolves.temperature_K == pytest.approx(0.1 / 6**0.5)


MISFITS: list[tuple[tuple[Edit, ...], str, str]] = [
    ((Edit(P, "voltage: top_charging_voltage", "voltage: @@2.85 V"),),
     "charge.voltage: 2.85 V is above this cell's limit 2.75 V (plover-01.yaml:12)", "write at most 2.74"),
    ((Edit(P, "voltage: top_charging_voltage", "voltage: @@2.745 V"),), "leaves no room under the limit 2.75 V", "at most 2.74"),
    ((Edit(P, "voltage: top_charging_voltage", "voltage: @@1.95 V"),),
     "above this cell's top charging voltage 1.85 V (its gassing threshold is unmeasured)", "attended: yes"),
    ((Edit(P, "voltage: top_charging_voltage", "voltage: @@2.08 V"), Edit(C, "threshold: unmeasured", "threshold: 2.105 V")),
     "top charging voltage 2.055 V (50 mV under its gassing threshold, plover-01.yaml:17)", "top_charging_voltage"),
    ((Edit(P, "ceiling: gassing_threshold", "ceiling: @@1.9 V"),), "climb.ceiling: 1.90 V is above this cell's top", "attended: yes"),
    ((Edit(P, "ceiling: gassing_threshold", "ceiling: 2.5 V"), Edit(P, "[1.75 V, 1.80 V, 1.85 V, 1.95 V]", "@@[1.75 V, 2.3 V]")),
     "climb.voltage: 2.30 V is above this cell's top", "attended: yes"),
    ((Edit(P, "current_below: C/50", "current_below: @@3 mA"),),
     "current_below: 3 mA is less than 3 × what supply resolves (1.2 mA)", "use 3.7 mA or a better meter"),
    ((Edit(P, "current_below: C/50", "current_below: @@10 mA"),
      Edit(B, "current: 0.1 % + 2 mA}\n    resolution: {voltage: 1 mV, current: 1 mA}\n  load",
           "current: 0.1 % + 17 mA}\n    resolution: {voltage: 1 mV, current: 10 mA}\n  load")),
     "current_below: 10 mA is less than 3 × what supply resolves (10 mA)", "mA or a better meter"),
    ((Edit(P, "current: 300 mA", "current: @@2.6 A"),), "charge.current: 2.6 A is above this cell's limit 2.5 A (plover-01.yaml:13)",
     "at most 2.5 A"),
    ((Edit(P, "current: 300 mA", "current: @@900 mA"),), "too much for the fuse 1 A (bench.yaml:36)", "fuse of 1.125 A"),
    ((Edit(P, "current: 300 mA", "current: @@600 mA"), Edit(B, "ratings: {voltage: 30 V, current: 3 A}", "ratings: {voltage: 30 V, current: 0.5 A}")),
     "charge.current: 600 mA is more than supply can do (500 mA, bench.yaml:5)", "larger instrument"),
    ((Edit(P, "current: 300 mA", "current: @@2 mA"),), "charge.current: 2 mA is less than 3 × what supply resolves", "better meter"),
    ((Edit(P, "voltage_below: 0.80 V", "voltage_below: @@0.05 V"),), "voltage_below: 0.05 V is lower than load can go (0.10 V, bench.yaml:12)",
     "at least 0.10 V"),
    ((Edit(P, "voltage_below: 0.80 V", "voltage_below: @@0.80 V"), Edit(C, "voltage_max: 2.75 V", "voltage_max: 2.75 V\n  voltage_min: 0.8 V")),
     "too close to this cell's limit 0.80 V (plover-01.yaml:13)", "write 0.81 V or more"),
    ((Edit(P, "        time: 5 h", "        time: 5 h\n        temperature_above: @@45 °C"),),
     "temperature_above: 45 °C is too close to this cell's limit 45 °C (plover-01.yaml:15)", "write 44.13 °C or less"),
    ((Edit(P, "        time: 5 h", "        time: 5 h\n        temperature_above: @@40 °C"), Edit(B, "    temperature: probe\n", "")),
     "temperature_above: channel slip-1 has no thermometer", "delete this end"),
    ((Edit(P, "        time: 5 h", "        time: 5 h\n        current_below: @@0.2 It"),),
     "current_below: 300 mA is not below the step's current 300 mA", "smaller current"),
    ((Edit(P, "        time: 5 h", "        time: 5 h\n        ir_free_voltage_above: @@2.9 V"), Edit(P, "steps:\n  - repeat", "attended: yes\nsteps:\n  - repeat")),
     "ir_free_voltage_above: 2.90 V is too close to this cell's limit 2.75 V", "write 2.74 V or less"),
    ((Edit(P, "steps:\n  - repeat", "limits:\n  voltage_max: @@2.8 V\nsteps:\n  - repeat"),),
     "limits.voltage_max: 2.80 V is above this cell's limit 2.75 V (plover-01.yaml:12)", "only be tighter"),
    ((Edit(P, "steps:\n  - repeat", "limits:\n  temperature_min: @@-5 °C\nsteps:\n  - repeat"),),
     "limits.temperature_min: -5 °C is below this cell's limit 0 °C", "only be tighter"),
    ((Edit(P, "steps:\n  - repeat", "limits:\n  charge_current: @@2 It\nsteps:\n  - repeat"),),
     "limits.charge_current: 3 A is above this cell's limit 2.5 A", "only be tighter"),
    ((Edit(C, "voltage_max: 2.75 V", "voltage_max: @@2.9 V"), Edit(B, "  voltage: 3.0 V", "  voltage: 2.8 V")),
     "limits.voltage_max: 2.90 V is above this bench's limit 2.80 V (bench.yaml:32)", "at most 2.80 V"),
    ((Edit(C, "temperature_max: 45 °C", "temperature_max: @@55 °C"),), "above this bench's limit 50 °C (bench.yaml:35)", "at most 50 °C"),
    ((Edit(C, "temperature_max: 45 °C", "temperature_max: 45 °C\n  rise: @@2 K"), Edit(B, "accuracy: {temperature: 0.5 K}", "accuracy: {temperature: 2 K}")),
     "limits.rise: 2 K is less than 3 × what probe resolves (1.6 K)", "4.9 K or a better thermometer"),
    ((Edit(B, LONE, ""), Edit(P, "- discharge:\n            current", "- discharge:\n            @@current")),
     "step 1.3: a discharge needs a load, and channel slip-1 has none", "stored: not tested"),
    ((Edit(P, "voltage: top_charging_voltage", "voltage: top_charging_voltage\n      sample_every: @@20 s"), Edit(P, "current: 300 mA", "current: 750 mA")),
     "charge.sample_every: every 20 s is too slow: readings then switch off within 67 s, half of the time until a bad clip is hot at 804 mA is 48 s",
     "write 13.5 s or less"),
    ((Edit(P, "current: 300 mA", "current: @@1.35 A"), Edit(B, "fuse: 1 A", "fuse: 2 A")),
     "charge.current: when the program hangs, the service manager switches off within 17.7 s", "attended: yes"),
    ((Edit(P, "voltage: top_charging_voltage", "voltage: top_charging_voltage"), Edit(P, "current: 300 mA", "@@current: 2.4 A"),
      Edit(P, "steps:\n  - repeat", "attended: yes\nsteps:\n  - repeat"), Edit(B, "fuse: 1 A", "fuse: 3 A")),
     "charge.sample_every: every 10 s is too slow", "a smaller current"),
    ((Edit(P, "voltage: top_charging_voltage", "voltage: @@2.6 V"), Edit(B, "ratings: {voltage: 30 V, current: 3 A}", "ratings: {voltage: 2 V, current: 3 A}"),
      Edit(P, "steps:\n  - repeat", "attended: yes\nsteps:\n  - repeat")), "2.60 V is more than supply can give", "larger supply"),
]  # fmt: skip


@pytest.mark.parametrize(("edits", "what", "remedy"), MISFITS)
def test_a_misfit_is_reported_at_its_place_with_its_remedy(
    edits: tuple[Edit, ...], what: str, remedy: str, tmp_path: Path
) -> None:
    paths, marks = write_files(tmp_path, *edits)
    files = load_profile(paths[P]), load_cell(paths[C]), load_bench(paths[B])

    with pytest.raises(ProfileError) as caught:
        build_plan(*files, "slip-1")

    faults = faults_of(caught.value, tmp_path)
    said = [fault for fault in faults if what in fault and fault.startswith(f"{marks[0]}: ")]
    assert said, (marks, faults)
    assert remedy in said[0].split("; ", 1)[1]


def test_the_remedy_for_an_unresolved_end_is_itself_accepted(tmp_path: Path) -> None:
    made = plan(tmp_path, Edit(P, "current_below: C/50", "current_below: 3.7 mA"))

    assert _repeat(made.program.items[0]).steps[0].end("current_below") == 0.0037


def test_the_sampling_period_that_the_message_offers_is_accepted(tmp_path: Path) -> None:
    made = plan(tmp_path, Edit(P, "voltage: top_charging_voltage", "voltage: top_charging_voltage\n      sample_every: 13.5 s"),
                Edit(P, "current: 300 mA", "current: 750 mA"))  # fmt: skip

    assert made.program.step("2").sample_every_s == 13.5


def test_a_person_who_stays_may_charge_above_the_top_charging_voltage(tmp_path: Path) -> None:
    made = plan(
        tmp_path,
        Edit(P, "voltage: top_charging_voltage", "voltage: 2.4 V"),
        Edit(P, "steps:\n  - repeat", "attended: yes\nsteps:\n  - repeat"),
    )

    assert made.program.attended
    assert made.program.step("2").voltage_V == 2.4


def test_a_room_needs_openings_for_the_gas_of_the_largest_charge_current(tmp_path: Path) -> None:
    """28 cm² for each m³/h, 0.05 m³/h for each ampere: 0.3 A need 0.42 cm²."""
    small = Edit(B, "ventilation: {outdoors: yes}", "ventilation: {room: 30 m3, openings: 0.4 cm2}")
    enough = Edit(B, "ventilation: {outdoors: yes}", "ventilation: {room: 30 m3, openings: 0.43 cm2}")

    with pytest.raises(BenchError, match=r"bench\.yaml:37:14: ventilation: openings of 0\.4 cm2 .*at least 0\.42 cm2"):
        plan(tmp_path, small)
    assert plan(tmp_path, enough).program.name == "first-try"


def test_a_profile_of_rests_alone_needs_no_protection_of_the_supply(tmp_path: Path) -> None:
    paths, _ = write_files(tmp_path, Edit(B, "    temperature: probe\n", ""), Edit(C, "gassing:\n  threshold: unmeasured\n", ""))
    paths[P].write_text("profile: settle\nsteps:\n  - rest: {lasts: 12 h, sample_every: 60 s}\n")
    files = load_profile(paths[P]), load_cell(paths[C]), load_bench(paths[B])
    made = build_plan(*files, "slip-1")

    assert (made.ovp_V, made.ocp_A) == (None, None)
    assert not made.gassing.measured
    said = "\n".join(describe(made, *files, "slip-1"))
    assert "protection" not in said
    assert "warmer than the room" not in said
    assert "not active: temperature limits" in said


def test_all_misfits_are_told_at_once(tmp_path: Path) -> None:
    with pytest.raises(ProfileError) as caught:
        plan(tmp_path, Edit(P, "voltage: top_charging_voltage", "voltage: 2.85 V"), Edit(P, "current_below: C/50", "current_below: 3 mA"),
             Edit(C, "temperature_max: 45 °C", "temperature_max: 55 °C"))  # fmt: skip

    assert len(caught.value.faults) == 4  # 2.85 V is above both the limit and the top charging voltage


def test_a_channel_that_is_not_there_is_the_benchs_fault(tmp_path: Path) -> None:
    with pytest.raises(BenchError, match=r"no channel 'slip-9'; write one of: slip-1"):
        plan(tmp_path, channel="slip-9")


def test_a_bench_without_a_load_runs_a_profile_without_a_discharge(tmp_path: Path) -> None:
    (tmp_path / "charge.yaml").write_text(
        "profile: top-up\nsteps:\n  - charge:\n      current: C/5\n      voltage: 1.8 V\n      ends_when: {charge: 1 Ah, time: 1 h}\n"
    )
    paths, _ = write_files(tmp_path, Edit(B, LONE, ""))
    made = build_plan(load_profile(tmp_path / "charge.yaml"), load_cell(paths[C]), load_bench(paths[B]), "slip-1")

    assert made.inputs.load == ""
    assert made.ovp_V == 1.909


def test_an_attended_fast_step_tolerates_fewer_missed_readings(tmp_path: Path) -> None:
    attended = Edit(P, "steps:\n  - repeat", "attended: yes\nsteps:\n  - repeat")
    fast = (attended, Edit(P, "current: 300 mA", "current: 2 A"), Edit(B, "fuse: 1 A", "fuse: 2.5 A"),
            Edit(P, "voltage: top_charging_voltage", "voltage: top_charging_voltage\n      sample_every: 1 s"),
            Edit(P, "sample_every: 5 s", "sample_every: 1 s"),
            Edit(P, "current: C/5\n", "current: C/5\n            sample_every: 1 s\n"))  # fmt: skip

    assert plan(tmp_path, *fast).missed_max == 1
    assert plan(tmp_path, attended).missed_max == 3


def test_every_misfit_ends_with_the_exit_code_of_a_wrong_file(tmp_path: Path) -> None:
    with pytest.raises(FileFaultsError) as caught:
        plan(tmp_path, UNATTENDED_FAST)

    assert caught.value.exit_code == 2

"""Pulses, probes, zero currents, questions, set-points that follow and ends by slope on a cell and a bench: what they become, what is
refused with both numbers named, and what `check` says of them."""

from __future__ import annotations

from pathlib import Path
from textwrap import indent

import pytest

from chargerd.config.bench import load_bench
from chargerd.config.cell import load_cell
from chargerd.config.echo import describe
from chargerd.config.plan import build_plan
from chargerd.config.profile import load_profile
from chargerd.core.plan import Plan
from chargerd.core.program import EndSpec, Repeat, Step, StepKind
from chargerd.errors import BenchError, ProfileError
from tests.config.files import Edit, faults_of, unmarked, write_files

B, C = "bench", "cell"
ENDS = "ends_when: {{{}charge: 1 Ah, time: 5 h}}"
RELAY = Edit(B, "channels:\n  slip-1:\n", """  isolator:
    address: tcp://127.0.0.1:5028
    dialect: line-relay
    identity: "Boathouse,Relay,R-0001,1.0"
    contact: {without_power: open}
channels:
  slip-1:
    switch: isolator
""")  # fmt: skip


def written(steps: str, folder: Path, *edits: Edit) -> tuple[Path, Path, Path, list[str]]:
    paths, marks = write_files(folder, *edits)
    text, places = unmarked("profile: kinds\nsteps:\n" + steps)
    path = folder / "kinds.yaml"
    path.write_text(text, encoding="utf-8")
    return path, paths[C], paths[B], [f"kinds.yaml:{line}:{column}" for line, column in places] + marks


def made(steps: str, folder: Path, *edits: Edit) -> Plan:
    path, cell, bench, _ = written(steps, folder, *edits)
    return build_plan(load_profile(path), load_cell(cell), load_bench(bench), "slip-1")


def said(steps: str, folder: Path, *edits: Edit) -> str:
    path, cell, bench, _ = written(steps, folder, *edits)
    files = load_profile(path), load_cell(cell), load_bench(bench)
    return "\n".join(describe(build_plan(*files, "slip-1"), *files, "slip-1"))


def charge(*lines: str, ends: str = "", current: str = "300 mA") -> str:
    return "".join(f"      {line}\n" for line in (f"current: {current}", "voltage: 1.8 V", *lines, ENDS.format(ends))).join(("  - charge:\n", ""))


def discharge(*lines: str, ends: str = "voltage_below: 0.8 V, ", current: str = "300 mA") -> str:
    return "".join(f"      {line}\n" for line in (f"current: {current}", *lines, ENDS.format(ends))).join(("  - discharge:\n", ""))


TRAIN = """\
  - pulses:
      train:
        - discharge: {current: 0.2 It, lasts: 10 s}
        - discharge: {current: 0.5 It, lasts: 1 s}
        - rest: {lasts: 60 s}
        - charge: {current: 0.2 It, lasts: 10 s}
      ends_when: {voltage_below: 0.8 V, voltage_above: 1.84 V, temperature_above: 40 °C}
"""


def test_pulses_become_steps_of_one_group_each_with_the_ends_of_its_direction(tmp_path: Path) -> None:
    first, second, rest, third = made(TRAIN, tmp_path).program.steps()
    floor, top, warm = EndSpec("voltage_below", 0.8), EndSpec("voltage_above", 1.84), EndSpec("temperature_above", 40.0)

    kind = StepKind.PULSES
    assert first == Step("1.1", kind, 0.3, lasts_s=10.0, sample_every_s=1.0, ends=(floor, warm), sign=-1, group="1")
    assert (second.current_A, second.lasts_s, second.number, second.direction) == (0.75, 1.0, "1.2", -1)
    assert rest == Step("1.3", kind, lasts_s=60.0, sample_every_s=1.0, group="1")
    assert third == Step("1.4", kind, 0.3, 1.85, lasts_s=10.0, sample_every_s=1.0, ends=(top, warm), sign=1, group="1")


def test_pulses_inside_rounds_are_steps_of_the_round(tmp_path: Path) -> None:
    inside = "  - repeat:\n      rounds: 3\n      steps:\n" + indent(TRAIN, "    ")
    (repeat,) = made(inside, tmp_path).program.items

    assert isinstance(repeat, Repeat)
    assert [(step.number, step.group) for step in repeat.steps] == [(f"1.1.{place}", "1.1") for place in range(1, 5)]


def test_a_probe_is_a_rest_a_charge_and_a_rest(tmp_path: Path) -> None:
    window = Edit(C, "threshold: unmeasured", "threshold: unmeasured\nresistance: [0.2 ohm, 1.0 ohm]")
    before, probe, after = made("  - connection_check: {}\n", tmp_path, window).program.steps()

    assert [step.direction for step in (before, probe, after)] == [0, 1, 0]
    assert (probe.current_A, probe.voltage_V, probe.lasts_s, probe.window_ohm) == (0.03, 1.85, 10.0, (0.2, 1.0))
    assert {step.group for step in (before, probe, after)} == {"1"}


def test_a_zero_current_is_each_instrument_by_itself_behind_the_open_relay(tmp_path: Path) -> None:
    plan = made("  - zero_current: {}\n", tmp_path, RELAY)
    source, load = plan.program.steps()

    assert [(step.direction, step.isolated, step.voltage_V) for step in (source, load)] == [(1, True, 1.85), (-1, True, None)]
    assert (plan.zeros.source_A, plan.zeros.load_A) == (0.010, 0.010)


def test_a_question_and_set_points_that_follow(tmp_path: Path) -> None:
    steps = (
        "  - ask_person: {question: Is the water filled up, within: 2 h}\n"
        + charge("power: 300 mW") + charge("ramp: 30 mV/min") + discharge("power: 200 mW") + discharge("resistance: 10 ohm")
    )  # fmt: skip
    ask, power, ramp, out, ohm = made(steps, tmp_path).program.steps()

    assert (ask.direction, ask.question, ask.lasts_s) == (0, "Is the water filled up", 7200.0)
    assert (power.power_W, power.grain, power.current_A) == (0.3, 0.001, 0.3)
    assert (ramp.ramp_V_per_h, ramp.grain) == (1.8, 0.001)
    assert (out.power_W, out.resistance_ohm) == (0.2, None)
    assert (ohm.power_W, ohm.resistance_ohm) == (None, 10.0)


def test_check_says_what_each_of_them_does(tmp_path: Path) -> None:
    steps = (
        TRAIN + "  - connection_check: {}\n  - zero_current: {}\n  - ask_person: {question: Is the water filled up}\n"
        + charge("power: 300 mW") + charge("ramp: 30 mV/min") + discharge("resistance: 10 ohm", ends="voltage_slope_above: 2 V/h, ")
        + "  - rest: {lasts: 12 h, ends_when: {voltage_slope_below: 2 mV/h}}\n"
    )  # fmt: skip
    text = said(steps, tmp_path, RELAY)

    for words in (
        "1.1  pulse: 300 mA out for 10 s, read every 1 s, or until the voltage falls to 0.80 V",
        "1.4  pulse: 300 mA in, at most 1.85 V, for 10 s",
        "2.2  probe: 30 mA in for 10 s, at most 1.85 V; it must rise; 0 ohm to 100 ohm is believed",
        "3.1  relay open, the source on at 1.85 V for 30 s: what it reads now is its zero",
        "3.2  relay open, the load on for 30 s",
        "4  everything off, ask: Is the water filled up (stopped when nobody answers within 24 h)",
        "5  charge at 300 mW (the current is set anew at each reading from the measured voltage), at most 300 mA up to 1.80 V",
        "6  charge at most at 300 mA, the voltage rising by 1.8 V/h up to 1.80 V",
        "7  discharge at the voltage over 10 ohm (the current is set anew at each reading from the measured voltage), at most 300 mA",
        "until the voltage falls by 2 V/h or faster",
        "8  rest for 12 h, output off, or until the voltage changes by no more than 2 mV/h",
    ):
        assert words in text


def test_a_bench_without_a_load_is_told_which_pulses_it_cannot_do(tmp_path: Path) -> None:
    path, cell, bench, marks = written(TRAIN.replace("discharge: {current: 0.2", "discharge: @@{current: 0.2"), tmp_path,
                                       Edit(B, "    load: load\n", ""))  # fmt: skip
    files = load_profile(path), load_cell(cell), load_bench(bench)

    with pytest.raises(ProfileError) as caught:
        build_plan(*files, "slip-1")

    assert f"{marks[0]}: step 1.1: a discharge needs a load" in faults_of(caught.value, tmp_path)[0]


COARSE = Edit(B, "resolution: {voltage: 1 mV, current: 1 mA}\n  load", "resolution: {voltage: 10 mV, current: 1 mA}\n  load")
MISFITS: list[tuple[str, tuple[Edit, ...], str, str]] = [
    ("  - zero_current: @@{}\n", (), "step 1: a zero current needs a relay between the cell and everything else, and channel slip-1 has none",
     "name it with `switch:`"),
    ("  - zero_current: {current: @@20 mA}\n", (RELAY,), "20 mA cannot be told from this bench's zero, which may be 10 mA", "write 30 mA"),
    ("  - connection_check: {current: @@9 mA}\n", (), "9 mA is less than this bench can judge a connection by", "write 10 mA or more"),
    ("  - connection_check: {current: @@50 mA}\n",
     (COARSE, Edit(C, "threshold: unmeasured", "threshold: unmeasured\nresistance: [0.05 ohm, 0.1 ohm]")),
     "50 mA is less than this bench can judge a connection by", "write 122.5 mA or more"),
    ("  - connection_check: {voltage: @@1.95 V}\n", (), "1.95 V is above this cell's top charging voltage 1.85 V", "attended: yes"),
    (discharge("power: @@300 mW"), (), "300 mW needs 375 mA at 0.80 V, more than the step's current 300 mA", "at most 240 mW"),
    (discharge("power: @@5 mW"), (), "discharge.power: 5 mW comes down to 1.818 mA", "a stronger one"),
    (discharge("resistance: @@1 kohm"), (), "discharge.resistance: 1 kohm comes down to 0.8 mA", "a stronger one"),
    (charge(ends="voltage_falls_by: @@10 mV, "), (COARSE,), "0.01 V is less than 3 × what supply resolves (0.0041 V)", "use 0.013 V"),
    # 10 mV steps: u = 4.08 mV; over the longest window of 4 h no less than 3u/4 h = 3.06 mV/h.
    ("  - rest: {lasts: 12 h, ends_when: {voltage_slope_below: @@2 mV/h}}\n", (COARSE,),
     "2 mV/h is seen by this bench over 6.124 h only, the longest window is 4 h", "write 3.2 mV/h or more"),
    ("  - rest: {lasts: 20 min, ends_when: {voltage_slope_below: @@2 mV/h}}\n", (),
     "2 mV/h is judged over 36.75 min, and the step lasts no longer than 20 min", "a longer time"),
    (charge(ends="temperature_slope_above: @@1 K/min, "), (), "1 K/min is not below the limit 1 K/min that trips", "less than 1 K/min"),
    (charge(ends="temperature_rise_above: @@12 K, "), (), "12 K is not below the limit 12 K that trips", "less than 12 K"),
    (charge(ends="temperature_rise_above: @@0.5 K, "), (Edit(B, "resolution: {temperature: 0.1 K}", "resolution: {temperature: 0.5 K}"),),
     "0.5 K is less than 3 × what probe resolves (0.2 K)", "use 0.64 K"),
    (charge(ends="temperature_slope_above: @@0.02 K/min, "), (Edit(B, "resolution: {temperature: 0.1 K}", "resolution: {temperature: 0.5 K}"),),
     "0.02 K/min is seen by this bench over 30.62 min only, the longest window is 30 min", "0.021 K/min or more"),
    (charge(ends="temperature_rise_above: @@3 K, "), (Edit(B, "    temperature: probe\n", ""),), "has no thermometer", "delete this end"),
    (TRAIN.replace("0.5 It", "@@0.6 It"), (), "discharge.current: 900 mA is too much for the fuse 1 A", "fuse of 1.125 A"),
    (TRAIN.replace("voltage_below: 0.8 V", "voltage_below: @@0.05 V"), (), "0.05 V is lower than load can go", "at least 0.10 V"),
]  # fmt: skip


@pytest.mark.parametrize(("steps", "edits", "what", "remedy"), MISFITS)
def test_what_this_bench_cannot_do_or_see_is_refused(steps: str, edits: tuple[Edit, ...], what: str, remedy: str, tmp_path: Path) -> None:
    path, cell, bench, marks = written(steps, tmp_path, *edits)
    files = load_profile(path), load_cell(cell), load_bench(bench)

    with pytest.raises((ProfileError, BenchError)) as caught:
        build_plan(*files, "slip-1")

    faults = faults_of(caught.value, tmp_path)
    found = [fault for fault in faults if what in fault and fault.startswith(f"{marks[0]}: ")]
    assert len(found) == 1, (marks, faults)
    assert remedy in found[0].split("; ", 1)[1]


@pytest.mark.parametrize(("steps", "edits"), [
    (charge(ends="voltage_falls_by: 13 mV, "), (COARSE,)),
    ("  - rest: {lasts: 12 h, ends_when: {voltage_slope_below: 3.2 mV/h}}\n", (COARSE,)),
    ("  - connection_check: {current: 10 mA}\n", ()),
    ("  - zero_current: {current: 30 mA}\n", (RELAY,)),
    (discharge("power: 240 mW"), ()),
])  # fmt: skip
def test_what_the_messages_offer_is_accepted(steps: str, edits: tuple[Edit, ...], tmp_path: Path) -> None:
    assert made(steps, tmp_path, *edits).program.name == "kinds"


def test_the_protection_of_the_supply_knows_pulses_and_probes(tmp_path: Path) -> None:
    plan = made(TRAIN, tmp_path)

    # The largest current of any pulse: 0.75 A + 50 mA + 3 × √(2²/3 + 1²/12 + 0.75²/3) mA = 0.8038 A.
    assert plan.ocp_A == 0.804
    assert plan.ovp_V == 1.959

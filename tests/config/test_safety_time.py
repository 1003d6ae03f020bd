"""Process safety time: figures computed by hand for plover (112 g, 2.75 V) on the boathouse wiring (2 g clip, 0.5 ohm)."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from chargerd.config import safety_time as budget
from chargerd.config.bench import Ventilation, Wiring, load_bench
from chargerd.config.fit_bench import OFF_PLAN_MAX_S
from chargerd.config.safety_time import gas_time_s, keeper_s, off_plan_s, reaction, safety_time
from chargerd.daemon import keeper, off
from chargerd.errors import FileFaultsError
from chargerd.instruments.roles import OFF_TRIES
from tests.config.files import Edit, faults_of, plan, write_files

OUTDOORS = Ventilation(outdoors=True)
WIRING = Wiring(lead_ohm=0.05, clip_mass_g=2.0, clip_ohm=0.5, fuse_A=1.0)


@pytest.mark.parametrize(("current_A", "half_s"), [(0.3, 342.0), (0.75, 55.0), (1.0, 31.0), (1.5, 13.7), (2.0, 7.7)])
def test_a_bad_clip_gets_hot_with_the_square_of_the_current(current_A: float, half_s: float) -> None:
    """m·c·ΔT/(I²R) = 2 g × 0.385 J/(g K) × 40 K / (I² × 0.5 ohm)."""
    time = safety_time(current_A, 0.1, 112.0, WIRING, OUTDOORS)

    assert time.first == "a bad clip is hot"
    assert time.half_s == pytest.approx(half_s, rel=0.01)


@pytest.mark.parametrize(("current_A", "seconds"), [(0.3, 63 * 60.0), (1.5, 12.6 * 60.0), (5.0, 227.0)])
def test_a_cell_that_turns_all_power_into_heat_warms_by_15_kelvin(current_A: float, seconds: float) -> None:
    """m·c·ΔT/(I·V) = 112 g × 1.86 J/(g K) × 15 K / (I × 2.75 V)."""
    heavy_clips = Wiring(0.05, 1e6, 0.5, 1.0)

    time = safety_time(current_A, 2.75, 112.0, heavy_clips, OUTDOORS)

    assert time.first == "the cell is hot"
    assert time.seconds == pytest.approx(seconds, rel=0.01)


@pytest.mark.parametrize(("litres", "current_A", "hours"), [(10.0, 1.5, 0.15), (10.0, 0.3, 0.73), (50.0, 0.3, 3.7)])
def test_a_closed_box_reaches_one_percent_hydrogen(litres: float, current_A: float, hours: float) -> None:
    """Faraday: 0.456 L of hydrogen per Ah at 25 °C."""
    box = Ventilation(outdoors=False, room_m3=litres / 1000)

    assert gas_time_s(current_A, box) / 3600 == pytest.approx(hours, rel=0.03)


def test_openings_after_the_standard_keep_a_room_below_one_percent_for_ever() -> None:
    """IEC 62485-2: Q = 0.05 m³/h per A and A = 28·Q cm²; 1 A needs 1.4 cm² and dilutes five times more than 4 % asks."""
    assert gas_time_s(1.0, Ventilation(outdoors=False, room_m3=1.0, openings_cm2=1.4)) == math.inf
    assert gas_time_s(1.0, OUTDOORS) == math.inf


def test_small_openings_lengthen_the_time_and_do_not_shorten_it() -> None:
    closed = gas_time_s(1.0, Ventilation(outdoors=False, room_m3=1.0))
    nearly = gas_time_s(1.0, Ventilation(outdoors=False, room_m3=1.0, openings_cm2=0.1))
    more = gas_time_s(1.0, Ventilation(outdoors=False, room_m3=1.0, openings_cm2=1.0))

    assert closed < nearly < more < math.inf


def test_no_current_heats_nothing() -> None:
    assert safety_time(0.0, 2.75, 112.0, WIRING, Ventilation(outdoors=False, room_m3=1.0)).seconds == math.inf


@pytest.mark.parametrize(("half_s", "missed", "slowest_s"), [(55.0, 3, 16.0), (31.0, 3, 8.0), (13.7, 3, 2.23), (7.7, 1, 1.35)])
def test_the_longest_sampling_period_at_the_usual_timeouts(half_s: float, missed: int, slowest_s: float, tmp_path: Path) -> None:
    """With 0.5 s time-outs and two outputs: bad value 2·Ts + 5 s, missing readings N·(Ts + 1 s) + 4 s, both within half_s."""
    paths, _ = write_files(tmp_path)
    bench = load_bench(paths["bench"])
    act = reaction(bench, bench.channels["slip-1"])

    assert act.slowest_sampling_s(half_s, missed) == pytest.approx(slowest_s, abs=0.01)
    assert act.worst_s(act.slowest_sampling_s(half_s, missed), missed) == pytest.approx(half_s)
    assert act.worst_s(5.0, 3) == 22.0


def test_a_slow_instrument_makes_the_reaction_slower(tmp_path: Path) -> None:
    paths, _ = write_files(tmp_path, Edit("bench", "minimum_voltage: 0.1 V", "minimum_voltage: 0.1 V\n    timeout: 2 s"))
    bench = load_bench(paths["bench"])
    act = reaction(bench, bench.channels["slip-1"])

    assert (act.off_s, act.question_s) == (2 * 2 * 0.5 + 2 * 2 * 2.0, 4.0)


RELAY = (
    '  {name}: {{address: "tcp://127.0.0.1:5031", dialect: relay-bytes, identity: "B,R,1,1", timeout: {timeout}, '
    "contact: {{without_power: open, rating: 5 A}}}}\n"
)


def resistors(count: int, timeout: str = "500 ms") -> tuple[Edit, ...]:
    """The good bench with that many resistors behind one board, and the cell's relay on the same board."""
    names = [f"relay-{number}" for number in range(1, count + 1)]
    relays = "".join(RELAY.format(name=name, timeout=timeout) for name in (*names, "cell-relay"))
    bank = "".join(f"  r-{number}: {{load: bank, resistance: {10 * number} ohm, power: 5 W, switch: {name}}}\n" for number, name in enumerate(names, 1))
    return (
        Edit("bench", "channels:\n", f"{relays}channels:\n"),
        Edit("bench", "    load: load\n", "    load: bank\n    switch: cell-relay\n"),
        Edit("bench", "limits:\n  voltage", f"resistors:\n{bank}limits:\n  voltage"),
    )


def test_an_off_plan_takes_ports_side_by_side_and_the_outputs_of_one_port_in_turn(tmp_path: Path) -> None:
    """Each output 2 tries x 0.5 s + 0.1 s, the second port begun after 0.6 s; 2 s to start, settle and tell."""
    found = []
    for edits in ((), resistors(8)):
        paths, _ = write_files(tmp_path, *edits)
        bench = load_bench(paths["bench"])
        channel = bench.channels["slip-1"]
        found.append((off_plan_s(bench, channel), keeper_s(bench, channel)))

    expected = [0.6 + 1.1 + 2.0, 0.6 + 9 * 1.1 + 2.0]
    assert found == [(pytest.approx(plan_s), pytest.approx(5.0 + 1.0 + plan_s)) for plan_s in expected]


def test_the_budget_counts_what_keeper_and_off_do() -> None:
    assert (budget.PATIENCE_S, budget.KILL_S, OFF_PLAN_MAX_S) == (keeper.PATIENCE_S, keeper.KILL_S, keeper.OFF_MAX_S)
    assert (budget.PLAN_TRIES, budget.PLAN_TIMEOUT_MAX_S, budget.PLAN_PAUSE_S) == (OFF_TRIES - 1, off.TIMEOUT_MAX_S, off.wire.PAUSE_S)
    assert budget.PLAN_SPARE_S >= off.SPARE_S + 0.5


def test_an_off_plan_that_would_outlast_the_keeper_is_refused(tmp_path: Path) -> None:
    """Seventeen relays of one board; of a time-out of 5 s off.py believes 2 s: 0.6 s + 17 x 4.1 s + 2 s."""
    with pytest.raises(FileFaultsError) as refused:
        plan(tmp_path, *resistors(16, "5 s"))

    assert any("slip-1: with every instrument silent, switching off takes 72.3 s; the keeper gives up after 1 min" in one for one in faults_of(refused.value, tmp_path))

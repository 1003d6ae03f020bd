"""Between two lives of a run: how long it was, how long an output can have stayed on, and what nobody knows."""

import hashlib
import json
from pathlib import Path

import pytest

from chargerd.config.safety_time import off_plan_s
from chargerd.core.engine import Engine
from chargerd.core.memory import Memory
from chargerd.core.program import StepKind
from chargerd.daemon import keeper
from chargerd.daemon.clock import Clock
from chargerd.daemon.downtime import Downtime, downtime
from chargerd.daemon.lives import longest_on_s
from tests.worlds.programs import charge, profile
from tests.worlds.world_bench import bench_text, make_run


@pytest.mark.parametrize("every_s", [5.0, 60.0])
def test_a_kill_just_before_the_next_reading_is_within_the_gap(tmp_path: Path, every_s: float) -> None:
    """The last row is then a whole sampling period old before the keeper even begins to wait for the next beat."""
    frozen = make_run(tmp_path, profile(charge(every=f"{every_s:g} s")), bench_text(), "plover-01", None)
    engine = Engine(frozen.plan)
    assert engine.step.kind is StepKind.CHARGE

    assert longest_on_s(frozen, engine) >= every_s + keeper.PATIENCE_S + keeper.KILL_S + off_plan_s(frozen.bench, frozen.channel)


LAST = "2026-11-25T10:00:00.000Z"
LONGEST_S = 20.0
ZERO_S, LAST_ELAPSED_S = 1000.0, 600.0
"""The run began at 1000 s of its boot and its last row is 600 s old: at 1600 s."""


def memory(*, synchronised: bool = True, suspended_s: float = 0.0, boot: str = "A") -> Memory:
    return Memory(boot_id=boot, boot_zero_s=ZERO_S, synchronised=synchronised, suspended_s=suspended_s)


def clock(
    now_s: float = 1700.0, utc: str = "2026-11-25T10:01:40.000Z", *, boot: str = "A", synchronised: bool = True, slept_s: float = 0.0
) -> Clock:
    return Clock(lambda: now_s, lambda: utc, awake_s=lambda: now_s - slept_s, is_synchronised=lambda: synchronised, boot=boot)


def write_result(
    folder: Path, boot_s: float, *, boot: str = "A", verified: bool = True, was_on: bool | None = None, plan: bytes = b"plan"
) -> None:
    (folder / "off-plan.json").write_bytes(b"plan")
    content = {
        "version": 1, "written_utc": LAST, "boot_id": boot, "boot_s": boot_s, "plan_sha256": hashlib.sha256(plan).hexdigest(),
        "outputs": [{"channel": "slip-1", "output": "supply", "verified": verified, "was_on": was_on}],
    }  # fmt: skip
    (folder / "off-result.json").write_text(json.dumps(content), encoding="ascii")


def of(folder: Path, at: Clock, remembered: Memory | None = None) -> Downtime:
    return downtime(folder, remembered or memory(), LAST_ELAPSED_S, LAST, at, LONGEST_S)


def test_within_one_boot_its_clock_tells_how_long_whatever_the_wall_clock_says(tmp_path):
    for utc in ("1970-01-01T00:00:00.000Z", "2026-11-25T10:01:40.000Z", "2036-01-01T00:00:00.000Z"):
        found = of(tmp_path, clock(utc=utc, synchronised=False))

        assert (found.duration_s, found.off_after_s, found.is_bounded, found.proven) == (100.0, 100.0, True, False)


def test_across_boots_the_wall_clock_tells_only_when_it_was_set_before_and_is_set_again(tmp_path):
    known = of(tmp_path, clock(30.0, "2026-11-25T10:10:00.000Z", boot="B"))
    assert (known.duration_s, known.off_after_s, known.is_bounded) == (600.0, 600.0, True)

    for untrusted in (
        of(tmp_path, clock(30.0, "2026-11-25T10:10:00.000Z", boot="B", synchronised=False)),
        of(tmp_path, clock(30.0, "2026-11-25T10:10:00.000Z", boot="B"), memory(synchronised=False)),
        of(tmp_path, clock(30.0, "2026-11-25T10:10:00.000Z", boot="B"), memory(boot="")),
        of(tmp_path, clock(30.0, "2026-11-25T10:10:00.000Z", boot="")),
    ):
        assert (untrusted.duration_s, untrusted.is_bounded) == (None, False)
        assert untrusted.off_after_s == 600.0  # the best guess there is, for the record


def test_a_restored_old_clock_makes_an_outage_unknown_not_short(tmp_path):
    found = of(tmp_path, clock(30.0, "2026-11-25T09:59:00.000Z", boot="B"))

    assert (found.duration_s, found.off_after_s, found.is_bounded) == (None, LONGEST_S, False)


def test_the_first_proof_of_off_by_the_same_clock_ends_the_time_that_counts(tmp_path):
    for boot_s in (1650.0, 1603.0):
        write_result(tmp_path, boot_s)
        found = of(tmp_path, clock(9999.0))

        assert (found.off_after_s, found.is_bounded, found.proven) == (boot_s - 1600.0, True, True)


def test_a_proof_by_another_boots_clock_never_gives_less_than_the_longest_a_kill_takes(tmp_path):
    write_result(tmp_path, 20.0, boot="B")
    found = of(tmp_path, clock(21.0, "2026-11-25T10:00:05.000Z", boot="B"))

    assert (found.off_after_s, found.is_bounded) == (LONGEST_S, True)


@pytest.mark.parametrize(
    "result",
    [
        {"boot_s": 1650.0, "verified": False},
        {"boot_s": 1500.0},  # before the last row: of an earlier life
        {"boot_s": 1650.0, "plan": b"the plan of another life"},
        {"boot_s": 1650.0, "boot": "a third boot"},
    ],
)
def test_an_off_that_was_not_proven_or_belongs_to_another_life_proves_nothing(tmp_path, result):
    write_result(tmp_path, **result)
    found = of(tmp_path, clock())

    assert (found.off_after_s, found.proven) == (100.0, False)


def test_an_off_proven_before_the_power_cut_bounds_the_time_with_no_clock_at_all(tmp_path):
    write_result(tmp_path, 1650.0)
    found = of(tmp_path, clock(30.0, "1970-01-01T00:00:30.000Z", boot="B", synchronised=False))

    assert (found.duration_s, found.off_after_s, found.is_bounded) == (None, 50.0, True)
    assert found.proven is False  # in this boot nothing was proven yet


def test_an_off_proven_after_the_boot_bounds_the_time_when_the_gap_is_known(tmp_path):
    write_result(tmp_path, 20.0, boot="B", was_on=False)

    known = of(tmp_path, clock(30.0, "2026-11-25T10:10:00.000Z", boot="B"))
    assert (known.off_after_s, known.is_bounded, known.proven) == (590.0, True, True)

    unknown = of(tmp_path, clock(30.0, "2026-11-25T10:10:00.000Z", boot="B", synchronised=False))
    assert (unknown.is_bounded, unknown.proven) == (False, True)


@pytest.mark.parametrize(("was_on", "expected"), [(True, True), (False, False), (None, None)])
def test_what_was_on_when_the_computer_had_started_is_remembered(tmp_path, was_on, expected):
    write_result(tmp_path, 20.0, boot="B", was_on=was_on)

    assert of(tmp_path, clock(30.0, boot="B")).found_on is expected
    assert of(tmp_path / "nothing", clock(30.0, boot="B")).found_on is None
    assert of(tmp_path, clock()).found_on is False  # no new boot, no question


def test_a_sleep_since_the_last_note_is_seen(tmp_path):
    assert of(tmp_path, clock(slept_s=30.0), memory(suspended_s=30.0)).suspended is False
    assert of(tmp_path, clock(slept_s=31.5), memory(suspended_s=30.0)).suspended is True
    assert of(tmp_path, clock(slept_s=float("nan"))).suspended is True


@pytest.mark.parametrize("content", [b"", b"{", b"[]", b'{"plan_sha256": 1}', b'{"outputs": [{}]}'])
def test_a_result_that_cannot_be_read_proves_nothing(tmp_path, content):
    (tmp_path / "off-plan.json").write_bytes(b"plan")
    (tmp_path / "off-result.json").write_bytes(content)

    assert of(tmp_path, clock()).proven is False

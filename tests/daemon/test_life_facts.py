"""What record, ledgers and clocks say of a run that was broken off: each fact that may forbid it to go on by itself."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from pathlib import Path

import pytest

from chargerd.core.events import CheckPassed, ClockNoted, Observed, Record, Start
from chargerd.core.reading import Reading
from chargerd.core.resumption import Facts, Leave, may_resume
from chargerd.core.states import State
from chargerd.daemon.clock import Clock
from chargerd.daemon.frozen import FrozenRun
from chargerd.daemon.lives import begin, decide, digests, facts, find, leave_for_person, write_gap
from chargerd.errors import JournalError
from chargerd.journal.ledger import ChannelLedger
from tests.core.bench_of_one import inputs_of
from tests.worlds.programs import charge, profile
from tests.worlds.world_bench import bench_text, make_run

UTC = "2026-03-14T20:00:00.000Z"
NOW_S = 80.0
"""A charge of a minute that began at 0 s of this boot; nothing was heard since 60 s."""


def clock_at(now_s: float = NOW_S, *, boot: str = "A", slept_s: float = 0.0, synchronised: bool = False) -> Clock:
    utc = f"2026-03-14T20:{int(now_s // 60) % 60:02d}:{now_s % 60:06.3f}Z"
    return Clock(lambda: now_s, lambda: utc, awake_s=lambda: now_s - slept_s, is_synchronised=lambda: synchronised, boot=boot)


def broken_off(folder: Path, *last: Record) -> FrozenRun:
    """A run that was charging, granted, planned, and proven off 5 s after its last row."""
    run = make_run(folder, profile(charge(time="10 min")), bench_text(), "plover-01", None)
    life = begin(run, tuple(inputs_of()))

    def tell(record: Record, now_s: float) -> None:
        life.journal.record(record, now_s, UTC)
        for event in life.engine.command(record, now_s):
            life.journal.record(event, now_s, UTC)

    def read(now_s: float, **inputs: float) -> None:
        reading = Reading(now_s, inputs_of(**inputs))  # type: ignore[arg-type]  # reason: all of these are numbers
        assert life.engine.take(reading, now_s) == ()
        life.journal.reading(reading, life.engine.derived, UTC)

    tell(Start(by="test"), 0.0)
    tell(ClockNoted("A", 0.0), 0.0)
    tell(CheckPassed(), 0.0)
    read(0.0, voltage_V=1.5)
    tell(Observed("supply", "on", verified=True), 0.0)
    for step in range(1, 13):
        read(5.0 * step, voltage_V=1.5, current_A=0.15, source_on=True)
    for record in last:
        tell(record, 60.0)
    life.journal.close()
    write_proof(run)
    with ChannelLedger.open(run.data, run.channel.name) as ledger:
        ledger.started(UTC, run.folder.name)
        ledger.granted(UTC, run.folder.name, unattended=True)
        ledger.planned(UTC, run.folder.name, **digests(run))
    return run


def write_proof(run: FrozenRun) -> None:
    (run.folder / "off-plan.json").write_bytes(b"the plan")
    result = {
        "boot_id": "A", "boot_s": 65.0, "plan_sha256": hashlib.sha256(b"the plan").hexdigest(),
        "outputs": [{"output": "supply", "verified": True, "was_on": None}],
    }  # fmt: skip
    (run.folder / "off-result.json").write_text(json.dumps(result), encoding="ascii")


def facts_of(run: FrozenRun, clock: Clock | None = None, change: Callable[[ChannelLedger], object] | None = None) -> Facts:
    with ChannelLedger.open(run.data, run.channel.name) as ledger:
        if change is not None:
            change(ledger)
        at = clock or clock_at()
        return facts(find(run, at, ledger), at, ledger)


def test_a_run_of_which_all_is_known_and_good_is_allowed(tmp_path):
    known = facts_of(broken_off(tmp_path))

    assert may_resume(known).leave is Leave.ALLOWED
    assert (known.gap_s, known.off_after_s, known.off_proven) == (20.0, 5.0, True)


Change = tuple[str, object, Callable[[ChannelLedger, str], object]]
LEDGER: dict[str, Change] = {
    "latched": ("latched", "over-voltage", lambda ledger, run: ledger.tripped(UTC, run, "over-voltage")),
    "ended": ("is_open", False, lambda ledger, run: ledger.ended(UTC, run, "IDLE")),
    "another run": ("is_open", False, lambda ledger, _: ledger.started(UTC, "another")),
    "disk": ("disk_failed", True, lambda ledger, run: ledger.disk_failed(UTC, run, "no space")),
    "not granted": ("unattended", False, lambda ledger, run: ledger.granted(UTC, run, unattended=False)),
    "crashed before": ("crashes", 2, lambda ledger, run: ledger.restarted(UTC, run, "person", crashed=True)),
    "a boot before": ("crashes", 1, lambda ledger, run: ledger.restarted(UTC, run, "person", crashed=False)),
}


@pytest.mark.parametrize(("name", "expected", "change"), LEDGER.values(), ids=LEDGER)
def test_what_the_ledger_says_is_a_fact(tmp_path, name, expected, change):
    run = broken_off(tmp_path)

    assert getattr(facts_of(run, change=lambda ledger: change(ledger, run.folder.name)), name) == expected


def test_restarts_of_this_boot_are_counted_by_its_clock_and_all_others_count_as_now(tmp_path):
    run, at = broken_off(tmp_path), clock_at(5000.0)

    def restart(ledger: ChannelLedger) -> None:
        for boot_id, boot_s in (("A", 4900.0), ("A", 4300.0), ("A", 1300.0), ("B", 10.0)):
            ledger.restarted(UTC, run.folder.name, "service manager", crashed=False, boot_id=boot_id, boot_s=boot_s)

    known = facts_of(run, at, restart)

    # started (no boot known: now), 100 s ago, another boot, and this one; 700 s and 3700 s ago are longer
    assert (known.restarts_in_10_min, known.restarts_in_1_h, known.restarts_of_run) == (4, 4, 5)


def test_a_sleep_and_a_new_boot_are_facts(tmp_path):
    run = broken_off(tmp_path)

    assert facts_of(run, clock_at(slept_s=5.0)).suspended is True
    new = facts_of(run, clock_at(boot="B"))
    assert (new.gap_s, new.off_after_s, new.off_proven, new.found_on, new.crashes) == (None, 5.0, False, None, 0)


@pytest.mark.parametrize("name", ["off-plan.json", "dialects/mine.yaml"])
def test_a_frozen_file_that_was_changed_closes_the_run(tmp_path, name):
    run = broken_off(tmp_path)
    (run.folder / name).parent.mkdir(exist_ok=True)
    (run.folder / name).write_bytes(b"changed")
    known = facts_of(run)

    assert known.frozen_fault
    assert may_resume(known).leave is Leave.NEVER


def test_a_lost_off_plan_closes_the_run(tmp_path):
    run = broken_off(tmp_path)
    (run.folder / "off-plan.json").unlink()

    assert "off plan" in (facts_of(run).frozen_fault or "")


def test_a_crash_between_the_ledger_and_the_file_leaves_the_plan_before_which_is_no_change(tmp_path):
    run = broken_off(tmp_path)

    assert facts_of(run, change=lambda ledger: ledger.planned(UTC, run.folder.name, **digests(run, b"the next"))).frozen_fault == ""


def test_a_damaged_record_is_not_gone_on_with(tmp_path):
    run = broken_off(tmp_path)
    content = (run.folder / "events.csv").read_bytes()
    (run.folder / "events.csv").write_bytes(content.replace(b",input,check-passed,", b",input,check-passeD,"))

    with pytest.raises(JournalError), ChannelLedger.open(run.data, run.channel.name) as ledger:
        find(run, clock_at(), ledger)


def test_why_it_was_left_is_on_record_and_holds_for_the_next_attempt(tmp_path):
    run = broken_off(tmp_path)
    with ChannelLedger.open(run.data, run.channel.name) as ledger:
        at = clock_at(slept_s=5.0)
        found = find(run, at, ledger)
        leave_for_person(found, at, decide(found, at, ledger))
        assert found.engine.state is State.PAUSED

        later = clock_at(200.0, slept_s=0.0)  # nothing speaks against it any more but what was said
        decision = decide(find(run, later, ledger), later, ledger)

    assert decision.leave is Leave.PERSON
    assert [reason for reason in decision.reasons if "left for a person" in reason and "slept" in reason]


def test_a_gap_after_a_gap_counts_with_it(tmp_path):
    """The program came back, wrote the gap and died before it went on: the run stood still all that time."""
    run = broken_off(tmp_path)
    with ChannelLedger.open(run.data, run.channel.name) as ledger:
        at = clock_at(800.0)
        found = find(run, at, ledger)
        write_gap(found, at)[0].close()
        later = clock_at(970.0)
        known = facts(find(run, later, ledger), later, ledger)

    assert known.gap_s == pytest.approx(970.0 - 65.0)
    assert may_resume(known).leave is Leave.PERSON

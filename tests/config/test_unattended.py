"""Whether a run may be left alone: each reason against it, and what is granted when none is left."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from pathlib import Path

import pytest

from chargerd.cli.main import main
from chargerd.config.bench import load_bench
from chargerd.config.cell import load_cell
from chargerd.config.commissioned import Record, record_text
from chargerd.config.hygiene import untended
from chargerd.config.plan import build_plan
from chargerd.config.profile import load_profile
from chargerd.config.readiness import Abilities
from chargerd.config.unattended import SAID_MOST, Facts, Grant, Shown, before_start, grant
from chargerd.daemon.clock import real_clock
from chargerd.daemon.records import record_path
from chargerd.errors import ProfileError
from tests.config.files import Edit, write_files
from tests.config.test_readiness import DEAD_MAN

GENTLE = (
    Edit("profile", "        charge: 2 Ah\n", "        charge: 120 % rated\n"), Edit("profile", "current: 300 mA", "current: 200 mA"),
)  # fmt: skip
"""The second charge's bound is then 2.25 Ah, of which 200 mA at 1.85 V do 2.21 Ah in a day."""
HARD = Edit("profile", "current: 200 mA", "current: 750 mA")
"""0.75 A at 1.85 V into the cell for good: 14 K above a room of 30 °C, and 3.05 Ah with what gasses then."""
FAST = Edit("profile", "      voltage: top_charging_voltage\n", "      voltage: top_charging_voltage\n      sample_every: 5 s\n")
ABILITIES = {"supply": Abilities(over_current_protection=True)}
PROVEN = {"record", "over-current", "dead-man"}
WITH_DEAD_MAN = Edit("bench", "", DEAD_MAN)


def facts(folder: Path, *edits: Edit, record: Collection[str] | None = frozenset({"record"}), why: str = "") -> Facts:
    paths, _ = write_files(folder, *edits)
    bench, cell, profile = load_bench(paths["bench"]), load_cell(paths["cell"]), load_profile(paths["profile"])
    plan = build_plan(profile, cell, bench, "slip-1", record or ())
    return Facts(
        bench, bench.channels["slip-1"], plan, untended(profile, cell, bench, plan.limits), ABILITIES, record, why
    )  # fmt: skip


def against(found: Grant) -> list[str]:
    return [row.what for row in found.against]


def test_harmless_set_points_need_no_last_resort(tmp_path: Path) -> None:
    """No dead-man relay, no relay at the cell, its over-current protection never seen to trip: nothing can get too much."""
    found = grant(facts(tmp_path, *GENTLE), Shown())

    assert (found.is_granted, found.because, found.said) == (True, "", "Unattended granted.")


def test_a_set_point_that_may_not_stay_needs_all_last_resorts(tmp_path: Path) -> None:
    found = grant(facts(tmp_path, *GENTLE, HARD, FAST), Shown())

    assert against(found) == [
        "step 2 at 1.85 V, 750 mA", "no dead-man relay, and no watchdog known in the supply",
        "supply's over-current protection is not verified", "no relay between the cell and everything else",
    ]  # fmt: skip
    assert "it may move" in found.against[0].why
    assert "chargerd wiring --dead-man" in found.against[1].remedy


def test_the_same_set_point_behind_a_proven_dead_man_relay_still_needs_what_else_ends_a_current(tmp_path: Path) -> None:
    covered = facts(tmp_path, *GENTLE, HARD, FAST, WITH_DEAD_MAN, record=PROVEN)

    assert covered.alone == frozenset()
    assert against(grant(covered, Shown())) == ["no relay between the cell and everything else"]


@pytest.mark.parametrize(("record", "alone"), [(PROVEN, set()), (PROVEN - {"dead-man"}, {1, -1}), ({"watchdog"}, {-1}), (None, {1, -1})])
def test_what_nothing_switches_off_is_what_no_proof_covers(tmp_path: Path, record: set[str] | None, alone: set[int]) -> None:
    assert facts(tmp_path, *GENTLE, WITH_DEAD_MAN, record=record).alone == alone


REFUSALS = [
    ((Edit("profile", "steps:\n  - repeat", "attended: yes\nsteps:\n  - repeat"),), Shown(), "the profile says attended: yes"),
    ((Edit("bench", "    temperature: probe\n", ""),), Shown(), "no thermometer on the cell"),
    ((), Shown(warm_hand="the start was not at a terminal"), "no warm hand on the thermometer"),
    ((), Shown(named="the start was not at a terminal"), "nobody has named the cell"),
    ((), Shown(connection="a probe is too small to be seen"), "the cell's connection is not proven"),
]  # fmt: skip


@pytest.mark.parametrize(("edits", "shown", "what"), REFUSALS, ids=[row[2] for row in REFUSALS])
def test_each_reason_refuses_by_itself_and_says_what_to_do(tmp_path: Path, edits: tuple[Edit, ...], shown: Shown, what: str) -> None:
    found = grant(facts(tmp_path, *GENTLE, *edits), shown)

    assert against(found) == [what]
    assert (found.is_granted, found.because) == (False, f"Attended only, stay within reach: {what}")
    assert found.against[0].why
    assert found.against[0].remedy


def test_without_a_record_that_counts_it_is_refused_with_why_it_does_not(tmp_path: Path) -> None:
    (none,) = grant(facts(tmp_path, *GENTLE, record=None), Shown()).against
    (old,) = grant(replace(facts(tmp_path, *GENTLE, record=None), no_record_why="it is 200 days old"), Shown()).against

    assert "nobody has proven" in none.why
    assert (old.what, old.why) == ("no commissioning record", "it is 200 days old")


def test_a_longer_absence_asks_for_more(tmp_path: Path) -> None:
    week = Edit("profile", "steps:\n  - repeat", "next_visit: 168 h\nsteps:\n  - repeat")

    assert "step 1.1 at 1.85 V, 150 mA" in against(grant(facts(tmp_path, *GENTLE, week), Shown()))


def test_before_the_start_it_is_said_what_the_start_must_show_or_what_to_add(tmp_path: Path) -> None:
    (granted,) = before_start(facts(tmp_path, *GENTLE))
    refused = before_start(facts(tmp_path, *GENTLE, HARD, FAST, record=None))

    assert granted.startswith("unattended granted until the next visit in 24 h: every set-point is harmless")
    assert "a hand warms the thermometer" in granted
    assert all(line.startswith("attended only: ") for line in refused)
    assert len(refused) > SAID_MOST


def test_many_reasons_are_counted_in_one_sentence(tmp_path: Path) -> None:
    found = grant(facts(tmp_path, *GENTLE, HARD, FAST), Shown(named="x"))

    assert found.because.endswith(f"; and {len(found.against) - SAID_MOST} more")


def test_check_says_what_keeps_a_run_from_being_left_alone_and_a_record_settles_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    paths, _ = write_files(tmp_path, *GENTLE)
    names = [str(paths[kind]) for kind in ("profile", "cell", "bench")]
    assert main(["check", *names]) == 0
    before = capsys.readouterr().out
    bench = load_bench(paths["bench"])
    path = record_path(bench, "slip-1")
    path.parent.mkdir(parents=True)
    identities = {name: spec.identity for name, spec in bench.instruments.items()}
    record = Record(real_clock().utc(), bench.name, bench.sha256, "slip-1", True, identities, frozenset({"record"}))
    path.write_text(record_text(record), encoding="ascii")
    assert main(["check", *names]) == 0

    assert "attended only: no commissioning record" in before
    assert "  unattended granted until the next visit in 24 h" in capsys.readouterr().out


FASTEST = (
    Edit("profile", "current: 300 mA", "current: 1.5 A"), Edit("bench", "fuse: 1 A", "fuse: 2.5 A"), WITH_DEAD_MAN,
    Edit("profile", "      voltage: top_charging_voltage\n", "      voltage: top_charging_voltage\n      sample_every: 500 ms\n"),
    Edit("profile", "            sample_every: 5 s\n", "            sample_every: 1 s\n"),
    Edit("profile", "            current: C/5\n", "            current: C/5\n            sample_every: 1 s\n"),
)  # fmt: skip


def test_only_a_proven_dead_man_relay_counts_for_a_hang_in_the_safety_time(tmp_path: Path) -> None:
    """1.5 A heats a bad clip in 25 s; half of that is before the service manager acts, not before the relay lets go."""
    with pytest.raises(ProfileError, match=r"charge\.current: when the program hangs, the service manager switches off within"):
        facts(tmp_path, *FASTEST, record={"record", "over-current"})

    assert facts(tmp_path, *FASTEST, record=PROVEN).plan.ocp_A == pytest.approx(1.555)

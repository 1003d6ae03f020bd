"""The CI tier: each campaign at its small size, in a process of its own (it forks, and a test's own process has threads)."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from chargerd.sim.faults import FAULTS
from tests.campaign import safety_case
from tests.campaign.excuses import EXCUSES
from tests.campaign.explore import run_script
from tests.campaign.judge import INVARIANTS
from tests.campaign.kinds import LEFT_OUT, PEERS, variants
from tests.campaign.registry import CAMPAIGNS, seed_of_commit
from tests.campaign.script import Script, read_script, script_of
from tests.campaign.shrink import SEEDS, as_test, breaks, keep, shrink
from tests.campaign.test_invariants_can_fail import PLANTED

ROOT = Path(__file__).resolve().parents[2]
PATIENCE_S = 900.0


@pytest.mark.timeout(PATIENCE_S + 60.0)
@pytest.mark.parametrize("name", [pytest.param(one, marks=[] if one == "kept" else [pytest.mark.campaign]) for one in CAMPAIGNS])
def test_the_ci_tier_finds_nothing(name: str) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "tests.campaign", "--tier", "ci", "--jobs", "1", "--only", name], cwd=ROOT,
        env=os.environ | {"PYTHONPATH": str(ROOT)}, capture_output=True, encoding="utf-8", timeout=PATIENCE_S, check=False, stdin=subprocess.DEVNULL,
    )  # fmt: skip

    assert done.returncode == 0, done.stdout[-6000:] + done.stderr[-3000:]
    assert f"{name}: nothing found" in done.stdout


# --- what is tried -------------------------------------------------------------------------------------------------------------


def test_every_kind_of_fault_is_tried_or_said_not_to_be() -> None:
    tried = {raw["kind"] for story in PEERS for _, raw in variants(story)}

    assert tried & set(LEFT_OUT) == set()
    assert tried | set(LEFT_OUT) == set(FAULTS)


def test_every_invariant_has_a_planted_break() -> None:
    assert set(PLANTED) == set(INVARIANTS)


def test_every_excuse_names_faults_there_are() -> None:
    named = {kind for excuse in EXCUSES for kind in excuse.kinds if " " not in kind}

    assert named <= set(FAULTS)


def test_another_commit_has_another_seed() -> None:
    assert seed_of_commit() > 0


# --- the shrinker --------------------------------------------------------------------------------------------------------------

CULPRIT = {"peer": "supply", "kind": "mute", "at_s": 300.5, "times": None, "at_question": 9}
BYSTANDERS = ({"peer": "load", "kind": "error", "at_s": 310.0}, {"peer": "probe", "kind": "late", "at_s": 320.0, "times": 1})
LARGE = Script("plain", arm_s=300.0, faults=(BYSTANDERS[0], CULPRIT, BYSTANDERS[1]), excursions=({"kind": "leaks", "at_s": 330.0},), seed=7, stop_s=450.0, until_s=500.0)


def test_a_script_is_cut_down_to_what_matters() -> None:
    tried: list[Script] = []

    def fails(script: Script) -> bool:
        tried.append(script)
        return any(raw["kind"] == "mute" for raw in script.faults)

    small = shrink(LARGE, fails, tries=200)

    assert (len(small.faults), small.excursions, small.seed) == (1, (), 1)
    assert (small.faults[0]["times"], small.faults[0]["at_question"]) == (1, 1)
    assert small.arm_s < 20.0
    assert len(tried) <= 200


def test_a_broken_program_is_found_and_the_script_made_small(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The planted bug: a missing reading is never missed. A mute supply then stays on."""
    monkeypatch.setattr("chargerd.core.deadline.LEASE_EXTRA_S", 1e6)
    monkeypatch.setattr("chargerd.core.detect.sums.reading_lost", None)
    monkeypatch.setitem(__import__("chargerd.core.detect.table", fromlist=["DETECTORS"]).DETECTORS, "reading-lost", lambda _: None)
    script = Script("plain", arm_s=40.0, faults=({"peer": "supply", "kind": "mute", "at_s": 41.0, "times": None}, BYSTANDERS[0]), until_s=110.0)
    outcome = run_script(script)

    assert "INV-06a" in {found.invariant for found in outcome.findings}
    small = shrink(script, breaks("INV-06a"), tries=6)
    path = keep(small, "INV-06a", outcome.findings[0].text, tmp_path)
    assert len(small.faults) == 1
    assert read_script(path) == small
    compile(as_test(small, "INV-06a"), "pasted", "exec")


def test_a_script_survives_its_file() -> None:
    assert script_of(json.loads(LARGE.to_json())) == LARGE


def test_every_kept_script_can_be_read() -> None:
    paths = sorted(SEEDS.glob("*.json"))

    assert paths != []
    assert all(read_script(path).story for path in paths)


# --- the document --------------------------------------------------------------------------------------------------------------


def test_the_safety_case_is_what_its_tables_say() -> None:
    assert safety_case.CASE.read_text(encoding="utf-8") == safety_case.render(safety_case.read_results())


def test_the_safety_case_names_only_tests_that_exist() -> None:
    named = safety_case.tests_named(safety_case.CASE.read_text(encoding="utf-8"))

    assert len(named) > 50
    assert [name for name in sorted(named) if not safety_case.exists(name, ROOT)] == []
    assert not safety_case.exists("tests/worlds/test_determinism.py::test_that_is_not_there", ROOT)
    assert not safety_case.exists("tests/nowhere.py", ROOT)

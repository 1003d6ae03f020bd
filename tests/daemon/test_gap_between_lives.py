"""Between two lives of a run: how long an output can have stayed on after the last row, which the counters are charged for."""

import json
from pathlib import Path

import pytest

from chargerd.config.safety_time import off_plan_s
from chargerd.core.engine import Engine
from chargerd.core.program import StepKind
from chargerd.daemon import keeper
from chargerd.daemon.worker import longest_on_s, unproven_s
from tests.worlds.programs import charge, profile
from tests.worlds.world_bench import bench_text, make_run


@pytest.mark.parametrize("every_s", [5.0, 60.0])
def test_a_kill_just_before_the_next_reading_is_within_the_gap(tmp_path: Path, every_s: float) -> None:
    """The last row is then a whole sampling period old before the keeper even begins to wait for the next beat."""
    frozen = make_run(tmp_path, profile(charge(every=f"{every_s:g} s")), bench_text(), "plover-01", None)
    engine = Engine(frozen.plan)
    assert engine.step.kind is StepKind.CHARGE

    assert longest_on_s(frozen, engine) >= every_s + keeper.PATIENCE_S + keeper.KILL_S + off_plan_s(frozen.bench, frozen.channel)


LAST, NOW = "2026-11-25T10:00:00.000Z", "2026-11-25T18:00:00.000Z"


def write_result(folder: Path, written_utc: str, *, verified: bool) -> None:
    content = {"version": 1, "written_utc": written_utc, "outputs": [{"channel": "slip-1", "output": "supply", "verified": verified}]}
    (folder / "off-result.json").write_text(json.dumps(content), encoding="ascii")


def test_without_a_proof_of_off_the_whole_time_counts(tmp_path):
    assert unproven_s(tmp_path, LAST, NOW) == 8 * 3600.0


def test_the_first_proof_of_off_ends_the_time_that_counts(tmp_path):
    write_result(tmp_path, "2026-11-25T10:00:09Z", verified=True)

    assert unproven_s(tmp_path, LAST, NOW) == 10.0


@pytest.mark.parametrize(("written_utc", "verified"), [("2026-11-25T10:00:09Z", False), ("2026-11-25T09:00:00Z", True)])
def test_an_off_that_was_not_proven_or_is_older_than_the_last_row_proves_nothing(tmp_path, written_utc, verified):
    write_result(tmp_path, written_utc, verified=verified)

    assert unproven_s(tmp_path, LAST, NOW) == 8 * 3600.0

"""Between two lives of a run: how long an output can have stayed on after the last row, which the counters are charged for."""

from pathlib import Path

import pytest

from chargerd.core.engine import Engine
from chargerd.core.program import StepKind
from chargerd.daemon.worker import OFF_AFTER_MAX_S, longest_on_s
from tests.worlds.programs import charge, profile
from tests.worlds.world_bench import bench_text, make_run


@pytest.mark.parametrize("every_s", [5.0, 60.0])
def test_a_kill_just_before_the_next_reading_is_within_the_gap(tmp_path: Path, every_s: float) -> None:
    """The last row is then a whole sampling period old before the keeper even begins to wait for the next beat."""
    frozen = make_run(tmp_path, profile(charge(every=f"{every_s:g} s")), bench_text(), "plover-01", None)
    engine = Engine(frozen.plan)
    assert engine.step.kind is StepKind.CHARGE

    assert longest_on_s(frozen, engine) >= every_s + OFF_AFTER_MAX_S

"""A zero of exactly 0 in every reading: what CHECKING found is what counts, not what a relay could have found.

The shipped cheapest bench, its supply made to show exactly 0 with nothing connected: as one without any error does, and one
whose display blanks what is small, or cannot go below zero. Nobody can tell them apart.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from chargerd.core.events import CheckFailed, CheckPassed
from chargerd.core.limits import SET_POINT_FLOOR_A
from chargerd.core.states import State
from chargerd.sim.faults import forever
from chargerd.verdict.load import RunSource
from tests.worlds.test_cheapest_bench import ZERO_A, cheapest_text
from tests.worlds.world_bench import Ran, run_world

PROFILE = """\
profile: charge-once
about: Invented.
steps:
  - charge:
      current: 300 mA
      voltage: 1.80 V
      sample_every: 5 s
      ends_when: {{{ends}time: 1 min, charge: 1 Ah}}
"""


def charged(folder: Path, by_A: float, ends: str = "") -> Ran:
    """A charge on the cheapest bench, whose supply reads 25 mA too much, and by that much more or less."""
    faults = (("supply", forever("offset", quantity="current_A", by=by_A)),)
    return run_world(folder, PROFILE.format(ends=ends), bench=cheapest_text(), faults=faults, until_s=300.0, watch_after_s=0.0)


def test_a_run_whose_end_needs_the_zero_is_refused_when_it_proves_nothing(tmp_path: Path) -> None:
    ran = charged(tmp_path, -ZERO_A, ends="current_below: 30 mA, ")
    (failed,) = [record for _, record in ran.records if isinstance(record, CheckFailed)]

    assert ran.state is State.IDLE
    assert "the zero of supply was exactly 0 in every reading, which proves nothing" in failed.reason
    # 3 × 25 mA/√3: limits taken as a uniform distribution (JCGM 100:2008, 4.3.7).
    assert "current_below: 30 mA is less than 3 × what supply resolves (14 mA)" in failed.reason
    assert ran.world.nodes["slip-1"].charge_in_C < 0.01


def test_the_same_run_goes_on_when_the_zero_shows(tmp_path: Path) -> None:
    ran = charged(tmp_path, 0.0, ends="current_below: 30 mA, ")

    assert (ran.state, ran.cause) == (State.COMPLETE, "")
    assert ran.engine._bounds.slack_A == SET_POINT_FLOOR_A


def test_without_such_an_end_it_runs_and_the_whole_offset_stays_in_limits_and_verdict(tmp_path: Path) -> None:
    ran = charged(tmp_path, -ZERO_A)
    (passed,) = [record for _, record in ran.records if isinstance(record, CheckPassed)]
    facts = RunSource(ran.folder).facts()

    assert (ran.state, passed.zero_source_A) == (State.COMPLETE, 0.0)
    assert ran.engine._bounds.slack_A == pytest.approx(2.0 * ZERO_A + 2.0 * 0.001)
    assert facts.accuracies.charge_A is not None
    assert facts.accuracies.charge_A.offset == ZERO_A
    assert any("exactly 0 in every reading" in sentence for sentence in facts.not_known)

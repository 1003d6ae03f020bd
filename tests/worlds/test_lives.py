"""Kills at many exchanges of a run on the wire, and the next life: what the program counts is never less than what is true."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest

from chargerd import ENGINE_VERSION
from chargerd.core.engine import Engine
from chargerd.core.gas import ON_DELAY_S, threshold_V
from chargerd.core.resumption import Leave
from chargerd.core.states import State
from chargerd.journal.resume import replay
from chargerd.sim.fixtures import make_cell
from tests.worlds.lives import Lived, live
from tests.worlds.programs import EVERY_S, charge, profile, rest
from tests.worlds.world_bench import conducts_at

CURRENT_A, SYNC_EVERY_S = 0.15, 5.0
PROGRAM = profile(charge("charge: 10 % rated", time="4 min", interrupt="interrupt: {every: 1 min, lasts: 1 s}"))
ROUNDING_Ah = CURRENT_A * 0.1 / 3600.0
PROBES_Ah = 2 * CURRENT_A * 1.1 / 3600.0
"""Two starts send a probe pulse each, C/10 for about a second, which no reading sees: the worst case alone counts it."""
"""Two round trips: from the switching to the reading after it."""
READS_WRONG = 0.002
"""The simulated supply reads its current true to 0.1 %, and rounds to 1 mA in 150."""
ONLY_POWER_ON = ("what the source does when mains return is not known to be off",)
"""The shipped supply cannot be asked; everything else of this bench and its cell fits what the run left."""
OPENED = 8
"""Before that the links are being opened, and nothing of the run is on disk yet."""
GASSES = profile(charge("gassing_time: 4 min", time="1 h"))
GASSING_END_S = 240.0


def exchanges_of(folder: Path, program: str, **how: object) -> int:
    """How many exchanges a life takes that nobody kills."""
    folder.mkdir()
    whole = live(folder, program, dies_at=None, **how)  # type: ignore[arg-type]  # reason: only cells are given here
    assert whole.state is State.COMPLETE
    return whole.exchanges


def moments(count: int, every: int) -> list[tuple[int, bool]]:
    """Exchanges to die at, before they were heard and after."""
    return [(number, after) for number in range(OPENED, count, every) for after in (False, True)]


def assert_sound(lived: Lived) -> None:
    """What must hold of every killed and resumed run. INV-08, 18 and 20 of the safety specification."""
    fresh = [after for before, after in pairwise(lived.looks) if after.seq > before.seq]
    assert [look for look in fresh if not look.worst_Ah >= look.true_Ah * (1.0 - READS_WRONG) - ROUNDING_Ah] == []
    last = lived.looks[-1]
    assert lived.off_s is not None
    assert lived.killed_s is not None
    stayed_s = max(SYNC_EVERY_S, lived.off_s - lived.killed_s)
    unread_Ah = CURRENT_A * (stayed_s + EVERY_S) / 3600.0 + PROBES_Ah
    assert abs(last.measured_Ah - last.true_Ah) <= unread_Ah + READS_WRONG * last.true_Ah + ROUNDING_Ah
    replayed = replay(lived.folder, lambda: Engine(lived.frozen.plan), engine_version=ENGINE_VERSION)
    assert (replayed.differences, replayed.owed, replayed.torn) == ((), (), ())
    rows = (lived.folder / "events.csv").read_bytes().split(b"\r\n")[1:-1]
    assert sum(b",input,gap," in row for row in rows) == 1
    for panel in (lived.world.panels["supply"], lived.world.panels["load"]):
        assert not conducts_at(panel, lived.off_s)


@pytest.mark.timeout(180)
def test_a_kill_at_any_exchange_never_makes_the_count_of_charge_less_than_the_charge(tmp_path: Path) -> None:
    """INV-08: at every pass of the next life the worst case is at least the truth, and the record is one whole record."""
    count = exchanges_of(tmp_path / "whole", PROGRAM)
    wrong, allowed = [], 0
    for number, after in moments(count, 23):
        folder = tmp_path / f"{number}-{after}"
        folder.mkdir()
        lived = live(folder, PROGRAM, dies_at=number, after=after, off_after_s=4.0)
        if lived.was_over:
            continue
        assert_sound(lived)
        if lived.state is not State.COMPLETE:
            wrong.append((number, after, lived.state))
        allowed += lived.decisions[0].leave is Leave.ALLOWED and lived.decisions[1].reasons == ONLY_POWER_ON

    assert wrong == []
    assert allowed >= 20


@pytest.mark.parametrize("off_after_s", [0.5, 12.0, 60.0])
def test_a_source_that_stayed_on_after_the_kill_is_charged_for(tmp_path: Path, off_after_s: float) -> None:
    count = exchanges_of(tmp_path / "whole", PROGRAM)
    (tmp_path / "killed").mkdir()
    lived = live(tmp_path / "killed", PROGRAM, dies_at=count // 2, off_after_s=off_after_s, gap_s=off_after_s + 5.0)

    assert_sound(lived)
    before, after = lived.looks[lived.kill_look - 1], lived.looks[lived.kill_look]
    assert after.true_Ah - before.true_Ah >= 0.9 * CURRENT_A * (off_after_s - 1.0) / 3600.0
    assert after.worst_Ah - before.worst_Ah >= (after.true_Ah - before.true_Ah) * (1.0 - READS_WRONG)


def warm_cell() -> object:
    return make_cell("plover", stored_Ah=1.0, ambient_degC=40.0)


def true_gassing_s(lived: Lived) -> float:
    """How long the source truly drove the cell above its threshold, looks apart by at most a period."""
    limit_V = threshold_V(lived.frozen.plan.gassing, 40.0)
    total_s = 0.0
    for before, after in pairwise(lived.looks):
        if before.source_on and before.true_V >= limit_V and after.true_V >= limit_V:
            end_s = after.time_s
            if lived.killed_s is not None and before.time_s <= lived.killed_s < after.time_s:
                end_s = lived.off_s or end_s
            total_s += end_s - before.time_s
    return total_s


def test_gassing_time_and_gas_survive_a_kill_without_decreasing_and_end_the_charge_in_time(tmp_path: Path) -> None:
    """INV-09: counted is never less than true, and the end comes within a period of where it should, less the gap."""
    count = exchanges_of(tmp_path / "whole", GASSES, cell=warm_cell())
    for number, off_after_s in ((count // 2, 2.0), (count - 120, 8.0), (count - 80, 20.0)):
        folder = tmp_path / f"{number}"
        folder.mkdir()
        lived = live(folder, GASSES, dies_at=number, off_after_s=off_after_s, gap_s=40.0, cell=warm_cell())  # type: ignore[arg-type]
        gassing_s, gas_Ah = [look.gassing_s for look in lived.looks], [look.gas_Ah for look in lived.looks]

        assert lived.state is State.COMPLETE
        assert gassing_s == sorted(gassing_s)
        assert gas_Ah == sorted(gas_Ah)
        true_s = true_gassing_s(lived)
        assert true_s > 60.0
        assert gassing_s[-1] >= true_s - ON_DELAY_S - EVERY_S  # the flag's own delay, and where in a period it was crossed
        assert true_s <= GASSING_END_S + EVERY_S + ON_DELAY_S + off_after_s


def test_a_known_gap_is_part_of_a_rest(tmp_path: Path) -> None:
    program = profile(rest("5 min"))
    count = exchanges_of(tmp_path / "whole", program)
    (tmp_path / "killed").mkdir()
    lived = live(tmp_path / "killed", program, dies_at=count // 2, gap_s=60.0)

    assert lived.state is State.COMPLETE
    assert lived.looks[-1].time_s == pytest.approx(300.0, abs=2 * EVERY_S)

"""Each guard is taken out by itself, and the tests that stand for it must go red; each planted bug the same."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable
from pathlib import Path

import pytest

from tests.campaign.registry import seed_of_commit
from tests.faults.knock import Knock, KnockError, altered, knocked_out
from tests.faults.planted import PLANTED
from tests.faults.table import ROWS

TURNS = 6
"""Each commit takes a sixth of all knocks, by its id; with ALL_TURNS in the environment, as `make campaign` sets it, all of them."""


def of_this_turn(names: Iterable[str]) -> list[str]:
    turn = seed_of_commit() % TURNS
    return [name for number, name in enumerate(names) if "ALL_TURNS" in os.environ or number % TURNS == turn]


GROUPS = {"A": 19, "B": 11, "C": 19, "D": 8, "E": 15, "F": 7, "G": 2, "H": 14}
"""How many faults each group of the table has."""
KNOCKS = {f"{row.id}.{number}": knock for row in ROWS for number, knock in enumerate(row.knocks, 1)}


def test_every_fault_has_a_guard_that_can_be_taken_out_or_a_reason() -> None:
    assert [row.id for row in ROWS] == [f"{group}{number}" for group, count in GROUPS.items() for number in range(1, count + 1)]
    assert [row.id for row in ROWS if not row.knocks and not row.left] == []


@pytest.mark.timeout(300)
@pytest.mark.parametrize("name", of_this_turn(KNOCKS))
def test_without_its_guard_its_tests_go_red(name: str, tmp_path: Path) -> None:
    assert "FAILED" in knocked_out(KNOCKS[name], tmp_path)


@pytest.mark.timeout(300)
@pytest.mark.parametrize("name", of_this_turn(PLANTED))
def test_a_planted_bug_turns_a_named_test_red(name: str, tmp_path: Path) -> None:
    assert "FAILED" in knocked_out(PLANTED[name], tmp_path)


def test_twenty_five_bugs_are_planted() -> None:
    assert len(PLANTED) >= 25


def test_an_edit_that_does_not_fit_is_no_proof() -> None:
    with pytest.raises(KnockError, match="2 places"):
        altered("if a:\nif a:\n", Knock("x.py", "if a:", "if b:", ()))


def test_tests_that_do_not_exist_are_no_proof(tmp_path: Path) -> None:
    knock = Knock("chargerd/__main__.py", "", "", ())
    first = Path("chargerd/__main__.py").read_text(encoding="utf-8").splitlines(keepends=True)[0]
    with pytest.raises(KnockError, match=re.escape("tests/no_such_test.py")):
        knocked_out(Knock(knock.file, first, first, ("tests/no_such_test.py",)), tmp_path)


def test_an_edit_that_changes_nothing_leaves_the_tests_green(tmp_path: Path) -> None:
    first = Path("chargerd/__main__.py").read_text(encoding="utf-8").splitlines(keepends=True)[0]
    knock = Knock("chargerd/__main__.py", first, first, ("tests/core/test_states.py",))

    assert knocked_out(knock, tmp_path) == ""

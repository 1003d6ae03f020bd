"""Which interruption stands for what."""

from __future__ import annotations

from chargerd.verdict.resistance import resistances
from tests.verdict.story import Story


def told(*measured: tuple[float, float, bool]) -> Story:
    story = Story()
    for ohm, current_A, accepted in measured:
        story.rest(10.0)
        story.resistance(ohm, current_A=current_A, accepted=accepted)
    return story


def test_first_last_and_the_last_at_a_firm_current() -> None:
    story = told((0.70, 0.15, True), (0.50, 0.15, True), (0.45, 0.08, True), (0.30, 0.03, True))
    found = resistances(story.noted, 0, len(story.samples))

    assert found.first is not None
    assert found.last is not None
    assert found.firm is not None
    assert (found.first.ohm, found.firm.ohm, found.last.ohm, found.accepted) == (0.70, 0.45, 0.30, 4)
    assert (found.firm.after_s, found.firm.end_after_s, found.firm.current_A) == (0.05, 1.0, 0.08)
    assert found.change == 0.30 / 0.70


def test_one_that_was_not_believed_is_counted_and_not_used() -> None:
    story = told((0.70, 0.15, True), (9.0, 0.15, False))
    found = resistances(story.noted, 0, len(story.samples))

    assert found.last is not None
    assert (found.last.ohm, found.accepted, found.refused, found.change) == (0.70, 1, 1, None)


def test_only_those_within_the_rows_asked_for() -> None:
    story = told((0.70, 0.15, True), (0.50, 0.15, True))
    second = story.noted[1].after_seq
    found = resistances(story.noted, second, second)

    assert found.first is not None
    assert (found.first.ohm, found.accepted) == (0.50, 1)


def test_none_at_all() -> None:
    found = resistances((), 0, 10)

    assert (found.first, found.last, found.firm, found.accepted) == (None, None, None, 0)

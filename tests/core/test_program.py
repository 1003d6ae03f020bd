"""Rungs under a ceiling, and finding steps."""

import pytest

from chargerd.core.program import Program, Repeat, resolve_rungs

from .bench_of_one import charge_step, rest_step

RUNGS_V = (1.75, 1.80, 1.85, 1.95, 2.05)


@pytest.mark.parametrize(
    ("ceiling_V", "expected"),
    [
        (1.85, (1.75, 1.80, 1.85)),
        (2.055, (1.75, 1.80, 1.85, 1.95, 2.05)),
        (2.00, (1.75, 1.80, 1.85, 1.95, 2.00)),
        (1.808, (1.75, 1.80)),  # 8 mV above the rung below teaches nothing new
        (1.82, (1.75, 1.80, 1.82)),
        (1.70, (1.70,)),
    ],
)
def test_rungs_above_the_ceiling_become_it_or_are_dropped(ceiling_V, expected):
    assert resolve_rungs(RUNGS_V, ceiling_V) == expected


def test_steps_are_found_by_number_inside_repeats():
    inner = rest_step("2.1")
    program = Program("p", (charge_step("1"), Repeat("2", 3, (inner,))))

    assert program.step("2.1") is inner
    assert [step.number for step in program.steps()] == ["1", "2.1"]
    with pytest.raises(KeyError):
        program.step("3")

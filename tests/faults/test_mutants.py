"""The small changes are those that were meant, and each is Python."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from tests.faults.equivalent import EQUIVALENT
from tests.faults.mutants import mutants
from tests.faults.mutate import TESTS

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.parametrize(
    ("text", "changes"),
    [
        ("x = a <= b", ["a <= b → a < b", "a <= b → a > b"]),
        ("x = a is not b", ["a is not b → a is b"]),
        ("x = a and (b or c)", ["a and (b or c) → (a or (b or c))", "b or c → (b and c)"]),
        ("x = not a", ["not a → (a)"]),
        ("x = True", ["True → False"]),
        ("x = 2.5", ["2.5 → 3.5", "2.5 → 1.5", "2.5 → 5.0"]),
        ("x = 0", ["0 → 1", "0 → (-1)"]),
        ("x = {'a': b, 'c': d}", ["'a' left out", "'c' left out"]),
        ("def f():\n    '''Text.'''\n    x = a\n    return x", ["x = a → pass", "return x → return None"]),
        ("def f():\n    return None", []),
        ("def f(x: Literal[1] = 1): ...", ["1 → 2", "1 → 0"]),
        ("@dataclass(frozen=True)\nclass A:\n    x: int", []),
        ("if __name__ == '__main__':\n    f(1)", []),
        ("x = f'{a:02x} {b + 1}'", []),
        ("x = 'ß' if a > b else c", ["a > b → a >= b", "a > b → a <= b"]),
    ],
)
def test_each_place_is_changed_as_a_hand_would_slip(text: str, changes: list[str]) -> None:
    assert [mutant.change for mutant in mutants(text)] == changes


@pytest.mark.parametrize("module", TESTS)
def test_every_mutant_is_another_text_and_python(module: str) -> None:
    """All of them would take a minute to read: one in ten."""
    text = (ROOT / module).read_text(encoding="utf-8")
    made = mutants(text)

    assert made
    assert text not in {mutant.text for mutant in made}
    assert all(ast.parse(mutant.text) for mutant in made[::10])


def test_what_is_called_equivalent_is_a_mutant_and_has_a_reason() -> None:
    modules = {module for module, _, _ in EQUIVALENT}
    found = {(name, each.where, each.change) for name in modules for each in mutants((ROOT / name).read_text(encoding="utf-8"))}

    assert [key for key in EQUIVALENT if key not in found] == []
    assert all(EQUIVALENT.values())


def test_the_tests_that_are_to_kill_a_mutant_are_there() -> None:
    assert [name for names in TESTS.values() for name in names if not (ROOT / name).is_file()] == []

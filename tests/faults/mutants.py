"""Small changes to one module, as slips of the hand would make them: each is the whole text with one place altered.

Comparisons turned or moved by their boundary, `and` for `or`, a `not` lost, True for False, a number one more, one less or twice,
None returned instead of a value, a statement or a row of a table left out. Annotations, decorators, texts and the module's own names stay as they are.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass

SWAPS: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE), ast.LtE: (ast.Lt, ast.Gt), ast.Gt: (ast.GtE, ast.LtE), ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,), ast.NotEq: (ast.Eq,), ast.Is: (ast.IsNot,), ast.IsNot: (ast.Is,), ast.In: (ast.NotIn,), ast.NotIn: (ast.In,),
}  # fmt: skip
LEFT_OUT = (ast.Expr, ast.Assign, ast.AugAssign, ast.Raise, ast.Break, ast.Continue, ast.Delete)
"""Statements that may be left out, inside a function: outside of one a missing name is no slip that anybody would overlook."""


@dataclass(frozen=True)
class Mutant:
    """One altered text. `line` counts from 1; `where` is that line as it was; `change` says "this → that"."""

    line: int
    where: str
    change: str
    text: str


def mutants(text: str) -> list[Mutant]:
    """Return every mutant of a module's text, in the order of its lines. Raises SyntaxError for a text that is no Python."""
    lines = text.encode().splitlines(keepends=True)
    starts = [0]
    for line in lines:
        starts.append(starts[-1] + len(line))
    whole, made = text.encode(), {}
    for node, new, left_out in _changes(ast.parse(text)):
        assert node.end_lineno is not None
        assert node.end_col_offset is not None
        begin, end = starts[node.lineno - 1] + node.col_offset, starts[node.end_lineno - 1] + node.end_col_offset
        altered = (whole[:begin] + new.encode() + whole[end:]).decode()
        change = f"{' '.join(whole[begin:end].decode().split())} → {new}" if left_out is None else f"{ast.unparse(left_out)} left out"
        line = node.lineno if left_out is None else left_out.lineno
        made.setdefault(altered, Mutant(line, lines[line - 1].decode().strip(), change, altered))
    return sorted(made.values(), key=lambda mutant: mutant.line)


def _changes(tree: ast.Module) -> Iterator[tuple[ast.expr | ast.stmt, str, ast.expr | None]]:
    """Each node that may be altered, what is to stand in its place, and the row of a table that is left out by it, if any."""
    for node, in_function in _nodes(tree, in_function=False):
        if isinstance(node, ast.Compare):
            yield from ((node, new, None) for new in _compared(node))
        elif isinstance(node, ast.BoolOp):
            other = ast.Or() if isinstance(node.op, ast.And) else ast.And()
            yield node, f"({ast.unparse(ast.BoolOp(other, node.values))})", None
        elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
            yield node, f"({ast.unparse(node.operand)})", None
        elif isinstance(node, ast.Dict):
            yield from ((node, *shorter) for shorter in _shortened(node))
        elif isinstance(node, ast.Constant):
            yield from ((node, new, None) for new in _constants(node.value))
        elif isinstance(node, ast.Return) and node.value is not None and ast.unparse(node.value) != "None":
            yield node, "return None", None
        elif in_function and isinstance(node, LEFT_OUT) and not _is_text(node):
            yield node, "pass", None


def _nodes(node: ast.AST, *, in_function: bool) -> Iterator[tuple[ast.AST, bool]]:
    for name, value in ast.iter_fields(node):
        if name in ("annotation", "returns", "decorator_list"):
            continue
        for child in value if isinstance(value, list) else [value]:
            if not isinstance(child, ast.AST) or isinstance(child, ast.JoinedStr) or _is_for_the_shell(child):
                continue
            yield child, in_function
            yield from _nodes(child, in_function=in_function or isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda))


def _is_for_the_shell(node: ast.AST) -> bool:
    """`if __name__ == "__main__":` and `if TYPE_CHECKING:`, which no import runs."""
    return isinstance(node, ast.If) and ast.unparse(node.test) in ("__name__ == '__main__'", "TYPE_CHECKING")


def _is_text(node: ast.stmt) -> bool:
    return isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)


def _compared(node: ast.Compare) -> Iterator[str]:
    for at, op in enumerate(node.ops):
        for other in SWAPS[type(op)]:
            yield ast.unparse(ast.Compare(node.left, [*node.ops[:at], other(), *node.ops[at + 1 :]], node.comparators))


def _shortened(node: ast.Dict) -> Iterator[tuple[str, ast.expr]]:
    for at, key in enumerate(node.keys):
        new = ast.Dict(node.keys[:at] + node.keys[at + 1 :], node.values[:at] + node.values[at + 1 :])
        yield ast.unparse(new), key or node.values[at]


def _constants(value: object) -> list[str]:
    if isinstance(value, bool):
        return [repr(not value)]
    if not isinstance(value, int | float):
        return []
    others = dict.fromkeys(other for other in (value + 1, value - 1, value * 2) if other != value)
    return [repr(other) if other >= 0 else f"({other!r})" for other in others]

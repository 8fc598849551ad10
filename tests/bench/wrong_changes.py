"""Every small wrong change a hand could make in a file: signs, limits, orders, terms, ends, refusals, arguments.

What only names things (docstrings, messages, annotations, decorators) is left as it is.
"""

from __future__ import annotations

import ast
import copy
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

OTHER_OPERATOR: dict[type, list[type]] = {
    ast.Add: [ast.Sub],
    ast.Sub: [ast.Add],
    ast.Mult: [ast.Div],
    ast.Div: [ast.Mult],
    ast.FloorDiv: [ast.Div],
    ast.Pow: [ast.Mult],
    ast.BitAnd: [ast.BitOr],
    ast.BitOr: [ast.BitAnd],
}
OTHER_ORDER: dict[type, list[type]] = {
    ast.Lt: [ast.LtE, ast.Gt],
    ast.LtE: [ast.Lt, ast.GtE],
    ast.Gt: [ast.GtE, ast.Lt],
    ast.GtE: [ast.Gt, ast.LtE],
    ast.Eq: [ast.NotEq],
    ast.NotEq: [ast.Eq],
    ast.Is: [ast.IsNot],
    ast.IsNot: [ast.Is],
    ast.In: [ast.NotIn],
    ast.NotIn: [ast.In],
}
_PAIRS = (
    "min max,minimum maximum,fmin fmax,any all,argmin argmax,floor ceil,logical_and logical_or,nanmin nanmax,sum max"
)
_PAIRS += ",zeros ones,zeros_like ones_like,mean max,first last,left right,cumsum abs,insort append"
OTHER_NAME = {a: b for pair in _PAIRS.split(",") for a, b in (pair.split(), pair.split()[::-1])} | {"max": "min"}
PASSED_ON = {"abs", "sorted", "reversed", "clip", "round", "sqrt", "exp", "log", "cumsum", "flip", "rint", "nan_to_num"}
EITHER_WAY = {"min", "max", "minimum", "maximum", "fmin", "fmax", "hypot", "array_equal", "union1d", "intersect1d"}
NAMES_ONLY = {"strict", "dtype", "doc", "message", "name", "stacklevel", "frozen", "slots", "kw_only", "method"}


@dataclass(frozen=True)
class Change:
    """One text put in place of another: lines and columns as `ast` counts them."""

    kind: str
    line: int
    column: int
    end_line: int
    end_column: int
    now: str

    def made(self, source: str) -> str:
        """Give the source with the change."""
        lines = [line.encode() for line in source.splitlines(keepends=True)]
        first, last = lines[self.line - 1], lines[self.end_line - 1]
        text = first[: self.column] + self.now.encode() + last[self.end_column :]
        return b"".join([*lines[: self.line - 1], text, *lines[self.end_line :]]).decode()


def changes(file: Path) -> list[Change]:
    """Every change of a file, in the order of its lines."""
    found = []
    for node in _meant(ast.parse(file.read_text(encoding="utf-8"))):
        found += [_put(node, kind, other) for kind, other in _others(node)]
        asked = getattr(node, "test", None)
        if isinstance(asked, (ast.Name, ast.Attribute, ast.Call, ast.Subscript)):
            found.append(_put(asked, "turned round", ast.UnaryOp(ast.Not(), asked)))
    return sorted(found, key=lambda c: (c.line, c.column, c.kind, c.now))


def _put(node: ast.AST, kind: str, other: ast.AST) -> Change:
    """Give the change that puts another node in place of one."""
    text = ast.unparse(ast.fix_missing_locations(other))
    if isinstance(node, ast.expr):
        text = f"({text})"
    return Change(kind, node.lineno, node.col_offset, node.end_lineno or 0, node.end_col_offset or 0, text)


def _meant(node: ast.AST) -> Iterator[ast.AST]:
    """Go through what is calculated."""
    yield node
    for name, value in ast.iter_fields(node):
        if name in ("annotation", "returns", "decorator_list", "bases", "exc", "msg", "values_of_text"):
            continue
        for child in value if isinstance(value, list) else [value]:
            if not isinstance(child, ast.AST) or isinstance(child, (ast.JoinedStr, ast.Import, ast.ImportFrom)):
                continue
            if isinstance(child, ast.keyword) and child.arg in NAMES_ONLY:
                continue
            if isinstance(child, ast.Expr) and isinstance(child.value, ast.Constant):
                continue
            if isinstance(child, ast.If) and isinstance(child.test, ast.Name) and child.test.id == "TYPE_CHECKING":
                continue
            yield from _meant(child)


def _with(node: ast.AST, do: Callable[[ast.AST], None]) -> ast.AST:
    other = copy.deepcopy(node)
    do(other)
    return other


def _others(node: ast.AST) -> Iterator[tuple[str, ast.AST]]:
    """What could stand in a node's place."""
    for rule in (_of_sums, _of_orders, _of_numbers, _of_branches, _of_calls, _of_places, _of_statements):
        yield from rule(node)


def _of_sums(node: ast.AST) -> Iterator[tuple[str, ast.AST]]:
    if isinstance(node, ast.BinOp):
        if all(isinstance(n, (ast.BinOp, ast.Add, ast.Name, ast.Load, ast.Constant)) for n in ast.walk(node)):
            names = [n for n in ast.walk(node) if isinstance(n, (ast.Name, ast.Constant))]
            if all(isinstance(n.value, str) if isinstance(n, ast.Constant) else n.id.startswith("_") for n in names):
                return  # texts joined together
        for op in OTHER_OPERATOR.get(type(node.op), []):
            yield "operator", ast.BinOp(node.left, op(), node.right)
        if isinstance(node.op, (ast.Add, ast.Sub, ast.Mult, ast.Div, ast.BitAnd, ast.BitOr)):
            yield "term dropped", node.left
            if isinstance(node.op, (ast.Add, ast.Mult, ast.BitAnd, ast.BitOr)):
                yield "term dropped", node.right
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, (ast.Not, ast.USub, ast.Invert)):
        if not isinstance(node.operand, ast.Constant) or node.operand.value != 1:
            yield "sign", node.operand


def _of_orders(node: ast.AST) -> Iterator[tuple[str, ast.AST]]:
    if isinstance(node, ast.Compare):
        for i, was in enumerate(node.ops):
            for op in OTHER_ORDER.get(type(was), []):
                yield "order", ast.Compare(node.left, [*node.ops[:i], op(), *node.ops[i + 1 :]], node.comparators)
    if isinstance(node, ast.BoolOp):
        yield "and, or", ast.BoolOp(ast.Or() if isinstance(node.op, ast.And) else ast.And(), node.values)
        for i in range(len(node.values)):
            left = node.values[:i] + node.values[i + 1 :]
            yield "condition dropped", left[0] if len(left) == 1 else ast.BoolOp(node.op, left)


def _of_numbers(node: ast.AST) -> Iterator[tuple[str, ast.AST]]:
    if not isinstance(node, ast.Constant):
        return
    if isinstance(node.value, bool):
        yield "truth", ast.Constant(not node.value)
    elif isinstance(node.value, int):
        yield "number", ast.Constant(node.value + 1)
    elif isinstance(node.value, float):
        yield "number", ast.Constant(node.value * 1.5 if node.value else 1.0)
    elif node.value in ("left", "right"):
        yield "side", ast.Constant({"left": "right", "right": "left"}[node.value])


def _of_branches(node: ast.AST) -> Iterator[tuple[str, ast.AST]]:
    if isinstance(node, ast.IfExp):
        yield "branches", ast.IfExp(node.test, node.orelse, node.body)


def _of_calls(node: ast.AST) -> Iterator[tuple[str, ast.AST]]:
    if not isinstance(node, ast.Call):
        return
    func = node.func
    name = func.attr if isinstance(func, ast.Attribute) else func.id if isinstance(func, ast.Name) else ""
    if name in OTHER_NAME:
        if isinstance(func, ast.Attribute):
            yield "function", ast.Call(ast.Attribute(func.value, OTHER_NAME[name], func.ctx), node.args, node.keywords)
        elif name != "sum":
            yield "function", ast.Call(ast.Name(OTHER_NAME[name], func.ctx), node.args, node.keywords)
    if name in PASSED_ON and node.args and not isinstance(node.args[0], (ast.Starred, ast.GeneratorExp)):
        yield "passed on", node.args[0]
    plain = [isinstance(a, (ast.Name, ast.Attribute)) for a in node.args]
    for i in range(len(plain) - 1):
        if plain[i] and plain[i + 1] and name not in EITHER_WAY:
            args = [*node.args[:i], node.args[i + 1], node.args[i], *node.args[i + 2 :]]
            yield "arguments", ast.Call(func, args, node.keywords)


def _of_places(node: ast.AST) -> Iterator[tuple[str, ast.AST]]:
    if not isinstance(node, ast.Subscript):
        return
    if isinstance(node.slice, ast.Slice) and isinstance(node.ctx, ast.Load):
        for end in ("lower", "upper", "step"):
            if getattr(node.slice, end) is not None:
                yield "end", _with(node, lambda n, end=end: setattr(n.slice, end, None))
    ends = {"0": ast.Constant(-1), "-1": ast.Constant(0)}
    if ast.unparse(node.slice) in ends:
        yield "first, last", ast.Subscript(node.value, ends[ast.unparse(node.slice)], node.ctx)


def _of_statements(node: ast.AST) -> Iterator[tuple[str, ast.AST]]:
    if isinstance(node, ast.AugAssign):
        for op in OTHER_OPERATOR.get(type(node.op), []):
            yield "operator", ast.AugAssign(node.target, op(), node.value)
        yield "not done", ast.Pass()
    if isinstance(node, ast.Raise):
        yield "not refused", ast.Pass()
    if isinstance(node, ast.Continue):
        yield "loop", ast.Break()
    if isinstance(node, ast.Break):
        yield "loop", ast.Continue()
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Call):
        yield "not done", ast.Pass()

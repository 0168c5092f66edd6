"""Small faults put into a module one at a time, to see whether the tests notice.

Each fault changes one token's worth of meaning: a comparison, an operator, a number, a bound, or
leaves a check out. What is only words (docstrings, messages, annotations) stays.
"""

from __future__ import annotations

import ast
import copy
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

COMPARISONS: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq, ast.NotEq: ast.Eq, ast.Is: ast.IsNot, ast.IsNot: ast.Is,
    ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
REVERSED: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.Gt, ast.LtE: ast.GtE, ast.Gt: ast.Lt, ast.GtE: ast.LtE
}  # fmt: skip
OPERATORS: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult,
    ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd,
}  # fmt: skip
NAMES = {"min": "max", "max": "min", "any": "all", "all": "any", "floor": "ceil", "ceil": "floor"}
FACTOR = 1.5
"""By which a number with a fraction is changed; a whole number is changed by one."""


@dataclass(frozen=True)
class Mutant:
    """A module with one fault in it."""

    module: str
    line: int
    change: str
    source: str


def mutants_of(file: Path, module: str) -> Iterator[Mutant]:
    """Make every mutant of a module, in the order of its lines."""
    tree = ast.parse(file.read_text("utf-8"))
    sites = [(index, node) for index, node in enumerate(ast.walk(tree)) if node in _code(tree)]
    found = []
    for index, node in sites:
        for change, apply in FAULTS.get(type(node), lambda _: iter(()))(node):
            faulty = copy.deepcopy(tree)
            target = list(ast.walk(faulty))[index]
            apply(target)
            before, after = ast.unparse(node), ast.unparse(ast.fix_missing_locations(target))
            line = getattr(node, "lineno", 0)
            found.append(
                Mutant(module, line, f"{change}: {before} -> {after}"[:140], ast.unparse(faulty))
            )
    return iter(sorted(found, key=lambda mutant: (mutant.line, mutant.change)))


def _code(tree: ast.AST) -> set[ast.AST]:
    """Nodes that do something: no annotations, no words, no decorators."""
    found: set[ast.AST] = set()
    pending = [tree]
    while pending:
        node = pending.pop()
        found.add(node)
        for name, value in ast.iter_fields(node):
            if name in ("annotation", "returns", "decorator_list", "bases") or isinstance(
                node, ast.JoinedStr | ast.Raise | ast.Import | ast.ImportFrom
            ):
                continue
            children = value if isinstance(value, list) else [value]
            pending += [child for child in children if isinstance(child, ast.AST)]
    return found


Fault = tuple[str, Callable[[ast.AST], None]]
"""The sort of a change, and how a node is changed."""


def _of_comparison(node: ast.Compare) -> Iterator[Fault]:
    for place, operator in enumerate(node.ops):
        for table in (COMPARISONS, REVERSED):
            if type(operator) in table:
                yield "compare", _set_operator(place, table[type(operator)])


def _of_operator(node: ast.BinOp) -> Iterator[Fault]:
    if type(node.op) in OPERATORS:
        yield "calculate", _set("op", OPERATORS[type(node.op)]())


def _of_combination(node: ast.BoolOp) -> Iterator[Fault]:
    yield "combine", _set("op", ast.Or() if isinstance(node.op, ast.And) else ast.And())


def _of_sign(node: ast.UnaryOp) -> Iterator[Fault]:
    if isinstance(node.op, ast.USub):
        yield "negate", _set("op", ast.UAdd())
    elif isinstance(node.op, ast.Not):
        yield "negate", _set("operand", ast.UnaryOp(ast.Not(), node.operand))


def _of_constant(node: ast.Constant) -> Iterator[Fault]:
    match node.value:
        case bool(value):
            yield "constant", _set("value", not value)
        case int(value):
            yield "constant", _set("value", value + 1)
        case float(value):
            yield "constant", _set("value", value * FACTOR if value else 1.0)


def _of_name(node: ast.Name) -> Iterator[Fault]:
    if node.id in NAMES:
        yield "bound", _set("id", NAMES[node.id])


def _of_attribute(node: ast.Attribute) -> Iterator[Fault]:
    if node.attr in NAMES:
        yield "bound", _set("attr", NAMES[node.attr])


def _of_call(node: ast.Call) -> Iterator[Fault]:
    if isinstance(node.func, ast.Name) and node.func.id == "abs":
        yield "sign", _set("func", ast.Name("float", ast.Load()))


def _of_statement(node: ast.Expr) -> Iterator[Fault]:
    if isinstance(node.value, ast.Call | ast.YieldFrom):
        yield "left out", _set("value", ast.Constant(value=None))


FAULTS: dict[type[ast.AST], Callable[[Any], Iterator[Fault]]] = {
    ast.Compare: _of_comparison,
    ast.BinOp: _of_operator,
    ast.BoolOp: _of_combination,
    ast.UnaryOp: _of_sign,
    ast.Constant: _of_constant,
    ast.Name: _of_name,
    ast.Attribute: _of_attribute,
    ast.Call: _of_call,
    ast.Expr: _of_statement,
}


def _set(field: str, value: object) -> Callable[[ast.AST], None]:
    return lambda node: setattr(node, field, value)


def _set_operator(place: int, operator: type[ast.cmpop]) -> Callable[[ast.AST], None]:
    def apply(node: ast.AST) -> None:
        assert isinstance(node, ast.Compare)
        node.ops[place] = operator()

    return apply

"""Ways to break a formula: what a tired engineer gets wrong, as changes of one place in the syntax tree."""

from __future__ import annotations

import ast
import copy
import math
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import CodeType

_LINE_OR_PHASE = re.compile(r"voltage|emf|line|phase|resistance|linkage", re.IGNORECASE)
_ANGLE_CALLS = {"radians", "degrees", "deg2rad", "rad2deg"}
_SWAPPED = {"max": "mean", "mean": "max", "sin": "cos", "cos": "sin"}


@dataclass(frozen=True)
class Mutant:
    """One broken formula: ``index`` is the place of the broken node among those of its function, in walking order."""

    path: Path
    function: str
    line: int
    kind: str
    index: int
    before: str
    after: str
    code: CodeType


@dataclass(frozen=True)
class _Change:
    kind: str
    make: Callable[[ast.expr], ast.expr]


def _number(node: ast.expr) -> bool:
    return isinstance(node, ast.Constant) and isinstance(node.value, int | float) and not isinstance(node.value, bool)


def _name(node: ast.expr) -> str:
    if isinstance(node, ast.Name):
        return node.id
    if isinstance(node, ast.Attribute):
        return node.attr
    if isinstance(node, ast.Subscript) and isinstance(node.slice, ast.Constant):
        return str(node.slice.value)
    return ""


def _called(node: ast.expr) -> str:
    return _name(node.func) if isinstance(node, ast.Call) else ""


def _times(node: ast.expr, factor: float) -> ast.expr:
    return ast.BinOp(left=node, op=ast.Mult(), right=ast.Constant(factor))


def _with_operator(node: ast.expr, operator: ast.operator) -> ast.expr:
    assert isinstance(node, ast.BinOp)
    return ast.BinOp(left=node.left, op=operator, right=node.right)


def _with_name(node: ast.expr, name: str) -> ast.expr:
    assert isinstance(node, ast.Call)
    assert isinstance(node.func, ast.Attribute)
    return ast.Call(ast.Attribute(node.func.value, name, ast.Load()), node.args, node.keywords)


def _binary(node: ast.BinOp) -> Iterator[_Change]:
    if isinstance(node.op, ast.Add | ast.Sub):
        other = ast.Sub() if isinstance(node.op, ast.Add) else ast.Add()
        yield _Change("sign", lambda n: _with_operator(n, other))
        yield _Change("dropped term", lambda n: n.left)  # type: ignore[attr-defined]
    elif isinstance(node.op, ast.Mult | ast.Div):
        inverse = ast.Div() if isinstance(node.op, ast.Mult) else ast.Mult()
        yield _Change("inverted", lambda n: _with_operator(n, inverse))
        if _number(node.left) or _number(node.right):
            yield _Change("factor 2", lambda n: _times(n, 2.0))
        if any(_LINE_OR_PHASE.search(_name(side)) for side in (node.left, node.right)):
            yield _Change("line for phase", lambda n: _times(n, math.sqrt(3)))
    elif isinstance(node.op, ast.Pow) and isinstance(node.right, ast.Constant) and node.right.value == 2:
        yield _Change("square dropped", lambda n: n.left)  # type: ignore[attr-defined]


def _changes(node: ast.expr) -> Iterator[_Change]:
    if isinstance(node, ast.BinOp):
        yield from _binary(node)
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub) and not isinstance(node.operand, ast.Constant):
        yield _Change("sign", lambda n: n.operand)  # type: ignore[attr-defined]
    elif isinstance(node, ast.Attribute) and node.attr == "pi":
        yield _Change("degrees for radians", lambda _: ast.Constant(180.0))
    elif _called(node) == "sqrt":
        yield _Change("root dropped", lambda n: n.args[0])  # type: ignore[attr-defined]
    elif _called(node) in _ANGLE_CALLS:
        yield _Change("degrees for radians", lambda n: n.args[0])  # type: ignore[attr-defined]
    elif _called(node) in _SWAPPED and isinstance(node.func, ast.Attribute):  # type: ignore[attr-defined]
        other = _SWAPPED[_called(node)]
        kind = "peak for mean" if other in ("max", "mean") else "quarter turn"
        yield _Change(kind, lambda n: _with_name(n, other))


class _Skip(ast.NodeVisitor):
    """Collects what is no formula: texts, errors, indices, annotations, options of a call."""

    def __init__(self) -> None:
        self.nodes: set[int] = set()

    def _all(self, node: ast.AST | None) -> None:
        if node is not None:
            self.nodes |= {id(inner) for inner in ast.walk(node)}

    def visit_Raise(self, node: ast.Raise) -> None:
        self._all(node)

    def visit_JoinedStr(self, node: ast.JoinedStr) -> None:
        self._all(node)

    def visit_Subscript(self, node: ast.Subscript) -> None:
        self._all(node.slice)
        self.visit(node.value)

    def visit_AnnAssign(self, node: ast.AnnAssign) -> None:
        self._all(node.annotation)
        self.generic_visit(node)

    def visit_arguments(self, node: ast.arguments) -> None:
        self._all(node)

    def visit_Call(self, node: ast.Call) -> None:
        # Sizes of arrays and blocks are no formulae; nor is "text" + "text".
        if _called(node) in {"range", "zeros", "ones", "empty", "full", "linspace", "arange"}:
            self._all(node)
        self.generic_visit(node)

    def visit_BinOp(self, node: ast.BinOp) -> None:
        texts = (ast.JoinedStr, ast.List, ast.Tuple)
        if any(isinstance(s, texts) or (isinstance(s, ast.Constant) and isinstance(s.value, str))
               for s in (node.left, node.right)):  # fmt: skip
            self._all(node)
        self.generic_visit(node)


def _outer_functions(tree: ast.Module) -> Iterator[tuple[str, ast.FunctionDef]]:
    for node in tree.body:
        if isinstance(node, ast.FunctionDef):
            yield node.name, node
        elif isinstance(node, ast.ClassDef):
            for inner in node.body:
                if isinstance(inner, ast.FunctionDef):
                    yield f"{node.name}.{inner.name}", inner


def _code(module: CodeType, qualified: str) -> CodeType:
    waiting = [module]
    while waiting:
        code = waiting.pop()
        if code.co_qualname == qualified:
            return code
        waiting += [constant for constant in code.co_consts if isinstance(constant, CodeType)]
    raise LookupError(qualified)


def _replaced(tree: ast.Module, qualified: str, index: int, change: _Change) -> tuple[str, str]:
    """Change one node of a function in place and return the texts of the expression before and after."""
    function = dict(_outer_functions(tree))[qualified]
    node = list(ast.walk(function))[index]
    for parent in ast.walk(function):
        for name, value in ast.iter_fields(parent):
            place = next((i for i, item in enumerate(value) if item is node), None) if isinstance(value, list) else None
            if value is not node and place is None:
                continue
            before = ast.unparse(node)
            new = ast.fix_missing_locations(ast.copy_location(change.make(copy.copy(node)), node))  # type: ignore[arg-type]
            if place is None:
                setattr(parent, name, new)
            else:
                value[place] = new
            return before, ast.unparse(new)
    raise LookupError(index)


def mutants(path: Path, functions: Callable[[str], bool] = lambda _: True) -> Iterator[Mutant]:
    """Yield every mutant of the functions of a file whose qualified names pass ``functions``."""
    source = path.read_text(encoding="utf-8")
    tree = ast.parse(source)
    for qualified, function in _outer_functions(tree):
        if not functions(qualified):
            continue
        skip = _Skip()
        skip.visit(function)
        for decorator in function.decorator_list:
            skip.nodes |= {id(node) for node in ast.walk(decorator)}
        if function.returns is not None:
            skip.nodes |= {id(node) for node in ast.walk(function.returns)}
        for index, node in enumerate(ast.walk(function)):
            if id(node) in skip.nodes or not isinstance(node, ast.expr):
                continue
            for number, change in enumerate(_changes(node)):
                fresh = ast.parse(source)
                place = list(ast.walk(dict(_outer_functions(fresh))[qualified]))[index]
                again = list(_changes(place))[number]  # type: ignore[arg-type]
                before, after = _replaced(fresh, qualified, index, again)
                code = _code(compile(fresh, str(path), "exec"), qualified)
                yield Mutant(path, qualified, node.lineno, change.kind, index, before, after, code)

"""All small changes of a module, each as the whole text of the changed module.

Types, decorators, docstrings, the wording of errors, and what runs on another system only are left
as they are: no test here could tell.
"""

from __future__ import annotations

import ast
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from .swaps import COMMUTATIVE, NAMES, OPERATORS, OUTPUT, QUIET_CALLS, QUIET_KEYWORDS, STAND_INS

__all__ = ["Mutant", "mutants"]

Change = tuple[ast.AST, str]
"""A piece of the module, and the text that is put in its place."""


@dataclass(frozen=True, slots=True)
class Mutant:
    """One small change.

    Attributes:
        line: Number of the line it begins on.
        text: That line before, without its indent.
        change: ``before -> after``, and which it is where a line's text allows it several times.
        source: The whole changed module.
    """

    line: int
    text: str
    change: str
    source: str


def mutants(source: str) -> list[Mutant]:
    """All changes of a module, top down; each of them parses."""
    lines = source.encode().splitlines(keepends=True)
    starts = [0]
    for line in lines:
        starts.append(starts[-1] + len(line))
    raw, told, found = source.encode(), Counter[tuple[str, str]](), []
    changes = sorted(_changes(ast.parse(source), ""), key=lambda change: _place(change[0]))
    for node, after in changes:
        begin = starts[node.lineno - 1] + node.col_offset
        end = starts[node.end_lineno - 1] + node.end_col_offset
        before = " ".join(raw[begin:end].decode().split())
        text = lines[node.lineno - 1].decode().strip()
        change = f"{before} -> {after}"
        told[text, change] += 1
        if told[text, change] > 1:
            change += f" #{told[text, change]}"
        changed = (raw[:begin] + after.encode() + raw[end:]).decode()
        ast.parse(changed)
        found.append(Mutant(node.lineno, text, change, changed))
    return found


def _place(node: ast.AST) -> tuple[int, int]:
    return node.lineno, node.col_offset


def _changes(node: ast.AST, under: str) -> Iterator[Change]:
    """Changes of a node and of all below it; ``under`` is ``quiet`` where strings are words."""
    if _left_alone(node):
        return
    if isinstance(node, ast.Raise) or (isinstance(node, ast.Call) and _called(node) in QUIET_CALLS):
        under = "quiet"
    for change in _HOW.get(type(node), _nothing)(node):
        if not (under and isinstance(node, ast.Constant) and isinstance(node.value, str)):
            yield change
    for name, value in ast.iter_fields(node):
        if name in ("annotation", "returns", "decorator_list", "bases", "type"):
            continue
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.keyword):
                yield from _changes(child.value, "quiet" if child.arg in QUIET_KEYWORDS else under)
            elif isinstance(child, ast.AST) and not (name == "body" and _elsewhere(node)):
                yield from _changes(child, under)


def _left_alone(node: ast.AST) -> bool:
    if isinstance(node, ast.Assert | ast.Import | ast.ImportFrom | ast.JoinedStr):
        return True
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
        return True  # a docstring
    if isinstance(node, ast.Assign):
        target = ast.unparse(node.targets[0])
        alias = target[0].isupper() and not target.isupper()
        return target in ("__all__", "model_config") or alias or "npt." in ast.unparse(node.value)
    return False


def _elsewhere(node: ast.AST) -> bool:
    """Whether what a condition guards runs on another system."""
    return isinstance(node, ast.If) and ast.unparse(node.test) == "sys.platform == 'win32'"


def _called(node: ast.Call) -> str:
    return ast.unparse(node.func).rpartition(".")[2]


# Changes of one kind of node each.


def _nothing(node: ast.AST) -> Iterator[Change]:
    yield from ()


def _in_brackets(node: ast.AST) -> str:
    return f"({ast.unparse(node)})"


def _compare(node: ast.Compare) -> Iterator[Change]:
    for index, operator in enumerate(node.ops):
        ops = list(node.ops)
        ops[index] = OPERATORS[type(operator)]()
        yield node, _in_brackets(ast.Compare(node.left, ops, node.comparators))


def _bool(node: ast.BoolOp) -> Iterator[Change]:
    yield node, _in_brackets(ast.BoolOp(OPERATORS[type(node.op)](), node.values))


def _unary(node: ast.UnaryOp) -> Iterator[Change]:
    yield node, _in_brackets(node.operand)


def _binary(node: ast.BinOp) -> Iterator[Change]:
    yield node, _in_brackets(ast.BinOp(node.left, OPERATORS[type(node.op)](), node.right))


def _constant(node: ast.Constant) -> Iterator[Change]:
    value = node.value
    if isinstance(value, bool):
        yield node, repr(not value)
    elif isinstance(value, int):
        yield node, repr(value + 1)
    elif isinstance(value, float):
        yield node, repr(value * 1.01 if value else 1.0)
    elif isinstance(value, bytes):
        yield node, repr(value + b"?")
    elif isinstance(value, str) and " " not in value:  # else words for people
        yield node, repr(f"{value}?")


def _name(node: ast.Name) -> Iterator[Change]:
    if node.id in NAMES and isinstance(node.ctx, ast.Load):
        yield node, NAMES[node.id]


def _attribute(node: ast.Attribute) -> Iterator[Change]:
    if node.attr in NAMES:
        yield node, f"{ast.unparse(node.value)}.{NAMES[node.attr]}"


def _call(node: ast.Call) -> Iterator[Change]:
    if _called(node) in STAND_INS:
        yield node, STAND_INS[_called(node)]
        return
    args = node.args
    if len(args) > 1 and not any(isinstance(arg, ast.Starred) for arg in args[:2]):
        swapped = [args[1], args[0], *args[2:]]
        if _called(node) not in COMMUTATIVE and ast.dump(args[0]) != ast.dump(args[1]):
            yield node, ast.unparse(ast.Call(node.func, swapped, node.keywords))
    for index, keyword in enumerate(node.keywords):
        rest = node.keywords[:index] + node.keywords[index + 1 :]
        if keyword.arg not in OUTPUT | QUIET_KEYWORDS - {"remedy"}:
            yield node, ast.unparse(ast.Call(node.func, args, rest))


def _slice(node: ast.Slice) -> Iterator[Change]:
    for part in ("lower", "upper", "step"):
        if getattr(node, part) is not None:
            parts = {name: getattr(node, name) for name in ("lower", "upper", "step")}
            yield node, ast.unparse(ast.Slice(**{**parts, part: None}))


def _condition(node: ast.If | ast.IfExp) -> Iterator[Change]:
    yield node.test, f"(not ({ast.unparse(node.test)}))"


def _comprehension(node: ast.comprehension) -> Iterator[Change]:
    for test in node.ifs:
        yield test, "True"


def _statement(node: ast.stmt) -> Iterator[Change]:
    yield node, "pass"


def _expression(node: ast.Expr) -> Iterator[Change]:
    if isinstance(node.value, ast.Call):
        yield node, "pass"


def _assign(node: ast.Assign) -> Iterator[Change]:
    if all(isinstance(target, ast.Subscript | ast.Attribute) for target in node.targets):
        yield node, "pass"


def _augmented(node: ast.AugAssign) -> Iterator[Change]:
    yield node, "pass"
    yield node, ast.unparse(ast.AugAssign(node.target, OPERATORS[type(node.op)](), node.value))


def _return(node: ast.Return) -> Iterator[Change]:
    if node.value is not None and ast.unparse(node.value) != "None":
        yield node, "return None"


_HOW: dict[type[ast.AST], Callable[..., Iterator[Change]]] = {
    ast.Compare: _compare,
    ast.BoolOp: _bool,
    ast.UnaryOp: _unary,
    ast.BinOp: _binary,
    ast.Constant: _constant,
    ast.Name: _name,
    ast.Attribute: _attribute,
    ast.Call: _call,
    ast.Slice: _slice,
    ast.If: _condition,
    ast.IfExp: _condition,
    ast.comprehension: _comprehension,
    ast.Raise: _statement,
    ast.Delete: _statement,
    ast.Continue: lambda node: iter([(node, "break")]),
    ast.Break: lambda node: iter([(node, "continue")]),
    ast.Expr: _expression,
    ast.Assign: _assign,
    ast.AugAssign: _augmented,
    ast.Return: _return,
}

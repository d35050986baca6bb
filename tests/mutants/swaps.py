"""What is put in whose place: operators, names and numbers that are easily mistaken."""

from __future__ import annotations

import ast

__all__ = [
    "COMMUTATIVE",
    "NAMES",
    "OPERATORS",
    "OUTPUT",
    "QUIET_CALLS",
    "QUIET_KEYWORDS",
    "STAND_INS",
]

OPERATORS: dict[type[ast.AST], type[ast.AST]] = {
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
    ast.And: ast.Or,
    ast.Or: ast.And,
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Mult,
    ast.Pow: ast.Mult,
    ast.LShift: ast.RShift,
    ast.RShift: ast.LShift,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
    ast.BitXor: ast.BitAnd,
}

_PAIRS = (
    ("min", "max"),
    ("any", "all"),
    ("minimum", "maximum"),
    ("floor", "ceil"),
    ("startswith", "endswith"),
    ("upper", "lower"),
    ("LOCK_EX", "LOCK_SH"),
)

NAMES = {
    **{a: b for pair in _PAIRS for a, b in (pair, pair[::-1])},
    "float16": "float32",
    "float32": "float64",
    "float64": "float32",
    "uint8": "uint16",
    "uint16": "uint8",
    "uint32": "uint16",
    "int16": "uint16",
    "isnan": "isinf",
    "isfinite": "isnan",
    "zeros": "ones",
    "bitwise_or": "bitwise_and",
    "rint": "floor",
}

STAND_INS = {"suppress": "suppress()"}
"""Calls that are put in place of others, whatever they were given."""

QUIET_CALLS = {"TypeVar", "cast", "_garbled", "_cut", "_foreign"}
"""Their strings are words for people, or for a type checker."""

QUIET_KEYWORDS = {"description", "summary", "remedy", "what"}
"""So are strings given under these names."""

COMMUTATIVE = {"multiply", "minimum", "maximum", "min", "max", "shares_memory"}
"""Their arguments may stand in either order."""

OUTPUT = {"out"}
"""Keywords that spare memory and change no number."""

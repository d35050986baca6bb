"""What a plugin's parameters are, in words: read from the JSON Schema of their model."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel

from gradeprep.model.documents.plugins import ParameterDocument
from gradeprep.model.exposure import METER_SCHEMA

__all__ = ["described"]

Schema = Mapping[str, Any]

_PLAIN = {
    "number": "number",
    "integer": "whole number",
    "string": "text",
    "boolean": "true or false",
    "object": "mapping",
    "array": "list",
}


def described(model: type[BaseModel]) -> tuple[ParameterDocument, ...]:
    """Each parameter of a model, in the order it stands there."""
    schema = model.model_json_schema()
    required = schema.get("required", [])
    return tuple(
        ParameterDocument(
            name=name,
            type=_words(one, schema.get("$defs", {})),
            required=name in required,
            default=one.get("default"),
            description=one.get("description", ""),
        )
        for name, one in schema.get("properties", {}).items()
    )


def _words(one: Schema, definitions: Mapping[str, Schema]) -> str:
    """What a value may be."""
    if "$ref" in one:
        return _words(definitions[one["$ref"].rpartition("/")[2]], definitions)
    if one == METER_SCHEMA:
        return "{meter: NAME, ...}"
    if "const" in one:
        return str(one["const"])
    if "enum" in one:
        return _either([str(item) for item in one["enum"]])
    for union in ("anyOf", "oneOf", "allOf"):
        if union in one:
            choices = [choice for choice in one[union] if choice.get("type") != "null"]
            return _either([_words(choice, definitions) for choice in choices])
    kind = one.get("type")
    if kind == "array":
        return _list(one, definitions)
    if kind == "object" and "patternProperties" in one:
        return "keys {frame: stops}"
    return f"{_PLAIN.get(str(kind), 'anything')}{_range(one)}"


def _list(one: Schema, definitions: Mapping[str, Schema]) -> str:
    items = one.get("prefixItems") or [one.get("items") or {}]
    kinds = dict.fromkeys(_words(item, definitions) for item in items)
    least, most = one.get("minItems"), one.get("maxItems")
    count = f"{least} x " if least is not None and least == most else ""
    return f"[{count}{_either(list(kinds))}]"


def _either(words: list[str]) -> str:
    words = list(dict.fromkeys(words))
    return f"{', '.join(words[:-1])} or {words[-1]}" if len(words) > 1 else words[0]


def _range(one: Schema) -> str:
    """Ends of a number, as `` 0..1``; an open end stays open."""
    low = next((f"{one[key]:g}" for key in ("minimum", "exclusiveMinimum") if key in one), "")
    high = next((f"{one[key]:g}" for key in ("maximum", "exclusiveMaximum") if key in one), "")
    if not (low or high):
        return ""
    over = "over " if "exclusiveMinimum" in one else ""
    under = "under " if "exclusiveMaximum" in one else ""
    if not high:
        return f", {over or 'from '}{low}"
    return f", {over}{low}..{under}{high}" if low else f", {under or 'up to '}{high}"

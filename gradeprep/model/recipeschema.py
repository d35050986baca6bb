"""The JSON Schema of recipes, with the parameters of stages, meters and checks in it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from pydantic import BaseModel

from gradeprep.errors import PluginError
from gradeprep.model.exposure import METER_SCHEMA
from gradeprep.model.recipe import Kinds, RecipeText

__all__ = ["recipe_schema"]

_DEFS = "#/$defs/"
_METER = "meter"
"""Definition of a wish to have something measured, by any meter."""


def recipe_schema(kinds: Kinds) -> dict[str, Any]:
    """JSON Schema (2020-12) of recipes.

    Args:
        kinds: The plugins whose parameters stand in it; one that does not load is left out.
    """
    schema = RecipeText.model_json_schema()
    definitions = schema["$defs"]
    shot = definitions["ShotSettings"]["properties"]
    shot["stages"]["items"] = {
        "type": "object",
        "minProperties": 1,
        "maxProperties": 1,
        "additionalProperties": False,
        "properties": _schemas(definitions, "stage", kinds.stages),
    }
    shot["checks"] = {
        "type": "object",
        "additionalProperties": False,
        "properties": _schemas(definitions, "check", kinds.checks),
    }
    known = ["source", *kinds.compressions()]
    definitions["OutputAsk"]["properties"]["compression"]["enum"] = known
    meters = _schemas(definitions, _METER, kinds.meters)
    asking = [_asking(name, own) for name, own in meters.items()]
    definitions[_METER] = {"anyOf": asking} if asking else False
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    schema["title"] = "gradeprep recipe"
    return schema


def _schemas(
    definitions: dict[str, Any], kind: str, models: Mapping[str, type[BaseModel]]
) -> dict[str, Any]:
    """Schema of each plugin's parameters; what they refer to goes into the definitions."""
    found = {}
    for name, model in _loaded(models):
        prefix = f"{kind}.{name}."  # two plugins may call their own definitions alike
        own = model.model_json_schema(ref_template=f"{_DEFS}{prefix}{{model}}")
        for inner, definition in own.pop("$defs", {}).items():
            definitions[prefix + inner] = _with_meters(definition)
        if not own.get("required"):
            own["type"] = ["object", "null"]  # a name alone takes all defaults
        found[name] = _with_meters(own)
    return found


def _loaded(models: Mapping[str, type[BaseModel]]) -> Iterator[tuple[str, type[BaseModel]]]:
    for name in models:
        try:
            yield name, models[name]
        except PluginError:
            continue


def _with_meters(schema: Any) -> Any:
    """The schema with the meters that are known in the place of each wish to measure."""
    if schema == METER_SCHEMA:
        return {"$ref": _DEFS + _METER}
    if isinstance(schema, dict):
        return {key: _with_meters(value) for key, value in schema.items()}
    return [_with_meters(value) for value in schema] if isinstance(schema, list) else schema


def _asking(name: str, own: Mapping[str, Any]) -> dict[str, Any]:
    """A wish to have something measured by one meter, with its parameters."""
    wish = dict(METER_SCHEMA["properties"]) | {_METER: {"const": name}}
    return {
        **own,
        "type": "object",
        "properties": {**wish, **own.get("properties", {})},
        "required": [_METER, *own.get("required", [])],
    }

"""What the checking library says of wrong data, in the words of who wrote the data."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator, Mapping
from types import UnionType
from typing import Annotated, Any, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError

from gradeprep.errors import RequestError
from gradeprep.model.lines import KeyPath

__all__ = ["dotted", "filled", "hinted", "nearest", "said"]

M = TypeVar("M", bound=BaseModel)

_PLAIN = {
    "model_type": "must be a mapping of keys",
    "dict_type": "must be a mapping of keys",
    "tuple_type": "must be a list",
    "string_type": "must be text",
    "invalid_key": "a key must be text",
    "bool_type": "must be true or false",
    "bool_parsing": "must be true or false",
    "float_type": "must be a number",
    "float_parsing": "must be a number",
    "int_type": "must be a whole number",
    "int_parsing": "must be a whole number",
    "int_from_float": "must be a whole number",
}
"""What the checking library says of Python's types, in a recipe writer's words."""


def said(
    model: type[BaseModel], data: Any, error: ValidationError
) -> Iterator[tuple[KeyPath, str]]:
    """Each fault once: the key path that the data have it at, and what is wrong there.

    Args:
        model: The model that refused.
        data: What it was given.
        error: What it raised.
    """
    found = set()
    for item in error.errors():
        path = _text_path(data, item["loc"], missing=item["type"] == "missing")
        what = _say(model, item["type"], item, path)
        if (path, what) not in found:
            found.add((path, what))
            yield path, what


def filled(model: type[M], given: Mapping[str, Any], *, key: str) -> M:
    """A plugin's parameters, checked.

    Args:
        model: The plugin's model of them.
        given: Name to value.
        key: What the error names as its place.

    Raises:
        RequestError: With all faults in one line.
    """
    try:
        return model.model_validate(dict(given))
    except ValidationError as error:
        found = said(model, given, error)
        raise RequestError(
            "; ".join(f"{dotted(path)}: {what}" if path else what for path, what in found),
            key=key,
            remedy=f"its parameters are {', '.join(model.model_fields)}",
        ) from error


def dotted(path: KeyPath) -> str:
    """A key path as errors write it: ``shots.quay.stages[0].pull``."""
    text = ""
    for step in path:
        text += f"[{step}]" if isinstance(step, int) and text.endswith("stages") else f".{step}"
    return text.removeprefix(".")


def nearest(name: str, known: Iterable[str]) -> str:
    """A hint at the known names that an unknown one is near to, or at all of them."""
    known = sorted(known)
    close = difflib.get_close_matches(name, known, n=3, cutoff=0.5)
    if close:
        return f"; did you mean {' or '.join(close)}?"
    return f"; known: {', '.join(known)}" if known else ""


def hinted(name: str, known: Iterable[str]) -> str:
    """What to do about a name that is none of the known ones, whatever the case of letters."""
    names = {one.lower(): one for one in known}
    close = difflib.get_close_matches(name.lower(), names, n=3, cutoff=0.4)
    text = ", ".join(repr(names[one]) for one in close or names)
    return f"did you mean {text}?" if close else f"it has {text or 'none'}"


def _text_path(data: Any, loc: tuple[str | int, ...], *, missing: bool) -> KeyPath:
    """Key path as the data have it: pydantic adds steps of its own for unions and keys."""
    path: list[str | int] = []
    for index, step in enumerate(loc):
        there = isinstance(data, Mapping) and step in data
        if there or (isinstance(data, list | tuple) and isinstance(step, int) and step < len(data)):
            data = data[step]
            path.append(step)
        elif missing and index == len(loc) - 1:
            path.append(step)
    return tuple(path)


def _say(model: type[BaseModel], kind: str, item: Mapping[str, Any], path: KeyPath) -> str:
    if kind == "extra_forbidden":
        return f"unknown key '{path[-1]}'{nearest(str(path[-1]), _known(model, item['loc']))}"
    if kind == "missing":
        return "missing"
    message = str(item["msg"]).removeprefix("Value error, ")
    given = item.get("input")
    if kind == "too_short":
        return "must not be empty" if not given else f"has too few entries: {given}"
    if kind in _PLAIN:
        return f"{_PLAIN[kind]}, not {'empty' if given is None else repr(given)}"
    if kind == "value_error" or isinstance(given, dict | list | tuple):
        return message
    return f"{message[0].lower()}{message[1:]}, not '{given}'"


def _known(model: type[BaseModel], loc: tuple[str | int, ...]) -> set[str]:
    """Keys that are known where the last step of a path stands."""
    here: list[Any] = [model]
    for step in loc[:-1]:
        here = [inner for one in here for inner in _below(one, step)] or here
    models = (one for annotation in here for one in _choices(annotation) if _is_model(one))
    return {key for one in models for key in _fields(one)}


def _below(annotation: Any, step: str | int) -> Iterator[Any]:
    """What stands under a key, an index, or a step that names one choice of a union."""
    for one in _choices(annotation):
        if not _is_model(one):
            arguments = [inner for inner in get_args(one) if inner is not Ellipsis]
            yield from arguments[-1:]
        elif one.__name__ == step:
            yield one
        elif step in _fields(one):
            yield _fields(one)[str(step)]


def _choices(annotation: Any) -> Iterator[Any]:
    if get_origin(annotation) in (Union, UnionType, Annotated):
        for inner in get_args(annotation):
            yield from _choices(inner)
    else:
        yield annotation


def _is_model(annotation: Any) -> bool:
    plain = get_origin(annotation) is None and isinstance(annotation, type)
    return plain and issubclass(annotation, BaseModel)


def _fields(model: type[BaseModel]) -> dict[str, Any]:
    return {field.alias or name: field.annotation for name, field in model.model_fields.items()}

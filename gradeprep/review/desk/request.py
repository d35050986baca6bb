"""What a request says, checked as it is read: JSON of a bounded size, text, numbers."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any

from starlette.requests import Request

from gradeprep.errors import RequestError

__all__ = ["BODY", "body", "inner", "share", "text", "whole"]

BODY = 2**20
"""Bytes of the largest request."""


async def body(request: Request) -> dict[str, Any]:
    """The JSON object that a request brings.

    Raises:
        RequestError: It brings something else, or too much.
    """
    if request.headers.get("content-type", "").partition(";")[0].strip() != "application/json":
        raise RequestError("the request must bring JSON (Content-Type: application/json)")
    found = bytearray()
    async for piece in request.stream():
        found += piece
        if len(found) > BODY:
            raise RequestError(f"the request is larger than {BODY >> 10} KiB")
    try:
        data = json.loads(found)
    except (ValueError, RecursionError) as error:
        raise RequestError("the request is not JSON") from error
    if not isinstance(data, dict):
        raise RequestError("the request is no JSON object")
    return data


def text(data: Mapping[str, Any], key: str) -> str:
    """Text under a key; empty where it is left out.

    Raises:
        RequestError: It is something else.
    """
    value = data.get(key, "")
    if not isinstance(value, str):
        raise RequestError("must be text", key=key)
    return value


def whole(data: Mapping[str, Any], key: str, allowed: range | None = None) -> int:
    """A whole number under a key, within a range if there is one.

    Raises:
        RequestError: It is something else, or out of range.
    """
    try:
        value = int(str(data.get(key, "")))
    except ValueError:
        raise RequestError("must be a whole number", key=key) from None
    if allowed is not None and value not in allowed:
        raise RequestError(f"must be from {allowed[0]} to {allowed[-1]}", key=key)
    return value


def share(data: Mapping[str, Any], key: str) -> float:
    """A number from 0 to 1 under a key.

    Raises:
        RequestError: It is something else.
    """
    try:
        value = float(data.get(key, ""))
    except ValueError:
        value = math.nan
    if not 0.0 <= value <= 1.0:
        raise RequestError("must be a number from 0 to 1", key=key)
    return value


def inner(data: Mapping[str, Any], key: str) -> dict[str, Any]:
    """An object under a key; empty where it is left out.

    Raises:
        RequestError: It is something else.
    """
    value = data.get(key, {})
    if not isinstance(value, dict):
        raise RequestError("must be an object", key=key)
    return value

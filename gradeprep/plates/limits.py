"""How large a picture may be: checked before memory is allocated for what a header claims.

The defaults hold any plate that a camera or a renderer makes today. Variables of the
environment move them, so that worker processes and farm nodes follow without a flag:
``GRADEPREP_MAX_SIDE`` in pixels, ``GRADEPREP_MAX_GIB`` in GiB of decoded pixels a file, and
``GRADEPREP_MAX_SECONDS`` that a file may take to be read.
"""

from __future__ import annotations

import math
import os
from collections.abc import Mapping
from dataclasses import dataclass

from gradeprep.errors import CannotCarryError, RequestError

__all__ = ["BYTES", "GIB", "SECONDS", "SIDE", "Limits", "current", "seconds"]

SIDE = "GRADEPREP_MAX_SIDE"
BYTES = "GRADEPREP_MAX_GIB"
SECONDS = "GRADEPREP_MAX_SECONDS"
GIB = 2**30

_PLENTY = 600
"""Seconds that the largest plate takes over a slow network."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Most that one file may hold.

    Attributes:
        side: Pixels of width or height.
        bytes: Bytes of all its pixels, decoded.
    """

    side: int = 32_768
    bytes: int = 16 * GIB

    def check_bytes(self, decoded: int) -> None:
        """Refuse pixels that take more than the limit.

        Args:
            decoded: Bytes that they take in memory.

        Raises:
            CannotCarryError: They do.
        """
        if decoded > self.bytes:
            raise CannotCarryError(
                f"holds {decoded / GIB:.3g} GiB of pixels, the limit is {self.bytes / GIB:.3g} GiB",
                remedy=f"if that is meant, raise {BYTES}",
            )


def current(environment: Mapping[str, str] = os.environ) -> Limits:
    """The limits of this process.

    Raises:
        RequestError: A variable is no number above 0.
    """
    plain = Limits()
    side = _number(environment, SIDE, plain.side)
    return Limits(int(side), int(_number(environment, BYTES, plain.bytes / GIB) * GIB))


def seconds(environment: Mapping[str, str] = os.environ) -> int:
    """Time that one file may take to be read, in whole seconds.

    Raises:
        RequestError: The variable is no number above 0.
    """
    return math.ceil(_number(environment, SECONDS, _PLENTY))


def _number(environment: Mapping[str, str], name: str, default: float) -> float:
    given = environment.get(name, "").strip()
    if not given:
        return default
    try:
        number = float(given)
    except ValueError:
        number = 0.0
    if not 0.0 < number < 2.0**31:
        raise RequestError(f"'{given}' is not a limit", key=name, remedy="give a number above 0")
    return number

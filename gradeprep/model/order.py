"""What is ordered: every number of a decision, as plain data."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict

__all__ = [
    "ARITHMETIC",
    "ColourOrder",
    "LookOrder",
    "Ordered",
    "OutputOrder",
    "StageOrder",
    "Stages",
    "digest_of",
]

ARITHMETIC = 1
"""Raised whenever equal orders would give other pixels than before."""


class Ordered(BaseModel):
    """Base of the ordered side: frozen, no unknown key, no number that JSON lacks."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, defer_build=True)


class StageOrder(Ordered):
    """One stage with its numbers for one frame.

    Attributes:
        stage: Name of the stage plugin.
        numbers: Its numbers, in the units the stage documents (stops for the built-in ones).
    """

    stage: str
    numbers: Mapping[str, float | tuple[float, ...]]

    @property
    def text(self) -> str:
        """Its numbers in one line."""
        parts = []
        for name, value in self.numbers.items():
            values = value if isinstance(value, tuple | list) else (value,)
            text = " ".join(f"{number:+.6g}" for number in values)
            parts.append(text if name == "stops" else f"{name} {text}")
        return ", ".join(parts)


Stages = tuple[StageOrder, ...]
"""The stages of a frame, in the order they are applied."""


class LookOrder(Ordered):
    """The show's look: what pictures of a result are shown with. It decides no pixel.

    Attributes:
        name: Name of a look of the config, or path of a file.
        space: Space that a file takes and gives back; empty for a look of the config.
        sha256: Hash of the file; empty for a look of the config.
    """

    name: str
    space: str = ""
    sha256: str = ""


class ColourOrder(Ordered):
    """The colour decision.

    Attributes:
        config: Path or ``ocio://`` name of the config.
        sha256: Hash of the config's text.
        context: Context variables that the processors used, with their values.
        working: Scene-linear space that the stages work in.
        source: Space of the source plate.
        result: Space of the result.
        files: Files (LUTs) that the processors read, with their hashes.
        look: The show's look, for pictures only.
    """

    config: str
    sha256: str
    context: Mapping[str, str] = {}
    working: str
    source: str
    result: str
    files: Mapping[str, str] = {}
    look: LookOrder | None = None


class OutputOrder(Ordered):
    """What is written.

    Attributes:
        format: Name of a registered format that can be written.
        type: Type of the colour channels: ``half``, ``float``, ``uint32``, ``uint8``,
            ``uint10``, ``uint12``, ``uint16``, or ``source``.
        compression: Name of an EXR compression, ``source``, or ``none``.
        container: ``source``, or ``aces`` (SMPTE ST 2065-4).
        only_colour: Leave out channels and parts that the format cannot hold.
    """

    format: str
    type: str
    compression: str
    container: Literal["source", "aces"] = "source"
    only_colour: bool = False


def digest_of(data: Any) -> str:
    """``sha256:`` and the hash of the data's canonical JSON."""
    text = json.dumps(data, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    return "sha256:" + hashlib.sha256(text.encode("ascii")).hexdigest()

"""Which channels of a file are colour.

Only named colour channels are touched. A layer is written as ``part:layer``: the layer ``diffuse``
holds ``diffuse.R``, ``diffuse.G``, ``diffuse.B`` (or ``.red``, ``.green``, ``.blue``), the empty
layer holds the root's ``R``, ``G``, ``B``, or a lone ``Y``. Without a part's name, the first part
that has the layer is meant. Nothing is ever guessed to be colour.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

__all__ = ["Group", "HasChannels", "find_groups", "looks_like_colour"]

_SETS = (("R", "G", "B"), ("r", "g", "b"), ("red", "green", "blue"), ("Red", "Green", "Blue"))


class HasChannels(Protocol):
    """A part, or the layout of one."""

    @property
    def name(self) -> str:
        """The part's name."""
        ...

    @property
    def channels(self) -> Mapping[str, Any]:
        """Channel name to plane, or to type."""
        ...


@dataclass(frozen=True, slots=True)
class Group:
    """Channels of one part that are processed together.

    Attributes:
        part: Index of the part.
        names: Channel names: three for RGB, one for luminance, one or two where a part holds
            only some of R, G, B.
        kind: ``rgb``, ``luma``, or ``some``.
    """

    part: int
    names: tuple[str, ...]
    kind: str


def find_groups(parts: Sequence[HasChannels], layers: Iterable[str] | None) -> tuple[Group, ...]:
    """Groups of the named layers; without names the root layer of the first part that has one.

    Returns:
        The groups; none when no layer is named and the root has no colour.

    Raises:
        ValueError: A named layer is not there, or is named twice.
    """
    if layers is None:
        for index, part in enumerate(parts):
            group = _group(index, part, "")
            if group is not None:
                return (group,)
        return ()
    found = [_named(parts, text) for text in layers]
    for i, group in enumerate(found):
        if group in found[:i]:
            raise ValueError(f"channels {', '.join(group.names)} are named twice in layers")
    return tuple(found)


def _named(parts: Sequence[HasChannels], text: str) -> Group:
    part_name, colon, layer = text.rpartition(":")
    for index, part in enumerate(parts):
        if colon and part.name != part_name:
            continue
        group = _group(index, part, layer)
        if group is not None:
            return group
    known = ", ".join(f"'{name}'" for name in looks_like_colour(parts)) or "none"
    raise ValueError(f"there is no colour layer '{text}'; layers with R, G, B or Y: {known}")


def _group(index: int, part: HasChannels, layer: str) -> Group | None:
    prefix = f"{layer}." if layer else ""
    best: tuple[str, ...] = ()
    for names in _SETS:
        there = tuple(prefix + name for name in names if prefix + name in part.channels)
        best = max(best, there, key=len)
    if best:
        return Group(index, best, "rgb" if len(best) == 3 else "some")
    luma = prefix + "Y"
    return Group(index, (luma,), "luma") if luma in part.channels else None


def looks_like_colour(parts: Sequence[HasChannels]) -> tuple[str, ...]:
    """Every layer that could be named as colour, as ``part:layer`` where there are parts."""
    found = []
    for index, part in enumerate(parts):
        layers = dict.fromkeys(name.rpartition(".")[0] for name in part.channels)
        for layer in layers:
            group = _group(index, part, layer)
            if group is not None:
                found.append(f"{part.name}:{layer}" if len(parts) > 1 else layer)
    return tuple(found)

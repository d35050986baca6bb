"""What is on disk: a shot's frames, looked at before anything is decided.

Every frame's header is read and its wholeness checked, so that a missing, torn or odd frame is
reported before the first result is written, not after the four-hundredth.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from gradeprep import sidecar
from gradeprep.errors import CannotCarryError, MissingPlateError, SidecarError, UnevenPlateError
from gradeprep.model.frame import Layout, PartLayout
from gradeprep.model.framerange import FrameRange
from gradeprep.model.layers import Group, find_groups, looks_like_colour
from gradeprep.model.pixeltypes import PixelType
from gradeprep.model.recipe import Shot
from gradeprep.pipeline.layouts import Layouts
from gradeprep.plates import files, formats
from gradeprep.plates.sequence import Sequence, find, missing

__all__ = ["Survey", "survey"]


@dataclass(frozen=True, slots=True)
class Survey:
    """A plate as it stands on disk.

    Attributes:
        sequence: Its files.
        frames: The frames asked for.
        layouts: What each of them says about itself.
        groups: Its colour channels.
        layers: The layers they belong to, fully named, as an order has them.
        pulled: Frame number to stops that the frame says were applied before, with the digests
            of the recipes, oldest first; no entry for a fresh frame.
    """

    sequence: Sequence
    frames: FrameRange
    layouts: Mapping[int, Layout]
    groups: tuple[Group, ...]
    layers: tuple[str, ...]
    pulled: Mapping[int, tuple[float, tuple[str, ...]]]

    @property
    def first(self) -> Layout:
        """Layout of the first frame."""
        return self.layouts[self.frames.first]

    @property
    def type(self) -> PixelType:
        """Type of the colour channels; of the first channel where none is colour."""
        if not self.groups:
            return next(iter(self.first.parts[0].channels.values()))
        group = self.groups[0]
        return self.first.parts[group.part].channels[group.names[0]]

    @property
    def types(self) -> tuple[PixelType, ...]:
        """Type of the channels of each colour layer."""
        parts = self.first.parts
        return tuple(parts[group.part].channels[group.names[0]] for group in self.groups)

    @property
    def bytes(self) -> int:
        """Size of all frames asked for."""
        return sum(map(os.path.getsize, map(self.sequence.pattern.text, self.frames)))

    @property
    def left_alone(self) -> tuple[str, ...]:
        """Layers that look like colour and were not named."""
        found = looks_like_colour(self.first.parts)
        return tuple(name for name in found if name not in self.layers)


def survey(shot: Shot, folder: Path) -> Survey:
    """Look at a shot's plate.

    Args:
        shot: The shot; a relative plate is relative to ``folder``.
        folder: Where the recipe stands.

    Raises:
        MissingPlateError: No frame there.
        PlateError: A gap, a torn frame, a frame unlike the others, or one that cannot be carried.
    """
    sequence = find(folder / shot.plate.replace("{shot}", shot.name))
    frames = _frames(shot, sequence)
    layouts = Layouts(frames, map(files.inspect, map(sequence.pattern.text, frames)))
    first = layouts[frames.first]
    for number, layout in layouts.items():
        difference = first.same_shape(layout)
        if difference:
            raise UnevenPlateError(
                difference,
                frame=number,
                file=sequence.path(number),
                remedy="give it a shot of its own, or leave it out with frames",
            )
    try:
        groups = find_groups(first.parts, shot.layers)
    except ValueError as error:
        raise CannotCarryError(
            str(error), file=sequence.path(frames.first), remedy="name a layer the plate has"
        ) from error
    _one_type(first.parts, groups, sequence.path(frames.first))
    pulled = _pulled(sequence, layouts)
    return Survey(sequence, frames, layouts, groups, _layers(first.parts, groups), pulled)


def _frames(shot: Shot, sequence: Sequence) -> FrameRange:
    if shot.frames is None:
        gaps = missing(sequence)
        if gaps:
            raise UnevenPlateError(
                f"frames {gaps} are missing between {sequence.frames.first} and "
                f"{sequence.frames.last}",
                file=str(sequence.pattern),
                remedy=f"bring them, or say which frames are meant: frames {sequence.frames}",
            )
        return sequence.frames
    absent = shot.frames - sequence.frames
    if len(absent) == len(shot.frames):
        raise MissingPlateError(
            f"none of the frames {shot.frames} is there",
            file=str(sequence.pattern),
            remedy=f"the plate has {sequence.frames}",
        )
    if absent:
        raise UnevenPlateError(
            f"frames {absent} are missing",
            file=str(sequence.pattern),
            remedy=f"the plate has {sequence.frames}",
        )
    return shot.frames


def _one_type(parts: tuple[PartLayout, ...], groups: tuple[Group, ...], file: Path) -> None:
    for group in groups:
        part = parts[group.part]
        kinds = {part.channels[name] for name in group.names}
        if len(kinds) > 1:
            raise CannotCarryError(
                f"its colour channels {', '.join(group.names)} are of different types: "
                f"{', '.join(sorted(kinds))}",
                file=file,
                remedy="rewrite the plate with one type for R, G and B",
            )


def _layers(parts: tuple[PartLayout, ...], groups: tuple[Group, ...]) -> tuple[str, ...]:
    layers = []
    for group in groups:
        layer = group.names[0].rpartition(".")[0]
        layers.append(f"{parts[group.part].name}:{layer}" if len(parts) > 1 else layer)
    return tuple(layers)


def _pulled(
    sequence: Sequence, layouts: Mapping[int, Layout]
) -> dict[int, tuple[float, tuple[str, ...]]]:
    """Marks in the files themselves, or (for formats that hold none) in a sidecar beside them."""
    found = {
        number: (layout.pulled, layout.history)
        for number, layout in layouts.items()
        if layout.pulled is not None
    }
    if found or formats.by_name(next(iter(layouts.values())).format).HEADER_MARKS:
        return found
    for path in sidecar.beside(sequence.pattern.folder):
        try:
            document = sidecar.load_filed(path)
        except SidecarError:
            continue  # a stranger's file beside the plate decides nothing
        names = {entry.result: entry for entry in document.frames}
        for number in layouts:
            entry = names.get(sequence.pattern.file(number))
            if entry is not None:
                history = (*entry.history, document.digest)
                found[number] = (entry.before + entry.stops, history)
    return found

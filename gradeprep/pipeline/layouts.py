"""What each frame of a plate says about itself, in little room.

Frames of one plate say nearly all alike, and their timecode counts on from one to the next; so ten
thousand of them are known by as much as two are, as long as the plate is one take.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from gradeprep.model import timecode
from gradeprep.model.frame import Layout
from gradeprep.model.framerange import FrameRange
from gradeprep.model.runlengths import RunLengths

__all__ = ["Layouts"]

_USUAL = 24
"""Labels a second where a file states no rate; a wrong guess costs room and nothing else."""


class Layouts(Mapping[int, Layout]):
    """What every frame says about itself, by frame number.

    Args:
        frames: The frames.
        layouts: What each of them says, in order.
    """

    def __init__(self, frames: FrameRange, layouts: Iterable[Layout]) -> None:
        self._frames = frames
        self._takes = RunLengths(_takes(frames, layouts))

    def __getitem__(self, frame: int) -> Layout:
        if frame not in self._frames:
            raise KeyError(frame)
        return self._takes[bisect_left(self._frames.numbers, frame)].at(frame)

    def __iter__(self) -> Iterator[int]:
        return iter(self._frames)

    def __len__(self) -> int:
        return len(self._frames)


@dataclass(frozen=True, slots=True)
class _Take:
    """What frames say that follow one another: one layout, and a timecode that counts on.

    Attributes:
        layout: What the first of them says, timecode included.
        first: Its number.
    """

    layout: Layout
    first: int

    def at(self, frame: int) -> Layout:
        """What a frame of the take says."""
        if frame == self.first:
            return self.layout
        return replace(self.layout, timecode=self._label(frame))

    def _label(self, frame: int) -> str | None:
        found = self.layout.timecode
        rate = timecode.rate(self.layout.rate or "")
        nominal = _USUAL if rate is None else round(rate)
        start = None if found is None else timecode.count(found, nominal)
        if found is None or start is None:
            return None
        return timecode.label(start + frame - self.first, nominal, drop=";" in found)


def _takes(frames: FrameRange, layouts: Iterable[Layout]) -> Iterator[_Take]:
    """The take of each frame; one that does not go on as the take before it begins its own."""
    take = None
    for frame, layout in zip(frames, layouts, strict=True):
        if take is None or take.at(frame) != layout:
            take = _Take(layout, frame)
        yield take

"""Runs of frames whose timecode counts up with their number.

Over 30 frames a second a label may stand for two frames (SMPTE ST 12-1). Which it is, and which of
the two frames a run starts with, follows from the labels themselves.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from gradeprep.errors import PlateError
from gradeprep.model import timecode
from gradeprep.plates import files
from gradeprep.plates.sequence import Sequence

__all__ = ["Run", "runs_of"]


@dataclass(frozen=True, slots=True)
class Run:
    """Frames whose timecode counts up with their number.

    Attributes:
        count: Frames from 00:00:00:00 to the first of them, at the plate's rate.
        frame: Number of the first of them.
        length: How many numbers the run has.
    """

    count: int
    frame: int
    length: int

    def frames(self, start: int, end: int) -> range:
        """Frame numbers of the counts from ``start`` up to ``end``."""
        first, last = max(start, self.count), min(end, self.count + self.length)
        return range(first - self.count + self.frame, max(first, last) - self.count + self.frame)


def runs_of(
    sequence: Sequence, ends: tuple[str | None, str | None], nominal: int
) -> tuple[Run, ...]:
    """The runs of a plate; empty without timecode.

    Args:
        sequence: Its files.
        ends: Labels of its first and last frame.
        nominal: Frames a second, rounded.
    """
    first, last = ends
    if not first or not last:
        return ()
    numbers = sequence.frames
    length = numbers.last - numbers.first + 1
    drop = ";" in first
    counts = timecode.count(first, nominal), timecode.count(last, nominal)
    pairs = nominal > 30 and nominal % 2 == 0
    if not (pairs and length == 1) and _spans(counts, length - 1, timecode.day(nominal, drop=drop)):
        assert counts[0] is not None
        return (Run(counts[0], numbers.first, length),)
    if pairs and (found := _pairs(sequence, (first, last), nominal, length)):
        return found
    labels = {frame: _label(sequence.path(frame)) for frame in numbers}
    known = {frame: label for frame, label in labels.items() if label}
    tries = [_plain(known, nominal)]
    tries += [_paired(known, nominal // 2)] if pairs else []
    return min(tries, key=len)


def _spans(counts: tuple[int | None, int | None], steps: int, day: int) -> bool:
    """Whether two counts are so many steps apart, over midnight too."""
    first, last = counts
    return first is not None and last is not None and (last - first - steps) % day == 0


def _pairs(sequence: Sequence, ends: tuple[str, str], nominal: int, length: int) -> tuple[Run, ...]:
    half = nominal // 2
    counts = timecode.count(ends[0], half), timecode.count(ends[1], half)
    following = sequence.path(sequence.frames.first + 1)
    if counts[0] is None or (length > 1 and not following.is_file()):
        return ()
    late = length > 1 and _label(following) != ends[0]
    if not _spans(counts, (length - 1 + late) // 2, timecode.day(half, drop=";" in ends[0])):
        return ()
    return (Run(2 * counts[0] + late, sequence.frames.first, length),)


def _label(path: Path) -> str | None:
    try:
        return files.inspect(path).timecode
    except PlateError:
        return None  # the plan reports a torn frame, if it is used


def _plain(labels: Mapping[int, str], nominal: int) -> tuple[Run, ...]:
    """Runs of a plate whose labels count frames."""
    counts = {frame: timecode.count(label, nominal) for frame, label in labels.items()}
    return _split({frame: count for frame, count in counts.items() if count is not None})


def _paired(labels: Mapping[int, str], half: int) -> tuple[Run, ...]:
    """Runs of a plate whose labels count pairs of frames."""
    known = [
        (frame, count)
        for frame, label in labels.items()
        if (count := timecode.count(label, half)) is not None
    ]
    counts: dict[int, int] = {}
    for place, (frame, count) in enumerate(known):
        before = known[place - 1][0] if place else None
        expected = None if before is None else counts[before] + frame - before
        if expected is None or expected // 2 != count:  # a run starts, with either of its pair
            late = known[place + 1 : place + 2] == [(frame + 1, count + 1)]
            expected = 2 * count + late
        counts[frame] = expected
    return _split(counts)


def _split(counts: Mapping[int, int]) -> tuple[Run, ...]:
    """Runs of frames whose counts go up with their numbers."""
    known = list(counts.items())
    starts = [0]
    for place, ((frame, count), (after, next_count)) in enumerate(pairwise(known), 1):
        if next_count - count != after - frame:
            starts.append(place)
    ends = [place - 1 for place in starts[1:]] + [len(known) - 1]
    return tuple(
        Run(known[begin][1], known[begin][0], known[end][0] - known[begin][0] + 1)
        for begin, end in zip(starts, ends, strict=True)
        if known
    )

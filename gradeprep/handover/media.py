"""A shot's frames as counts at their exact rate: what a timeline calls the time of its media."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

from gradeprep.errors import RequestError
from gradeprep.model import timecode
from gradeprep.model.shot import ShotDocument

__all__ = ["Media", "media_of"]


@dataclass(frozen=True, slots=True)
class Media:
    """How the frames of a shot are counted.

    Attributes:
        rate: Frames a second, exact.
        first: Number of the first frame.
        last: Number of the last one.
        origin: Count of the first frame: from 00:00:00:00 by its timecode, else its number.
        drop: Whether its labels are drop-frame (SMPTE ST 12-1).
        note: What a reader of the counts must know; empty where all is plain.
    """

    rate: Fraction
    first: int
    last: int
    origin: int
    drop: bool = False
    note: str = ""

    @property
    def length(self) -> int:
        """Frames from the first to the last."""
        return self.last - self.first + 1

    def count(self, frame: int) -> int:
        """Count of a frame number."""
        return self.origin + frame - self.first

    def label(self, frame: int) -> str:
        """Label of a frame number, one a frame."""
        return timecode.label(self.count(frame), round(self.rate), drop=self.drop)


def media_of(record: ShotDocument, asked: str | None) -> Media:
    """The counting of a shot.

    Args:
        record: Its sidecar's content.
        asked: Rate where the plate states none.

    Raises:
        RequestError: No rate is given, or what is given is none.
    """
    found = record.result.rate or record.source.rate or asked
    rate = timecode.rate(found or "")
    if rate is None:
        what = "its plate states no rate" if found is None else f"'{found}' is no rate"
        raise RequestError(what, shot=record.shot, key="--rate", remedy="say it: --rate 24000/1001")
    frames = [frame.number for frame in record.frames]
    first, last = frames[0], frames[-1]
    times = {frame.number: frame.finished.timecode for frame in record.frames}
    labels = {number: label for number, label in times.items() if label}
    if not labels:
        note = "no timecode: its frames are counted by their numbers"
    elif len(labels) < len(frames):
        note = "frames without timecode among its frames: they are counted by their numbers"
    elif broken := timecode.breaks(labels, rate):
        note = f"its timecode jumps at frame {next(iter(broken))}: counted by frame numbers"
    else:
        origin = _origin(labels, round(rate))
        return Media(rate, first, last, origin, drop=";" in labels[first])
    return Media(rate, first, last, first, note=note)


def _origin(labels: Mapping[int, str], nominal: int) -> int:
    """Count of the first frame of labels without a break; over 30 a second, maybe of pairs."""
    first, last = min(labels), max(labels)
    drop = ";" in labels[first]
    start, end = (timecode.count(labels[frame], nominal) for frame in (first, last))
    day = timecode.day(nominal, drop=drop)
    if start is not None and end is not None and (end - start - (last - first)) % day == 0:
        return start
    late = labels.get(first + 1, labels[first]) != labels[first]
    pair = timecode.count(labels[first], nominal // 2)
    assert pair is not None, "labels without a break are labels of the rate, or of half of it"
    return 2 * pair + late

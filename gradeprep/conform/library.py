"""The plates of a folder, with what they can be found by: reels, names, timecode."""

from __future__ import annotations

import os
import re
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from functools import cached_property
from itertools import pairwise
from pathlib import Path

from gradeprep.conform.timeline import name_of_path
from gradeprep.errors import GradeprepError, MissingPlateError, PlateError
from gradeprep.model import timecode
from gradeprep.model.documents.conform import Remark
from gradeprep.model.frame import Layout
from gradeprep.plates import files
from gradeprep.plates.sequence import Sequence, plates_in

__all__ = ["Library", "Plate", "Run", "find_plates", "names_of"]

_EXTENSION = re.compile(r"\.[A-Za-z][A-Za-z0-9]{1,4}\Z")
_FRAMES = re.compile(r"(?:[._ -]?(?:\[\d+-\d+\]|#+|@+|%0?\d*d)|\.\d+)\Z")


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


@dataclass(frozen=True)
class Plate:
    """A plate and what it can be found by.

    Attributes:
        files: Its files.
        first: What its first frame says about itself.
        last: What its last frame says.
        own: Names of its files, in all the forms that a timeline may use.
        folder: Name of its folder; empty where that is the folder searched.
    """

    files: Sequence
    first: Layout
    last: Layout
    own: frozenset[str]
    folder: str
    _runs: dict[int, tuple[Run, ...]] = field(default_factory=dict, compare=False, repr=False)

    @cached_property
    def rate(self) -> Fraction | None:
        """Frames a second, exact, if the files tell."""
        return timecode.rate(self.first.rate or "")

    @cached_property
    def reels(self) -> frozenset[str]:
        """Reels and tapes that its header tells, case aside."""
        return frozenset(name for reel in self.first.reels for name in names_of(reel))

    @cached_property
    def names(self) -> frozenset[str]:
        """Names of files and folder, case aside."""
        return self.own | names_of(self.folder)

    @property
    def drop(self) -> bool | None:
        """Whether its labels are drop-frame; None without labels."""
        return None if self.first.timecode is None else ";" in self.first.timecode

    def __str__(self) -> str:
        return self.files.pattern.name

    def runs(self, nominal: int) -> tuple[Run, ...]:
        """Its timecode at so many labels a second; none where it has none.

        Over 30 a second a label may stand for two frames (SMPTE ST 12-1); the counts are of
        frames all the same. The frames between the ends are opened only where the ends do not
        agree with each other.
        """
        if nominal not in self._runs:
            self._runs[nominal] = self._read_runs(nominal)
        return self._runs[nominal]

    def _read_runs(self, nominal: int) -> tuple[Run, ...]:
        numbers = self.files.frames
        ends = {numbers.first: self.first.timecode, numbers.last: self.last.timecode}
        told = {frame: label for frame, label in ends.items() if label}
        if len(told) < len(ends):
            return ()
        found = self._plain(told, nominal)
        return found or tuple(_broken(self._labels(), nominal))

    def _plain(self, ends: Mapping[int, str], nominal: int) -> tuple[Run, ...]:
        numbers = self.files.frames
        length = numbers.last - numbers.first + 1
        first, last = (timecode.count(ends[frame], nominal) for frame in (min(ends), max(ends)))
        if first is None or last is None or last - first != length - 1:
            return self._pairs(ends, nominal, length)
        if length == 1 and nominal > 30:
            return self._pairs(ends, nominal, length) or (Run(first, numbers.first, length),)
        return (Run(first, numbers.first, length),)

    def _pairs(self, ends: Mapping[int, str], nominal: int, length: int) -> tuple[Run, ...]:
        if nominal <= 30 or nominal % 2:
            return ()
        half = nominal // 2
        first, last = (timecode.count(ends[frame], half) for frame in (min(ends), max(ends)))
        if first is None or last is None:
            return ()
        following = self.files.path(self.files.frames.first + 1)
        late = length > 1 and following.is_file() and _label(following) != self.first.timecode
        if (length - 1 + late) // 2 != last - first:
            return ()
        return (Run(2 * first + late, self.files.frames.first, length),)

    def _labels(self) -> dict[int, str]:
        told = {frame: _label(self.files.path(frame)) for frame in self.files.frames}
        return {frame: label for frame, label in told.items() if label}


def _label(path: Path) -> str | None:
    try:
        return files.inspect(path).timecode
    except PlateError:
        return None  # the plan tells of a torn frame, where it is used


def _broken(labels: Mapping[int, str], nominal: int) -> Iterator[Run]:
    """Runs of a plate whose timecode jumps."""
    counts = {frame: timecode.count(label, nominal) for frame, label in labels.items()}
    known = [(frame, count) for frame, count in counts.items() if count is not None]
    begin = 0
    for place, ((frame, count), (after, next_count)) in enumerate(pairwise(known), 1):
        if next_count - count != after - frame:
            yield Run(known[begin][1], known[begin][0], frame - known[begin][0] + 1)
            begin = place
    if known:
        yield Run(known[begin][1], known[begin][0], known[-1][0] - known[begin][0] + 1)


def names_of(text: str) -> frozenset[str]:
    """Forms of a name that mean the same: without folder, extension, frame number, case.

    >>> sorted(names_of("plates/Quay_0100.[1001-1048].exr"))
    ['quay_0100', 'quay_0100.[1001-1048]', 'quay_0100.[1001-1048].exr']
    """
    name = name_of_path(text).casefold()
    bare = _EXTENSION.sub("", name)
    return frozenset(filter(None, (name, bare, _FRAMES.sub("", bare).rstrip("._- "))))


@dataclass(frozen=True)
class Library:
    """All plates below a folder.

    Attributes:
        plates: The plates, in the order of their paths.
        remarks: Plates that were left out, with the reason.
    """

    plates: tuple[Plate, ...]
    remarks: tuple[Remark, ...]

    @cached_property
    def once(self) -> Mapping[str, int]:
        """How many plates have a file name; a shot is called by it where it is the only one."""
        return Counter(plate.files.pattern.head.casefold() for plate in self.plates)


def find_plates(folder: Path) -> Library:
    """Plates in a folder and all folders below it, hidden ones left out.

    Raises:
        MissingPlateError: There is no plate.
    """
    plates: list[Plate] = []
    remarks: list[Remark] = []

    def leave_out(what: str) -> None:
        remarks.append(Remark(severity="warn", what=what))

    for below in _folders(folder, leave_out):
        for sequence in plates_in(below):
            try:
                plates.append(_plate(sequence, folder))
            except GradeprepError as error:
                leave_out(f"plate left out: {error}")
    if not plates:
        what = "no plate is there" if folder.is_dir() else "there is no such folder"
        raise MissingPlateError(what, file=folder, remedy="name the folder that holds the plates")
    return Library(tuple(plates), tuple(remarks))


def _folders(root: Path, leave_out: Callable[[str], None]) -> Iterator[Path]:
    """A folder and those below it, through links too, each once."""

    def unreadable(error: OSError) -> None:
        if Path(error.filename) != root:
            leave_out(f"folder left out: {error.filename}: {error.strerror}")

    seen: set[str] = set()
    for below, folders, _ in os.walk(root, followlinks=True, onerror=unreadable):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        real = os.path.realpath(below)
        if real in seen:
            folders.clear()
            continue
        seen.add(real)
        yield Path(below)


def _plate(sequence: Sequence, root: Path) -> Plate:
    pattern = sequence.pattern
    first = files.inspect(sequence.path(sequence.frames.first))
    last = files.inspect(sequence.path(sequence.frames.last)) if len(sequence.frames) > 1 else first
    own = names_of(pattern.name) | names_of(pattern.head.rstrip("._- "))
    folder = "" if pattern.folder == root else pattern.folder.name
    return Plate(sequence, first, last, own, folder)

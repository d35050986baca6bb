"""The plates of a folder, and what identifies them: reels, names, folders, timecode."""

from __future__ import annotations

import os
import re
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from fnmatch import fnmatchcase
from fractions import Fraction
from functools import cached_property
from pathlib import Path

from gradeprep.conform.names import folded, names_of, rolls_of, unversioned
from gradeprep.conform.runs import Run, runs_of
from gradeprep.errors import GradeprepError, MissingPlateError
from gradeprep.model import timecode
from gradeprep.model.documents.conform import Remark
from gradeprep.model.frame import Layout
from gradeprep.plates import files
from gradeprep.plates.sequence import Sequence, plates_in

__all__ = ["Library", "Plate", "find_plates", "matches"]

_VERSION = re.compile(r"(?:^|[/._ -])v(\d+)(?=[/._ -]|$)", re.IGNORECASE)
_CUT = 8  # characters that an edit decision list keeps of a reel


@dataclass(frozen=True)
class Plate:
    """A plate and what identifies it.

    Attributes:
        files: Its files.
        first: Header of its first frame.
        last: Header of its last frame.
        own: Names of its files, in all forms that a timeline may use.
        folders: Names of the folders between the folder searched and its files, nearest first.
    """

    files: Sequence
    first: Layout
    last: Layout
    own: frozenset[str]
    folders: tuple[str, ...] = ()
    _runs: dict[int, tuple[Run, ...]] = field(default_factory=dict, compare=False, repr=False)

    @cached_property
    def rate(self) -> Fraction | None:
        """Frames a second, exact, if the files give it."""
        return timecode.rate(self.first.rate or "")

    @cached_property
    def reels(self) -> frozenset[str]:
        """Reels and tapes in its header, case aside."""
        return frozenset(name for reel in self.first.reels for name in names_of(reel))

    @cached_property
    def above(self) -> frozenset[str]:
        """Names of the folders above its files, case aside."""
        return frozenset(name for folder in self.folders for name in names_of(folder))

    @cached_property
    def path(self) -> str:
        """Its path below the folder searched, in one Unicode form."""
        return "/".join((*map(folded, reversed(self.folders)), folded(self.files.pattern.name)))

    @property
    def below(self) -> str:
        """Its path below the folder searched, as the disk has it."""
        return "/".join((*reversed(self.folders), self.files.pattern.name))

    @property
    def states_reel(self) -> bool:
        """Whether its header has a field for the reel alone, as EXR does.

        DPX has an input device and a source file, which identify a plate but contradict no reel.
        """
        return self.first.format == "exr" and bool(self.reels)

    @property
    def version(self) -> int:
        """The last version number in its path; -1 without one."""
        found = _VERSION.findall(self.path)
        return int(found[-1]) if found else -1

    @property
    def drop(self) -> bool | None:
        """Whether its labels are drop-frame; None without labels."""
        return None if self.first.timecode is None else ";" in self.first.timecode

    def __str__(self) -> str:
        return self.files.pattern.name

    def runs(self, nominal: int) -> tuple[Run, ...]:
        """Its timecode at so many labels a second; empty if it has none.

        Over 30 a second a label may stand for two frames (SMPTE ST 12-1); counts are of frames.
        Frames between the ends are opened only if the ends do not agree with each other.
        """
        if nominal not in self._runs:
            ends = (self.first.timecode, self.last.timecode)
            self._runs[nominal] = runs_of(self.files, ends, nominal)
        return self._runs[nominal]


class _Index:
    """Plates by each form of a name, in the order of the library."""

    def __init__(self, plates: Iterable[Plate], forms: Callable[[Plate], Iterable[str]]) -> None:
        self._plates: defaultdict[str, list[Plate]] = defaultdict(list)
        for plate in plates:
            for form in dict.fromkeys(forms(plate)):
                self._plates[form].append(plate)

    def of(self, forms: Iterable[str]) -> list[Plate]:
        """Plates with any of these forms, each once."""
        found = {id(plate): plate for form in forms for plate in self._plates.get(form, ())}
        return list(found.values())


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
    def heads(self) -> Mapping[str, list[Plate]]:
        """Plates by file name; a shot takes its folder's name if another plate has its own."""
        found: defaultdict[str, list[Plate]] = defaultdict(list)
        for plate in self.plates:
            found[folded(plate.files.pattern.head)].append(plate)
        return found

    @cached_property
    def reels(self) -> _Index:
        """By reel of the header."""
        return _Index(self.plates, lambda plate: plate.reels)

    @cached_property
    def own(self) -> _Index:
        """By file name."""
        return _Index(self.plates, lambda plate: plate.own)

    @cached_property
    def above(self) -> _Index:
        """By folder name."""
        return _Index(self.plates, lambda plate: plate.above)

    @cached_property
    def rolls(self) -> _Index:
        """By the beginning of a reel or file name that may name its roll."""
        return _Index(
            self.plates,
            lambda plate: (roll for name in plate.reels | plate.own for roll in rolls_of(name)),
        )

    @cached_property
    def cut(self) -> _Index:
        """By the first eight characters of a longer reel, file or folder name."""
        return _Index(
            self.plates,
            lambda plate: (
                name[:_CUT] for name in plate.reels | plate.own | plate.above if len(name) > _CUT
            ),
        )

    @cached_property
    def unversioned(self) -> _Index:
        """By file name without its version."""
        return _Index(
            self.plates,
            lambda plate: (bare for name in plate.own if (bare := unversioned(name)) != name),
        )


def matches(plate: Plate, pattern: str) -> bool:
    """Whether a shell pattern fits a plate's path, file name, or one of its folders."""
    wanted = folded(pattern)
    return any(fnmatchcase(text, wanted) for text in (plate.path, *plate.path.split("/")))


def find_plates(folder: Path, exclude: Iterable[str] = ()) -> Library:
    """Plates in a folder and all folders below it, hidden ones left out.

    Args:
        folder: Where to search.
        exclude: Shell patterns of paths, files or folders to leave out.

    Raises:
        MissingPlateError: There is no plate.
    """
    patterns = [folded(pattern) for pattern in exclude]
    plates: list[Plate] = []
    remarks: list[Remark] = []

    def leave_out(what: str) -> None:
        remarks.append(Remark(severity="warn", what=what))

    for below in _folders(folder, leave_out):
        for sequence in plates_in(below):
            path = folded(
                (sequence.pattern.folder / sequence.pattern.name).relative_to(folder).as_posix()
            )
            texts = (path, *path.split("/"))
            if any(fnmatchcase(text, pattern) for text in texts for pattern in patterns):
                continue
            try:
                plates.append(_plate(sequence, folder))
            except GradeprepError as error:
                leave_out(f"plate left out: {error}")
    if not plates:
        what = "no plate found" if folder.is_dir() else "no such folder"
        raise MissingPlateError(what, file=folder, remedy="name the folder that holds the plates")
    return Library(tuple(plates), tuple(remarks))


def _folders(root: Path, leave_out: Callable[[str], None]) -> Iterator[Path]:
    """A folder and all below it, links followed, each once."""

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
    folders = tuple(reversed(pattern.folder.relative_to(root).parts))
    return Plate(sequence, first, last, own, folders)

"""Plates on disk: which files are the frames of a shot, and what each of them is called.

The frame token is part of the file's name: ``####`` is at least four digits; ``@@@@`` and ``%04d``
mean the same. So 0999 and 1000 are one plate, and so are 99 and 100 under ``##``.

Without a token, the frame number is the last thing before the extension (``quay.1001.exr``,
``quay_1001.exr``, ``quay1001.exr``; ``quay.-0005.exr`` is frame -5). A version (``quay_v02.exr``)
or a size (``2048x1080.exr``) is no frame number.

Hidden files and ``*.tmp`` are never frames; that includes results that are still being written.
"""

from __future__ import annotations

import os
import re
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import chain, pairwise
from pathlib import Path

from gradeprep.errors import MissingPlateError, RequestError, UnevenPlateError
from gradeprep.model.framerange import FrameRange, Numbers
from gradeprep.plates.formats import READABLE

__all__ = ["IMAGES", "Pattern", "Sequence", "find", "missing", "plates_in"]

IMAGES = READABLE
"""Extensions, in either case, that are taken for frames where a whole folder is named."""

_ENDS = tuple(f".{extension}" for extension in IMAGES)
_TOKEN = re.compile(r"#+|@+|%(?:0(?P<width>[1-9][0-9]?))?d")
_DIGITS = r"[0-9]{1,15}"
_MINUS = r"-(?=0*[1-9])"
# The minus sign counts only behind a dot, an underscore or nothing; elsewhere a dash divides.
_NUMBER = re.compile(rf"(?:(?<![^._]){_MINUS})?(?<![0-9]){_DIGITS}\Z")
_NO_FRAME = re.compile(r"(?:(?:^|[\W_])[vV]|[0-9][xX])\Z")  # what stands before a version or a size
_SHOWN = 4  # plates listed in an error


@dataclass(frozen=True, slots=True)
class Pattern:
    """The names of a plate's files.

    Attributes:
        folder: Where they are.
        head: What stands before the frame number; the whole name where there is none.
        width: Least number of digits; 0 where the name holds no frame number.
        tail: What follows the frame number, extension included.
    """

    folder: Path
    head: str
    width: int = 0
    tail: str = ""

    @classmethod
    def parse(cls, text: str | Path) -> Pattern:
        """Pattern of ``quay.####.exr``, ``quay.@@@@.exr``, ``quay.%04d.exr``, or of a plain file.

        Raises:
            RequestError: There is no file name, or more than one frame token in it.
        """
        path = Path(text)
        if not path.name or "\0" in str(text):
            raise RequestError(
                "not the name of a file", remedy="write it as quay.####.exr", file=text
            )
        tokens = list(_TOKEN.finditer(path.name))
        if not tokens:
            return cls(path.parent, path.name)
        if len(tokens) > 1:
            raise RequestError(
                f"{len(tokens)} frame tokens ({', '.join(token[0] for token in tokens)}) in a name",
                remedy="leave one, as in quay.####.exr",
                file=text,
            )
        token = tokens[0]
        width = int(token["width"] or 1) if token[0].startswith("%") else len(token[0])
        return cls(path.parent, path.name[: token.start()], width, path.name[token.end() :])

    @property
    def token(self) -> str:
        """The frame token in its canonical form, ``####``; empty for a plain file."""
        return "#" * self.width

    @property
    def name(self) -> str:
        """The pattern without its folder."""
        return f"{self.head}{self.token}{self.tail}"

    def __str__(self) -> str:
        return str(self.folder / self.name)

    def file(self, frame: int) -> str:
        """Name of that frame's file; -0005 under four digits. A plain file has its own."""
        number = _digits(frame, self.width) if self.width else ""
        return f"{self.head}{number}{self.tail}"

    def path(self, frame: int) -> Path:
        """Path of that frame's file."""
        return self.folder / self.file(frame)

    def text(self, frame: int) -> str:
        """``str(path(frame))``: a Path for every frame of a plate is slow."""
        return os.path.join(*self.folder.parts, self.file(frame))  # noqa: PTH118


@dataclass(frozen=True, slots=True)
class Sequence:
    """A plate on disk.

    Attributes:
        pattern: Names of its files.
        frames: Frames that are there. A plain file without a frame number is frame 1.
    """

    pattern: Pattern
    frames: FrameRange

    def __str__(self) -> str:
        return f"{self.pattern.name} ({self.frames})" if self.pattern.width else self.pattern.name

    def path(self, frame: int) -> Path:
        """File of that frame, whether it is there or not."""
        return self.pattern.path(frame)


def find(text: str | Path) -> Sequence:
    """The plate that a text names: a pattern, one file, or a folder that holds one plate.

    One file is a plate of that frame alone, whatever stands beside it. In a folder, only `IMAGES`
    count. Other case is another file.

    Raises:
        MissingPlateError: Nothing is there.
        RequestError: The text is no pattern, the folder holds more than one plate or cannot be
            read, or two files are the same frame (0010 and 10).
    """
    try:
        return _find(text)
    except (FileNotFoundError, NotADirectoryError) as error:
        raise MissingPlateError(
            "its folder does not exist", remedy="correct the path, or mount the disk", file=text
        ) from error
    except OSError as error:
        raise RequestError(
            f"it cannot be read ({error.strerror})", remedy="check its permissions", file=text
        ) from error


def missing(sequence: Sequence) -> FrameRange:
    """Frames between the first and the last of a plate that are not on disk.

    Raises:
        UnevenPlateError: There are more of them than a frame range may hold.
    """
    try:
        return sequence.frames.gaps()
    except ValueError as error:
        raise UnevenPlateError(
            str(error), remedy="name the frames wanted", file=str(sequence.pattern)
        ) from error


def _find(text: str | Path) -> Sequence:
    path = Path(text)
    if path.is_file():
        return _single(path)
    if str(text) and path.is_dir():
        return _only(path)
    pattern = Pattern.parse(text)
    if not pattern.width:
        raise MissingPlateError(
            "no such file or folder",
            remedy="name a file, a folder, or a pattern such as quay.####.exr",
            file=text,
        )
    return _matching(pattern)


def _single(path: Path) -> Sequence:
    head, digits, tail = _split(path.name)
    pattern = Pattern(path.parent, head, len(digits.lstrip("-")), tail)
    return Sequence(pattern, FrameRange.of([int(digits or 1)]))


def _only(folder: Path) -> Sequence:
    """The one plate of a folder."""
    found = plates_in(folder)
    if not found:
        raise MissingPlateError(
            "the folder holds no frames",
            remedy=f"name one that holds {', '.join(IMAGES)} files",
            file=folder,
        )
    for one, other in pairwise(found):
        _refuse_twins(one, other)
    if len(found) > 1:
        raise RequestError(
            f"the folder holds {len(found)} plates: {_listed(found)}",
            remedy="name one of them",
            file=folder,
        )
    return found[0]


def _matching(pattern: Pattern) -> Sequence:
    """The plate of a pattern that has a frame token."""
    name = re.compile(f"{re.escape(pattern.head)}((?:{_MINUS})?{_DIGITS}){re.escape(pattern.tail)}")
    written = _Written()
    for match in filter(None, map(name.fullmatch, _files(pattern.folder))):
        written.add(match[1])
    plate = written.take(pattern)
    if not plate.frames:
        there = plates_in(pattern.folder)
        raise MissingPlateError(
            "no file matches this pattern",
            remedy=f"its folder holds {_listed(there) if there else 'no frames'}",
            file=str(pattern),
        )
    for other in written.plates(pattern):
        _refuse_twins(plate, other)
    return plate


def _files(folder: Path) -> Iterator[str]:
    """Names in a folder that may be frames, in no order."""
    with os.scandir(folder) as entries:
        for entry in entries:
            hidden = entry.name.startswith(".") or entry.name.endswith(".tmp")
            if not hidden and entry.is_file():
                yield entry.name


def plates_in(folder: Path) -> list[Sequence]:
    """All plates of a folder, by name; differently padded ones apart, the narrowest first."""
    plates: list[Sequence] = []
    numbered: defaultdict[tuple[str, str], _Written] = defaultdict(_Written)
    for name in _files(folder):
        if not name.lower().endswith(_ENDS):
            continue
        head, digits, tail = _split(name)
        if digits:
            numbered[head, tail].add(digits)
        else:
            plates.append(_single(folder / name))
    for (head, tail), written in numbered.items():
        plates += written.plates(Pattern(folder, head, 1, tail))
    return sorted(plates, key=lambda plate: (plate.pattern.head, plate.pattern.tail))


def _split(name: str) -> tuple[str, str, str]:
    """Head, digits and tail of a file's name; all of it is head where it has no frame number."""
    stem, suffix = os.path.splitext(name)  # noqa: PTH122  # a Path of every file is slow
    number = _NUMBER.search(stem)
    if number is None or _NO_FRAME.search(stem, 0, number.start()):
        return name, "", ""
    return stem[: number.start()], number[0], suffix


class _Written:
    """Frame numbers of files, by the number of digits they are written with."""

    def __init__(self) -> None:
        self._by_digits: defaultdict[int, Numbers] = defaultdict(Numbers)

    def add(self, digits: str) -> None:
        """One more, a minus sign perhaps before it."""
        self._by_digits[len(digits.lstrip("-"))].add(int(digits))

    def take(self, pattern: Pattern) -> Sequence:
        """The plate of the numbers that are padded as in the pattern; they are removed."""
        runs = [self._by_digits.pop(pattern.width, Numbers()).ascending()]
        for digits in [digits for digits in self._by_digits if digits > pattern.width]:
            padded = Numbers()
            unpadded = Numbers()
            for number in self._by_digits.pop(digits).ascending():
                (unpadded if abs(number) >= 10 ** (digits - 1) else padded).add(number)
            runs.append(unpadded.ascending())
            if padded.ascending():
                self._by_digits[digits] = padded
        return Sequence(pattern, FrameRange.of(chain.from_iterable(runs)))

    def plates(self, pattern: Pattern) -> Iterator[Sequence]:
        """One plate for each way that the numbers are padded, the narrowest first."""
        while self._by_digits:
            yield self.take(replace(pattern, width=min(self._by_digits)))


def _digits(frame: int, width: int) -> str:
    return f"{'-' if frame < 0 else ''}{abs(frame):0{width}d}"


def _refuse_twins(one: Sequence, other: Sequence) -> None:
    """Refuses two plates that differ in padding alone and share a frame."""
    alike = (one.pattern.head, one.pattern.tail) == (other.pattern.head, other.pattern.tail)
    if alike and (shared := one.frames & other.frames):
        names = f"{one.path(shared.first).name} and {other.path(shared.first).name}"
        raise RequestError(
            f"{names} are both frame {shared.first}",
            remedy="remove or rename one",
            file=one.pattern.folder,
        )


def _listed(plates: list[Sequence]) -> str:
    more = f" and {len(plates) - _SHOWN} more" if len(plates) > _SHOWN else ""
    return f"{', '.join(map(str, plates[:_SHOWN]))}{more}"

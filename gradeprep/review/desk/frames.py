"""Frames of the recipe's shots as the desk looks at them: decoded once, over the whole picture."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt

from gradeprep.errors import GradeprepError, MissingPlateError, RequestError
from gradeprep.model.frame import pixel_aspect
from gradeprep.model.framerange import FrameRange
from gradeprep.model.recipe import Recipe, Shot
from gradeprep.pipeline.plan import open_views
from gradeprep.pipeline.planned import Options
from gradeprep.pipeline.view import View
from gradeprep.plates import limits
from gradeprep.plates.sequence import Sequence, find
from gradeprep.plugins.contracts import Pixels
from gradeprep.review.desk.cache import Cache

__all__ = [
    "Frames",
    "DecodedFrame",
    "UnknownError",
    "VanishedError",
    "numbers_of",
    "plate_of",
    "shot_of",
]

MOST = 768 * 2**20
"""Bytes of decoded frames that are kept: four UHD frames of a log plate."""

Mask = npt.NDArray[np.bool_]


class VanishedError(MissingPlateError):
    """A frame that was there when the recipe was read is not there any more."""

    usual_remedy = "bring it back; the desk looks again at every request"


class UnknownError(RequestError):
    """The recipe has no such shot, or the shot no such frame."""


@dataclass(frozen=True, slots=True)
class DecodedFrame:
    """One frame over its display window.

    Attributes:
        pixels: Scene-linear, float32 H x W x 3 in the working space; read-only. Where nothing
            was recorded, and where a sample is no number, it is 0.
        recorded: The same samples as recorded.
        absent: Pixels without light, H x W: no number, or outside the data window; None where
            there are none.
        key: What distinguishes it: file, when that was written, colour.
        aspect: Width of a pixel over its height.
    """

    pixels: Pixels
    recorded: Pixels
    absent: Mask | None
    key: Hashable
    aspect: float = 1.0

    @property
    def bytes(self) -> int:
        """Bytes that it takes."""
        own = 0 if self.recorded is self.pixels else self.recorded.nbytes
        return self.pixels.nbytes + own + (0 if self.absent is None else self.absent.nbytes)


@dataclass
class Frames:
    """Decoded frames, the last few of them kept.

    Args:
        config: The config of the command line, where the recipe names none.
    """

    config: str | None = None
    _kept: Cache[DecodedFrame] = field(init=False)

    def __post_init__(self) -> None:
        self._kept = Cache(MOST, lambda seen: seen.bytes)

    def view(
        self, recipe: Recipe, folder: Path, shot: str, frames: FrameRange | None = None
    ) -> View:
        """A shot's plate, looked for on disk now: all its frames, or some alone.

        Raises:
            GradeprepError: The plate, its colour or the recipe's request is bad.
        """
        try:
            return open_views(recipe, folder, Options(self.config, frames))(shot)
        except GradeprepError as error:
            raise error.at(shot=shot) from error

    def seen(self, recipe: Recipe, folder: Path, shot: str, frame: int) -> DecodedFrame:
        """One frame, decoded; from what is kept as long as the file has not been touched.

        Raises:
            VanishedError: Its file is not there any more.
            GradeprepError: It is torn, cannot be carried, or its colour is unknown.
        """
        ask = shot_of(recipe, shot)
        path = plate_of(ask, folder).path(frame)
        try:
            found = path.stat()
        except OSError:
            raise VanishedError(
                "is not there any more", shot=shot, frame=frame, file=path
            ) from None
        stamp = (found.st_mtime_ns, found.st_size, found.st_ino)
        key = (str(path), stamp, repr(recipe.colour), ask.space, ask.any_space, ask.layers)

        def decode() -> DecodedFrame:
            try:
                view = self.view(recipe, folder, shot, FrameRange.of([frame]))
                return _decoded(view, frame, key)
            except GradeprepError as error:
                raise error.at(shot=shot, frame=frame, file=path) from error

        return self._kept.get(key, decode)


def shot_of(recipe: Recipe, name: str) -> Shot:
    """The shot of a name.

    Raises:
        UnknownError: The recipe has no such shot.
    """
    if name not in recipe.shots:
        known = ", ".join(recipe.shots)
        raise UnknownError(f"the recipe has no shot '{name[:80]}'", remedy=f"it has {known}")
    return recipe.shots[name]


def plate_of(shot: Shot, folder: Path) -> Sequence:
    """The files of a shot's plate that are there now.

    Raises:
        MissingPlateError: None is.
    """
    return find(folder / shot.plate.replace("{shot}", shot.name))


def numbers_of(shot: Shot, plate: Sequence) -> FrameRange:
    """Frames that a shot asks for; all that are there where it does not say."""
    return plate.frames if shot.frames is None else shot.frames


def _place_in(view: View, frame: int) -> tuple[int, int, int, int]:
    """Where a frame's data window lies in its display window: x, y, and the window's size.

    Raises:
        CannotCarryError: The display window is larger than any picture.
    """
    x, y, width, height = view.window
    limits.current().check_bytes(width * height * 12)
    left, top = view.origin(frame)
    return left - x, top - y, width, height


def _decoded(view: View, frame: int, key: Hashable) -> DecodedFrame:
    pixels, recorded, broken = view.pixels(frame), view.recorded(frame), view.broken(frame)
    x, y, width, height = _place_in(view, frame)
    aspect = pixel_aspect(view.header(frame))
    if (x, y, height, width) == (0, 0, *pixels.shape[:2]):
        return DecodedFrame(pixels, recorded, broken, key, aspect)
    rows, columns = _overlap(y, pixels.shape[0], height), _overlap(x, pixels.shape[1], width)
    absent = np.ones((height, width), np.bool_)
    absent[rows[0], columns[0]] = False if broken is None else broken[rows[1], columns[1]]

    def laid(source: Pixels) -> Pixels:
        whole = np.zeros((height, width, 3), np.float32)
        whole[rows[0], columns[0]] = source[rows[1], columns[1]]
        whole.flags.writeable = False
        return whole

    light = laid(pixels)
    return DecodedFrame(light, light if recorded is pixels else laid(recorded), absent, key, aspect)


def _overlap(at: int, length: int, whole: int) -> tuple[slice, slice]:
    """Where a stretch that begins ``at`` lies in a whole, and which part of itself that is."""
    first, last = max(at, 0), max(min(at + length, whole), at, 0)
    return slice(first, last), slice(first - at, last - at)

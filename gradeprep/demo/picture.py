"""The contact sheet: each shot as it was shot, normalized, and as a normal exposure would be.

Under the last two stands one piece of deep shadow, enlarged and brightened by a stated number
of stops, so that the eye sees what the hot exposure bought.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import OpenImageIO as oiio
import PyOpenColorIO as ocio

from gradeprep.demo.chart import Rect
from gradeprep.demo.sensor import Picture
from gradeprep.errors import WriteError
from gradeprep.model.stops import GREY, gain
from gradeprep.plates.atomic import publish

__all__ = ["SheetRow", "contact_sheet", "display"]

Pixels = npt.NDArray[np.uint8]
"""Display-referred sRGB, H x W x 3."""

_CONTRAST, _GREY_ON_SCREEN, _WHITE = 1.15, 0.20, 7.0
_CONFIG, _SPACE = "ocio://studio-config-latest", "ACEScg"
_DISPLAY, _VIEW = "sRGB - Display", "Un-tone-mapped"

_WIDTH, _MARGIN, _GAP = 480, 44, 20
_HEADINGS = ("as shot", "normalized", "shot at normal exposure")
_HEAD, _FOOT = 64, 64
_BACKGROUND, _FRAME = 26, (232, 226, 214)
_LIGHT, _QUIET = (0.91, 0.89, 0.85), (0.56, 0.55, 0.53)
_FONTS = ("DroidSans", "")


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetRow:
    """One shot on the sheet; the pictures are H x W x 3 float32, scene-linear AP1, of one size.

    Attributes:
        name: Name of the shot.
        as_shot: A frame as the camera recorded it.
        normalized: The same frame after the pull.
        normal: The same moment recorded at normal exposure.
        shadow: The piece that is shown enlarged.
        notes: Short lines to stand beside it.
    """

    name: str
    as_shot: Picture
    normalized: Picture
    normal: Picture
    shadow: Rect
    notes: tuple[str, ...] = ()


def contact_sheet(rows: Sequence[SheetRow], path: Path, *, brighten: float = 6.0) -> None:
    """Write the sheet as an 8-bit sRGB PNG.

    Args:
        rows: One a shot, top to bottom.
        path: The file to write; its folder must exist.
        brighten: Stops by which the shadow pieces are brightened.

    Raises:
        WriteError: The sheet could not be written whole.
    """
    heights = [_row_height(row) for row in rows]
    sheet = np.full(
        (_HEAD + sum(heights), 2 * _MARGIN + 3 * _WIDTH + 2 * _GAP, 3), _BACKGROUND, np.uint8
    )
    tops = [_HEAD + sum(heights[:index]) for index in range(len(rows))]
    for row, top in zip(rows, tops, strict=True):
        _lay_pictures(sheet, row, top, brighten)
    page = oiio.ImageBuf(sheet)
    for column, heading in enumerate(_HEADINGS):
        _write(page, heading, (_left(column), _HEAD - 18), 19, _LIGHT)
    for row, top in zip(rows, tops, strict=True):
        _lay_words(page, row, top, brighten)
    pixels = np.ascontiguousarray(page.get_pixels(oiio.UINT8))
    publish(path, lambda temp: _write_png(temp, pixels), lambda temp: _verify_png(temp, pixels))


def display(picture: Picture) -> Pixels:
    """A scene-linear AP1 picture as a screen shows it.

    Our own tone curve first, channel by channel, ``y = x**a / (b * x**a + c)``: a soft toe and
    shoulder, grey at 0.20 of the screen's light, white at 7.0 (5.3 stops over grey). Then
    primaries and encoding through the untouched view of the built-in config.
    """
    high = _WHITE**_CONTRAST
    mid = GREY**_CONTRAST
    b = (high - mid / _GREY_ON_SCREEN) / (high - mid)
    c = mid / _GREY_ON_SCREEN - b * mid
    power = np.clip(np.nan_to_num(picture), 0.0, _WHITE) ** np.float32(_CONTRAST)
    screen = np.ascontiguousarray(power / (b * power + c), np.float32)
    height, width, _ = screen.shape
    _view().apply(ocio.PackedImageDesc(screen, width, height, 3))
    return (np.clip(screen, 0.0, 1.0) * 255.0 + 0.5).astype(np.uint8)


@lru_cache(maxsize=1)
def _view() -> Any:
    config = ocio.Config.CreateFromFile(_CONFIG)
    forward = ocio.TRANSFORM_DIR_FORWARD
    return config.getProcessor(_SPACE, _DISPLAY, _VIEW, forward).getDefaultCPUProcessor()


def _left(column: int) -> int:
    return _MARGIN + column * (_WIDTH + _GAP)


def _picture_height(row: SheetRow) -> int:
    height, width, _ = row.as_shot.shape
    return int(_WIDTH * height / width)


def _piece_height(row: SheetRow) -> int:
    return int(_WIDTH * row.shadow[3] / row.shadow[2])


def _row_height(row: SheetRow) -> int:
    return _picture_height(row) + _GAP // 2 + _piece_height(row) + _FOOT


def _lay_pictures(sheet: Pixels, row: SheetRow, top: int, brighten: float) -> None:
    x, y, width, height = row.shadow
    below = top + _picture_height(row) + _GAP // 2
    for column, picture in enumerate((row.as_shot, row.normalized, row.normal)):
        whole = _enlarged(display(picture), (_WIDTH, _picture_height(row)))
        if column:
            _outline(whole, row)
            piece = picture[y : y + height, x : x + width] * np.float32(gain(brighten))
            _lay(sheet, _enlarged(display(piece), (_WIDTH, _piece_height(row))), column, below)
        _lay(sheet, whole, column, top)


def _lay(sheet: Pixels, picture: Pixels, column: int, top: int) -> None:
    left = _left(column)
    sheet[top : top + picture.shape[0], left : left + _WIDTH] = picture


def _enlarged(picture: Pixels, size: tuple[int, int]) -> Pixels:
    """The nearest pixels at another size: smoothing would hide the very noise to be shown."""
    height, width, _ = picture.shape
    rows = (np.arange(size[1]) * height) // size[1]
    columns = (np.arange(size[0]) * width) // size[0]
    enlarged: Pixels = picture[rows[:, None], columns[None, :]]
    return enlarged


def _outline(picture: Pixels, row: SheetRow) -> None:
    """A thin frame around the piece that is enlarged below."""
    scale = _WIDTH / row.as_shot.shape[1]
    x, y, width, height = (round(value * scale) for value in row.shadow)
    for line in (
        picture[y - 1, x - 1 : x + width + 1],
        picture[y + height, x - 1 : x + width + 1],
        picture[y - 1 : y + height + 1, x - 1],
        picture[y - 1 : y + height + 1, min(x + width, _WIDTH - 1)],
    ):
        line[...] = _FRAME


def _lay_words(page: Any, row: SheetRow, top: int, brighten: float) -> None:
    below = top + _picture_height(row) + _GAP // 2
    _write(page, row.name, (_left(0), below + 24), 22, _LIGHT)
    for index, note in enumerate(row.notes):
        _write(page, note, (_left(0), below + 50 + 21 * index), 15, _QUIET)
    caption = f"the outlined shadow, {brighten:+g} stops"
    for column in (1, 2):
        _write(page, caption, (_left(column), below + _piece_height(row) + 21), 14, _QUIET)


def _write(
    page: Any, text: str, foot: tuple[int, int], size: int, colour: tuple[float, float, float]
) -> None:
    """Text from the left end of its base line, in the first font that this machine has."""
    x, y = foot
    if not any(
        oiio.ImageBufAlgo.render_text(page, x, y, text, size, font, colour) for font in _FONTS
    ):
        raise WriteError(
            f"no text can be drawn: {page.geterror() or 'no font'}",
            remedy="install a font, or OpenImageIO from its wheel, which brings one",
        )


def _write_png(path: Path, pixels: Pixels) -> None:
    height, width, _ = pixels.shape
    out = oiio.ImageOutput.create(str(path))
    if out is None:
        raise WriteError(oiio.geterror(), remedy="name the sheet .png", file=path)
    done = (
        out.open(str(path), oiio.ImageSpec(width, height, 3, oiio.UINT8))
        and out.write_image(pixels)
        and out.close()
    )
    if not done:
        raise WriteError(out.geterror(), remedy="check the folder and its free space", file=path)


def _verify_png(path: Path, pixels: Pixels) -> None:
    source = oiio.ImageInput.open(str(path))
    back = None if source is None else source.read_image(oiio.UINT8)
    if back is None or not np.array_equal(back, pixels):
        raise WriteError("the sheet reads back wrong", remedy="check the disk", file=path)

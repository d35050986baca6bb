"""Plates that compress and decode like a camera's: a smooth scene under correlated shot noise.

The picture is made once a size, as code values of a 12-bit log camera (ACEScct, Academy
S-2016-001); every kind of file is made of these, so that codecs and types see one picture.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import OpenEXR

from gradeprep.model.frame import Frame, Part
from gradeprep.plates import dpx, exrheader

__all__ = ["CARD", "FIRST", "STOPS_HOT", "Kind", "Plates", "linear_table"]

FIRST = 1001
STOPS_HOT = 3.0
CARD = (0.4, 0.4, 0.2, 0.2)
"""Where the grey card stands: x, y, width, height as shares of the picture."""

_DISTINCT = 3  # pictures a plate; further frames are links to them
_BAND = 256
_TOP = 4095
_ELECTRONS = 1000.0  # at scene-linear 1.0; half zip then takes 29 MB at 3840 x 2160
_READ = 0.001  # deviation of the read-out, in scene-linear light
_TINTS = (0.9, 1.0, 1.1)

Codes = npt.NDArray[np.uint16]
Floats = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Kind:
    """What a plate is stored as.

    Attributes:
        size: Width and height in pixels.
        format: ``exr`` or ``dpx``.
        type: ``half``, ``float``, ``uint10`` or ``uint12``.
        compression: OpenEXR's name of it; none for DPX.
    """

    size: tuple[int, int]
    format: str = "exr"
    type: str = "half"
    compression: str = "zip"

    @property
    def name(self) -> str:
        """One word for folders and tables."""
        told = (f"{self.size[0]}x{self.size[1]}", self.format, self.type, self.compression)
        return "-".join(word for word in told if word)


class Plates:
    """Makes plates in a folder, each at most once."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def plate(self, kind: Kind, frames: int) -> Path:
        """A folder with that many frames of a kind, ``plate.1001.exr`` and on."""
        folder = self.folder / "plates" / f"{kind.name}-{frames}"
        if folder.is_dir():
            return folder
        folder.mkdir(parents=True)
        for number in range(frames):
            name = f"{FIRST + number:04d}.{kind.format}"
            original = self._picture(kind, number % _DISTINCT)
            os.link(original, folder / f"plate.{name}")
        return folder

    def light(self, size: tuple[int, int]) -> Path:
        """The first picture in linear light, 3 x H x W half, as a ``.npy`` file."""
        path = self.folder / f"light-{size[0]}x{size[1]}.npy"
        if not path.exists():
            np.save(path, _look_up(linear_table(), self._codes(size, 0)).astype(np.float16))
        return path

    def _picture(self, kind: Kind, index: int) -> Path:
        path = self.folder / "pictures" / f"{kind.name}-{index}.{kind.format}"
        if not path.exists():
            path.parent.mkdir(exist_ok=True)
            codes = self._codes(kind.size, index)
            (_write_dpx if kind.format == "dpx" else _write_exr)(codes, kind, path)
        return path

    def _codes(self, size: tuple[int, int], index: int) -> Codes:
        path = self.folder / f"codes-{size[0]}x{size[1]}-{index}.npy"
        if not path.exists():
            np.save(path, _expose(size, index))
        codes: Codes = np.load(path, mmap_mode="r")
        return codes


def linear_table() -> Floats:
    """Scene-linear light of the 4096 codes."""
    values = np.arange(_TOP + 1) / _TOP
    low = (values - 0.0729055341958355) / 10.5402377416545
    return np.where(values <= 0.155251141552511, low, np.exp2(values * 17.52 - 9.72)).astype("f4")


def _encode(light: Floats) -> Codes:
    low = 10.5402377416545 * light + 0.0729055341958355
    high = (np.log2(np.maximum(light, 0.0078125)) + 9.72) / 17.52
    values = np.where(light <= 0.0078125, low, high)
    return np.clip(np.rint(values * _TOP), 0, _TOP).astype(np.uint16)


def _expose(size: tuple[int, int], seed: int) -> Codes:
    """One picture, 3 x H x W codes, made in bands so that large ones take little memory."""
    width, height = size
    codes = np.empty((3, height, width), np.uint16)
    for top in range(0, height, _BAND):
        rows = slice(top, min(height, top + _BAND))
        dice = np.random.Generator(np.random.PCG64((seed, top)))
        scene = _scene(size, rows)
        for channel, tint in enumerate(_TINTS):
            light = scene * np.float32(tint)
            _card(light, size, rows)
            deviation = np.sqrt(light / np.float32(_ELECTRONS) + np.float32(_READ**2))
            codes[channel, rows] = _encode(light + deviation * _correlated(light.shape, dice))
    return codes


def _scene(size: tuple[int, int], rows: slice) -> Floats:
    """Eleven stops from shadow to light, slow and fast changes among them; nowhere negative."""
    x = np.linspace(0, 1, size[0], dtype=np.float32)[None, :]
    y = np.linspace(0, 1, size[1], dtype=np.float32)[rows, None]
    tone = 7 * x * y - 4 + 1.5 * np.sin(9 * x + 4 * y) + np.sin(31 * x * y)
    tone += 0.7 * np.sin(120 * x) * np.sin(70 * y)
    return np.asarray(np.exp2(tone + np.float32(STOPS_HOT)) * 0.18, np.float32)


def _card(light: Floats, size: tuple[int, int], rows: slice) -> None:
    """A grey card, neutral in all channels, somewhat larger than the region that is metered."""
    left, top, across, down = (
        share * side for share, side in zip(CARD, (*size, *size), strict=True)
    )
    first = max(0, int(top - down / 4) - rows.start)
    last = max(0, int(top + 1.25 * down) + 1 - rows.start)
    columns = slice(int(left - across / 4), int(left + 1.25 * across) + 1)
    light[first:last, columns] = 0.18 * 2.0**STOPS_HOT


def _correlated(shape: tuple[int, ...], dice: np.random.Generator) -> Floats:
    """Noise of deviation 1 that neighbours share, as after the interpolation of a mosaic."""
    white = dice.standard_normal((shape[0] + 1, shape[1] + 1), np.float32)
    across = white[:, 1:] + white[:, :-1]
    return np.asarray((across[1:] + across[:-1]) * np.float32(0.5))


def _look_up(table: npt.NDArray[np.generic], codes: Codes) -> npt.NDArray[np.generic]:
    return np.take(table, codes, mode="clip")


def _write_exr(codes: Codes, kind: Kind, path: Path) -> None:
    table = linear_table().astype(np.float16 if kind.type == "half" else np.float32)
    header = {
        "compression": exrheader.ENUMERATED[kind.compression],
        "type": OpenEXR.scanlineimage,
    }
    planes = dict(zip("RGB", _look_up(table, codes), strict=True))
    OpenEXR.File(header, planes).write(str(path))


def _write_dpx(codes: Codes, kind: Kind, path: Path) -> None:
    bits = int(kind.type.removeprefix("uint"))
    planes = dict(zip("RGB", codes >> (12 - bits), strict=True))
    raw = dpx.new_header(
        width=kind.size[0],
        height=kind.size[1],
        channels=("R", "G", "B"),
        bits=bits,
        filename="plate.dpx",
        transfer=3,
        colorimetric=0,
        timecode="01:00:00:00",
        rate="24",
    )
    dpx.write(Frame("dpx", (Part("", planes, {}, bits),), raw), path)

"""A camera and the processing of its picture, with every number known.

The sensor follows the linear camera model of EMVA Standard 1288: Poisson photons, Gaussian
read-out noise, a full well. White balance is what the channels' unequal sensitivity leaves, so
channels clip at different levels. Everything after the read-out acts on numbers that are clipped
already.

Order: electrons, full well (with its spread from site to site, or a knee), read-out, white
balance, shading correction, debayer, denoise, colour matrix, resize.
"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import OpenEXR

from gradeprep.model.stops import GREY
from gradeprep.plugins.contracts import Scale

__all__ = [
    "LOG_STOPS",
    "MATRIX",
    "Camera",
    "dwaa",
    "half",
    "linear_scale",
    "log_codes",
    "log_scale",
]

MATRIX = ((0.78, 0.17, 0.05), (0.02, 1.12, -0.14), (0.01, -0.18, 1.17))
"""Invented sensor primaries to working primaries; rows sum to 1, so neutrals stay."""

LOG_STOPS = (17.5, 10.0)
"""Stops over the code range of the invented log curve, and stops under grey at code 0."""

RED, GREEN, BLUE = range(3)


@dataclass(frozen=True, kw_only=True)
class Camera:
    """One camera and its processing.

    Attributes:
        full_well: Electrons that a photosite holds.
        read_noise: Standard deviation of the read-out, in electrons.
        clip: Stops from grey to the clip of green.
        balance: White balance gains; green has 1.
        spread: Standard deviation of the full well from site to site, relative.
        knee: Share of the full well over which the response bends into it; 0 is a hard clip.
        shading: Light that the corners lose, in stops; corrected after the read-out.
        debayer: ``none`` (three sensors), ``bilinear`` or ``edge``.
        denoise: Sigma of a Gaussian filter in pixels; 0 for none.
        matrix: Colour matrix, 3 x 3; None for none.
        resize: Whole number of pixels a side that make one.
    """

    full_well: float = 30_000.0
    read_noise: float = 3.0
    clip: float = 5.0
    balance: tuple[float, float, float] = (1.9, 1.0, 1.5)
    spread: float = 0.0
    knee: float = 0.0
    shading: float = 0.0
    debayer: str = "none"
    denoise: float = 0.0
    matrix: tuple[tuple[float, ...], ...] | None = None
    resize: int = 1
    pattern: int = field(default=9, repr=False)

    @property
    def per_unit(self):
        """Electrons at scene-linear 1.0 in each channel."""
        return self.full_well / (GREY * 2.0**self.clip) / np.asarray(self.balance)

    @property
    def ceilings(self):
        """Scene-linear value at which each sensor channel clips, in the middle of the picture."""
        return self.full_well / self.per_unit

    def lost(self, light):
        """Samples of the sensor's channels whose mean passes the full well: H x W x 3 bool.

        With a knee: from where the response has under a tenth of its slope.
        """
        electrons = light * self._vignette(light.shape)[..., None] * self.per_unit
        limit = self.full_well
        if self.knee:
            start = 1.0 - self.knee
            limit *= start + self.knee * np.log(10.0)
        return self._reduced((electrons > limit).astype(float)) > 0.5

    def expose(self, light, seed):
        """One frame of a scene.

        Args:
            light: H x W x 3, scene-linear, in the sensor's white-balanced channels.
            seed: Seed of the frame's noise; the site pattern stays.

        Returns:
            H x W x 3 float64, scene-linear in the working primaries.
        """
        dice = np.random.default_rng(seed)
        vignette = self._vignette(light.shape)[..., None]
        mean = light * vignette * self.per_unit
        held = self._full(dice.poisson(mean).astype(float))
        held += self.read_noise * dice.standard_normal(held.shape)
        picture = held / self.per_unit / vignette
        if self.debayer != "none":
            picture = _debayer(picture, edge=self.debayer == "edge")
        if self.denoise:
            picture = _smoothed(picture, self.denoise)
        if self.matrix is not None:
            picture = picture @ np.asarray(self.matrix).T
        return self._reduced(picture)

    def _full(self, caught):
        pattern = np.random.default_rng(self.pattern).standard_normal(caught.shape)
        well = self.full_well * (1.0 + self.spread * pattern)
        if not self.knee:
            return np.minimum(caught, well)
        start = (1.0 - self.knee) * well
        room = self.knee * well
        over = np.maximum(caught - start, 0.0)
        return np.where(caught > start, start + room * -np.expm1(-over / room), caught)

    def _vignette(self, shape):
        height, width = shape[:2]
        y, x = np.mgrid[:height, :width]
        far = ((x - width / 2) ** 2 + (y - height / 2) ** 2) / (width**2 + height**2) * 4.0
        return np.exp2(-self.shading * far)

    def _reduced(self, picture):
        n = self.resize
        height, width = (side // n * n for side in picture.shape[:2])
        return picture[:height, :width].reshape(height // n, n, width // n, n, 3).mean(axis=(1, 3))


def _debayer(picture, *, edge):
    """One colour a site (RGGB), the others interpolated.

    Bilinear: the mean of the nearest sites. Edge-aware: green along the smaller of the gradients
    across and down, corrected by the second difference of the site's own colour (Hamilton and
    Adams 1997); red and blue by differences to green.
    """
    height, width = picture.shape[:2]
    y, x = np.mgrid[:height, :width]
    sites = np.stack([(y % 2 == 0) & (x % 2 == 0), (y + x) % 2 == 1, (y % 2 == 1) & (x % 2 == 1)])
    raw = np.select(sites, np.moveaxis(picture, 2, 0))
    if not edge:
        planes = [_interpolated(raw * site, site) for site in sites]
        return np.stack(planes, axis=-1)
    up, down, left, right = (_moved(raw, dy, dx) for dy, dx in ((-1, 0), (1, 0), (0, -1), (0, 1)))
    up2, down2, left2, right2 = (
        _moved(raw, dy, dx) for dy, dx in ((-2, 0), (2, 0), (0, -2), (0, 2))
    )
    bent_x, bent_y = 2 * raw - left2 - right2, 2 * raw - up2 - down2
    across = np.abs(left - right) + np.abs(bent_x)
    along = np.abs(up - down) + np.abs(bent_y)
    green_x, green_y = (left + right) / 2 + bent_x / 4, (up + down) / 2 + bent_y / 4
    picked = np.select(
        [across < along, along < across], [green_x, green_y], (green_x + green_y) / 2
    )
    green = np.where(sites[GREEN], raw, picked)
    red = green + _interpolated((raw - green) * sites[RED], sites[RED])
    blue = green + _interpolated((raw - green) * sites[BLUE], sites[BLUE])
    return np.stack([red, green, blue], axis=-1)


def _interpolated(plane, sites):
    """A plane that is known at some sites, by the tent of bilinear interpolation."""
    return _tent(plane) / _tent(sites.astype(float))


def _tent(plane):
    for axis in (0, 1):
        step = (1, 0) if axis == 0 else (0, 1)
        plane = _moved(plane, *step) + 2 * plane + _moved(plane, -step[0], -step[1])
    return plane


def _moved(plane, dy, dx):
    """A plane as seen from a neighbour; mirrored at the border, which keeps the colours."""
    height, width = plane.shape
    return np.pad(plane, 2, mode="reflect")[2 + dy : 2 + dy + height, 2 + dx : 2 + dx + width]


def _smoothed(picture, sigma):
    reach = int(np.ceil(3 * sigma))
    taps = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    taps /= taps.sum()
    for axis in (0, 1):
        wide = [(reach, reach) if a == axis else (0, 0) for a in range(3)]
        padded = np.pad(picture, wide, mode="reflect")
        size = picture.shape[axis]
        picture = sum(
            tap * np.take(padded, np.arange(k, k + size), axis=axis) for k, tap in enumerate(taps)
        )
    return picture


def half(picture):
    """As a file of half floats holds it: float32."""
    return picture.astype(np.float16).astype(np.float32)


def dwaa(picture):
    """As a half EXR with lossy DWAA compression gives it back: float32."""
    with tempfile.TemporaryDirectory() as folder:
        path = str(Path(folder) / "it.exr")
        planes = {
            name: np.ascontiguousarray(picture[..., k].astype(np.float16))
            for k, name in enumerate("RGB")
        }
        header = {"compression": OpenEXR.DWAA_COMPRESSION, "type": OpenEXR.scanlineimage}
        OpenEXR.File(header, planes).write(path)
        with OpenEXR.File(path, separate_channels=True) as file:
            found = file.channels()
            return np.stack([found[name].pixels for name in "RGB"], axis=-1).astype(np.float32)


def log_codes(picture, bits=10):
    """As integer codes of a log curve give it back, as their share of the top code: float32."""
    stops, under = LOG_STOPS
    top = 2**bits - 1
    share = (np.log2(np.maximum(picture, 1e-9) / GREY) + under) / stops
    return (np.rint(share.clip(0.0, 1.0) * top) / top).astype(np.float32)


def log_scale(bits=10):
    """The scale of `log_codes`."""
    stops, under = LOG_STOPS
    return Scale(
        1.0, 1.0 / (2**bits - 1), True, lambda v: np.asarray(v, np.float64) * stops - under
    )


def linear_scale():
    """The scale of half floats."""

    def tone(values):
        with np.errstate(divide="ignore"):
            return np.log2(np.maximum(np.asarray(values, np.float64), 0.0) / GREY)

    return Scale(65504.0, 0.0, False, tone)

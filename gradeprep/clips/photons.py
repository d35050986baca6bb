"""What the noise of a plate says about its light: which channels have lost theirs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from gradeprep.clips.blocks import Blocks, between_frames, joined, within_frame
from gradeprep.clips.light import Curve
from gradeprep.clips.planes import QUIET, Plane, find
from gradeprep.clips.transfer import Transfer, falls, fit, least_variance
from gradeprep.plugins.contracts import Pixels, PlateView

__all__ = ["Photons", "neighbour", "photons"]

_OWN_SITE = 0.1
"""Share of the variance expected that a full channel may have at its own sites."""

_MOVES = 2.0
"""How many times the noise within a frame that between frames may be; more is movement."""

_LEAST = 144
"""Fewest pixels of a patch whose noise between frames differs from chance."""

_LEAST_WITHIN, _SIDE = 1000, 24
"""The same within a frame, and the least side."""

_WITHIN = 0.1
"""Share of the variance expected within a frame under which a patch has lost its noise: texture
counts as noise there, and lifts what is expected."""

_TOP = 0.5
"""Least light of such a patch, as a share of the brightest."""

Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Photons:
    """Noise statistics of a plate.

    Attributes:
        curve: Linear light of its samples.
        line: Its photon-transfer line; None where it shows none.
        planes: Where sensor channels end, for R, G and B.
        blocks: The blocks that both come from; None of a picture too small for any.
    """

    curve: Curve
    line: Transfer | None
    planes: tuple[Plane | None, ...]
    blocks: Blocks | None

    @property
    def temporal(self) -> bool:
        """Whether the noise is that between frames."""
        return self.blocks is not None and self.blocks.temporal

    @property
    def unlike(self) -> bool:
        """Whether the noise is not that of photons in linear light: it falls with the light."""
        return self.line is None and self.blocks is not None and falls(self.blocks)

    def quiet(self, one: Pixels, other: Pixels | None, inside: Flags | None = None) -> list[bool]:
        """Whether R, G and B of a patch, one surface, have lost their noise.

        Within one frame texture counts as noise, so only a large patch among the brightest things
        is clipped, and only if next to no noise is left.

        Args:
            one: Recorded samples of the patch, H x W x 3.
            other: The same patch in a neighbouring frame, if there is one.
            inside: Pixels of the surface, H x W; all when left out.
        """
        if self.line is None or self.blocks is None:
            return [False] * 3
        chosen = np.ones(one.shape[:2], np.bool_) if inside is None else inside
        light = self.curve(one)
        if self.temporal and other is not None and other.shape == one.shape:
            change = (light - self.curve(other))[chosen] * np.sqrt(0.5)
            variance, limit, least = change.var(axis=0, dtype=np.float64), QUIET, _LEAST
        elif not self.temporal and min(one.shape[:2]) >= _SIDE and chosen.all():
            variance = np.diagonal(within_frame(light).noise.mean(axis=0))
            limit, least = _WITHIN, _LEAST_WITHIN
        else:
            return [False] * 3
        if np.count_nonzero(chosen) < least:
            return [False] * 3
        mean = light[chosen].mean(axis=0, dtype=np.float64)[None]
        bright = mean[0] > (0.0 if self.temporal else _TOP * self.blocks.mean.max(axis=0))
        expected = np.diagonal(self.line.covariance(mean)[0])
        step = self.curve.step(mean[0])
        expected = least_variance(expected, step) if self.curve.code else expected
        enough = expected * np.count_nonzero(chosen) >= _FEW * step**2
        return [bool(flag) for flag in (variance < limit * expected) & bright & enough]

    def noisy(self, channel: int, low: float) -> bool:
        """Whether a channel's light from a level on has the noise of photons: it is not clipped."""
        if self.line is None or self.blocks is None or not self.temporal:
            return False
        chosen = self.blocks.mean[:, channel] >= low
        if np.count_nonzero(chosen) < _FEW:
            return False
        expected = self.line.covariance(self.blocks.mean[chosen])[:, channel, channel]
        found = self.blocks.noise[chosen, channel, channel]
        return bool(np.median(found / expected) > _WHOLE)


_SMALLEST = 48
"""Least side of a picture, in pixels, whose noise is measured."""

_FEW = 4
_WHOLE = 0.5
"""Share of the variance expected from which on light is whole."""


def neighbour(plate: PlateView, frame: int) -> int | None:
    """The frame after a frame, or the one before; None where there is neither."""
    frames = set(plate.frames)
    return next((n for n in (frame + 1, frame - 1) if n in frames), None)


def photons(plate: PlateView, frames: Sequence[int]) -> Photons:
    """Noise statistics from some frames of a plate and their neighbours."""
    curve = Curve.of(plate.scale)

    shape = plate.recorded(frames[0]).shape
    if min(shape[:2]) < _SMALLEST:
        return Photons(curve, None, (None, None, None), None)
    pairs = [pair for pair in plate.each(frames, lambda frame: _pair(plate, frame, curve)) if pair]
    if pairs and all(_still(one, other) for one, other in pairs):
        blocks = joined([between_frames(one, other) for one, other in pairs])
    else:
        blocks = joined([within_frame(curve(plate.recorded(frame))) for frame in frames])
    line = fit(blocks, curve)
    if line is None:
        return Photons(curve, None, (None, None, None), blocks)
    planes = find(blocks, line, curve)
    if blocks.temporal and not all(planes):
        planes = tuple(
            one or other for one, other in zip(planes, _sites(pairs, curve), strict=True)
        )
    return Photons(curve, line, planes, blocks)


def _pair(plate: PlateView, frame: int, curve: Curve) -> tuple[Pixels, Pixels] | None:
    """Light of a frame and of its neighbour; None where it has none, or the same again."""
    beside = neighbour(plate, frame)
    if beside is None:
        return None
    one, other = plate.recorded(frame), plate.recorded(beside)
    if one.shape != other.shape or np.array_equal(one, other):
        return None
    return curve(one), curve(other)


def _still(one: Pixels, other: Pixels) -> bool:
    """Whether the picture stands still: its noise between frames is no more than within one.

    A strip across the middle is enough.
    """
    third = one.shape[0] // 3
    strip = slice(third, max(2 * third, third + _SMALLEST // 2))
    changes, bends = (
        np.median(np.trace(each.noise, axis1=1, axis2=2))
        for each in (between_frames(one[strip], other[strip]), within_frame(one[strip]))
    )
    return bool(changes <= _MOVES * bends)


def _sites(pairs: list[tuple[Pixels, Pixels]], curve: Curve) -> list[Plane | None]:
    """Planes that single sites of a 2 x 2 colour filter array show.

    An edge-aware debayer puts the noise of other channels into the samples it interpolates
    (Hamilton and Adams 1997); those at a channel's own sites keep theirs.
    """
    best: list[Plane | None] = [None] * 3
    for down, across in ((0, 0), (0, 1), (1, 0), (1, 1)):
        site = (slice(down, None, 2), slice(across, None, 2))
        blocks = joined([between_frames(one[site], other[site]) for one, other in pairs])
        line = fit(blocks, curve)
        if line is not None:
            found = find(blocks, line, curve)
            best = [_quieter(*both) for both in zip(best, found, strict=True)]
    return [one if one is not None and one.noise < _OWN_SITE else None for one in best]


def _quieter(one: Plane | None, other: Plane | None) -> Plane | None:
    if one is None or other is None:
        return one or other
    return one if one.noise <= other.noise else other

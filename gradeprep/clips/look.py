"""One look at a plate: values counted over sampled frames, and the ceilings that follow."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from gradeprep.clips import drawn, plateau
from gradeprep.clips.ceilings import Ceiling, encodable, of_plane, tone_of
from gradeprep.clips.photons import Photons, photons
from gradeprep.model.framerange import FrameRange
from gradeprep.plugins.contracts import PlateView

__all__ = ["Look"]

Counts = npt.NDArray[np.int64]

_TOP_SHARE = 1e-4
"""Share of the pixels above the brightest tone: the 99.99th percentile."""

_LEAST = 8
"""Fewest pixels, over all frames looked at, that make a pile."""

_DRAWN = 0.05
"""Share of gradients without noise from which on no camera made the plate."""

_CLOSELY = 2
"""Number of frames, the brightest ones, whose noise is measured."""

_AROUND = 4
"""Number of frames, those with most samples in a pile, whose surroundings are looked at."""

_SAME = 0.03
"""Distance in stops within which a pile and a plane are one ceiling."""


class Look:
    """Ceilings of a plate.

    Args:
        plate: The plate.
        frames: Frames to look at.
        stated: A ceiling that the user states.

    Attributes:
        reached: The lowest ceiling that each of R, G and B reaches, or None; of kind ``flat``
            where it may be a drawn colour.
        photons: The noise statistics.
    """

    def __init__(self, plate: PlateView, frames: FrameRange, stated: Ceiling | None) -> None:
        self.plate, self.frames, self.stated = plate, frames, stated
        self.scale = plate.scale
        self.bins = plateau.Bins.of(self.scale)
        looks = plate.each(frames, self._count)
        self._each = [[counts[c] for counts, _ in looks] for c in range(3)]
        self.counts = [_sum(each) for each in self._each]
        self.peaks = [max(float(peaks[c]) for _, peaks in looks) for c in range(3)]
        self.photons: Photons = photons(plate, self._brightest())
        self.reached = tuple(self._lowest(channel) for channel in range(3))

    @property
    def ceilings(self) -> tuple[Ceiling | None, ...]:
        """The ceilings reached; a flat area that may be drawn is none."""
        return tuple(None if one is None or one.kind == "flat" else one for one in self.reached)

    def encodable(self) -> Ceiling | None:
        """The end of the encoding, where nothing passes it."""
        return encodable(self.scale, max(self.peaks))

    def encoding_end(self) -> Ceiling | None:
        """The end of a log curve or of codes; None for linear floats, whose end means nothing."""
        return self.encodable() if self.scale.log or self.scale.step else None

    def tone(self, channel: int) -> float:
        """Brightest tone of a channel in stops above grey: the 99.99th percentile."""
        return tone_of(self.scale, float(self.bins.value(_top(self.counts[channel], _TOP_SHARE))))

    def _count(self, frame: int) -> tuple[list[Counts], npt.NDArray[np.float32]]:
        recorded = self.plate.recorded(frame)
        index = self.bins.index(recorded)
        counts = [self.bins.count(index[..., channel]) for channel in range(3)]
        return counts, recorded.max(axis=(0, 1))

    def _brightest(self) -> list[int]:
        tops = [sum(_top(each[k], 0.005) for each in self._each) for k in range(len(self.frames))]
        order = np.argsort(-np.asarray(tops), kind="stable")[:_CLOSELY]
        numbers = tuple(self.frames)
        return sorted(numbers[k] for k in order)

    def _lowest(self, channel: int) -> Ceiling | None:
        """The lowest of the ceilings that a channel reaches."""
        known = [one for one in (self.stated, self.encodable()) if one is not None]
        reached = [one for one in known if self.peaks[channel] >= one.floor]
        pile, plane = self._pile(channel), self._plane(channel)
        if pile is not None and plane is not None and abs(pile.stops - plane.stops) <= _SAME:
            plane = None if plane.plane is None else plane
            pile = pile if plane is None else None
        elif plane is not None:
            pile = None  # light is lost from the plane on, whatever piles up beyond
        elif pile is not None and self._is_whole(channel, pile):
            pile = None
        seen = plane or pile
        if seen is not None and all(seen.stops < one.stops - 1e-6 for one in reached):
            sure = seen.value == 1.0 or (seen is plane and self.photons.temporal)
            if sure or not self._may_be_drawn(seen):
                return seen
            reached = reached or [replace(seen, kind="flat")]
        return min(reached, key=lambda one: one.floor, default=None)

    def _plane(self, channel: int) -> Ceiling | None:
        found = self.photons.planes[channel]
        return None if found is None else of_plane(found, channel, self.photons.curve)

    def _is_whole(self, channel: int, pile: Ceiling) -> bool:
        """Whether light in a pile has the noise of photons."""
        curve = self.photons.curve
        low = float(curve(np.asarray([pile.floor], np.float32))[0])
        return self.photons.noisy(channel, low)

    def _pile(self, channel: int) -> Ceiling | None:
        """The plateau that a channel's recorded values pile up on."""
        size = self.plate.recorded(self.frames.first)[..., 0].size
        least = max(_LEAST, round(2e-5 * size))
        bins, scale = self.bins, self.scale
        found = plateau.band(self.counts[channel], bins, scale, least=least)
        if found is None:
            return None

        def around(frame: int) -> plateau.Surroundings | None:
            index = bins.index(self.plate.recorded(frame)[..., channel])
            return plateau.surroundings(index, found, bins, scale)

        held = np.asarray([int(each[found.low :].sum()) for each in self._each[channel]])
        numbers = tuple(self.frames)
        most = [numbers[k] for k in np.argsort(-held, kind="stable")[:_AROUND]]
        seen = [one for one in self.plate.each(sorted(most), around) if one is not None]
        if not plateau.convincing(found, seen, bins, photons=not self.photons.unlike):
            return None
        inside = self.counts[channel][found.low : found.low + found.width]
        value = float(bins.value(found.low + int(np.argmax(inside))))
        floor = float(bins.value(found.low)) - 0.5 * bins.step
        return Ceiling("plateau", value, floor, tone_of(scale, value))

    def _may_be_drawn(self, seen: Ceiling) -> bool:
        """Whether noise would show at a plateau, and the plate is smooth without."""
        low = int(self.bins.index(np.asarray([seen.value], np.float32))[0])
        width = tone_of(self.scale, float(self.bins.value(low + 1))) - seen.stops
        return width <= drawn.FINE and self.smooth >= _DRAWN

    @cached_property
    def smooth(self) -> float:
        """Share of gradients without noise: the largest of the channels, over the frames."""

        def share(frame: int) -> float:
            index = self.bins.index(self.plate.recorded(frame))
            return max(drawn.smooth_share(index[..., channel]) for channel in range(3))

        return float(np.median(self.plate.each(self._brightest(), share)))


def _top(counts: Counts, share: float) -> int:
    """The highest bin that more than a share of the samples reach."""
    above = np.cumsum(counts[::-1])[::-1]
    return int(np.flatnonzero(above > share * above[0])[-1])


def _sum(counts: Sequence[Counts]) -> Counts:
    total = np.zeros(max(one.size for one in counts), np.int64)
    for one in counts:
        total[: one.size] += one
    return total

"""Which samples of a frame are clipped, as meters ask: whole frames, and regions of them."""

from __future__ import annotations

import threading
import weakref
from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
import numpy.typing as npt

from gradeprep.clips.ceilings import clip_mask
from gradeprep.clips.look import Look
from gradeprep.clips.photons import neighbour
from gradeprep.clips.tops import tops
from gradeprep.plugins.contracts import Pixels, PlateView

__all__ = ["Clipped"]

Flags = npt.NDArray[np.bool_]

_FRAMES = 3
"""Frames of a plate whose light shows its ceilings."""

_KEPT = 4
"""Plates whose ceilings are remembered."""


@dataclass(frozen=True, slots=True)
class Clipped:
    """Clipped samples of one frame.

    Attributes:
        plate: The plate.
        frame: The frame.
        look: Ceilings and noise statistics of the plate.
    """

    plate: PlateView
    frame: int
    look: Look

    _lock: ClassVar[threading.Lock] = threading.Lock()
    _looks: ClassVar[list[tuple[weakref.ref[PlateView], Look]]] = []

    @classmethod
    def of(cls, plate: PlateView, frame: int) -> Clipped:
        """A frame of a plate; the plate's ceilings are looked for once."""
        with cls._lock:
            for known, look in cls._looks:
                if known() is plate:
                    return cls(plate, frame, look)
            look = Look(plate, plate.sample(_FRAMES), None)
            cls._looks[:] = [(weakref.ref(plate), look), *cls._looks[: _KEPT - 1]]
            return cls(plate, frame, look)

    def whole(self) -> Flags:
        """Clipped samples of the frame: H x W x 3."""
        return self._ended(self.plate.recorded(self.frame), part=False)

    def region(self, region: Sequence[float], inside: Flags | None = None) -> Flags:
        """Clipped samples of a region of the display window: H x W x 3.

        A channel of the region that has lost its photon noise is clipped whole, whatever its
        level is: a card is one surface.

        Args:
            region: x, y, width, height; pixels or fractions.
            inside: Pixels of the region that belong to the surface, H x W; all when left out.

        Raises:
            ValueError: The region reaches out of the picture, or is empty.
        """
        recorded = self.plate.region_recorded(self.frame, region)
        mask = self._ended(recorded, part=True)
        beside = neighbour(self.plate, self.frame)
        other = None if beside is None else self.plate.region_recorded(beside, region)
        mask |= np.asarray(self.look.photons.quiet(recorded, other, inside))
        return mask

    def _ended(self, recorded: Pixels, *, part: bool) -> Flags:
        ends = tops(self.plate.recorded(self.frame), self.plate.scale.ceiling)
        found = clip_mask(recorded, self.look.ceilings, part=part) | (recorded >= ends)
        return np.asarray(found)

"""How many frames go to a worker at once.

A chunk is to take `TARGET` seconds: long against what it costs to hand out (some milliseconds),
short against what is lost with a worker. The first ones hold one frame each and measure what one
costs; from then on every chunk that comes back corrects the estimate by half. No chunk holds more
than `MOST` frames, nor more than half of its worker's share of what is left, so that all workers
end at about the same time.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from math import ceil

from gradeprep.model.shot import FrameEntry

__all__ = ["MOST", "TARGET", "ChunkQueue"]

TARGET = 4.0
"""Seconds that a chunk is to take."""

MOST = 200
"""Frames of the largest chunk."""


class ChunkQueue:
    """Frames that wait, and how many of them make a chunk."""

    def __init__(self, orders: Iterable[FrameEntry]) -> None:
        self._orders = deque(orders)
        self.seconds: float | None = None
        """What a frame costs, as far as is known."""

    def __len__(self) -> int:
        return len(self._orders)

    def take(self, slots: int) -> tuple[FrameEntry, ...]:
        """The next chunk.

        Args:
            slots: Chunks that run at once, everywhere together.
        """
        count = 1
        if self.seconds is not None:
            share = ceil(len(self._orders) / (2 * max(slots, 1)))
            count = max(1, min(MOST, share, int(TARGET / max(self.seconds, 1e-6))))
        return tuple(self._orders.popleft() for _ in range(min(count, len(self._orders))))

    def give_back(self, orders: Iterable[FrameEntry]) -> None:
        """Frames that were taken and not done; they come first again."""
        self._orders.extendleft(reversed(tuple(orders)))

    def learn(self, frames: int, seconds: float) -> None:
        """A chunk of that many frames took that long."""
        if frames:
            found = seconds / frames
            self.seconds = found if self.seconds is None else (self.seconds + found) / 2

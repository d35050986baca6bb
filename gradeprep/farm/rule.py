"""How many frames make a chunk: as many as make its start not matter, and no more."""

from __future__ import annotations

import math
from collections.abc import Mapping

from gradeprep.model.documents.cost import Cost

__all__ = ["SECONDS", "UNMEASURED", "chunk_sizes"]

SECONDS = 120.0
"""Processor seconds of a chunk: beside these, some 2 seconds to start one are under 2 %."""

MOST = 1000
"""Chunks of a bundle, about: the length of job arrays that schedulers allow by default."""

UNMEASURED = 25
"""Frames in a chunk where nobody knows what a frame costs."""


def chunk_sizes(cost: Cost) -> Mapping[str, int]:
    """Frames in a chunk of each shot.

    Chunks take equal time whatever a frame of the shot costs, so that no shot is done long after
    the others, and longer than `SECONDS` where they would become too many.
    """
    seconds = max(SECONDS, (cost.processor_seconds or 0.0) / MOST)
    least = math.ceil(cost.frames / MOST)
    return {
        name: min(shot.frames, max(least, _frames(seconds, shot.seconds)))
        for name, shot in cost.shots.items()
    }


def _frames(seconds: float, each: float | None) -> int:
    if each is None:
        return UNMEASURED
    return max(1, round(seconds / each)) if each > 0 else 10**6

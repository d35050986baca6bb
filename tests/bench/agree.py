"""Whether programs made the same picture: a ratio of different work says nothing."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt

from gradeprep.plates import files

from .programs import FLOOR, OURS, Way

__all__ = ["Agreement"]


class Agreement:
    """Holds every program's first frame against ours."""

    def __init__(self) -> None:
        self.ours: dict[str, npt.NDArray[np.generic]] = {}
        self.told: list[str] = []

    def __call__(self, way: Way, folder: Path) -> None:
        """Look at a folder of results; ours comes first."""
        first = sorted(path for path in folder.iterdir() if path.suffix in (".exr", ".dpx"))[0]
        planes = dict(files.read(first).parts[0].channels)
        if way.program == OURS:
            self.ours = planes
        elif way.program != FLOOR:
            self.told.append(f"{way.program} ({way.layout}): {self._difference(planes)}")

    def _difference(self, planes: dict[str, npt.NDArray[np.generic]]) -> str:
        pairs = [(self.ours[name], planes[name]) for name in "RGB"]
        wrong = sum(int(np.count_nonzero(mine != theirs)) for mine, theirs in pairs)
        if not wrong:
            return "the same samples"
        share = 100 * wrong / sum(mine.size for mine, _ in pairs)
        most = max(float(np.abs(a.astype("f8") - b.astype("f8")).max()) for a, b in pairs)
        return f"{share:.1f}% of the samples differ from ours, by {most:.3g} at most"

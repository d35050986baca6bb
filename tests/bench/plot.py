"""The figures as a picture, where matplotlib is installed."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from statistics import median

from .figures import best, whole
from .measure import Measured

__all__ = ["draw"]

# Positions on a perceptually uniform map that stays legible without colour vision.
_SHADES = {"gradeprep": 0.15, "floor": 0.5, "oiiotool": 0.75, "ffmpeg": 0.95}


def draw(measured: Sequence[Sequence[Measured]], path: Path, *, told: str) -> bool:
    """Frames a second of each job and program; whether there is a picture.

    Points, for a bar has no length on an axis without a zero.
    """
    try:
        version("matplotlib")  # a stand-in that another library left in its place has none
    except PackageNotFoundError:
        return False
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib import pyplot
    from matplotlib.ticker import LogLocator

    figure, axes = pyplot.subplots(figsize=(10, 0.9 * len(measured) + 1.5), layout="constrained")
    shades = mpl.colormaps["viridis"]
    names: set[str] = set()
    for row, block in enumerate(measured):
        chosen = best(block)
        height = 0.8 / len(chosen)
        for place, one in enumerate(chosen):
            rates = [max(one.samples) / sample.wall for sample in whole(one)]
            middle = median(rates)
            axes.errorbar(
                middle,
                row + (place + 0.5) * height - 0.4,
                xerr=[[middle - min(rates)], [max(rates) - middle]],
                fmt="o",
                color=shades(_SHADES[one.way.program]),
                capsize=3,
                label=None if one.way.program in names else one.way.program,
            )
            names.add(one.way.program)
    axes.set_yticks(range(len(measured)), [block[0].job.name for block in measured], fontsize=8)
    axes.invert_yaxis()
    axes.set_xscale("log")
    axes.xaxis.set_major_locator(LogLocator(subs=(1, 2, 5)))
    axes.xaxis.set_major_formatter("{x:g}")
    axes.xaxis.set_minor_formatter("")
    axes.grid(axis="x", alpha=0.3)
    axes.set_xlabel("frames/s, whole processes; median, smallest to largest")
    axes.set_title(told, fontsize=6, wrap=True)
    axes.legend(fontsize=8)
    figure.savefig(path, dpi=150)
    pyplot.close(figure)
    return True

"""Exposure over time: what was read, the keys it came down to, what was applied."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from gradeprep.model.record import Reading
from gradeprep.review.svgplot import Draw, Inks, legend, svg

__all__ = ["exposure_svg", "plot_exposure"]

_LEAST_SPAN = 0.2
"""The scale spans at least so many stops, or the noise of a still exposure would look like much."""


def plot_exposure(
    applied: Mapping[int, float],
    *,
    readings: Mapping[int, Reading] | None = None,
    keys: Mapping[int, float] | None = None,
    label: str = "applied",
) -> Draw:
    """Draws stops over frames.

    Args:
        applied: Frame to the stops that its record says were applied, or that a curve gives.
        readings: Frame to a reading of it, drawn with two standard deviations either way.
        keys: Frame to the stops of a key; only keys within the frames drawn are marked.
        label: What the curve is.
    """
    read = dict(readings or {})
    marked = {f: s for f, s in (keys or {}).items() if f in applied or f in read}

    def draw(axes: Any, inks: Inks) -> None:
        if applied:
            frames = sorted(applied)
            stops = [applied[frame] for frame in frames]
            axes.plot(frames, stops, color=inks.after, linewidth=1.8, label=label, zorder=2)
            if len(frames) == 1:
                axes.plot(frames, stops, "s", color=inks.after, markersize=5)
        if read:
            axes.errorbar(
                sorted(read),
                [read[frame].stops for frame in sorted(read)],
                yerr=[2.0 * read[frame].sigma for frame in sorted(read)],
                fmt="o",
                color=inks.before,
                markersize=4,
                elinewidth=1.0,
                label="read, ± 2 sigma",
                zorder=3,
            )
        if marked:
            at = sorted(marked)
            axes.plot(
                *(at, [marked[frame] for frame in at], "D"),
                markerfacecolor="none",
                markeredgecolor=inks.ink,
                markersize=8,
                label="key",
                zorder=4,
            )
        _scale(axes)
        legend(axes, inks)

    return draw


def exposure_svg(
    applied: Mapping[int, float],
    *,
    readings: Mapping[int, Reading] | None = None,
    keys: Mapping[int, float] | None = None,
) -> str:
    """The same as an SVG element."""
    draw = plot_exposure(applied, readings=readings, keys=keys)
    return svg(draw, title="Stops read and stops applied, frame by frame")


def _scale(axes: Any) -> None:
    low, high = axes.get_ylim()
    if high - low < _LEAST_SPAN:
        middle = 0.5 * (low + high)
        axes.set_ylim(middle - 0.5 * _LEAST_SPAN, middle + 0.5 * _LEAST_SPAN)
    axes.set_xlabel("frame")
    axes.set_ylabel("stops")
    axes.xaxis.get_major_locator().set_params(integer=True)
    axes.ticklabel_format(useOffset=False)
    axes.margins(x=0.03)

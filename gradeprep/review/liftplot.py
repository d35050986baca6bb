"""The lift's curve: tone in to tone out, both in stops from grey of the normalized picture."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from gradeprep.review.svgplot import Draw, Inks, legend, svg
from gradeprep.stages.lift import LiftParams, smootherstep

__all__ = ["lift_svg", "lifted_tones", "plot_lift"]

_AROUND = 2.0
"""Stops drawn beyond the transition, either way."""


def lifted_tones(
    tones: npt.NDArray[np.float64], *, stops: float, below: float, softness: float
) -> npt.NDArray[np.float64]:
    """Tone out of each tone in, stops from grey: ``t + stops * S((below - t) / softness)``.

    S is the lift's quintic smootherstep (`gradeprep.stages.lift`).
    """
    return np.asarray(tones + stops * smootherstep((below - tones) / softness), np.float64)


def plot_lift(lift: LiftParams) -> Draw:
    """Draws the curve, the line of no lift, and the two tones between which the lift begins."""
    stops, below, softness = float(lift.stops), float(lift.below), float(lift.softness)

    def draw(axes: Any, inks: Inks) -> None:
        low, high = below - softness - _AROUND, max(below + _AROUND, 1.0)
        tones = np.linspace(low, high, 241)
        out = lifted_tones(tones, stops=stops, below=below, softness=softness)
        axes.plot(
            tones, tones, color=inks.quiet, linewidth=1.2, linestyle=(0, (4, 2)), label="no lift"
        )
        axes.plot(tones, out, color=inks.after, linewidth=1.8, label=f"lift of {stops:+g} stops")
        for edge, word in ((below, "begins"), (below - softness, "whole")):
            at = edge + (stops if word == "whole" else 0.0)
            axes.plot([edge], [at], "o", color=inks.before, markersize=5)
            axes.annotate(
                f"{word} at {edge:+g}",
                (edge, at),
                (-6, 6),
                textcoords="offset points",
                ha="right",
                color=inks.ink,
                fontsize=9,
            )
        axes.set_xlim(low, high)
        axes.set_xlabel("tone without lift, stops from grey")
        axes.set_ylabel("tone with lift")
        for axis in (axes.xaxis, axes.yaxis):
            axis.get_major_locator().set_params(integer=True)
        legend(axes, inks)

    return draw


def lift_svg(lift: LiftParams) -> str:
    """The same as an SVG element."""
    if not math.isfinite(float(lift.stops)):
        raise ValueError("a lift of no number of stops has no curve")
    return svg(plot_lift(lift), title="The lift: tone in and tone out, in stops from grey")

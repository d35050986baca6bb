"""Noise per tone, before and after, with the two criteria of ISO 12232.

A pull moves the curve to other tones and changes no ratio. A lift moves tones by unlike amounts:
where its curve is flat it squeezes signal and noise alike, or lets a tone be read where a darker
one stood. Neither brings information that was not recorded, and the caption says so.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from gradeprep.checks.tones import NoiseCurve, decibels
from gradeprep.photometry import ACCEPTABLE, EXCELLENT
from gradeprep.review.svgplot import Draw, Inks, legend, svg

__all__ = ["noise_caption", "noise_svg", "plot_noise"]

_WIDEST_GAP = 1.0
"""Bins farther apart than this, in stops, are not joined by a line."""


def plot_noise(before: NoiseCurve, after: NoiseCurve | None = None) -> Draw:
    """Draws signal to noise over tone; the band is one standard deviation either way."""

    def draw(axes: Any, inks: Inks) -> None:
        _curve(axes, before, inks.before, "as recorded", "o", "-")
        if after is not None:
            _curve(axes, after, inks.after, "normalized", "s", (0, (4, 1.5)))
        for ratio, word in ((ACCEPTABLE, "10:1"), (EXCELLENT, "40:1")):
            axes.axhline(decibels(ratio), color=inks.ink, linewidth=1.0, linestyle=(0, (1, 2)))
            axes.annotate(
                word,
                (1.0, decibels(ratio)),
                (-2, 2),
                xycoords=("axes fraction", "data"),
                textcoords="offset points",
                ha="right",
                color=inks.ink,
                fontsize=9,
            )
        axes.axvline(0.0, color=inks.ink, linewidth=0.8)
        axes.set_xlabel("tone, stops from grey")
        axes.set_ylabel("signal to noise, dB")
        if not before.bins:
            words = {"transform": axes.transAxes, "ha": "center", "color": inks.ink}
            axes.text(0.5, 0.5, "no noise could be measured", **words)
            return
        legend(axes, inks)

    return draw


def noise_svg(before: NoiseCurve, after: NoiseCurve | None = None) -> str:
    """The same as an SVG element."""
    return svg(plot_noise(before, after), title="Signal to noise at each tone, before and after")


def noise_caption(before: NoiseCurve, after: NoiseCurve | None, *, lifted: bool) -> str:
    """What may be read from the plot, and what may not."""
    lines = [f"As recorded: {before.clean(ACCEPTABLE)}; {before.clean(EXCELLENT)} (ISO 12232)."]
    if after is not None:
        lines.append(f"Normalized: {after.clean(ACCEPTABLE)}; {after.clean(EXCELLENT)}.")
        lines.append("A pull moves tones and changes no ratio: the gain was made in the exposure.")
    if lifted:
        lines.append(
            "Where the lift's curve is flat it squeezes signal and noise together; a better ratio "
            "there is no more information than was recorded."
        )
    return " ".join(lines)


def _curve(axes: Any, curve: NoiseCurve, ink: str, label: str, mark: str, dash: Any) -> None:
    named = False
    for piece in _pieces(curve):
        tones = np.array([one.tone for one in piece])
        db = np.array([one.db for one in piece])
        doubt = np.array([one.uncertainty for one in piece])
        axes.fill_between(tones, db - doubt, db + doubt, color=ink, alpha=0.2, linewidth=0)
        axes.plot(
            *(tones, db),
            color=ink,
            linewidth=1.5,
            linestyle=dash,
            marker=mark,
            markersize=3.5,
            label=None if named else label,
        )
        named = True


def _pieces(curve: NoiseCurve) -> list[list[Any]]:
    """The curve's bins, parted where a gap between them says nothing."""
    pieces: list[list[Any]] = []
    for one in curve.bins:
        if pieces and one.tone - pieces[-1][-1].tone <= _WIDEST_GAP:
            pieces[-1].append(one)
        else:
            pieces.append([one])
    return pieces

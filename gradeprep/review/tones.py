"""The tones of a picture: how much of it stands how many stops from grey."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from gradeprep.model.stops import GREY, gain, tone
from gradeprep.pipeline.view import View
from gradeprep.plugins.contracts import Pixels
from gradeprep.review.svgplot import Draw, Inks, legend, svg

__all__ = ["HIGH", "LOW", "STEP", "Tones", "landing", "plot_tones", "tones_of", "tones_svg"]

LOW, HIGH, STEP = -12.0, 10.0, 0.25
"""First and last edge, and width of a bin, in stops from grey."""

_SEEN = 2e-4
"""Bins at the ends that hold less of the picture are not drawn."""


@dataclass(frozen=True, slots=True)
class Tones:
    """Shares of a picture's pixels by the tone of their luminance; they sum to 1.

    Attributes:
        shares: Share of each bin of `STEP` stops from `LOW` to `HIGH`.
        below: Share darker than the first bin, zero and negative luminance among it.
        above: Share brighter than the last bin.
    """

    shares: tuple[float, ...]
    below: float
    above: float

    @property
    def edges(self) -> npt.NDArray[np.float64]:
        """Edges of the bins, in stops from grey; one more than there are bins."""
        return np.linspace(LOW, HIGH, len(self.shares) + 1)


def tones_of(light: Pixels, weights: Sequence[float]) -> Tones:
    """The tones of scene-linear pixels, H x W x 3 float32, finite.

    Args:
        light: The pixels.
        weights: Luminance weights of R, G and B.
    """
    luminance = light @ np.asarray(weights, np.float32)
    count = round((HIGH - LOW) / STEP)
    with np.errstate(divide="ignore"):
        places = np.log2(np.maximum(luminance, 0.0) / np.float32(GREY))
    # a tone on an edge belongs to the brighter bin
    places = np.floor((np.clip(places, LOW - 1.0, HIGH + 1.0) - LOW) / STEP)
    index = np.clip(places, -1, count).astype(np.int64) + 1
    found = np.bincount(index.ravel(), minlength=count + 2) / luminance.size
    return Tones(tuple(found[1:-1].tolist()), float(found[0]), float(found[-1]))


def landing(view: View, frame: int, tones: Sequence[float]) -> tuple[float, ...]:
    """Where neutrals of some tones come to stand after all stages, in stops from grey.

    One that a stage takes to black or under stands at -inf.

    Args:
        view: The plate, with its stages.
        frame: Frame number, whose numbers the stages have.
        tones: Stops from grey before them.
    """
    if not tones:
        return ()
    light = np.array([[[GREY * gain(stops)] * 3 for stops in tones]], np.float32)
    staged = view.stages(frame, light)[0] @ np.asarray(view.weights)
    return tuple(tone(float(value)) if value > 0.0 else -math.inf for value in staged)


def plot_tones(
    before: Tones,
    after: Tones | None = None,
    *,
    ceilings: Sequence[float] = (),
    ceilings_after: Sequence[float] = (),
) -> Draw:
    """Draws the tones before, and after.

    Args:
        before: As recorded.
        after: Normalized.
        ceilings: Where channels of the plate end, in stops from grey, before.
        ceilings_after: Where those ends stand after.
    """

    def draw(axes: Any, inks: Inks) -> None:
        _silhouette(axes, before, inks.before, "as recorded", filled=0.35)
        if after is not None:
            _silhouette(axes, after, inks.after, "normalized", filled=0.12)
        _mark_ends(axes, ceilings, inks.before, "ceiling")
        _mark_ends(axes, ceilings_after, inks.after, "ceiling after")
        axes.axvline(0.0, color=inks.ink, linewidth=0.8)
        _scale(axes, [one for one in (before, after) if one is not None], ceilings)
        legend(axes, inks)

    return draw


def tones_svg(
    before: Tones,
    after: Tones | None = None,
    *,
    ceilings: Sequence[float] = (),
    ceilings_after: Sequence[float] = (),
) -> str:
    """The same as an SVG element."""
    draw = plot_tones(before, after, ceilings=ceilings, ceilings_after=ceilings_after)
    return svg(draw, title="Share of the picture at each tone, in stops from grey")


def _silhouette(axes: Any, tones: Tones, ink: str, label: str, *, filled: float) -> None:
    shares = np.asarray(tones.shares) * 100.0
    text = f"{label} ({tones.below:.1%} darker)" if tones.below > 0.001 else label
    axes.stairs(shares, tones.edges, fill=True, color=ink, alpha=filled, linewidth=0)
    axes.stairs(shares, tones.edges, color=ink, linewidth=1.6, label=text)


def _mark_ends(axes: Any, ceilings: Sequence[float], ink: str, word: str) -> None:
    """A line at each ceiling; one entry of the legend for all."""
    apart = _apart(ceilings)
    label = f"{word} {', '.join(f'{stops:+.1f}' for stops in apart)}"
    for stops in apart:
        look = {"color": ink, "linewidth": 1.5, "linestyle": (0, (5, 2))}
        axes.axvline(stops, label=label, **look)
        label = "_nolegend_"


def _scale(axes: Any, drawn: Sequence[Tones], ceilings: Sequence[float]) -> None:
    shares = np.max([one.shares for one in drawn], axis=0)
    seen = np.flatnonzero(shares > _SEEN)
    edges = drawn[0].edges
    low = float(edges[seen[0]]) if seen.size else -4.0
    high = float(edges[seen[-1] + 1]) if seen.size else 4.0
    high = max([high, 1.0, *_apart(ceilings)])
    axes.set_xlim(math.floor(min(low, -1.0)) - 0.25, math.ceil(high) + 0.25)
    axes.set_ylim(0.0, None)
    axes.set_xlabel("tone, stops from grey")
    axes.set_ylabel("% of the picture per ¼ stop")
    axes.xaxis.get_major_locator().set_params(integer=True)


def _apart(ceilings: Sequence[float]) -> list[float]:
    """Ceilings that can be distinguished when drawn, lowest first."""
    found: list[float] = []
    for stops in sorted(one for one in ceilings if math.isfinite(one)):
        if not found or stops - found[-1] > 0.1:
            found.append(stops)
    return found

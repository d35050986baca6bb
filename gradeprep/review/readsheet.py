"""The sheet of ``gradeprep measure --picture``: where the meter looked, and what it read there."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from gradeprep.model.frame import pixel_aspect
from gradeprep.model.record import Reading
from gradeprep.model.stops import gain, tone
from gradeprep.pipeline.curve import ExposureCurve
from gradeprep.pipeline.view import View
from gradeprep.review.exposureplot import plot_exposure
from gradeprep.review.screen import Bytes, Screen
from gradeprep.review.sheet import PANEL, Panel, laid_out, sized
from gradeprep.review.svgplot import Draw, Inks
from gradeprep.review.tones import plot_tones, tones_of

__all__ = ["MeterArea", "outlined", "read_sheet", "place_of", "reading_text"]

_INK, _EDGE = (240, 228, 66), (0, 0, 0)
"""Okabe-Ito yellow between two black lines: seen on any picture."""

Outline = tuple[tuple[float, float], ...]
"""Corners of a place, x and y in pixels of the display window."""


@dataclass(frozen=True, slots=True)
class MeterArea:
    """What a meter looked at in one frame.

    Attributes:
        frame: The frame; None where the evidence names none.
        outline: The place; empty where it looked at the whole picture, or at none.
        level: Its luminance, scene-linear; None where none was read.
    """

    frame: int | None = None
    outline: Outline = ()
    level: float | None = None


def place_of(reading: Reading, window: Sequence[int], frame: int | None = None) -> MeterArea:
    """What a reading's evidence says of the places looked at.

    Args:
        reading: The reading.
        window: The display window: x, y, width, height.
        frame: Of this frame; the first one in the evidence when left out.
    """
    evidence = reading.evidence
    entries = [one for one in _entries(evidence) if frame is None or one.get("frame") == frame]
    first: Mapping[str, Any] = entries[0] if entries else {}
    corners = evidence.get("corners")
    if corners is not None:
        outline: Outline = tuple((float(x), float(y)) for x, y in corners)
    else:
        outline = _rectangle(first.get("region", evidence.get("region")), window)
    level = first.get("luminance")
    return MeterArea(
        first.get("frame", frame),
        outline,
        float(level) if isinstance(level, float) and level > 0.0 and outline else None,
    )


def _entries(evidence: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    for key in ("frames", "here"):
        found = evidence.get(key)
        if isinstance(found, list | tuple):
            return [one for one in found if isinstance(one, Mapping)]
    return []


def _rectangle(region: Any, window: Sequence[int]) -> Outline:
    if not isinstance(region, list | tuple) or len(region) != 4:
        return ()
    x, y, width, height = (float(value) for value in region)
    if max(x, y, width, height) <= 1.0:
        x, width = x * window[2], width * window[2]
        y, height = y * window[3], height * window[3]
    return ((x, y), (x + width, y), (x + width, y + height), (x, y + height))


def reading_text(reading: Reading) -> str:
    """A reading in one line.

    >>> reading_text(Reading(meter="grey_card", stops=-3.0, sigma=0.012))
    'pull by -3.000 ± 0.012 stops'
    """
    weak = " (weak evidence)" if reading.weak else ""
    sigma = "under 0.001" if reading.sigma < 0.0005 else f"{reading.sigma:.3f}"
    return f"pull by {reading.stops:+.3f} ± {sigma} stops{weak}"


def outlined(picture: Bytes, outline: Outline) -> Bytes:
    """A copy with a closed line around a place: yellow, with black on either side.

    Args:
        picture: uint8 H x W x 3.
        outline: Corners in pixels of the picture; what lies outside of it is left out.
    """
    found = picture.copy()
    for reach, ink in ((2, _EDGE), (0, _INK)):
        for start, end in zip(outline, (*outline[1:], *outline[:1]), strict=True):
            _line(found, start, end, reach, ink)
    return found


def _line(
    picture: Bytes,
    start: tuple[float, float],
    end: tuple[float, float],
    reach: int,
    ink: tuple[int, int, int],
) -> None:
    count = 2 + int(2 * max(abs(end[0] - start[0]), abs(end[1] - start[1])))
    columns = np.rint(np.linspace(start[0], end[0], count)).astype(int)
    rows = np.rint(np.linspace(start[1], end[1], count)).astype(int)
    height, width, _ = picture.shape
    for down in range(-reach, reach + 2):
        for across in range(-reach, reach + 2):
            y, x = rows + down, columns + across
            inside = (y >= 0) & (y < height) & (x >= 0) & (x < width)
            picture[y[inside], x[inside]] = ink


def read_sheet(
    view: View,
    *,
    screen: Screen,
    reading: Reading | None = None,
    readings: Mapping[int, Reading] | None = None,
    curve: ExposureCurve | None = None,
) -> Bytes:
    """A frame with the place read outlined, the reading beside it, and the frame's tones.

    Args:
        view: The plate.
        screen: How light is shown.
        reading: The reading of the plate.
        readings: Frame to its reading, where every frame was read.
        curve: What those come down to.

    Raises:
        RequestError: matplotlib is not installed.
    """
    over_time = dict(readings or {})
    if reading is None:
        first = min(over_time)
        reading, seen = over_time[first], place_of(over_time[first], view.window, first)
    else:
        seen = place_of(reading, view.window)
    frame = view.frames.first if seen.frame is None else seen.frame
    panels = [*_panels(view, frame, screen, reading, seen)]
    if over_time and curve is not None:
        applied = {number: curve.stops(number) for number in view.frames}
        plot = plot_exposure(applied, readings=over_time, keys=curve.keys, label="through keys")
        caption = f"{len(over_time)} of {len(view.frames)} frames read"
        panels.append(Panel(title="exposure over time", plot=plot, caption=caption))
    return laid_out(
        panels,
        title=f"{reading.meter}: {_span(over_time) if over_time else reading_text(reading)}",
        below=f"{view.found.sequence.path(frame).name}, frame {frame}, {view.space}; shown on "
        f"{screen.title}",
    )


def _span(readings: Mapping[int, Reading]) -> str:
    """Where readings begin and end, in one line."""
    first, last = min(readings), max(readings)
    return (
        f"pull by {readings[first].stops:+.3f} at frame {first} "
        f"to {readings[last].stops:+.3f} at {last}"
    )


def _panels(
    view: View, frame: int, screen: Screen, reading: Reading, seen: MeterArea
) -> Iterator[Panel]:
    light, broken = view.pixels(frame), view.broken(frame)
    aspect = pixel_aspect(view.header(frame))
    picture = screen.picture(light, side=PANEL, broken=broken, aspect=aspect)
    yield Panel(
        title=_title(seen),
        picture=_placed(view, frame, sized(picture), seen),
        caption="\n".join([reading_text(reading), *reading.warnings]),
    )
    pulled = np.asarray(light * np.float32(gain(reading.stops)), np.float32)
    plot = plot_tones(tones_of(light, view.weights), tones_of(pulled, view.weights))
    yield Panel(
        title="tones, grey at 0",
        plot=_with_level(plot, seen.level, reading.stops),
        caption="normalized: what the reading's pull makes of the frame",
    )


def _title(seen: MeterArea) -> str:
    return "the place read" if seen.outline else "the frame"


def _placed(view: View, frame: int, picture: Bytes, seen: MeterArea) -> Bytes:
    """The picture with the place outlined: display window to data window to picture."""
    if not seen.outline:
        return picture
    left, top = view.corner(frame)
    across = picture.shape[1] / view.pixels(frame).shape[1]
    down = picture.shape[0] / view.pixels(frame).shape[0]
    return outlined(
        picture, tuple(((x - left) * across, (y - top) * down) for x, y in seen.outline)
    )


def _with_level(plot: Draw, level: float | None, stops: float) -> Draw:
    """The same plot with the place's own tone marked, before and after."""
    if level is None:
        return plot
    at = tone(level)

    def draw(axes: Any, inks: Inks) -> None:
        for where, ink, mark in ((at, inks.before, "v"), (at + stops, inks.after, "^")):
            label = (
                f"the place read, {where:+.2f}"
                if mark == "v"
                else f"after, {round(where, 2) + 0.0:+.2f}"
            )
            line = {"color": ink, "linestyle": "none", "markersize": 8, "label": label}
            axes.plot([where], [0.0], mark, clip_on=False, zorder=5, **line)
        plot(axes, inks)

    return draw

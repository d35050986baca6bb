"""Check: highlights that were cut off, where, in which channel, and how far the rest is from it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel, ConfigDict, Field, model_validator

from gradeprep.checks import areas, drawn, plateau
from gradeprep.model.framerange import FrameRange
from gradeprep.model.record import Finding
from gradeprep.plugins.contracts import Pixels, PlateView, Scale

__all__ = ["Ceiling", "Clipping", "ClippingParams", "ceilings", "clip_mask"]

_CHANNELS = "RGB"

_TOP_SHARE = 1e-4
"""Share of the pixels that the headroom leaves out: it is told at the 99.99th percentile."""

_LEAST = 8
"""Fewest pixels, over all frames looked at, that make a pile."""

_DRAWN = 0.05
"""Share of gradients without noise from which on no camera made the plate."""

_KINDS = {
    "stated": "the ceiling stated",
    "encodable": "the end of the encoding",
    "plateau": "the plate's own plateau",
}


class ClippingParams(BaseModel):
    """Parameters of the clipping check."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    on: Literal["fail", "warn", "note"] = Field("warn", description="Severity of a clipped area")
    ceiling: float | None = Field(
        None, description="Where the camera clips, in stops above grey; found when left out"
    )
    code: float | None = Field(
        None, description="The same as recorded value (a code as its share of the top code)"
    )
    frames: int = Field(12, ge=1, description="Number of frames to look at, evenly spread")
    speculars: float = Field(
        2e-5,
        ge=0.0,
        description="Areas smaller than this are speculars, which only make a note: "
        "pixels, or a share of the frame below 1",
    )

    @model_validator(mode="after")
    def _one_ceiling(self) -> ClippingParams:
        if self.ceiling is not None and self.code is not None:
            raise ValueError("ceiling and code state the same thing; give one of them")
        return self


@dataclass(frozen=True, slots=True)
class Ceiling:
    """A value that a channel does not pass.

    Attributes:
        kind: ``stated`` by the user, ``encodable`` by the recording, ``plateau`` seen in the
            plate itself, or ``flat`` where such a plateau is as likely to be a drawn colour.
        value: The ceiling as recorded value.
        floor: Recorded value from which on a sample counts as clipped: a little lower, for
            rounding, and for ripple on a plateau.
        stops: The ceiling in stops above grey, read as a neutral.
    """

    kind: Literal["stated", "encodable", "plateau", "flat"]
    value: float
    floor: float
    stops: float


@dataclass(frozen=True, slots=True)
class _Clip:
    """What is clipped in one channel of one frame; areas are apart from speculars."""

    frame: int
    share: float
    pixels: int
    speculars: int
    largest: int
    box: tuple[int, int, int, int]


def clip_mask(recorded: Pixels, found: Sequence[Ceiling | None]) -> npt.NDArray[np.bool_]:
    """Which samples are clipped: H x W x 3 bool.

    Args:
        recorded: The frame as recorded, H x W x 3.
        found: Ceiling of R, G and B, as `ceilings` tells; None for a channel that has none.
    """
    floors = [math.inf if one is None else one.floor for one in found]
    return np.asarray(recorded >= np.asarray(floors, np.float32))


def ceilings(plate: PlateView, params: ClippingParams) -> tuple[Ceiling | None, ...]:
    """The lowest ceiling that each channel reaches in the frames looked at, None for none.

    A flat area that may be drawn is no ceiling.

    Raises:
        ValueError: The stated ceiling lies where the plate's encoding has no value.
    """
    reached = _Look(plate, params).reached
    return tuple(None if one is None or one.kind == "flat" else one for one in reached)


class _Look:
    """One look at a plate: values counted over the sampled frames, and what follows from them."""

    def __init__(self, plate: PlateView, params: ClippingParams) -> None:
        self.plate = plate
        self.params = params
        self.scale = plate.scale
        self.frames = plate.sample(params.frames)
        self.bins = plateau.Bins.of(self.scale)
        self.stated = _stated(self.scale, params)
        looks = plate.each(self.frames, self._count)
        self.counts = [_sum([counts[c] for counts, _ in looks]) for c in range(3)]
        self.peaks = [max(float(peaks[c]) for _, peaks in looks) for c in range(3)]
        self.reached = tuple(self._lowest(channel) for channel in range(3))

    def _count(self, frame: int) -> tuple[list[npt.NDArray[np.int64]], npt.NDArray[np.float32]]:
        recorded = self.plate.recorded(frame)
        index = self.bins.index(recorded)
        counts = [self.bins.count(index[..., channel]) for channel in range(3)]
        return counts, recorded.max(axis=(0, 1))

    def _lowest(self, channel: int) -> Ceiling | None:
        """The lowest of the ceilings that a channel reaches."""
        known = [one for one in (self.stated, self.encodable()) if one is not None]
        reached = [one for one in known if self.peaks[channel] >= one.floor]
        seen = self._plateau(channel)
        if seen is not None and all(seen.value < one.floor for one in reached):
            if seen.value == 1.0 or not self._may_be_drawn(seen):
                return seen
            reached = reached or [replace(seen, kind="flat")]
        return min(reached, key=lambda one: one.floor, default=None)

    def encodable(self) -> Ceiling | None:
        """The end of the encoding, where nothing passes it."""
        value = self.scale.ceiling
        # Floats may pass the end of a log curve; then it is none.
        if value is None or max(self.peaks) > value * (1.0 + 1e-6):
            return None
        return _ceiling("encodable", value, self.scale)

    def _plateau(self, channel: int) -> Ceiling | None:
        size = self.plate.recorded(self.frames.first)[..., 0].size
        least = max(_LEAST, round(2e-5 * size))
        bins, scale = self.bins, self.scale
        found = plateau.band(self.counts[channel], bins, scale, least=least)
        if found is None:
            return None

        def around(frame: int) -> plateau.Surroundings | None:
            index = bins.index(self.plate.recorded(frame)[..., channel])
            return plateau.surroundings(index, found, bins, scale)

        seen = [one for one in self.plate.each(self.frames, around) if one is not None]
        if not plateau.convincing(found, seen, bins):
            return None
        held = self.counts[channel][found.low : found.low + found.width]
        value = float(bins.value(found.low + int(np.argmax(held))))
        floor = float(bins.value(found.low)) - 0.5 * bins.step
        return Ceiling("plateau", value, floor, _tone(scale, value))

    def _may_be_drawn(self, seen: Ceiling) -> bool:
        """Whether noise would show at a plateau, and the plate is smooth without."""
        low = int(self.bins.index(np.asarray([seen.value], np.float32))[0])
        width = _tone(self.scale, float(self.bins.value(low + 1))) - seen.stops
        return width <= drawn.FINE and self.smooth >= _DRAWN

    @cached_property
    def smooth(self) -> float:
        """Share of gradients without noise: the largest of the channels, over the frames."""

        def share(frame: int) -> float:
            index = self.bins.index(self.plate.recorded(frame))
            return max(drawn.smooth_share(index[..., channel]) for channel in range(3))

        return float(np.median(self.plate.each(self.frames, share)))

    def headroom(self, channel: int) -> tuple[float, float | None]:
        """Brightest tone in stops above grey, and how far the ceiling is from it, if known."""
        counts = self.counts[channel]
        above = np.cumsum(counts[::-1])[::-1]
        index = int(np.flatnonzero(above > _TOP_SHARE * above[0])[-1])
        tone = _tone(self.scale, float(self.bins.value(index)))
        found = self.reached[channel] or self.stated or self.encodable()
        return tone, None if found is None else found.stops - tone

    def clips(self) -> list[list[_Clip]]:
        """What is clipped in each channel, frame by frame; only frames where something is."""
        if not any(self.reached):
            return [[], [], []]
        found = self.plate.each(self.frames, self._clipped)
        return [[clips[c] for clips in found if clips[c].share] for c in range(3)]

    def _clipped(self, frame: int) -> list[_Clip]:
        mask = clip_mask(self.plate.recorded(frame), self.reached)
        limit = self.params.speculars
        size = mask.shape[0] * mask.shape[1]
        least = limit if limit >= 1.0 else limit * size
        clips = []
        for channel in range(3):
            found = areas.find(mask[..., channel])
            total = int(found.pixels.sum())
            small = int(found.pixels[found.pixels < least].sum())
            clips.append(_Clip(frame, total / size, total - small, small, *found.largest))
        return clips


class Clipping:
    """Looks for highlights that were cut off, and tells the headroom where none were.

    A channel may end at a ceiling that the user states, at the end of the encoding, or at a
    plateau below it that the plate itself shows: a sensor that saturates. Boxes are told in
    pixels of the data window.
    """

    name = "clipping"
    summary = "highlights cut off: where, in which channel, and the headroom that was left"
    Params = ClippingParams

    def look(self, plate: PlateView, params: ClippingParams) -> Iterator[Finding]:
        """One finding a channel that clips; a note of the headroom where none does."""
        look = _Look(plate, params)
        clips = look.clips()
        for channel, found in enumerate(clips):
            ceiling = look.reached[channel]
            if ceiling is not None and found:
                tone, _ = look.headroom(channel)
                if ceiling.kind == "flat":
                    yield _flat(channel, ceiling, found)
                else:
                    yield _finding(channel, ceiling, found, tone, params)
        if not any(clips):
            yield _left(look)
        elif not all(clips):
            yield from _others(look, clips)


def _finding(
    channel: int, ceiling: Ceiling, clips: Sequence[_Clip], tone: float, params: ClippingParams
) -> Finding:
    worst = max(clips, key=lambda clip: (clip.pixels > 0, clip.share))
    area = worst.pixels > 0
    kind = _KINDS[ceiling.kind]
    if ceiling.kind == "plateau" and ceiling.value == 1.0:
        kind = "exactly 1.0, the end of a display range"
    name = _CHANNELS[channel]
    clipped = "clipped" if area else "clipped, in speculars only"
    return Finding(
        severity=params.on if area else "note",
        what=f"{worst.share:.3%} of {name} is {clipped} at {ceiling.stops:+.2f} stops from grey "
        f"({kind}, {ceiling.value:.4g}); the largest area has {worst.largest} pixels",
        frame=worst.frame,
        channel=name,
        numbers={
            **_told(ceiling),
            "share": worst.share,
            "area_pixels": worst.pixels,
            "specular_pixels": worst.speculars,
            "largest_pixels": worst.largest,
            "largest_box": worst.box,
            "frames": str(FrameRange.of(clip.frame for clip in clips)),
            "shares": {str(clip.frame): clip.share for clip in clips},
            "headroom": round(ceiling.stops - tone, 3),
        },
        remedy="no pull brings it back: expose lower, or paint it; state another ceiling with "
        "ceiling or code if this is not where the camera clips"
        if area
        else "",
    )


def _flat(channel: int, ceiling: Ceiling, flats: Sequence[_Clip]) -> Finding:
    """A plateau that may be a colour somebody drew."""
    worst = max(flats, key=lambda flat: flat.share)
    name = _CHANNELS[channel]
    return Finding(
        severity="note",
        what=f"{worst.share:.3%} of {name} is flat at {ceiling.value:.4g}, {ceiling.stops:+.2f} "
        "stops from grey, and nothing is brighter; but there are gradients without noise, which "
        "no camera records: it is drawn, rendered or denoised, and flat areas may be meant",
        frame=worst.frame,
        channel=name,
        numbers={
            **_told(ceiling),
            "flat_share": worst.share,
            "largest_pixels": worst.largest,
            "largest_box": worst.box,
            "frames": str(FrameRange.of(flat.frame for flat in flats)),
        },
        remedy="where a camera shot it, it clipped there: state that with ceiling or code",
    )


def _left(look: _Look) -> Finding:
    """Nothing clips: what was left."""
    tops = [look.headroom(channel) for channel in range(3)]
    rooms = [room for _, room in tops if room is not None]
    numbers: dict[str, Any] = {
        "tones": {name: _plain(tone) for name, (tone, _) in zip(_CHANNELS, tops, strict=True)},
        "frames": str(look.frames),
    }
    tone = max(tone for tone, _ in tops)
    if not rooms or not math.isfinite(tone):
        what = "nothing clips; no ceiling is known to tell the headroom from"
        remedy = "state where the camera clips with ceiling (stops above grey)"
        return Finding(severity="note", what=what, numbers=numbers, remedy=remedy)
    room = min(rooms)
    numbers |= {"headroom": round(room, 3), **_told(look.stated or look.encodable())}
    what = (
        f"nothing clips; {room:.2f} stops were left: the brightest tones (99.99th percentile) "
        f"stand {tone:+.2f} stops from grey"
    )
    return Finding(severity="note", what=what, numbers=numbers)


def _others(look: _Look, clips: Sequence[Sequence[_Clip]]) -> Iterator[Finding]:
    """Channels that do not clip beside one that does."""
    for channel, found in enumerate(clips):
        tone, room = look.headroom(channel)
        if not found and room is not None and math.isfinite(room):
            name = _CHANNELS[channel]
            yield Finding(
                severity="note",
                what=f"{name} does not clip; {room:.2f} stops were left",
                channel=name,
                numbers={"headroom": round(room, 3), "tone": _plain(tone)},
            )


def _told(ceiling: Ceiling | None) -> Mapping[str, Any]:
    if ceiling is None:
        return {}
    return {
        "ceiling": ceiling.kind,
        "ceiling_recorded": ceiling.value,
        "ceiling_stops": round(ceiling.stops, 4),
    }


def _plain(stops: float) -> float | None:
    """Stops as JSON holds them: darkness has none."""
    return round(stops, 3) if math.isfinite(stops) else None


def _stated(scale: Scale, params: ClippingParams) -> Ceiling | None:
    if params.code is not None:
        return _ceiling("stated", params.code, scale)
    if params.ceiling is None:
        return None
    return _ceiling("stated", _recorded(scale, params.ceiling), scale)


def _recorded(scale: Scale, stops: float) -> float:
    """Recorded value of a tone: bisection, as a tone rises with its recorded value."""
    low, high = (-1.0, 4.0) if scale.log else (0.0, 1.0 if scale.step else 65504.0)
    top = _tone(scale, high)
    if not stops <= top + 1e-3:
        raise ValueError(
            f"ceiling {stops:g} is above {top:.2f} stops, the most that the plate's encoding holds"
        )
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if _tone(scale, middle) < stops else (low, middle)
    return high


def _ceiling(kind: Literal["stated", "encodable"], value: float, scale: Scale) -> Ceiling:
    floor = value - 0.5 * scale.step if scale.step else value * (1.0 - 1e-5)
    return Ceiling(kind, value, floor, _tone(scale, value))


def _tone(scale: Scale, value: float) -> float:
    return float(scale.tone(np.asarray([value]))[0])


def _sum(counts: Sequence[npt.NDArray[np.int64]]) -> npt.NDArray[np.int64]:
    total = np.zeros(max(one.size for one in counts), np.int64)
    for one in counts:
        total[: one.size] += one
    return total

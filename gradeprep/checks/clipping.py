"""Check: clipped highlights, where, in which channel, and the headroom of the rest."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from gradeprep.checks import areas
from gradeprep.clips.ceilings import Ceiling, at, clip_mask, tone_of
from gradeprep.clips.look import Look
from gradeprep.model.framerange import FrameRange
from gradeprep.model.record import Finding
from gradeprep.plugins.contracts import PlateView, Scale

__all__ = ["Clipping", "ClippingParams", "ceilings"]

_CHANNELS = "RGB"

_KINDS = {
    "stated": "the stated ceiling",
    "encodable": "the end of the encoding",
    "plateau": "the plate's own plateau",
    "sensor": "the sensor's channel, full",
}


class ClippingParams(BaseModel):
    """Parameters of the clipping check."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    on: Literal["fail", "warn", "note"] = Field("warn", description="Severity of a clipped area")
    ceiling: float | None = Field(
        None, description="Where the camera clips, in stops above grey; measured by default"
    )
    code: float | None = Field(
        None, description="The same as recorded value (a code as its share of the top code)"
    )
    frames: int = Field(12, ge=1, description="Number of frames to look at, evenly spread")
    speculars: float = Field(
        2e-5,
        ge=0.0,
        description="Areas smaller than this are speculars, which are a note: "
        "pixels, or a share of the frame below 1",
    )
    glints: float = Field(
        1e-3,
        ge=0.0,
        le=1.0,
        description="Share of a frame up to which a clipped channel is a note",
    )

    @model_validator(mode="after")
    def _one_ceiling(self) -> ClippingParams:
        if self.ceiling is not None and self.code is not None:
            raise ValueError("ceiling and code state the same thing; give one of them")
        return self


@dataclass(frozen=True, slots=True)
class _Clip:
    """What is clipped in one channel of one frame; areas are apart from speculars."""

    frame: int
    share: float
    pixels: int
    speculars: int
    largest: int
    box: tuple[int, int, int, int]


def ceilings(plate: PlateView, params: ClippingParams) -> tuple[Ceiling | None, ...]:
    """The lowest ceiling that each channel reaches in the frames looked at, None for none.

    A flat area that may be drawn is no ceiling.

    Raises:
        ValueError: The stated ceiling lies where the plate's encoding has no value.
    """
    return _look(plate, params).ceilings


def _look(plate: PlateView, params: ClippingParams) -> Look:
    return Look(plate, plate.sample(params.frames), _stated(plate.scale, params))


def _clips(look: Look, params: ClippingParams) -> list[list[_Clip]]:
    """What is clipped in each channel, frame by frame; only frames where something is."""
    if not any(look.reached):
        return [[], [], []]
    limit = params.speculars

    def clipped(frame: int) -> list[_Clip]:
        mask = clip_mask(look.plate.recorded(frame), look.reached)
        size = mask.shape[0] * mask.shape[1]
        least = limit if limit >= 1.0 else limit * size
        clips = []
        for channel in range(3):
            found = areas.find(mask[..., channel])
            total = int(found.pixels.sum())
            small = int(found.pixels[found.pixels < least].sum())
            clips.append(_Clip(frame, total / size, total - small, small, *found.largest))
        return clips

    found = look.plate.each(look.frames, clipped)
    return [[clips[c] for clips in found if clips[c].share] for c in range(3)]


class Clipping:
    """Finds clipped highlights in each channel.

    A channel ends at a ceiling that the user states, at the end of the encoding, at a plateau of
    recorded values, or in a plane of RGB in which light has lost its photon noise: a sensor
    channel that was full before a colour matrix, shading correction or compression. Headroom is
    a number only where the ceiling is stated; the end of an encoding is no ceiling of a sensor.
    Boxes are in pixels of the data window.
    """

    name = "clipping"
    summary = "clipped highlights: where, in which channel, and the headroom where it is known"
    Params = ClippingParams

    def look(self, plate: PlateView, params: ClippingParams) -> Iterator[Finding]:
        """One finding a channel that clips; a note on the headroom of the others."""
        look = _look(plate, params)
        clips = _clips(look, params)
        for channel, found in enumerate(clips):
            ceiling = look.reached[channel]
            if ceiling is not None and found:
                tone = look.tone(channel)
                if ceiling.kind == "flat":
                    yield _flat(channel, ceiling, found)
                else:
                    yield _finding(channel, ceiling, found, tone, params)
        if not any(clips):
            yield _unclipped(look)
        elif not all(clips):
            yield from _others(look, clips)


def _finding(
    channel: int, ceiling: Ceiling, clips: Sequence[_Clip], tone: float, params: ClippingParams
) -> Finding:
    worst = max(clips, key=lambda clip: (clip.pixels > 0, clip.share))
    area = worst.pixels > 0
    grave = area and worst.share > params.glints
    kind = _KINDS[ceiling.kind]
    if ceiling.kind == "plateau" and ceiling.value == 1.0:
        kind = "exactly 1.0, the end of a display range"
    name = _CHANNELS[channel]
    clipped = "clipped" if area else "clipped, in speculars only"
    return Finding(
        severity=params.on if grave else "note",
        what=f"{worst.share:.3%} of {name} is {clipped} at {ceiling.stops:+.2f} stops from grey "
        f"({kind}, {ceiling.value:.4g}); the largest area has {worst.largest} pixels",
        frame=worst.frame,
        channel=name,
        numbers={
            **_described(ceiling),
            "share": worst.share,
            "area_pixels": worst.pixels,
            "specular_pixels": worst.speculars,
            "largest_pixels": worst.largest,
            "largest_box": worst.box,
            "frames": str(FrameRange.of(clip.frame for clip in clips)),
            "shares": {str(clip.frame): clip.share for clip in clips},
            "tone": _plain(tone),
        },
        remedy="clipped detail cannot be recovered by a pull: expose lower or paint; if the "
        "camera clips elsewhere, state it with ceiling or code"
        if grave
        else "",
    )


def _flat(channel: int, ceiling: Ceiling, flats: Sequence[_Clip]) -> Finding:
    """A plateau that may be a drawn colour."""
    worst = max(flats, key=lambda flat: flat.share)
    name = _CHANNELS[channel]
    return Finding(
        severity="note",
        what=f"{worst.share:.3%} of {name} is flat at {ceiling.value:.4g}, {ceiling.stops:+.2f} "
        "stops from grey, and nothing is brighter; gradients without noise show that the picture "
        "is drawn, rendered or denoised, so this may be a colour or a clip",
        frame=worst.frame,
        channel=name,
        numbers={
            **_described(ceiling),
            "flat_share": worst.share,
            "largest_pixels": worst.largest,
            "largest_box": worst.box,
            "frames": str(FrameRange.of(flat.frame for flat in flats)),
        },
        remedy="if a camera recorded it, it clips there: state that with ceiling or code",
    )


def _unclipped(look: Look) -> Finding:
    """No channel clips: the headroom, where a ceiling is known."""
    tones = [look.tone(channel) for channel in range(3)]
    tone = max(tones)
    numbers: dict[str, Any] = {
        "tones": {name: _plain(one) for name, one in zip(_CHANNELS, tones, strict=True)},
        "frames": str(look.frames),
    }
    end = look.stated or look.encoding_end()
    if not math.isfinite(tone):
        what = "no clipping found; the plate is black, headroom unknown"
        return Finding(severity="note", what=what, numbers={**numbers, "known": False})
    at_tone = f"the brightest tones (99.99th percentile) are {tone:+.2f} stops from grey"
    if look.stated is not None:
        room = look.stated.stops - tone
        return Finding(
            severity="note",
            what=f"no clipping found; {room:.2f} stops of headroom to the stated ceiling: "
            f"{at_tone}",
            numbers={
                **numbers,
                "known": True,
                "headroom": round(room, 3),
                **_described(look.stated),
            },
        )
    found = "no clipping found" if look.photons.line else "no clipping found in recorded values"
    what = f"{found}; ceiling not seen, headroom unknown: {at_tone}"
    if end is not None:
        numbers["encoding_end_stops"] = round(end.stops, 4)
        what += f"; the encoding ends at {end.stops:+.2f}"
    return Finding(
        severity="note",
        what=what,
        numbers={**numbers, "known": False},
        remedy="state where the camera clips with ceiling (stops above grey)",
    )


def _others(look: Look, clips: Sequence[Sequence[_Clip]]) -> Iterator[Finding]:
    """Channels that do not clip beside one that does."""
    for channel, found in enumerate(clips):
        tone = look.tone(channel)
        if found or not math.isfinite(tone):
            continue
        name = _CHANNELS[channel]
        if look.stated is not None:
            room = look.stated.stops - tone
            yield Finding(
                severity="note",
                what=f"{name} does not clip; {room:.2f} stops of headroom to the stated ceiling",
                channel=name,
                numbers={"known": True, "headroom": round(room, 3), "tone": _plain(tone)},
            )
        else:
            yield Finding(
                severity="note",
                what=f"{name} is not seen to clip; ceiling not seen, headroom unknown: its "
                f"brightest tones are {tone:+.2f} stops from grey",
                channel=name,
                numbers={"known": False, "tone": _plain(tone)},
            )


def _described(ceiling: Ceiling | None) -> Mapping[str, Any]:
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
        return at("stated", params.code, scale)
    if params.ceiling is None:
        return None
    return at("stated", _recorded(scale, params.ceiling), scale)


def _recorded(scale: Scale, stops: float) -> float:
    """Recorded value of a tone: bisection, as a tone rises with its recorded value."""
    low, high = (-1.0, 4.0) if scale.log else (0.0, 1.0 if scale.step else 65504.0)
    top = tone_of(scale, high)
    if not stops <= top + 1e-3:
        raise ValueError(
            f"ceiling {stops:g} is above {top:.2f} stops, the most that the plate's encoding holds"
        )
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if tone_of(scale, middle) < stops else (low, middle)
    return high

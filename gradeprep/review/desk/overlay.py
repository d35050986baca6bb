"""What lies over a picture: where it clips, and how far the signal stands above the noise."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from gradeprep.checks.clipping import ClippingParams, ceilings
from gradeprep.checks.noisetable import NoiseTable, measure_noise
from gradeprep.clips.ceilings import Ceiling, clip_mask
from gradeprep.errors import RequestError
from gradeprep.model.recipe import Shot
from gradeprep.model.stops import GREY
from gradeprep.photometry import ACCEPTABLE, EXCELLENT
from gradeprep.pipeline.view import View
from gradeprep.plugins.contracts import Pixels
from gradeprep.review.screen import any_within

__all__ = [
    "LEAST_SNR",
    "MOST_SNR",
    "ceilings_of",
    "clip_note",
    "clipped",
    "noise_of",
    "snr_bytes",
    "snr_note",
    "snr_stops",
]

LEAST_SNR, MOST_SNR = -1.0, 7.0
"""Signal to noise, in stops (log2), that byte 0 and byte 255 of a noise overlay stand for."""

Bytes = npt.NDArray[np.uint8]


def ceilings_of(view: View, shot: Shot) -> tuple[Ceiling | None, ...]:
    """Ceilings of R, G and B, as the recipe's clipping check looks for them.

    Raises:
        RequestError: The ceiling that the recipe states lies where the plate has no value.
    """
    params = shot.checks.get("clipping") or ClippingParams()
    try:
        return ceilings(view, params)
    except ValueError as error:
        raise RequestError(str(error), shot=shot.name, key="checks.clipping") from error


def clipped(
    recorded: Pixels,
    found: Sequence[Ceiling | None],
    size: tuple[int, int],
    within: tuple[slice, slice] = (slice(None), slice(None)),
) -> Bytes:
    """Number of channels that clip somewhere within each pixel of a smaller picture.

    Args:
        recorded: The whole frame's samples as recorded.
        found: Ceilings of its channels.
        size: Height and width of the smaller picture.
        within: Rows and columns to show.

    Returns:
        uint8 H x W, 0 to 3.
    """
    mask = any_within(clip_mask(recorded, found)[within], size)
    return np.asarray(mask.sum(axis=2), np.uint8)


def clip_note(found: Sequence[Ceiling | None]) -> str:
    """One line on the ceilings."""
    words = {
        "stated": "as stated",
        "encodable": "the end of the encoding",
        "plateau": "from the plateau",
        "sensor": "a full channel of the sensor",
    }
    data = {
        name: f"{one.stops:+.1f} stops from grey, {words[one.kind]}"
        for name, one in zip("RGB", found, strict=True)
        if one is not None
    }
    if not data:
        return "nothing clips in the frames looked at"
    if len(data) == 3 and len(set(data.values())) == 1:
        return f"ceiling {data['R']}"
    return "ceiling " + "; ".join(f"{name} {line}" for name, line in data.items())


def noise_of(view: View, frame: int) -> NoiseTable:
    """Noise per tone of a frame and its neighbour, as recorded."""
    return measure_noise(view, [frame])


def snr_stops(
    light: Pixels, weights: tuple[float, float, float], table: NoiseTable
) -> npt.NDArray[np.float32]:
    """Signal to noise of each pixel's tone in stops, as recorded; neither pull nor gain moves it.

    Between the tones that were measured it runs in a straight line; darker ones have the noise of
    the darkest, brighter ones the ratio of the brightest. -inf at or under zero light.

    Raises:
        RequestError: No tone of the plate is even enough to be measured.
    """
    bins = table.luminance.bins
    if not bins:
        raise RequestError(
            "no tone of this frame is even enough to measure its noise",
            remedy="look at a frame with some calm areas",
        )
    tones = np.array([one.tone for one in bins])
    stops = np.log2([one.snr for one in bins])
    with np.errstate(divide="ignore"):
        tone = np.log2(np.maximum(light @ np.asarray(weights, np.float32), 0.0) / np.float32(GREY))
    below = np.minimum(tone - tones[0], 0.0)
    return np.asarray(np.interp(tone, tones, stops) + below, np.float32)


def snr_bytes(stops: npt.NDArray[np.float32]) -> Bytes:
    """Stops of signal to noise as bytes: 0 at `LEAST_SNR` and below, 255 at `MOST_SNR`."""
    share = (np.clip(stops, LEAST_SNR, MOST_SNR) - LEAST_SNR) / (MOST_SNR - LEAST_SNR)
    return np.asarray(np.rint(share * 255.0), np.uint8)


def snr_note(table: NoiseTable) -> str:
    """One line on where the shadows are clean (ISO 12232's two criteria)."""
    curve = table.luminance
    frames = " and ".join(str(frame) for frame in table.pairs[0])
    text = ", ".join(str(curve.clean(ratio)) for ratio in (EXCELLENT, ACCEPTABLE))
    return f"signal to noise {text} as recorded, from frames {frames}"

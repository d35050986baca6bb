"""The clip map: the picture in pale greys, and what clipped hatched over it, a channel a hand.

Red is hatched rising, green falling, blue level; where all three clipped the hatchings cross. The
inks are vermillion, bluish green and blue of Okabe and Ito (2008, "Color Universal Design"), so
direction and colour both name the channel.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from gradeprep.clips.ceilings import Ceiling
from gradeprep.review.screen import Bytes, any_within

__all__ = ["CHANNEL_INKS", "clip_map", "hatching", "ceiling_text", "share_text"]

CHANNEL_INKS = {"R": (213, 94, 0), "G": (0, 158, 115), "B": (0, 114, 178)}
"""sRGB ink of each channel's hatching."""

_EVERY = 6
_PAPER = 250
"""Clipped pixels between the strokes; nothing else in the map is as bright."""

_DARKEST, _BRIGHTEST = 30, 165

_KINDS = {
    "stated": "as stated",
    "encodable": "the end of the encoding",
    "plateau": "the plate's own plateau",
    "sensor": "a full channel of the sensor",
}

Mask = npt.NDArray[np.bool_]


def clip_map(picture: Bytes, mask: Mask) -> Bytes:
    """A picture with its clipped channels hatched.

    Args:
        picture: The frame as a screen shows it, uint8 H x W x 3.
        mask: Clipped samples, bool, of the picture's size or larger, x 3. A pixel of the picture
            that covers one clipped sample is hatched whole, so that a speck stays to be seen.

    Returns:
        uint8 H x W x 3: greys from 30 to 165 where nothing clipped.
    """
    small = any_within(mask, picture.shape[:2])
    grey = picture.astype(np.float32).mean(axis=2)
    grey = _DARKEST + grey * ((_BRIGHTEST - _DARKEST) / 255.0)
    found = np.repeat(np.rint(grey).astype(np.uint8)[..., None], 3, axis=2)
    found[small.any(axis=2)] = _PAPER
    for channel, (name, strokes) in enumerate(hatching(small.shape[:2]).items()):
        found[small[..., channel] & strokes] = CHANNEL_INKS[name]
    return found


def hatching(size: tuple[int, int]) -> dict[str, Mask]:
    """Where the strokes of each channel's hatching run over a whole picture: H x W each."""
    rows, columns = np.ogrid[: size[0], : size[1]]
    shape = np.zeros(size, bool)
    return {
        "R": ((rows + columns) % _EVERY < 2) | shape,
        "G": ((columns - rows) % _EVERY < 2) | shape,
        "B": (rows % _EVERY < 2) | shape,
    }


def ceiling_text(found: Sequence[Ceiling | None]) -> str:
    """The ceilings in one line.

    >>> ceiling_text([None, None, None])
    'no channel reaches a ceiling'
    """
    groups: dict[tuple[float, str], str] = {}
    for name, ceiling in zip("RGB", found, strict=True):
        if ceiling is not None:
            key = (round(ceiling.stops, 2), _KINDS[ceiling.kind])
            groups[key] = groups.get(key, "") + name
    if not groups:
        return "no channel reaches a ceiling"
    return "; ".join(
        f"{names} end{'s' if len(names) == 1 else ''} at {stops:+.2f} stops from grey ({kind})"
        for (stops, kind), names in groups.items()
    )


def share_text(mask: Mask) -> str:
    """How much of each channel is clipped, in one line; of a mask H x W x 3."""
    if not mask.any():
        return "nothing is clipped"
    shares = mask.reshape(-1, 3).mean(axis=0)
    return "clipped: " + ", ".join(
        f"{share:.2%} of {name}" if share >= 1e-4 else f"{count} pixels of {name}"
        for name, share, count in zip("RGB", shares, mask.reshape(-1, 3).sum(axis=0), strict=True)
        if count
    )

"""The proof of a written gain: what OpenColorIO makes of the file, held against the product."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import numpy as np

from gradeprep.conversions import Convert
from gradeprep.errors import ColourError, WriteError
from gradeprep.transforms import Gains, from_file

__all__ = ["BRIGHTEST", "prove_gain", "proved"]

BRIGHTEST = 128.0
"""Light up to which a gain is proved: 9.5 stops over grey."""

_TOLERANCE = 1e-6  # of the value; float32 arithmetic alone is within 6e-8 an operation


def prove_gain(path: Path, gains: Gains, *, correction: str = "") -> float:
    """Largest error, as a share of the value, of a file that is to be a gain and nothing else.

    Neutrals and colours, negative light and light far over 1 go through it.

    Raises:
        WriteError: It does not read back, or is off by more than a millionth.
    """
    try:
        convert = from_file(path, correction=correction)
    except ColourError as error:
        raise WriteError(f"does not read back: {error.what}", file=path) from error
    off = _off(convert, gains)
    if not off <= _TOLERANCE:
        raise WriteError(f"reads back as another gain, off by {off:.1e} of the value", file=path)
    return off


def _off(convert: Convert, gains: Gains) -> float:
    light = np.concatenate([[0.0], np.geomspace(1e-4, BRIGHTEST, 64)])
    light = np.concatenate([light, -light / BRIGHTEST]).astype(np.float32)
    colours = [np.roll(light, 17 * shift) for shift in range(3)]
    given = np.stack([np.repeat(light[:, None], 3, axis=1), np.stack(colours, axis=1)])
    wanted = given.astype(np.float64) * np.asarray(gains)
    got = np.ascontiguousarray(given)
    convert(got)
    scale = np.maximum(np.abs(wanted), np.finfo(np.float32).tiny)
    return float(np.max(np.abs(got - wanted) / scale))


def proved(errors: Iterable[float]) -> str:
    """The proof in a few words."""
    worst = max(errors, default=0.0)
    return f"OpenColorIO reads it back, within {worst:.0e} of the product up to {BRIGHTEST:g}"

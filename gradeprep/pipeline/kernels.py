"""The arithmetic: which one serves a frame.

============== =========================================================================
``carry``      nothing changes: the planes pass as they are
``half-table`` half in, a plain gain: the 65,536 products, each rounded once from float64
``float-gain`` float in, a plain gain: the float32 product
``tone-gain``  to half or float in a scene-linear space, from one or from behind a log curve, a
               lift and plain gains: each pixel's gain from its luminance, one rounding
``code-table`` codes, a plain gain behind a log curve: the answer of ``curve`` for each code
``curve``      a plain gain behind a log curve: the curve alone is decoded, the gain applied and
               the curve encoded again; no sample goes through other primaries
``light``      anything else: code to scene-linear float32, all stages, and back, in row
               chunks, with one rounding at the end
============== =========================================================================

All of them count what did not pass as a plain number, so that no record is silent about a sample
that clipped, overflowed or sank under the type's normal range.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from gradeprep.conversions import Convert, ToLinear
from gradeprep.model.frame import Plane
from gradeprep.pipeline import plaingains as plain_gain
from gradeprep.pipeline.codetable import code_table
from gradeprep.pipeline.decision import Decision
from gradeprep.pipeline.light import light, stored
from gradeprep.pipeline.samples import Outcome, Wanted
from gradeprep.pipeline.tonegain import tone_gain

__all__ = ["KERNELS", "Outcome", "Wanted", "choose", "run", "stored"]

KERNELS = ("carry", "half-table", "float-gain", "tone-gain", "code-table", "curve", "light")


def choose(
    decision: Decision,
    *,
    same_space: bool,
    linear: bool,
    working: bool,
    source: Wanted,
    wanted: Wanted,
    curve: bool = False,
    to_linear: bool = False,
) -> str:
    """Name of the cheapest arithmetic that is exact for a frame.

    Args:
        decision: The stages.
        same_space: Source and result are one colour space.
        linear: The source's space is linear in scene light.
        working: The source's space is the working space.
        source: Type of the source's colour channels.
        wanted: Type of the result's.
        curve: The way from the source's space to linear light is proved to be one curve per
            channel and matrices, so that a gain for all channels needs the curve only.
        to_linear: The same of the way to the result's space, which is linear.
    """
    if same_space and decision.identity and source == wanted:
        return "carry"
    if curve and same_space and decision.scalar:
        return "code-table" if source.bits is not None and source == wanted else "curve"
    plain = decision.gains is not None and (decision.scalar or working)
    if plain and same_space and linear and wanted.bits is None:
        if source.dtype == np.float16 and wanted.dtype in (np.float16, np.float32):
            return "half-table"
        if source.dtype == np.float32 == wanted.dtype:
            return "float-gain"
    looked_up = source.dtype == np.float16 or source.bits is not None
    if wanted.bits is None and to_linear and decision.tonal and (linear or looked_up):
        return "tone-gain"
    return "light"


@np.errstate(over="ignore", under="ignore", invalid="ignore")  # counted, not warned of
def run(
    kernel: str,
    planes: Sequence[Plane],
    decision: Decision,
    *,
    source: Wanted,
    wanted: Wanted,
    decode: Convert | None = None,
    encode: Convert | None = None,
    channels: Sequence[int] = (0, 1, 2),
    weights: tuple[float, float, float] = (0.0, 1.0, 0.0),
    path: ToLinear | None = None,
) -> Outcome:
    """Put one group of planes through a kernel.

    Args:
        kernel: One of `KERNELS`.
        planes: H x W each, all of one type: three for RGB, one for luminance (``light`` reads
            it as a neutral), any number for a plain gain. They are used up: results
            take their place in memory where samples of both are of one size.
        decision: The stages.
        source: Type of the planes.
        wanted: Type of the result.
        decode: Conversion from the source's space to the working space; None where none.
        encode: Conversion from the working space to the result's space; None where none.
        channels: Which of R, G, B each plane is, for gains that differ.
        weights: Luminance weights of the planes' own linear primaries, for ``tone-gain``.
        path: From the planes' values to the result's linear space, for ``tone-gain``; None where
            they are that already.
    """
    if kernel == "carry":
        return plain_gain.carry(planes, source)
    if kernel in ("light", "curve"):
        return light(planes, decision, source=source, wanted=wanted, decode=decode, encode=encode)
    if kernel == "tone-gain":
        return tone_gain(planes, decision, weights, path, source=source, wanted=wanted)
    if kernel == "code-table":
        return code_table(planes, decision, source=source, decode=decode, encode=encode)
    gains = decision.gains
    assert gains is not None
    outcome = Outcome([], [])
    for plane, channel in zip(planes, channels, strict=True):
        if kernel == "half-table":
            plain_gain.half_table(plane, gains[channel], wanted, outcome)
        else:
            plain_gain.float_gain(plane, gains[channel], outcome)
    return outcome

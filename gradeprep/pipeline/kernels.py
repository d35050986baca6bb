"""The arithmetic: which one serves a frame, and each of them.

============== =========================================================================
``carry``      nothing changes: the planes pass as they are
``half-table`` half in, a plain gain: the 65,536 products, each rounded once from float64
``float-gain`` float in, a plain gain: the float32 product
``curve``      a plain gain behind a log curve: the curve alone is decoded, the gain applied and
               the curve encoded again; no sample goes through other primaries
``light``      anything else: code to scene-linear float32, all stages, and back, in row
               chunks, with one rounding at the end
============== =========================================================================

All of them count what did not pass as a plain number, so that no record is silent about a sample
that clipped, overflowed or sank under the type's normal range.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from gradeprep.colour import Convert
from gradeprep.model.frame import Plane, top_code
from gradeprep.pipeline.decision import Decision

__all__ = ["KERNELS", "Outcome", "Wanted", "choose", "run", "stored"]

KERNELS = ("carry", "half-table", "float-gain", "curve", "light")

CHUNK = 65_536
"""Samples a chunk: it and its table stay in a core's cache."""

_TINY = {np.dtype(np.float16): 2.0**-14, np.dtype(np.float32): 2.0**-126}
_HALF_MAX = 0x7BFF
_MAGNITUDE = np.uint16(0x7FFF)


@dataclass(frozen=True, slots=True)
class Wanted:
    """The type of the result: a numpy dtype, and the code depth where it is an integer."""

    dtype: np.dtype[np.generic]
    bits: int | None = None


@dataclass(slots=True)
class Outcome:
    """New planes, and samples that did not pass as plain numbers."""

    planes: list[Plane]
    clipped: list[int]
    nonfinite: int = 0
    overflow: int = 0
    underflow: int = 0


def choose(
    decision: Decision,
    *,
    same_space: bool,
    linear: bool,
    working: bool,
    source: Wanted,
    wanted: Wanted,
    curve: bool = False,
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
    """
    if same_space and decision.identity and source == wanted:
        return "carry"
    if curve and same_space and decision.scalar:
        return "curve"
    plain = decision.gains is not None and same_space and linear
    if plain and (decision.scalar or working) and wanted.bits is None:
        if source.dtype == np.float16 and wanted.dtype in (np.float16, np.float32):
            return "half-table"
        if source.dtype == np.float32 == wanted.dtype:
            return "float-gain"
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
) -> Outcome:
    """Put one group of planes through a kernel.

    Args:
        kernel: One of `KERNELS`.
        planes: H x W each, all of one type: three for RGB, one for luminance (``light`` reads
            it as a neutral), any number for a plain gain.
        decision: The stages.
        source: Type of the planes.
        wanted: Type of the result.
        decode: Conversion from the source's space to the working space; None where none.
        encode: Conversion from the working space to the result's space; None where none.
        channels: Which of R, G, B each plane is, for gains that differ.
    """
    if kernel == "carry":
        return _carry(planes, source)
    if kernel in ("light", "curve"):
        return _light(planes, decision, source, wanted, decode, encode)
    gains = decision.gains
    assert gains is not None
    outcome = Outcome([], [])
    for plane, channel in zip(planes, channels, strict=True):
        if kernel == "half-table":
            _half_table(plane, gains[channel], wanted, outcome)
        else:
            _float_gain(plane, gains[channel], outcome)
    return outcome


def _carry(planes: Sequence[Plane], source: Wanted) -> Outcome:
    outcome = Outcome(list(planes), [])
    for plane in planes:
        clipped, nonfinite = _look(plane, source)
        outcome.clipped.append(clipped)
        outcome.nonfinite += nonfinite
    return outcome


def _look(plane: Plane, source: Wanted) -> tuple[int, int]:
    """Samples at the type's largest value, and non-finite samples."""
    if source.bits is not None:
        return int(np.count_nonzero(plane == top_code(source.bits))), 0
    if plane.dtype == np.float16:
        codes = plane.view(np.uint16)
        clipped = int(np.count_nonzero(codes == _HALF_MAX))
        return clipped, int(np.count_nonzero((codes & _MAGNITUDE) > _HALF_MAX))
    if plane.dtype == np.float32:
        return 0, int(plane.size - np.count_nonzero(np.isfinite(plane)))
    return 0, 0


@dataclass(frozen=True, slots=True)
class _Table:
    """Products of all half codes with a gain, and which codes must be counted.

    ``low`` and ``high`` bound the magnitudes that need no look at all: between them nothing
    clips, overflows or sinks.
    """

    products: npt.NDArray[np.floating]
    underflow: npt.NDArray[np.bool_]
    overflow: npt.NDArray[np.bool_]
    low: int
    high: int


@lru_cache(maxsize=64)
def _table(gain: float, dtype: str) -> _Table:
    codes = np.arange(65536, dtype=np.uint16)
    halves = codes.view(np.float16)
    exact = halves.astype(np.float64) * gain
    products = exact.astype(dtype)
    if products.dtype == np.float16:
        nan = np.isnan(halves)
        products[nan] = halves[nan]  # a NaN keeps its payload, a signalling one too
    rounded = products.astype(np.float64)
    finite = np.isfinite(halves)
    underflow = finite & (np.abs(exact) < _TINY[products.dtype]) & (rounded != exact)
    overflow = finite & ~np.isfinite(products)
    magnitudes = codes & _MAGNITUDE
    low = int(magnitudes[underflow].max(initial=0))
    high = int(magnitudes[overflow].min(initial=_HALF_MAX))
    return _Table(products, underflow, overflow, low, high)


def _half_table(plane: Plane, gain: float, wanted: Wanted, outcome: Outcome) -> None:
    table = _table(gain, wanted.dtype.name)
    codes = np.ascontiguousarray(plane).view(np.uint16).reshape(-1)
    products = np.empty(codes.shape, wanted.dtype)
    clipped = 0
    for start in range(0, codes.size, CHUNK):
        part = codes[start : start + CHUNK]
        # mode="clip" skips numpy's bounds check, which costs six times the look-up itself
        np.take(table.products, part, out=products[start : start + CHUNK], mode="clip")
        magnitudes = part & _MAGNITUDE
        if magnitudes.max() >= table.high:
            clipped += int(np.count_nonzero(part == _HALF_MAX))
            outcome.nonfinite += int(np.count_nonzero(magnitudes > _HALF_MAX))
            outcome.overflow += int(np.count_nonzero(table.overflow[part]))
        if table.low and magnitudes.min() <= table.low:
            outcome.underflow += int(np.count_nonzero(table.underflow[part]))
    outcome.planes.append(products.reshape(plane.shape))
    outcome.clipped.append(clipped)


def _float_gain(plane: Plane, gain: float, outcome: Outcome) -> None:
    factor = np.float32(gain)
    source = np.ascontiguousarray(plane).reshape(-1)
    products = np.empty_like(source)
    for start in range(0, source.size, CHUNK):
        part = source[start : start + CHUNK]
        product = products[start : start + CHUNK]
        np.multiply(part, factor, out=product)
        exact = part.astype(np.float64) * float(factor)
        nan = np.isnan(part)
        if nan.any():
            product.view(np.uint32)[nan] = part.view(np.uint32)[nan]
        _count(part, product, outcome, exact=exact)
    outcome.planes.append(products.reshape(plane.shape))
    outcome.clipped.append(0)


def _count(
    before: npt.NDArray[np.floating],
    after: npt.NDArray[np.floating],
    outcome: Outcome,
    *,
    exact: npt.NDArray[np.floating],
) -> None:
    """Count non-finite, overflowed and sunk samples of one chunk."""
    finite = np.isfinite(before)
    outcome.nonfinite += int(finite.size - np.count_nonzero(finite))
    outcome.overflow += int(np.count_nonzero(finite & ~np.isfinite(after)))
    sunk = (np.abs(exact) < _TINY[after.dtype]) & (after != exact) & finite
    outcome.underflow += int(np.count_nonzero(sunk))


@lru_cache(maxsize=1)
def _half_values() -> npt.NDArray[np.float32]:
    """All half codes as float32: a look-up is faster than numpy's cast."""
    return np.arange(65536, dtype=np.uint16).view(np.float16).astype(np.float32)


def _rows(height: int, width: int) -> Iterator[slice]:
    step = max(1, CHUNK // max(1, width))
    for start in range(0, height, step):
        yield slice(start, min(height, start + step))


def _light(
    planes: Sequence[Plane],
    decision: Decision,
    source: Wanted,
    wanted: Wanted,
    decode: Convert | None,
    encode: Convert | None,
) -> Outcome:
    height, width = planes[0].shape
    outcome = Outcome([np.empty((height, width), wanted.dtype) for _ in planes], [0] * len(planes))
    store = _store_code if wanted.bits is not None else _store_float
    for rows in _rows(height, width):
        rgb = np.empty((rows.stop - rows.start, width, 3), np.float32)
        for channel in range(3):
            index = channel if len(planes) == 3 else 0
            _load(planes[index][rows], source, rgb[..., channel])
        bad = _take_nonfinite(rgb, planes, outcome)
        for index, plane in enumerate(planes):
            outcome.clipped[index] += _look(plane[rows], source)[0]
        rgb = _through(rgb, decision, decode, encode)
        if bad is not None:
            rgb[bad[0]] = bad[1]
        for index, plane in enumerate(outcome.planes):
            # a neutral stays neutral through every matrix here; green weighs most in it
            channel = index if len(planes) == 3 else 1
            mask = None if bad is None else bad[0][..., channel]
            store(rgb[..., channel], plane[rows], wanted, outcome, mask)
            if mask is not None and source == wanted:
                plane[rows][mask] = planes[index][rows][mask]  # bit for bit, NaN payloads too
    return outcome


@np.errstate(over="ignore", under="ignore", invalid="ignore")
def stored(
    rgb: npt.NDArray[np.float32], wanted: Wanted, *, encode: Convert | None, decode: Convert | None
) -> npt.NDArray[np.float32]:
    """Pixels of the working space as a reader of the result decodes them.

    Args:
        rgb: float32 H x W x 3, in the working space; may be reused.
        wanted: Type of the result.
        encode: Conversion from the working space to the result's space.
        decode: Conversion back.
    """
    if encode is not None:
        encode(rgb)
    outcome = Outcome([], [])
    store = _store_code if wanted.bits is not None else _store_float
    for channel in range(3):
        plane = np.empty(rgb.shape[:2], wanted.dtype)
        store(rgb[..., channel], plane, wanted, outcome, None)
        _load(plane, wanted, rgb[..., channel])
    if decode is not None:
        decode(rgb)
    return rgb


def _through(
    rgb: npt.NDArray[np.float32],
    decision: Decision,
    decode: Convert | None,
    encode: Convert | None,
) -> npt.NDArray[np.float32]:
    if decode is not None:
        decode(rgb)
    rgb = decision.apply(rgb)
    if encode is not None:
        rgb = np.ascontiguousarray(rgb)
        encode(rgb)
    return rgb


def _load(plane: Plane, source: Wanted, into: npt.NDArray[np.float32]) -> None:
    """Codes as a share of the largest one, halves by look-up, floats as they are."""
    if source.bits is not None:
        np.divide(plane, np.float32(top_code(source.bits)), out=into, casting="unsafe")
    elif plane.dtype == np.float16:
        codes = np.ascontiguousarray(plane).view(np.uint16)
        into[...] = np.take(_half_values(), codes, mode="clip")
    else:
        into[...] = plane


Bad = tuple[npt.NDArray[np.bool_], npt.NDArray[np.float32]]


def _take_nonfinite(
    rgb: npt.NDArray[np.float32], planes: Sequence[Plane], outcome: Outcome
) -> Bad | None:
    """Replace non-finite samples by 0 and keep them: a colour engine makes blacks of NaN."""
    finite = np.isfinite(rgb)
    if finite.all():
        return None
    bad = ~finite
    counted = bad if len(planes) == 3 else bad[..., :1]
    outcome.nonfinite += int(np.count_nonzero(counted))
    kept = rgb[bad]
    rgb[bad] = 0.0
    return bad, kept


Mask = npt.NDArray[np.bool_] | None
"""Samples that were not finite in the source; None where all were."""


def _store_float(
    values: npt.NDArray[np.float32], into: Plane, wanted: Wanted, outcome: Outcome, bad: Mask
) -> None:
    into[...] = values
    outcome.overflow += _samples(~np.isfinite(into), bad)
    sunk = (np.abs(values) < _TINY[into.dtype]) & (into != values)
    outcome.underflow += int(np.count_nonzero(sunk))


def _samples(found: npt.NDArray[np.bool_], bad: Mask) -> int:
    """How many were found, those set aside that the source brought in not finite."""
    return int(np.count_nonzero(found if bad is None else found & ~bad))


def _store_code(
    values: npt.NDArray[np.float32], into: Plane, wanted: Wanted, outcome: Outcome, bad: Mask
) -> None:
    """Nearest code (ties to even); what is beyond the code range is clamped and counted."""
    assert wanted.bits is not None
    top = top_code(wanted.bits)
    codes = np.rint(values.astype(np.float64) * top)
    beyond = ~((codes >= 0) & (codes <= top))
    outcome.overflow += _samples(beyond, bad)
    np.clip(np.nan_to_num(codes, nan=0.0, posinf=top, neginf=0.0), 0, top, out=codes)
    into[...] = codes

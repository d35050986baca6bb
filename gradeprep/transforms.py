"""Transforms that carry a gain of light: built from a config, written as CLF, read back."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TypeAlias

import numpy as np
import PyOpenColorIO as ocio

from gradeprep.colour import Colour
from gradeprep.conversions import Convert, applied
from gradeprep.errors import ColourError

__all__ = ["Gains", "Steps", "clf_text", "from_file", "gain_matrix", "gained", "is_formula", "path"]

Steps: TypeAlias = ocio.GroupTransform

Gains = tuple[float, float, float]
"""Linear gain of R, G and B."""

_OCIO_ERRORS = (ocio.Exception, ocio.ExceptionMissingFile)
_CLF = "Academy/ASC Common LUT Format"
_HALF_MAX = 65504.0  # IEEE 754-2019, binary16


def gain_matrix(gains: Gains) -> ocio.MatrixTransform:
    """The gain of scene-linear light as a matrix: no clamp, negatives and values over 1 live."""
    return ocio.MatrixTransform(matrix=np.diag([*gains, 1.0]).ravel().tolist())


def gained(colour: Colour, space: str, working: str, gains: Gains) -> Steps:
    """The steps that multiply the light of coded values, with no name of the config left in them.

    The curve alone is decoded and encoded where the gain is one for all channels and the config
    proves that primaries do not matter then.

    Args:
        colour: The config.
        space: Colour space of the values, before and after.
        working: Scene-linear space that the light is multiplied in.
        gains: Linear gain of each channel there.

    Raises:
        ColourError: A LUT or context variable is missing, or the path does not build.
    """
    colour.convert(space, working)  # its error says more than that of a group
    alike = gains[0] == gains[1] == gains[2]
    curve = colour.curve_steps(space, working) if alike else None
    if curve is None:
        there: ocio.Transform = ocio.ColorSpaceTransform(space, working)
        back: ocio.Transform = ocio.ColorSpaceTransform(working, space)
    else:
        there, back = curve, ocio.GroupTransform(list(curve), ocio.TRANSFORM_DIR_INVERSE)
    group = ocio.GroupTransform([there, gain_matrix(gains), back])
    return colour.config.getProcessor(group).createGroupTransform()


def path(colour: Colour, source: str, result: str) -> Steps:
    """The steps between two spaces, with no name of the config left in them.

    Raises:
        ColourError: A LUT or context variable is missing, or the path does not build.
    """
    colour.convert(source, result)
    return colour.config.getProcessor(source, result).createGroupTransform()


def is_formula(group: Steps) -> bool:
    """Whether all steps are formulas, none a table of sampled values."""
    return not any(isinstance(step, ocio.Lut1DTransform | ocio.Lut3DTransform) for step in group)


def clf_text(
    group: Steps, *, name: str, source: str, result: str, descriptions: Sequence[str] = ()
) -> str:
    """A group of steps in the Academy/ASC Common LUT Format (SMPTE ST 2136-1).

    The format knows no table that is read backwards: such a one becomes a table of all half
    floats, read forwards.

    Args:
        group: The steps.
        name: Name of the transform.
        source: What goes in, in words.
        result: What comes out, in words.
        descriptions: What else a reader must know.

    Raises:
        ColourError: A step has no form in CLF.
    """
    written = ocio.GroupTransform(list(_forwards(group)))
    metadata = written.getFormatMetadata()
    metadata.setName(name)
    for line in descriptions:
        metadata.addChildElement("Description", line)
    metadata.addChildElement("InputDescriptor", source)
    metadata.addChildElement("OutputDescriptor", result)
    try:
        return str(written.write(_CLF, ocio.Config.CreateRaw()))
    except _OCIO_ERRORS as error:
        kinds = sorted({type(s).__name__.removesuffix("Transform") for s in group})
        what = f"a step of it has no form in CLF (it is made of {', '.join(kinds)})"
        raise ColourError(what) from error


def _forwards(group: Steps) -> Iterator[ocio.Transform]:
    for step in group:
        backwards = step.getDirection() == ocio.TRANSFORM_DIR_INVERSE
        if isinstance(step, ocio.Lut1DTransform) and backwards:
            yield _over_halfs(step)
        else:
            yield step


def _over_halfs(step: ocio.Lut1DTransform) -> ocio.Lut1DTransform:
    """A curve sampled at each of the 65,536 half floats: within a thousandth of any value."""
    codes = np.arange(65536, dtype=np.uint16).view(np.float16).astype(np.float32)
    values = np.nan_to_num(codes, nan=0.0, posinf=_HALF_MAX, neginf=-_HALF_MAX)
    pixels = np.ascontiguousarray(np.repeat(values[None, :, None], 3, axis=2))
    config = ocio.Config.CreateRaw()
    config.setProcessorCacheFlags(ocio.PROCESSOR_CACHE_OFF)
    applied(config.getProcessor(step))(pixels)
    table = ocio.Lut1DTransform(65536, True)
    table.setData(pixels.ravel())
    return table


def from_file(path: Path, *, tetrahedral: bool = False, correction: str = "") -> Convert:
    """In-place float32 conversion that a transform's file holds: CLF, ``.cube``, ASC CDL.

    Args:
        path: The file.
        tetrahedral: Interpolate a 3D table between four points of a cell, not all eight.
        correction: Which correction of a collection of ASC CDLs; they are read without clamp.

    Raises:
        ColourError: The library does not read it.
    """
    between = ocio.INTERP_TETRAHEDRAL if tetrahedral else ocio.INTERP_LINEAR
    wanted = ocio.FileTransform(str(path), cccId=correction, interpolation=between)
    wanted.setCDLStyle(ocio.CDL_NO_CLAMP)
    config = ocio.Config.CreateRaw()
    config.setProcessorCacheFlags(ocio.PROCESSOR_CACHE_OFF)
    ocio.ClearAllCaches()  # the library keeps a file by its name, whatever it holds by now
    try:
        return applied(config.getProcessor(wanted))
    except _OCIO_ERRORS as error:
        raise ColourError(f"it does not read as a transform: {error}", file=path) from error

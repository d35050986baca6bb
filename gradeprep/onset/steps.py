"""Transforms that carry an exposure change: built from a config, written as CLF, read back."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import PyOpenColorIO as ocio

from gradeprep.colour import Colour, Convert, applied
from gradeprep.errors import ColourError
from gradeprep.onset.looks import Look

__all__ = ["Steps", "build", "clf_text", "from_file", "is_formula"]

Steps = ocio.GroupTransform

_OCIO_ERRORS = (ocio.Exception, ocio.ExceptionMissingFile)
_CLF = "Academy/ASC Common LUT Format"
_HALF_MAX = 65504.0  # IEEE 754-2019, binary16


def build(
    colour: Colour, space: str, working: str, factor: float, look: Look | None = None
) -> ocio.GroupTransform:
    """The steps that multiply the light of coded values, with no name of the config left in them.

    The curve alone is decoded and encoded where the config proves that primaries do not matter.

    Args:
        colour: The config.
        space: Colour space of the values.
        working: Scene-linear space that the light is multiplied in.
        factor: Linear gain.
        look: Display and view to look through; None for the way back into the space.

    Raises:
        ColourError: A LUT or context variable is missing, or the path does not build.
    """
    colour.convert(space, working)  # its error says more than that of a group
    gain = ocio.MatrixTransform(matrix=np.diag([factor, factor, factor, 1.0]).ravel().tolist())
    curve = None if look else colour.curve_steps(space, working)
    if curve is not None:
        steps = [curve, gain, ocio.GroupTransform(list(curve), ocio.TRANSFORM_DIR_INVERSE)]
    elif look is None:
        there = ocio.ColorSpaceTransform(space, working)
        steps = [there, gain, ocio.ColorSpaceTransform(working, space)]
    else:
        there = ocio.ColorSpaceTransform(space, working)
        steps = [there, gain, ocio.DisplayViewTransform(working, look.display, look.view)]
    return colour.config.getProcessor(ocio.GroupTransform(steps)).createGroupTransform()


def is_formula(group: ocio.GroupTransform) -> bool:
    """Whether all steps are formulas, none a table of sampled values."""
    return not any(isinstance(step, ocio.Lut1DTransform | ocio.Lut3DTransform) for step in group)


def clf_text(group: ocio.GroupTransform, *, name: str, source: str, result: str) -> str:
    """A group of steps in the Academy/ASC Common LUT Format (SMPTE ST 2136-1).

    The format knows no table that is read backwards: such a one becomes a table of all half
    floats, read forwards.

    Args:
        group: The steps.
        name: Name of the transform.
        source: What goes in, in words.
        result: What comes out, in words.

    Raises:
        ColourError: A step has no form in CLF.
    """
    written = ocio.GroupTransform(list(_forwards(group)))
    metadata = written.getFormatMetadata()
    metadata.setName(name)
    metadata.addChildElement("InputDescriptor", source)
    metadata.addChildElement("OutputDescriptor", result)
    try:
        return str(written.write(_CLF, ocio.Config.CreateRaw()))
    except _OCIO_ERRORS as error:
        kinds = sorted({type(s).__name__.removesuffix("Transform") for s in group})
        raise ColourError(
            f"a step of it has no form in CLF (it is made of {', '.join(kinds)})",
            remedy="ask for a .cube",
        ) from error


def _forwards(group: ocio.GroupTransform) -> Iterator[ocio.Transform]:
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


def from_file(path: Path, *, tetrahedral: bool = False) -> Convert:
    """In-place float32 conversion that a transform's file (``.clf``, ``.cube``) holds.

    Args:
        path: The file.
        tetrahedral: Interpolate a 3D table between four points of a cell, not all eight.

    Raises:
        ColourError: The library does not read it.
    """
    between = ocio.INTERP_TETRAHEDRAL if tetrahedral else ocio.INTERP_LINEAR
    config = ocio.Config.CreateRaw()
    config.setProcessorCacheFlags(ocio.PROCESSOR_CACHE_OFF)
    ocio.ClearAllCaches()  # the library keeps a file by its name, whatever it holds by now
    try:
        return applied(config.getProcessor(ocio.FileTransform(str(path), interpolation=between)))
    except _OCIO_ERRORS as error:
        raise ColourError(f"it does not read as a transform: {error}", file=path) from error

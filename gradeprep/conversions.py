"""Conversions: what the colour library makes of a way between two spaces, as plain functions."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import PyOpenColorIO as ocio

__all__ = ["Convert", "ToLinear", "applied", "per_channel", "plain_matrix"]

Convert = Callable[[npt.NDArray[np.float32]], None]
"""Converts float32 H x W x 3, C-contiguous and finite, in place."""


@dataclass(frozen=True, slots=True)
class ToLinear:
    """From a space's values to a linear space: a curve per channel, then one matrix.

    Attributes:
        decode: The curve, in place; None where the space is linear.
        matrix: 3 x 3, float64; rows make R, G, B of the linear space.
    """

    decode: Convert | None
    matrix: npt.NDArray[np.float64]


def applied(processor: ocio.Processor) -> Convert:
    """A processor as an in-place conversion, optimized only where no bit changes."""
    cpu = processor.getOptimizedCPUProcessor(
        ocio.BIT_DEPTH_F32, ocio.BIT_DEPTH_F32, ocio.OPTIMIZATION_LOSSLESS
    )

    def apply(rgb: npt.NDArray[np.float32]) -> None:
        height, width, channels = rgb.shape
        cpu.apply(ocio.PackedImageDesc(rgb, width, height, channels))

    return apply


_CURVES = (
    ocio.ExponentTransform,
    ocio.ExponentWithLinearTransform,
    ocio.LogAffineTransform,
    ocio.LogCameraTransform,
    ocio.LogTransform,
    ocio.Lut1DTransform,
)


def per_channel(step: ocio.Transform) -> bool:
    """Whether a transform is a curve that keeps the channels apart."""
    if isinstance(step, ocio.Lut1DTransform) and step.getHueAdjust() != ocio.HUE_NONE:
        return False
    return isinstance(step, _CURVES)


def plain_matrix(step: ocio.Transform) -> bool:
    """Whether a transform is a matrix without offset."""
    return isinstance(step, ocio.MatrixTransform) and not any(step.getOffset())

"""What tests of the arithmetic share: all half codes, distances in ulp, float64 references."""

from __future__ import annotations

import numpy as np

from gradeprep.model.order import StageOrder
from gradeprep.pipeline import kernels
from gradeprep.pipeline.decision import Decision, prepare

__all__ = ["CODES", "HALVES", "WEIGHTS", "decide", "lifted", "run", "ulps"]

WEIGHTS = (0.2722287168, 0.6740817658, 0.0536895174)
"""Luminance of the primaries of S-2014-004 (AP1)."""

CODES = np.arange(65536, dtype=np.uint16)
HALVES = CODES.view(np.float16)


def decide(*stages: tuple[str, dict], backwards: bool = False) -> Decision:
    """A decision from stage names and numbers."""
    orders = [StageOrder(stage=name, numbers=numbers) for name, numbers in stages]
    return prepare(orders, WEIGHTS, backwards=backwards)


def run(kernel, planes, decision, **told):
    """A kernel's outcome; kernels use up their planes, and tests still need theirs."""
    return kernels.run(kernel, [plane.copy() for plane in planes], decision, **told)


def ulps(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Distance of two arrays of halves in units in the last place; the zeros are one."""
    return np.abs(_rank(a) - _rank(b))


def _rank(halves: np.ndarray) -> np.ndarray:
    codes = halves.view(np.uint16).astype(np.int64)
    return np.where(codes & 0x8000, -(codes & 0x7FFF), codes)


def lifted(rgb: np.ndarray, *, stops: float, below: float, softness: float, to_come: float):
    """The lift in float64, written from its definition and Perlin's 6x^5 - 15x^4 + 10x^3."""
    luminance = rgb.astype(np.float64) @ np.asarray(WEIGHTS)
    with np.errstate(divide="ignore", invalid="ignore"):
        tone = np.where(luminance > 0.0, np.log2(luminance / 0.18), -np.inf) + to_come
    x = np.clip((below - tone) / softness, 0.0, 1.0)
    return rgb * 2.0 ** (stops * (6 * x**5 - 15 * x**4 + 10 * x**3))[..., None]

"""How far a transform's file is from the exact transform, over the whole range of codes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from gradeprep.model.stops import GREY, gain
from gradeprep.onset.cube import lattice, line

__all__ = ["DARKEST", "TEN_BITS", "Deviation", "Probe", "deviation"]

DARKEST = -6.0
"""Tone of the shown picture, in stops from grey, that it is held to in stops from; below it, in
codes alone."""

TEN_BITS = 1023.0
"""Codes that stand for the range 0 to 1."""

_RAMP = 12_289  # points; between those of any usual table, and some of them near its middles
_EDGE = 43

Colours = npt.NDArray[np.float32]

Change = Callable[[Colours], Colours]
"""From N x 3 float32 to as many."""


@dataclass(frozen=True, slots=True)
class Probe:
    """Codes to look at: a neutral ramp, one of each channel alone, and a lattice of all colours.

    Attributes:
        codes: N x 3 float32, 0 to 1.
        neutrals: How many of them, from the first, are neutral.
        ramps: How many of them, from the first, are in ramps; the rest is the lattice.
    """

    codes: Colours
    neutrals: int
    ramps: int

    @classmethod
    def around(cls, grey: float) -> Probe:
        """Ramps of one channel hold the other two at the code of grey."""
        neutral = line(_RAMP)
        alone = np.full((3, _RAMP, 3), grey, np.float32)
        for channel in range(3):
            alone[channel, :, channel] = neutral[:, channel]
        codes = np.concatenate([neutral, alone.reshape(-1, 3), lattice(_EDGE)])
        return cls(codes, _RAMP, 4 * _RAMP)


@dataclass(frozen=True, slots=True)
class Deviation:
    """Distance of a file from the exact transform.

    Attributes:
        stops: Largest, in stops of light, where a channel of the exact picture is `DARKEST` or
            brighter; None behind a display, whose signal is no light of the scene.
        codes: Largest, in 10-bit codes of 1023, after clipping to what 10 bits hold.
        neutral: Largest on neutrals, in codes.
        colours: What 99 of 100 colours of the lattice stay within, in codes, of those that the
            exact transform clips in no channel: a hard clip is a fold that no table holds.
    """

    stops: float | None
    codes: float
    neutral: float
    colours: float


def deviation(
    probe: Probe, exact: Colours, found: Sequence[Colours], light: Change | None
) -> Deviation:
    """The worst of several readings of one file.

    Args:
        probe: What went in.
        exact: What comes out of the exact transform, N x 3.
        found: What comes out of the file, by each way of interpolating it.
        light: From code to light; None behind a display.
    """
    each = [_codes(one, exact) for one in found]
    inside = np.all((exact > 0) & (exact < 1), axis=-1)
    inside[: probe.ramps] = False
    stops = None
    if light is not None:
        true = light(exact)
        stops = max(_stops(light(one), true) for one in found)
    return Deviation(
        stops=stops,
        codes=max(float(apart.max()) for apart in each),
        neutral=max(float(apart[: probe.neutrals].max()) for apart in each),
        colours=max(_most(apart[inside]) for apart in each),
    )


def _most(apart: npt.NDArray[np.float32]) -> float:
    return float(np.percentile(apart, 99)) if apart.size else 0.0


def _codes(found: Colours, exact: Colours) -> npt.NDArray[np.float32]:
    """Per colour, the worst channel; what is no number is as far as can be."""
    apart = np.abs(np.clip(found, 0, 1) - np.clip(exact, 0, 1)).max(axis=-1)
    return np.asarray(np.nan_to_num(apart, nan=1.0) * np.float32(TEN_BITS))


@np.errstate(divide="ignore", invalid="ignore")
def _stops(found: Colours, exact: Colours) -> float:
    picture = exact >= GREY * gain(DARKEST)
    if not picture.any():
        return 0.0
    ratio = found[picture].astype(np.float64) / exact[picture]
    away = np.where(ratio > 0, np.abs(np.log2(ratio)), np.inf)
    return float(away.max())

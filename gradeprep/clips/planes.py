"""Planes in RGB at which a sensor's channels end.

A sensor channel that is full keeps one value. A 3 x 3 matrix turns that into a plane: some weights
of R, G and B give the same sum for all clipped samples, and nothing lies beyond. A plane alone may
be a flat object. What makes it a ceiling is that its light has lost the noise of photons along
the plane's direction, wherever the level is; noise across it, of channels that go on, stays.

The level may change slowly over the picture: shading that was corrected after the clip.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from gradeprep.clips.blocks import Blocks
from gradeprep.clips.light import Curve
from gradeprep.clips.transfer import Transfer, least_variance

__all__ = ["QUIET", "Plane", "find", "radial"]

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

QUIET = 0.35
"""Share of the variance expected under which a block has lost its noise. An edge-aware debayer
leaves a fifth: it puts the noise of other channels into a full one."""

_LEFT = 0.22
"""Share of the variance expected that all blocks of a plane may have together."""

_CHANCE = 0.004
"""Share of blocks that may be quiet by chance."""

_LOWEST = 0.05
"""Least limit of quietness."""

_FEWEST = 4
"""Fewest quiet blocks that make a plane."""

_DOWN = 0.2
"""Levels from this share of the brightest on are looked at: two stops, more than lens shading."""

_THICK = 0.02
"""Thickest a plane may be (standard deviation of block means, relative)."""

_OVER = 0.05
"""How many blocks with noise may lie above a plane, as a share of those in it."""

_TILTED = 8
"""Fewest blocks that show a tilt."""

_TILT = 0.3
"""Weight of another channel that a colour matrix is expected to have (standard deviation)."""

_RESIDUAL = 0.003
"""Distance of a block's mean from a plane (standard deviation, relative)."""

_FULL = 0.06
"""Share of the variance expected up to which a block shows the tilt of its plane."""

_UPRIGHT = 0.01
"""Tilt under which a plane counts as upright: the file's own channel ends."""

_STEEPEST = 1.2
"""Most that a level may rise to the corners, in logarithms: 1.7 stops."""

_UNEVEN = 0.06
"""Relative standard deviation of an even block's light, at most."""

_FLAT = 0.004
"""Width under which an upright plane is taken as it is."""

_BENT = 2.0
"""How many times narrower a bent plane must be than an even one."""

_ASYMPTOTE = 0.9
"""Quantile of a plane's blocks that stands for its level: a knee approaches it from below."""

_KNEE = 0.15
"""How far under a plane, in logarithms, blocks of a knee may lie."""

_BEYOND = 0.1
"""How far above a plane, in logarithms, an uneven block lies beyond it."""

_BENDS = np.linspace(0.0, _STEEPEST, 31)
"""Bends that are tried first."""

_MEMBERS = 0.25
"""Least share of the quiet blocks that lie in a plane."""

_CURVED = 15
"""Fewest blocks from which a level that changes over the picture is fitted."""


@dataclass(frozen=True, slots=True)
class Plane:
    """A plane that bounds a plate's light.

    Attributes:
        direction: Weights of R, G and B; they sum to 1, so a neutral's level is its own value.
        level: Level in the middle of the picture, linear light.
        bend: How much the logarithm of the level rises from the middle to the corners, with the
            square of the distance: shading that was corrected; 0 for an even level.
        thickness: Relative standard deviation of single samples about the level.
        width: The same of block means.
        noise: Share of the expected variance that is left, pooled.
        blocks: Number of blocks in it.
    """

    direction: Floats
    level: float
    bend: float
    thickness: float
    width: float
    noise: float
    blocks: int

    def upright(self, channel: int) -> bool:
        """Whether the recorded channel itself ends, at one level all over the picture."""
        others = np.delete(self.direction, channel)
        return self.bend == 0.0 and bool((np.abs(others) < _UPRIGHT).all())


def radial(place: npt.NDArray[np.floating]) -> Floats:
    """Square of the distance from the middle, N x 2 to N; 1 in the corners."""
    return np.asarray((place**2).sum(axis=1))


def find(blocks: Blocks, line: Transfer, curve: Curve) -> tuple[Plane | None, ...]:
    """The plane at which each of R, G and B ends, or None.

    A sensor channel is named after the largest weight of its direction.
    """
    seen = _Seen(
        blocks, line.covariance(blocks.mean), curve.step(blocks.mean) if curve.code else None
    )
    return tuple(_plane(seen, channel) for channel in range(3))


@dataclass(frozen=True, slots=True)
class _Seen:
    """Blocks, the noise expected of them, and the steps between codes there, if any."""

    blocks: Blocks
    expected: Floats
    steps: Floats | None

    def along(self, direction: Floats) -> tuple[Floats, Floats, Floats]:
        """Level, noise and noise expected along a direction."""
        whole = _along(self.expected, direction)
        if self.steps is not None:
            whole = least_variance(whole, np.sqrt((self.steps**2) @ direction**2))
        return self.blocks.mean @ direction, _along(self.blocks.noise, direction), whole


def _plane(seen: _Seen, channel: int) -> Plane | None:
    axis = np.eye(3)[channel]
    found = _tested(seen, axis)
    if found is not None and found.width < _FLAT:
        return found
    turned = _turned(seen, channel)
    if turned is None:
        return found
    tilted = _tested(seen, turned)
    if tilted is None or found is None:
        return tilted or found
    flatter = tilted.width < 0.6 * found.width and tilted.blocks > 0.7 * found.blocks
    return tilted if flatter or tilted.blocks > 1.3 * found.blocks else found


def _turned(seen: _Seen, channel: int) -> Floats | None:
    """The direction of a sensor channel: across the plane in which quiet blocks lie.

    Least squares of the channel on the two others, with a prior of no tilt: a few hundredths of a
    level decide, and where the others do not change, nothing shows a tilt.
    """
    axis = np.eye(3)[channel]
    _, quiet = _quiet(seen, axis)
    if np.count_nonzero(quiet) < 2 * _TILTED:
        return None
    _, noise, whole = seen.along(axis)
    ratio = noise[quiet] / whole[quiet]
    # Blocks full in part have more; a matrix leaves the noise of the other channels in full ones.
    quiet[quiet] = ratio <= max(float(np.median(ratio)), _FULL)
    others = [c for c in range(3) if c != channel]
    mean, far = seen.blocks.mean[quiet], radial(seen.blocks.place[quiet])
    found = []
    for bend in _BENDS[::3]:
        level = mean * np.exp(-bend * far)[:, None]
        slopes, off = _slopes(level[:, channel], level[:, others])
        found.append((off * (_BENT if bend else 1.0), tuple(slopes)))
    direction = axis.copy()
    direction[others] = np.negative(min(found)[1])
    if np.abs(direction[others]).max() < _UPRIGHT or direction.sum() < 0.5:
        return None
    return np.asarray(direction / direction.sum())


def _slopes(light: Floats, side: Floats) -> tuple[Floats, float]:
    """Slopes of a channel's light on two others', and the median distance from that plane."""
    used = np.ones(len(light), np.bool_)
    slopes, middle = np.zeros(2), np.inf
    for _ in range(6):
        level, beside = light[used].mean(), side[used].mean(axis=0)
        x, y = (side - beside) / level, (light - level) / level
        inside = x[used].T @ x[used] + np.eye(2) * (_RESIDUAL / _TILT) ** 2
        slopes = np.linalg.solve(inside, x[used].T @ y[used])
        off = np.abs(y - x @ slopes)
        middle = float(np.median(off[used]))
        near = off <= max(4.0 * 1.4826 * middle, 1e-4)
        if np.count_nonzero(near) < _TILTED:
            break
        used = near
    return slopes, middle


def _quiet(seen: _Seen, direction: Floats) -> tuple[Flags, Flags]:
    """Bright, even blocks, and those of them that have lost their noise along a direction.

    Few independent samples make a block quiet by chance, as denoising and debayering leave few.
    The limit is the largest that darker blocks, which are not clipped, hardly ever fall under.
    """
    level, noise, whole = seen.along(direction)
    usable = _even(seen.blocks, direction, level) & (level > 0.0) & (whole > 0.0)
    ratio = np.where(usable, noise / np.where(usable, whole, 1.0), np.inf)
    bright = usable & (level > _DOWN * level.max(initial=0.0))
    dark = ratio[usable & ~bright]
    limit = QUIET
    while dark.size and limit > _LOWEST and np.mean(dark < limit) > _CHANCE:
        limit *= 0.5
    return bright, bright & (ratio < limit)


def _even(blocks: Blocks, direction: Floats, level: Floats) -> Flags:
    """Whether no edge runs through each block."""
    return np.asarray(_along(blocks.relief, direction) <= (_UNEVEN * level) ** 2)


def _along(covariance: Floats, direction: Floats) -> Floats:
    return np.asarray(np.einsum("i,nij,j->n", direction, covariance, direction))


def _tested(seen: _Seen, direction: Floats) -> Plane | None:
    """The plane of a direction, where light ends in one and has lost its noise."""
    level, noise, whole = seen.along(direction)
    bright, quiet = _quiet(seen, direction)
    if np.count_nonzero(quiet) < _FEWEST:
        return None
    whole_light = np.full(3, 1.0 / 3.0)
    calm = bright & _even(seen.blocks, whole_light, seen.blocks.mean @ whole_light)
    logs = np.log(np.where(level > 0.0, level, 1.0))
    terms = np.stack([np.ones(len(logs)), radial(seen.blocks.place)], axis=1)
    fits = [_held(logs, terms, quiet, curved=curved) for curved in (False, True)]
    for one in sorted(
        (fit for fit in fits if fit is not None),
        key=lambda fit: fit.width * (1.0 if fit.factors[1] == 0.0 else _BENT),
    ):
        off = logs - one.fitted
        count = int(np.count_nonzero(one.members))
        above = (calm & ~quiet & (off > 3.0 * one.width + 0.002)) | (off > _BEYOND)
        over = np.count_nonzero(above)
        strays = np.count_nonzero(quiet & (off < -_KNEE))
        left = float(noise[one.members].sum() / whole[one.members].sum())
        if over > _OVER * count or strays > count or left > _LEFT:
            continue
        sigma = np.sqrt(np.maximum(noise[one.members], 0.0).mean()) / level[one.members].mean()
        return Plane(
            direction,
            level=float(np.exp(one.factors[0] + np.quantile(off[one.members], _ASYMPTOTE))),
            bend=float(one.factors[1]),
            thickness=float(np.hypot(sigma, one.width)),
            width=one.width,
            noise=left,
            blocks=count,
        )
    return None


@dataclass(frozen=True, slots=True)
class _Fit:
    """A level fitted to quiet blocks: its logarithm at all blocks, those in it, its width."""

    fitted: Floats
    members: Flags
    width: float
    factors: Floats


def _held(logs: Floats, terms: Floats, quiet: Flags, *, curved: bool) -> _Fit | None:
    """Level fitted to quiet blocks: at all blocks, which are in it, its width, the factors.

    Most of them lie in the plane; those of a knee lie below it. The densest third shows the
    level, and how far it bends; least squares over what lies near refines both.
    """
    count = int(np.count_nonzero(quiet))
    least = _CURVED if curved else _FEWEST
    if count < least:
        return None
    bends = _BENDS if curved else _BENDS[:1]
    found = [_densest(np.sort(logs[quiet] - bend * terms[quiet, 1])) for bend in bends]
    best = int(np.argmin([span for _, span in found]))
    factors = np.array([found[best][0], bends[best]])
    members = quiet & (np.abs(logs - terms @ factors) <= max(found[best][1], _RESIDUAL))
    used = 2 if curved else 1
    width = 0.0
    for _ in range(4):
        if np.count_nonzero(members) < least:
            return None
        factors[:used] = np.linalg.lstsq(terms[members, :used], logs[members], rcond=None)[0]
        off = np.abs(logs - terms @ factors)
        width = max(1.4826 * float(np.median(off[members])), _RESIDUAL / 6.0)
        members = quiet & (off <= 4.0 * width)
    few = np.count_nonzero(members) < max(least, _MEMBERS * count)
    if few or width > _THICK or not -1e-3 <= factors[1] <= _STEEPEST:
        return None
    return _Fit(terms @ factors, members, width, factors)


def _densest(order: Floats) -> tuple[float, float]:
    """Middle and width of the shortest interval that holds a third of sorted values."""
    third = (len(order) + 2) // 3
    spans = order[third - 1 :] - order[: len(order) - third + 1]
    first = int(np.argmin(spans))
    return float(np.median(order[first : first + third])), float(spans[first])

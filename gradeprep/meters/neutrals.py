"""The six neutral patches of the 24-patch colour rendition chart, and what their errors mean."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from gradeprep.model.stops import tone

__all__ = ["NAMES", "REFLECTANCES", "Batch", "explain"]

Batch = Literal["iso17321", "2005", "2014"]

NAMES = ("white 9.5", "neutral 8", "neutral 6.5", "neutral 5", "neutral 3.5", "black 2")

REFLECTANCES: dict[Batch, tuple[float, ...]] = {
    "iso17321": (0.88731, 0.58395, 0.35818, 0.20305, 0.09253, 0.03351),
    "2005": (0.91310, 0.58940, 0.36320, 0.19150, 0.08830, 0.03110),
    "2014": (0.88069, 0.58997, 0.36487, 0.19062, 0.08817, 0.03151),
}
"""Luminous reflectance of each patch, lightest first.

``iso17321``: the spectra published with ISO 17321-1 under CIE D50. ``2005``: the chart's
published colorimetry of 2005, for charts made before November 2014. ``2014``: the same for charts
made since. The illuminant moves them by less than 0.01 stop, the batch by up to 0.09.
"""

_NOTABLE = 0.1
"""Residual, in stops, that an unknown batch does not explain."""

_BETTER = 0.5
"""An explanation must leave less than this share of the residuals."""

_FLARE = np.geomspace(1e-4, 0.2, 200)

Values = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class _Cause:
    left: Values
    words: str


def explain(names: Sequence[str], reflectances: Values, residuals: Values) -> str | None:
    """What the residuals of a chart's neutrals look like, in a sentence; None when small.

    Three causes are fitted, and the one that leaves least is reported: the lightest patch alone is
    low (clipped), light was added to all (flare), or the error runs with tone (a wrong curve).

    Args:
        names: Names of the patches, lightest first.
        reflectances: Their reflectances.
        residuals: How much brighter each reads than the fitted gain says, in stops.
    """
    if np.abs(residuals).max() <= _NOTABLE or len(names) < 3:
        return None
    causes = [_clipped(names, residuals), _flare(names, reflectances, residuals)]
    if len(names) > 3:
        causes.append(_slope(reflectances, residuals))
    known = [cause for cause in causes if cause is not None]
    best = min(known, key=lambda cause: _rms(cause.left), default=None)
    if best is not None and _rms(best.left) < _BETTER * _rms(residuals - residuals.mean()):
        return best.words
    worst = int(np.argmax(np.abs(residuals)))
    return (
        f"{names[worst]} reads {residuals[worst]:+.2f} stops against the fit, and no single cause "
        "explains the patches: look for uneven light, a reflection, wrong corners, or another batch"
    )


def _clipped(names: Sequence[str], residuals: Values) -> _Cause | None:
    rest = residuals[1:]
    low = float(residuals[0] - np.median(rest))
    if low > -_NOTABLE:
        return None
    return _Cause(
        rest - rest.mean(),
        f"{names[0]} alone reads {low:+.2f} stops against the others: it is clipped, or stands on "
        "the shoulder of a curve",
    )


def _flare(names: Sequence[str], reflectances: Values, residuals: Values) -> _Cause | None:
    added = np.log2(1.0 + _FLARE[:, None] / reflectances)
    left = residuals - added
    left -= left.mean(axis=1, keepdims=True)
    best = int(np.argmin(np.square(left).sum(axis=1)))
    if best == 0:
        return None
    return _Cause(
        left[best],
        f"the dark patches read high, {names[-1]} by {residuals[-1]:+.2f} stops: light of "
        f"{_FLARE[best]:.2%} of a white lies over the picture (flare, or a wrong black level)",
    )


def _slope(reflectances: Values, residuals: Values) -> _Cause:
    tones = np.asarray([tone(value) for value in reflectances])
    slope, start = np.polyfit(tones, residuals, 1)
    return _Cause(
        residuals - (slope * tones + start),
        f"the error runs through all patches, by {slope:+.2f} stops a stop: the input colour "
        "space is not the one recorded",
    )


def _rms(values: Values) -> float:
    return float(np.sqrt(np.mean(np.square(values))))

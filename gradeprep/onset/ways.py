"""Ways to change the light by a number of stops, each as a new setting.

The exact setting gives all of the change. The marked one to set is the nearest that never gives
more light than wanted, so that a highlight stays where its margin was promised.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from fractions import Fraction

from gradeprep.model.documents.headroom import Way
from gradeprep.model.stops import gain, stops_from
from gradeprep.onset.present import Present
from gradeprep.onset.series import ANGLES, APERTURES, DENSITIES, INDICES, TIMES, filters
from gradeprep.photometry import (
    aperture_from_av,
    av_from_aperture,
    density_from_stops,
    index_from_stops,
    stops_from_density,
    stops_from_index,
)

__all__ = ["ways"]

Mark = tuple[str, float, float]
"""A label, what it stands for, and the change of light in stops that it gives."""

_HAIR = 1e-9  # stops; what a sum of floats may miss a mark by

_STACKS = tuple(DENSITIES[0] * steps for steps in range(2 * len(DENSITIES) + 1))
"""Densities of no filter, one, or two of the strongest."""


def ways(present: Present, stops: float) -> tuple[Way, ...]:
    """Every single setting that is known, changed so that the sensor gets other light.

    Args:
        present: How the camera is set.
        stops: Change of light, positive for more.
    """
    return tuple(_ways(present, stops))


def _ways(present: Present, stops: float) -> Iterator[Way]:
    if present.density is not None:
        yield _by_density(float(present.density.value), stops)
    elif stops < 0.0:
        yield _by_density(0.0, stops)
    if present.aperture is not None:
        yield _by_aperture("aperture", float(present.aperture.value), stops)
    if present.t_stop is not None:
        yield _by_aperture("t_stop", float(present.t_stop.value), stops)
    if present.angle is not None:
        yield _by_angle(Fraction(present.angle.value), stops)
    if present.time is not None and present.rate is not None:
        yield _by_time(Fraction(present.time.value), Fraction(present.rate.value), stops)
    if present.index is not None:
        yield _by_index(float(present.index.value), stops)


def _way(
    by: str, exact: float, marks: Iterable[Mark], stops: float, *, unit: str = "", effect: str
) -> Way:
    fitting = [mark for mark in marks if mark[2] <= stops + _HAIR]
    label, stands_for, change = max(fitting, key=lambda mark: mark[2], default=(None, None, 0.0))
    return Way(
        by=by,
        exact=exact,
        unit=unit,
        nominal=label,
        nominal_exact=stands_for,
        stops=change,
        left=stops - change,
        effect=effect,
    )


def _by_density(density: float, stops: float) -> Way:
    held = stops_from_density(density)
    exact = density_from_stops(max(held - stops, 0.0))
    marks = [
        (_stack(each), float(each), held - stops_from_density(float(each))) for each in _STACKS
    ]
    effect = "depth of field and motion blur stay; strong filters may tint or pass far red"
    if held < stops:
        effect = f"all filters out give no more than {held:.2f} stops"
    return _way("density", exact, [(f"{density:g}", density, 0.0), *marks], stops, effect=effect)


def _stack(density: Fraction) -> str:
    return " + ".join(f"{float(each):.1f}" for each in filters(density)) or "none"


def _by_aperture(by: str, aperture: float, stops: float) -> Way:
    av = av_from_aperture(aperture)
    sign = "T" if by == "t_stop" else "f/"
    marks = [
        (f"{sign}{mark:g}", stands_for, av - av_from_aperture(stands_for))
        for mark, stands_for in APERTURES.items()
    ]
    effect = "depth of field grows"
    if stops > 0.0:
        effect = "depth of field shrinks; the lens decides how far it opens"
    return _way(by, aperture_from_av(av - stops), marks, stops, effect=effect)


def _by_angle(angle: Fraction, stops: float) -> Way:
    exact = min(float(angle) * gain(stops), 360.0)
    marks = [
        (f"{float(mark):g} deg", float(mark), stops_from(float(mark / angle)))
        for mark in sorted({angle, *ANGLES})
    ]
    most = stops_from(float(360 / angle))
    return _way("angle", exact, marks, stops, unit="deg", effect=_blur(stops, most))


def _by_time(seconds: Fraction, rate: Fraction, stops: float) -> Way:
    longest = 1 / rate
    exact = min(float(seconds) * gain(stops), float(longest))
    marks = [
        (f"{mark} s", float(mark), stops_from(float(mark / seconds)))
        for mark in sorted({seconds, *TIMES})
        if mark <= longest
    ]
    most = stops_from(float(longest / seconds))
    return _way("time", exact, marks, stops, unit="s", effect=_blur(stops, most))


def _blur(stops: float, most: float) -> str:
    if stops > most:
        return f"a whole frame gives no more than {most:.2f} stops; motion blur grows with it"
    return f"motion blur x{gain(stops):.2f}; look for flicker of lamps and screens"


def _by_index(index: float, stops: float) -> Way:
    marks = [
        (f"{mark}", float(mark), stops_from_index(index, reference=mark))
        for mark in (*INDICES, round(index))
    ]
    if stops > 0.0:
        effect = "no light by itself: meters ask for more; less noise, less headroom"
    else:
        effect = "no light by itself: meters ask for less; more noise, more headroom"
    return _way("index", index_from_stops(-stops, reference=index), marks, stops, effect=effect)

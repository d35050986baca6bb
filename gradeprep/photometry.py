"""Photographic arithmetic: apertures, times, densities, exposure index, exposure value, light.

Apertures are f-numbers (or T-stops where a function says so), times are seconds, angles degrees,
densities log10, exposure indices the arithmetic numbers of ISO 12232 (100, 800), luminance cd/m2,
illuminance lx. Every function raises ValueError, in one line, for a number that cannot be.

Marked labels are nominal: f/11 is 11.3137, 1/125 s is 1/128 s. Where the difference counts, turn a
label into what it stands for first (`exact_aperture`, `exact_time`).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from fractions import Fraction

from gradeprep.model.stops import gain, stops_from, valid_stops

__all__ = [
    "ACCEPTABLE",
    "APERTURE_MARKS",
    "EXCELLENT",
    "FLAT_RECEPTOR",
    "REFLECTED_LIGHT",
    "Setting",
    "angle_from_seconds",
    "aperture_from_av",
    "av_from_aperture",
    "density_from_stops",
    "exact_aperture",
    "exact_time",
    "exposure_difference",
    "exposure_value",
    "frame_rate",
    "illuminance",
    "index_from_stops",
    "luminance",
    "seconds_from_angle",
    "stops_from_density",
    "stops_from_index",
    "t_stop",
]

REFLECTED_LIGHT = 12.5
"""Meter constant K for luminance (ISO 2720: 10.6 to 13.4; 12.5 and 14 are in use)."""

FLAT_RECEPTOR = 250.0
"""Meter constant C for illuminance on a flat receptor.

ISO 2720:1974 recommends 240 to 400, and 250 is common; quoted from the documentation of
colour-hdri, ``average_illuminance``.
"""

ACCEPTABLE = 10.0
"""Signal to noise of the first acceptable picture (ISO 12232, noise-based speed)."""

EXCELLENT = 40.0
"""Signal to noise of the first excellent picture (ISO 12232, noise-based speed)."""

# fmt: off
APERTURE_MARKS: tuple[float, ...] = (
    0.7, 0.8, 0.9, 1, 1.1, 1.2, 1.4, 1.6, 1.8, 2, 2.2, 2.5, 2.8, 3.2, 3.5, 4, 4.5, 5, 5.6, 6.3,
    7.1, 8, 9, 10, 11, 13, 14, 16, 18, 20, 22, 25, 29, 32, 36, 40, 45, 51, 57, 64,
)
# fmt: on
"""Apertures as lenses mark them, by thirds of a stop.

f/1 to f/22 as encyclopaedias print the one-third-stop scale ("F-number"). The rest from memory;
tests hold every mark to the third of a stop, 2 ** (k / 6), that it stands for. ISO 517 defines the
full stops.
"""

Exact = int | float | Fraction

_STOP = math.log10(2.0)  # density of one stop
_ISO_100 = 100.0
_LABEL = 0.15  # stops by which an engraved label may be off; the worst usual one, f/1.2, is 0.141
_RATE = re.compile(r"[0-9]{1,6}(?:\.([0-9]{1,17}))?|[0-9]{1,9}/[1-9][0-9]{0,8}")
_PULLED_DOWN = (24, 30, 48, 60, 96, 120)  # rates that video runs at 1000/1001 of (SMPTE ST 12-1)


def stops_from_density(density: float) -> float:
    """Stops of light that a filter of this density holds back: density / log10(2), exactly.

    The label 0.3 is 0.9966 stop, not 1. Densities of stacked filters add.
    """
    return _not_negative("a density", density) / _STOP


def density_from_stops(stops: float) -> float:
    """Density of the filter that holds back this many stops: stops x log10(2)."""
    return _not_negative("the stops of a filter", stops) * _STOP


def av_from_aperture(aperture: float) -> float:
    """Aperture value of an f-number or T-stop N: 2 log2 N (ISO 517). One more, one stop darker."""
    return 2.0 * stops_from(_positive("an aperture", aperture))


def aperture_from_av(av: float) -> float:
    """The f-number or T-stop of an aperture value: 2 ** (AV / 2) (ISO 517)."""
    return gain(valid_stops(av) / 2.0)


def exact_aperture(nominal: float) -> float:
    """The aperture that a marked one stands for: the nearest third of a stop, 2 ** (k / 6).

    ISO 517 for the series. Half-stop marks (f/1.7, f/6.7) are not in it and move to a third.

    Raises:
        ValueError: The mark is over 0.15 stop from every third of a stop.
    """
    av = av_from_aperture(nominal)
    nearest = round(av * 3.0) / 3.0
    exact = aperture_from_av(nearest)
    if abs(av - nearest) > _LABEL:
        raise ValueError(
            f"{nominal:g} is no marked aperture; the nearest third-stop is {exact:.4g}"
        )
    return exact


def t_stop(f_number: float, *, transmittance: float) -> float:
    """T-stop of a lens: its f-number / sqrt(transmittance), the transmittance above 0, up to 1."""
    if _positive("a transmittance", transmittance) > 1.0:
        raise ValueError(f"a transmittance is at most 1, not {transmittance!r}")
    return _positive("an f-number", f_number) / math.sqrt(transmittance)


def frame_rate(label: Exact | str) -> Fraction:
    """Exact frames per second: '24', '24000/1001', and '23.976' or '29.97' for what they mean.

    A decimal that is 1000/1001 of 24, 30, 48, 60, 96 or 120, rounded to the digits given (two or
    more) or stored as a float, is taken for that fraction (SMPTE ST 12-1); others as they stand.
    """
    text = str(label).strip()
    match = _RATE.fullmatch(text)
    if match is None or not Fraction(text):
        raise ValueError(f"{label!r} is no frame rate; write 24, 23.976 or 24000/1001")
    rate = Fraction(text)
    digits = len(match[1] or "")
    if digits >= 2:
        # Half of the last digit, but never finer than single precision holds (a header's float).
        slack = max(Fraction(1, 2 * 10**digits), Fraction(1, 100_000))
        for pulled in (Fraction(base * 1000, 1001) for base in _PULLED_DOWN):
            if abs(rate - pulled) <= slack:
                return pulled
    return rate


def seconds_from_angle(angle: Exact, *, rate: Exact | str) -> Fraction:
    """Time a shutter of this angle is open: angle / (360 x rate), exact for the decimals given.

    >>> seconds_from_angle(172.8, rate=24)
    Fraction(1, 50)
    """
    if _positive("a shutter angle", angle) > 360.0:
        raise ValueError(f"a shutter angle is at most 360 degrees, not {angle!r}")
    return Fraction(str(angle)) / (360 * frame_rate(rate))


def angle_from_seconds(seconds: Exact, *, rate: Exact | str) -> float:
    """Shutter angle that is open for this time: 360 x seconds x rate."""
    exact_rate = frame_rate(rate)
    _positive("a time", seconds)
    angle = float(360 * Fraction(seconds) * exact_rate)
    if angle > 360.0 * (1.0 + 1e-12):  # a time as a float may end a hair above a full turn
        raise ValueError(
            f"{float(seconds):g} s is longer than one frame at {float(exact_rate):g} per second"
        )
    return min(angle, 360.0)


def exact_time(nominal: Exact) -> float:
    """Seconds that a marked full-stop time stands for, a power of two: 1/60 is 1/64, 15 is 16.

    The series 1, 1/2 to 1/8, 1/15 to 1/1000 as public tables of exposure times print it; ISO 516
    itself was not seen.

    Raises:
        ValueError: The mark is over 0.15 stop from every full stop.
    """
    value = stops_from(_positive("a time", nominal))
    exact = gain(valid_stops(round(value)))
    if abs(value - round(value)) > _LABEL:
        raise ValueError(
            f"{float(nominal):g} s is no marked full-stop time; the nearest is {exact:g} s"
        )
    return exact


def stops_from_index(index: float, *, reference: float) -> float:
    """Stops by which this exposure index makes a picture brighter than the reference one does."""
    index = _positive("an exposure index", index)
    return stops_from(index / _positive("an exposure index", reference))


def index_from_stops(stops: float, *, reference: float) -> float:
    """Exposure index that many stops above the reference one."""
    return _positive("an exposure index", reference) * gain(valid_stops(stops))


def exposure_value(*, aperture: float, seconds: Exact, index: float = _ISO_100) -> float:
    """EV at ISO 100 of the light that this setting is right for: log2(N^2 / t) - log2(S / 100).

    With an index of 100 that is the plain EV of the setting (ISO 2720, ISO 2721).
    """
    time_value = -stops_from(_positive("a time", seconds))
    return av_from_aperture(aperture) + time_value - stops_from_index(index, reference=_ISO_100)


def luminance(ev: float, *, constant: float = REFLECTED_LIGHT) -> float:
    """Luminance in cd/m2 that a meter reads as this EV at ISO 100: 2 ** EV x K / 100 (ISO 2720)."""
    return gain(valid_stops(ev)) * _positive("the constant K", constant) / _ISO_100


def illuminance(ev: float, *, constant: float = FLAT_RECEPTOR) -> float:
    """Illuminance in lx that a meter reads as this EV at ISO 100: 2 ** EV x C / 100 (ISO 2720).

    The default C is that of a flat receptor. A hemispherical one has 320 to 540, usually 340 (from
    memory): give it as the constant.
    """
    return gain(valid_stops(ev)) * _positive("the constant C", constant) / _ISO_100


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """How a camera was set for a shot.

    Attributes:
        aperture: f-number or T-stop; two settings that are compared must use the same one.
        seconds: Time the shutter is open.
        index: Exposure index that the picture was recorded or developed at.
        density: Density of all filters before the sensor, added up.

    Raises:
        ValueError: Any of them cannot be.
    """

    aperture: float
    seconds: Exact
    index: float
    density: float = 0.0

    def __post_init__(self) -> None:
        _positive("an aperture", self.aperture)
        _positive("a time", self.seconds)
        _positive("an exposure index", self.index)
        _not_negative("a density", self.density)


def exposure_difference(setting: Setting, *, reference: Setting) -> float:
    """Stops by which one scene comes out brighter under this setting than under the reference.

    Camera exposure goes with time, with 1/N^2 and with 10 ** -density; the exposure index then
    sets how bright that is rendered (ISO 2720, ISO 12232). Settings of equal index differ by the
    light alone.
    """
    return (
        av_from_aperture(reference.aperture)
        - av_from_aperture(setting.aperture)
        + stops_from(float(setting.seconds))
        - stops_from(float(reference.seconds))
        + stops_from_index(setting.index, reference=reference.index)
        + stops_from_density(reference.density)
        - stops_from_density(setting.density)
    )


def _positive(what: str, value: Exact) -> float:
    number = _finite(what, value)
    if number <= 0.0:
        raise ValueError(f"{what} must be above zero, not {value!r}")
    return number


def _not_negative(what: str, value: Exact) -> float:
    number = _finite(what, value)
    if number < 0.0:
        raise ValueError(f"{what} must be zero or more, not {value!r}")
    return number


def _finite(what: str, value: Exact) -> float:
    try:
        number = float(value)
    except OverflowError:  # an integer or fraction beyond any float
        number = math.inf
    if not math.isfinite(number):
        raise ValueError(f"{what} must be a finite number, not {value!r}")
    return number

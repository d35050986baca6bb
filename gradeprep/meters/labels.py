"""What is written of a camera's setting, and the exact number that it stands for.

A written value may carry what people write around it: ``f/5.6``, ``T2.8``, ``1/48 s``,
``172.8 deg``, ``ND 0.9``, ``EI 800``. Where a marked value is not what it says (f/5.6 is
5.657), the exact one is taken and the difference is reported, in stops.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction

from gradeprep import photometry

__all__ = ["COLUMNS", "Label", "marked_aperture", "read_label"]

_MOST_DENSITY = 6.0  # 20 stops: a larger number is a filter factor that lost its name

_DIGITS = r"[-+]?[0-9]{1,12}(?:\.[0-9]{0,12})?|[-+]?\.[0-9]{1,12}"
_RATIO = rf"[-+]?[0-9]{{1,12}}/0*[1-9][0-9]{{0,11}}|{_DIGITS}"


@dataclass(frozen=True, slots=True)
class Label:
    """A value as written and what it stands for.

    Attributes:
        written: The text.
        value: The exact number, in the unit of its column.
        stops: Light that the exact value gives over the written number, in stops.
    """

    written: str
    value: float | Fraction
    stops: float = 0.0

    @property
    def evidence(self) -> dict[str, str | float]:
        """The same as plain data."""
        return {"written": self.written, "exact": float(self.value), "off_by_stops": self.stops}


@dataclass(frozen=True, slots=True)
class _Form:
    """What may stand around a number: words before and after it, and an example of the whole."""

    example: str
    before: str = ""
    after: str = ""
    number: str = _DIGITS

    def number_in(self, written: str) -> str | None:
        text = rf"(?:(?:{self.before})\s*)?(?P<number>{self.number})\s*(?:{self.after})?"
        found = re.fullmatch(text, written.strip(), re.IGNORECASE)
        return None if found is None else found["number"]


_FORMS = {
    "aperture": _Form("5.6 or f/5.6", before="f/?"),
    "tstop": _Form("2.8 or T2.8", before="t/?"),
    "time_s": _Form("1/48 or 0.02", after="s|sec", number=_RATIO),
    "angle_deg": _Form("172.8", after="deg|degrees|°"),
    "rate_fps": _Form("24 or 23.976 or 24000/1001", after="fps", number=_RATIO),
    "index": _Form("800", before="iso|ei"),
    "density": _Form("0.9, or 0.3 + 0.6 for two filters", before="nd"),
    "luminance_cd_m2": _Form("350", after="cd/m2|cd/m²"),
    "illuminance_lx": _Form("5000", after="lx|lux"),
    "ev100": _Form("12.3", before="ev"),
}

COLUMNS = tuple(_FORMS)
"""Everything that can be stated of a setting and of the light, each name with its unit."""


def read_label(column: str, written: str, *, marked: bool) -> Label:
    """What a written value of one of the `COLUMNS` stands for.

    Args:
        column: Name of the column.
        written: The text.
        marked: Take an aperture or a time that is one of the marked series for the value the
            mark stands for (`photometry.exact_aperture`, `photometry.exact_time`).

    Raises:
        ValueError: No such value, or one that cannot be.
    """
    if column == "density":
        return _density(written)
    text = _FORMS[column].number_in(written)
    if text is None:
        raise ValueError(f"'{written:.40}' is not understood; write {_FORMS[column].example}")
    if column == "rate_fps":
        return Label(written, photometry.frame_rate(text))
    number = Fraction(text)
    if column in ("aperture", "tstop"):
        return _aperture(written, float(number), marked=marked)
    if column == "time_s":
        return _seconds(written, number, marked=marked)
    if column != "ev100" and number <= 0:
        raise ValueError(f"it must be above zero, not {written}")
    return Label(written, number if column == "angle_deg" else float(number))


def marked_aperture(number: float) -> float:
    """The aperture that a mark of the third-stop series stands for; any other as it is."""
    return photometry.exact_aperture(number) if number in photometry.APERTURE_MARKS else number


def _aperture(written: str, number: float, *, marked: bool) -> Label:
    plain = photometry.av_from_aperture(number)
    exact = marked_aperture(number) if marked else number
    return Label(written, exact, plain - photometry.av_from_aperture(exact))


def _seconds(written: str, number: Fraction, *, marked: bool) -> Label:
    if number <= 0:
        raise ValueError(f"a time must be above zero, not {written}")
    if not marked:
        return Label(written, number)
    try:
        exact = Fraction(photometry.exact_time(number))
    except ValueError:  # not of the marked series: 1/48 is what it says
        return Label(written, number)
    ev = photometry.exposure_value
    return Label(written, exact, ev(aperture=1, seconds=number) - ev(aperture=1, seconds=exact))


def _density(written: str) -> Label:
    """Densities of stacked filters added up; a bare ND8 could be a factor or a density of 0.8."""
    total = Fraction(0)
    for filter_ in written.split("+"):
        text = _FORMS["density"].number_in(filter_)
        if text is None:
            raise ValueError(
                f"'{written:.40}' is not understood; write {_FORMS['density'].example}"
            )
        if filter_.strip().lower().startswith("nd") and "." not in text:
            raise ValueError(f"'{written}' may be a factor or a density; write the density, as 0.9")
        total += Fraction(text)
    stops = photometry.stops_from_density(float(total))
    if total > _MOST_DENSITY:
        raise ValueError(
            f"a density of {float(total):g} ({stops:.0f} stops) is no camera filter; "
            "write a factor of 8 as 0.9"
        )
    return Label(written, float(total), stops - float(total / Fraction("0.3")))

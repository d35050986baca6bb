"""Readings of a light meter, and how many stops lie between two of them.

A reading is written with its unit: ``40cd/m2`` (a spot meter on the surface), ``700lx`` (an
incident meter where the surface is), ``9.3EV@800`` (a spot meter's EV at the index it was set
to). All come down to a luminance in cd/m2, so that readings of different kinds may be compared.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from gradeprep.model.documents.headroom import SceneBrightness
from gradeprep.model.stops import GREY, stops_from, valid_stops
from gradeprep.photometry import REFLECTED_LIGHT, luminance, stops_from_index

__all__ = ["LightReading", "between", "parse"]

_FORM = re.compile(
    r"(?P<number>[-+]?(?:[0-9]{1,12}(?:\.[0-9]{0,12})?|\.[0-9]{1,12}))\s*"
    r"(?:(?P<spot>cd/m2|cd/m²)|(?P<incident>lx|lux)|EV\s*(?:@\s*(?P<index>[0-9.]{1,12}))?)",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class LightReading:
    """One reading.

    Attributes:
        written: As written.
        value: cd/m2, lx, or EV.
        kind: ``spot``, ``incident`` or ``ev``.
        index: Exposure index that the EV was read at.
    """

    written: str
    value: float
    kind: str
    index: float = 100.0

    def cd_m2(self, *, reflectance: float, constant: float = REFLECTED_LIGHT) -> float:
        """Luminance in cd/m2 of the surface that was read.

        Args:
            reflectance: Share of the light, 0..1, that a matte surface gives back; asked for
                incident readings only: ``L = reflectance * E / pi`` (Lambert's cosine law).
            constant: K of a spot meter that reads EV (ISO 2720).

        Raises:
            ValueError: The reflectance is not above 0 and at most 1, or K is not above 0.
        """
        if self.kind == "spot":
            return self.value
        if self.kind == "incident":
            if not 0.0 < reflectance <= 1.0:
                raise ValueError(f"a reflectance lies above 0 and is at most 1, not {reflectance}")
            return reflectance * self.value / math.pi
        ev_100 = self.value - stops_from_index(self.index, reference=100.0)
        return luminance(ev_100, constant=constant)


def parse(written: str) -> LightReading:
    """The reading in a text.

    Raises:
        ValueError: It is not understood, or cannot be.
    """
    found = _FORM.fullmatch(written.strip())
    if found is None:
        raise ValueError(f"'{written:.40}' is no reading; write 40cd/m2, 700lx or 9.3EV@800")
    value = float(found["number"])
    if found["spot"] or found["incident"]:
        if value <= 0.0:
            raise ValueError(f"a reading of light must be above zero, not {written}")
        kind = "spot" if found["spot"] else "incident"
        return LightReading(written=written, value=value, kind=kind)
    if found["index"] is None:
        raise ValueError(f"'{written}' names no index; write it as {value:g}EV@100")
    try:
        index = float(found["index"])
    except ValueError as error:
        raise ValueError(f"'{found['index']}' is no exposure index") from error
    stops_from_index(index, reference=100.0)  # refuses one that cannot be
    return LightReading(written=written, value=valid_stops(value), kind="ev", index=index)


def between(
    grey: LightReading,
    bright: LightReading,
    *,
    reflectance: float = 1.0,
    constant: float = REFLECTED_LIGHT,
) -> SceneBrightness:
    """How many stops the brightest thing stands above grey.

    Args:
        grey: Reading of grey: of a grey card, or of the light that falls on one.
        bright: Reading of the brightest thing that must keep detail, or of the light on it.
        reflectance: What the brightest thing reflects, where its light was read: 1 is the most
            that a matte surface gives back.
        constant: K of a spot meter that reads EV (ISO 2720).
    """
    low = grey.cd_m2(reflectance=GREY, constant=constant)
    high = bright.cd_m2(reflectance=reflectance, constant=constant)
    how = f"{bright.written} over {grey.written} of grey"
    return SceneBrightness(bright=valid_stops(stops_from(high / low)), how=how)

"""The contract of a meter."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from pydantic import BaseModel

from gradeprep.model.record import Reading
from gradeprep.model.stops import gain
from gradeprep.plugins.testing.clauses import Tried, tried
from gradeprep.plugins.testing.plate import MemoryPlate
from gradeprep.plugins.testing.samples import awkward_plates, hot_plate

__all__ = ["check_meter"]

_CLOSE = 0.01
"""How far from one stop a reading may move with one stop, where its sigma is smaller, in stops."""


def check_meter(
    meter: Any,
    params: Mapping[str, Any] | BaseModel | None = None,
    plate: MemoryPlate | None = None,
    *,
    follows: bool = True,
) -> None:
    """Hold a meter against `gradeprep.plugins.contracts.Meter`.

    Args:
        meter: Its class.
        params: Parameters to try it with.
        plate: A plate that it can read; `samples.hot_plate` when left out.
        follows: It reads pixels, so that it follows the plate's exposure.

    Raises:
        BrokenContract: With the clause that does not hold.
    """
    one = tried("meters", meter, params)
    plate = plate or hot_plate()
    reading = _read(one, plate)
    for other in (one, one.again()):
        one.demand(_read(other, plate) == reading, "purity", "it reads something else next time")
    if follows:
        for stops in (1.0, -1.0):
            _follows(one, plate, reading, stops)
    if "frame" in one.made.Params.model_fields:
        for frame in plate.frames:
            _one_frame(one, plate, frame)
    for what, awkward in awkward_plates().items():
        found = one.may_refuse(f"read of {what}", one.made.read, awkward, one.params)
        if found is not None:
            _whole(one, found)
    one.unchanged()


def _read(one: Tried, plate: MemoryPlate) -> Reading:
    reading: Reading = one.call("read", one.made.read, plate, one.params)
    _whole(one, reading)
    return reading


def _whole(one: Tried, reading: Any) -> None:
    fine = isinstance(reading, Reading)
    one.demand(fine, "reading", f"read gave {type(reading).__name__}")
    named = reading.meter == one.made.name
    one.demand(named, "reading", f"it is signed by '{reading.meter}'")
    sound = math.isfinite(reading.stops) and 0.0 <= reading.sigma < math.inf
    one.demand(sound, "reading", f"{reading.stops!r} stops, sigma {reading.sigma!r}")
    try:
        Reading.model_validate_json(reading.model_dump_json())
    except ValueError as error:
        one.broken("reading", f"its evidence is no JSON: {error}")


def _follows(one: Tried, plate: MemoryPlate, reading: Reading, stops: float) -> None:
    pictures = {number: picture * gain(stops) for number, picture in plate.pictures.items()}
    moved = _read(one, replace(plate, pictures=pictures)).stops - reading.stops
    fine = abs(moved + stops) <= max(_CLOSE, reading.sigma)
    one.demand(fine, "follows", f"{stops:+g} on the plate moves the reading by {moved:+.4g} stops")


def _one_frame(one: Tried, plate: MemoryPlate, frame: int) -> None:
    """A reading of one frame stays where the light of every other frame changes.

    What the plate as a whole shows, such as its ceilings, may come from any frame.
    """
    asked = one.params.model_copy(update={"frame": frame})
    read = one.call(f"read of frame {frame}", one.made.read, plate, asked)
    _whole(one, read)
    pictures = {n: p if n == frame else p * gain(-1.0) for n, p in plate.pictures.items()}
    changed = replace(plate, pictures=pictures)
    again = one.call(f"read of frame {frame}", one.made.read, changed, asked)
    moved = again.stops - read.stops
    text = f"a stop less on the other frames moves the reading of frame {frame} by {moved:+.4g}"
    one.demand(abs(moved) <= _CLOSE / 10, "frame", text)

"""The advice on how hot a scene may be exposed.

The brightest thing is some stops above grey, and the recording ends some stops above grey. The
difference, less a margin, is the number of stops by which the scene may be exposed hot.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from gradeprep.model.documents.headroom import (
    Division,
    HeadroomDocument,
    Key,
    SceneBrightness,
    SceneCeiling,
    Watch,
)
from gradeprep.model.stops import valid_stops
from gradeprep.onset.present import Present
from gradeprep.onset.sensor import SensorModel, noise
from gradeprep.onset.series import INDICES, marked_index
from gradeprep.onset.ways import ways
from gradeprep.photometry import ACCEPTABLE, index_from_stops, stops_from_index

__all__ = [
    "CAUTIONS",
    "DUSK",
    "EXTRA",
    "MARGIN",
    "Asked",
    "advise",
    "divisions",
    "indices_around",
    "indices_between",
    "watch",
]

MARGIN = 0.5
"""Stops kept free under the clip: the half stop that saturation speed leaves above a 100 %
reflectance: S = 78 / H puts an 18 % grey at 12.7 % of saturation (ISO 12232, as encyclopaedias
quote it under "Film speed")."""

EXTRA = 0.5
"""Stops more of it where the light changes (common practice, no source)."""

DUSK = 12.0
"""Stops an hour by which the light changes at dusk and dawn (common practice, no source)."""

_LEAST_ROOM = 1.0 / 3.0  # less than a third of a stop is not worth another setting


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """Known facts about the scene and the camera.

    Attributes:
        scene: The brightest thing that must keep detail.
        ceiling: Where the recording ends.
        present: The camera's settings.
        margin: Stops to keep free, not counting those for changing light.
        drift: Stops an hour by which the light changes; None if it does not.
        key: Grey of the finished picture, in stops from grey; None for grey.
        indices: Exposure indices at which the range is divided.
        sensor: The sensor, and the source of its numbers.
    """

    scene: SceneBrightness
    ceiling: SceneCeiling
    present: Present
    margin: float = MARGIN
    drift: float | None = None
    key: float | None = None
    indices: Sequence[float] = ()
    sensor: tuple[SensorModel, str] | None = None


def advise(asked: Asked) -> HeadroomDocument:
    """The advice.

    Raises:
        ValueError: The margin is negative, or the drift is not above zero.
    """
    if asked.margin < 0.0:
        raise ValueError(f"a margin must be zero stops or more, not {asked.margin:g}")
    looks = None if asked.drift is None else watch(asked.drift)
    margin = asked.margin + (looks.extra if looks else 0.0)
    clip = asked.ceiling.stops
    hot = valid_stops(clip - asked.scene.bright - margin)
    index = None if asked.present.index is None else float(asked.present.index.value)
    sensor = asked.sensor
    return HeadroomDocument(
        scene=asked.scene,
        ceiling=asked.ceiling,
        margin=margin,
        hot=hot,
        pull=(asked.key or 0.0) - hot,
        given=asked.present.given,
        ways=ways(asked.present, hot),
        divisions=_divisions(asked, index, margin),
        noise=None if sensor is None else noise(sensor[0], clip=clip, hot=hot, how=sensor[1]),
        watch=looks,
        key=None if asked.key is None else _key(asked.key, hot, index),
        notes=tuple(_notes(asked, hot)),
        cautions=CAUTIONS,
    )


def _divisions(asked: Asked, index: float | None, margin: float) -> tuple[Division, ...]:
    if index is None:
        return ()
    clip = asked.ceiling.stops
    below = None
    if asked.sensor is not None:
        below = -asked.sensor[0].darkest(ACCEPTABLE, clip=clip)
    return divisions(
        asked.indices or indices_around(index),
        index=index,
        clip=clip,
        below=below,
        taken=asked.scene.bright + margin,
    )


def divisions(
    indices: Sequence[float], *, index: float, clip: float, below: float | None, taken: float
) -> tuple[Division, ...]:
    """A fixed sensor's range above and below grey at other exposure indices.

    The exposure at which a fixed sensor saturates stays, and grey's exposure goes with 1 / index
    (ISO 12232): half the index puts grey one stop higher, with a stop less above it and a stop
    more below.

    Args:
        indices: The exposure indices.
        index: The present one.
        clip: Stops from grey to clip at the present one.
        below: Stops from grey down to the darkest usable tone at the present one, if known.
        taken: Stops above grey that the scene and its margin take.
    """
    found = []
    for each in indices:
        higher = stops_from_index(index, reference=each)
        found.append(
            Division(
                index=each,
                stops=higher,
                above=clip - higher,
                below=None if below is None else below + higher,
                room=clip - higher - taken,
            )
        )
    return tuple(found)


def indices_around(index: float) -> tuple[float, ...]:
    """Marked exposure indices from two stops below to two above the present one."""
    around = (index_from_stops(stops, reference=index) for stops in (-2, -1, 1, 2))
    low, lower, higher, high = (marked_index(each) for each in around)
    return (low, lower, index, higher, high)


def indices_between(low: float, high: float) -> tuple[float, ...]:
    """The marked exposure indices of a range, by thirds of a stop.

    Raises:
        ValueError: There are none in it.
    """
    found = tuple(float(mark) for mark in INDICES if low <= mark <= high)
    if not found:
        raise ValueError(
            f"no marked exposure index lies from {low:g} to {high:g}; "
            f"they run from {INDICES[0]} to {INDICES[-1]}, the lower one first"
        )
    return found


def watch(drift: float) -> Watch:
    """How often to measure light that changes.

    Args:
        drift: Stops an hour, up or down.

    Raises:
        ValueError: The drift is not above zero.
    """
    if not drift > 0.0:
        raise ValueError(f"the drift of changing light must be above zero, not {drift:g}")
    return Watch(drift=valid_stops(drift), extra=EXTRA, minutes=60.0 * EXTRA / drift)


def _key(key: float, hot: float, index: float | None) -> Key:
    """The recording stands ``hot - key`` stops over its look; an index lower by as much says so."""
    over = hot - key
    return Key(
        stops=key,
        over=over,
        index=None if index is None else index_from_stops(-over, reference=index),
    )


def _notes(asked: Asked, hot: float) -> Iterator[str]:
    if hot < 0.0:
        yield (
            f"the scene does not fit: expose {-hot:.2f} stops under normal, or its brightest thing "
            "clips"
        )
    elif hot < _LEAST_ROOM:
        yield "less than a third of a stop of headroom: expose normally"
    if asked.ceiling.source == "encodable":
        yield (
            "the ceiling is the end of the encoding; the sensor may clip below it: measure that "
            "with --plate"
        )
    if asked.present.index is not None:
        yield (
            "other indices assume a fixed sensor; a camera that changes its gain with the index "
            "changes noise and clip: measure it at that index"
        )
    if asked.sensor is not None:
        yield "the sensor model has no fixed pattern noise, which more light does not reduce"


CAUTIONS = (
    "the margin's default is the half stop that ISO 12232 keeps; how fast light changes, what is "
    "kept for it, and the series of filters are common practice, no source",
    "never point an optical finder, a spot meter without its own protection, or a lens at the "
    "sun to read it",
    "laser and welding light are not measured this way",
    "these numbers are estimates: the camera's own indication and the crew's judgement on the "
    "day decide",
)
"""Cautions about bright sources."""

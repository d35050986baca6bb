"""How hot a scene may be exposed: the advice, put together from what is known.

A scene's brightest thing stands some stops above grey, the recording ends some stops above grey;
what lies between, less a margin, is what the whole scene may be exposed hot by.
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
    """What is known of the scene and the camera.

    Attributes:
        scene: The brightest thing that must keep detail.
        ceiling: Where the recording ends.
        present: How the camera is set.
        margin: Stops to keep free, before any for changing light.
        drift: Stops an hour by which the light changes; None where it does not.
        key: Where the finished picture's grey stands, in stops from grey; None: at grey.
        indices: Exposure indices to divide the range at.
        sensor: The sensor, and where its numbers come from.
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
    """All that can be said.

    Raises:
        ValueError: A margin or drift that cannot be.
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
    """How a fixed sensor's range divides above and below grey at other exposure indices.

    The exposure at which a fixed sensor saturates stays, and grey's exposure goes with 1 / index
    (ISO 12232): half the index puts grey one stop higher, with a stop less above it and a stop
    more below.

    Args:
        indices: Exposure indices to tell it at.
        index: The present one.
        clip: Stops from grey to clip at the present one.
        below: Stops from grey down to the darkest usable tone at the present one, if known.
        taken: Stops above grey that the scene and its margin take.
    """
    told = []
    for each in indices:
        higher = stops_from_index(index, reference=each)
        told.append(
            Division(
                index=each,
                stops=higher,
                above=clip - higher,
                below=None if below is None else below + higher,
                room=clip - higher - taken,
            )
        )
    return tuple(told)


def indices_around(index: float) -> tuple[float, ...]:
    """Exposure indices from two stops below to two above the present one, as they are marked."""
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
    """How often to read light that changes.

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
            f"the scene does not fit: it needs {-hot:.2f} stops less than normal exposure, or its "
            "brightest thing loses detail"
        )
    elif hot < _LEAST_ROOM:
        yield "there is next to no room: expose normally"
    if asked.ceiling.source == "encodable":
        yield (
            "the end of the encoding is no promise of the sensor's: if it clips below, that "
            "decides; measure it with --plate"
        )
    if asked.present.index is not None:
        yield (
            "other indices are told for a fixed sensor; a camera that changes its gain with the "
            "index moves noise and clip, so measure it there"
        )
    if asked.sensor is not None:
        yield "fixed pattern noise is not in the sensor's model: more light does not lessen it"


CAUTIONS = (
    "the margin's default is the half stop that ISO 12232 keeps; how fast light changes, what is "
    "kept for it, and the series of filters are common practice, no source",
    "never point an optical finder, a spot meter without its own protection, or a lens at the "
    "sun to read it",
    "laser and welding light are not measured this way",
    "these numbers are estimates: the camera's own indication and the crew's judgement on the "
    "day decide",
)
"""What to mind wherever bright sources are spoken of."""

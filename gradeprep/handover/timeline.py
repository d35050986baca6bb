"""OTIO: the timeline on the normalized plates, with each decision and its reading.

Every clip has two media references: ``normalized``, which plays, and ``source``. The decision
stands under ``metadata["gradeprep"]`` and nowhere else, so that nobody applies it to a plate that
has it already; the ASC CDL that an event brought along stands where OTIO's adapters put one.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import Any
from urllib.parse import quote

from gradeprep.errors import RequestError, WriteError
from gradeprep.handover.cut import Cut, Filler, Item, Piece, RateParams, count_of, cut_of
from gradeprep.model.documents.conform import Listed, Transition
from gradeprep.model.record import PlateRecord
from gradeprep.plates.sequence import Pattern
from gradeprep.plugins.contracts import Decided, Document, LeftOut

__all__ = ["Otio"]

_NORMALIZED, _SOURCE = "normalized", "source"


class Otio:
    """One file: the cut that the shots were conformed from, else the shots one after another."""

    name = "otio"
    summary = "OpenTimelineIO, one file: the normalized plates in their cut, decisions with them"
    Params = RateParams

    def make(
        self, shots: Sequence[Decided], params: RateParams, title: str
    ) -> list[Document | LeftOut]:
        """One document of all shots."""
        otio = _library()
        cut = cut_of(shots, params.rate)
        unlisted = [piece for piece in cut.pieces if piece.unlisted]
        text = otio.adapters.write_to_string(_timeline(otio, cut, title), "otio_json") + "\n"
        document = Document(
            name=f"{title}.otio",
            text=text,
            shots=tuple(shot.record.shot for shot in shots),
            prove=partial(_prove, otio=otio, text=text, cut=cut),
            notes=(*cut.notes, *_gone(shots)),
        )
        return [document, *(LeftOut(piece.name, _why(piece)) for piece in unlisted)]


def _why(piece: Piece) -> str:
    number = piece.event.event if piece.event else "?"
    return (
        f"event {number} has {piece.taken} source frames for {piece.length} and no listed speed; "
        "list its speed and conform again"
    )


def _library() -> Any:
    try:
        import opentimelineio
    except ImportError as error:
        raise RequestError(
            f"a timeline needs one more package ({error})",
            key="--as otio",
            remedy="pip install 'gradeprep[conform]', or leave otio out",
        ) from error
    return opentimelineio


def _timeline(otio: Any, cut: Cut, title: str) -> Any:
    rate = float(cut.media.rate)
    begin = otio.opentime.RationalTime(cut.begin, rate)
    timeline = otio.schema.Timeline(cut.title or title, global_start_time=begin)
    unlisted = [f"{piece.name}: {_why(piece)}" for piece in cut.pieces if piece.unlisted]
    own = {"rate": str(cut.media.rate), **({"left_out": unlisted} if unlisted else {})}
    timeline.metadata["gradeprep"] = own
    for (_, name), items in cut.tracks.items():
        lanes: list[list[Item]] = []
        for item in _shown(items):
            lane = next((one for one in lanes if one[-1].end <= item.record), None)
            if lane is None:
                lanes.append([item])
            else:
                lane.append(item)
        for lane in lanes:
            timeline.tracks.append(_track(otio, lane, name, cut.begin, rate))
    return timeline


def _shown(items: Sequence[Item]) -> Iterator[Item]:
    """Events without the outgoing lines that only repeat the end of the event before them."""
    before: Item | None = None
    for item in items:
        if isinstance(item, Piece) and item.unlisted:
            continue
        if item.length or not _repeats(item, before):
            yield item
            before = item


def _repeats(item: Item, before: Item | None) -> bool:
    if isinstance(item, Filler):
        return item.event.enters is None
    if not isinstance(before, Piece) or before.end != item.record:
        return False
    return before.name == item.name and before.first + before.taken == item.first


def _track(otio: Any, items: Sequence[Item], name: str, begin: int, rate: float) -> Any:
    track = otio.schema.Track(name, kind=otio.schema.TrackKind.Video)
    end = begin
    for item in items:
        if item.record > end:
            track.append(otio.schema.Gap(source_range=_range(otio, 0, item.record - end, rate)))
        if item.event is not None and item.event.enters is not None:
            track.append(_transition(otio, item.event.enters, rate))
        track.append(_clip(otio, item) if isinstance(item, Piece) else _filler(otio, item, rate))
        if item.event is not None and item.event.leaves is not None:
            track.append(_transition(otio, item.event.leaves, rate))
        end = item.end
    return track


def _transition(otio: Any, one: Transition, rate: float) -> Any:
    wipe = one.kind.startswith("W") and one.kind[1:].isdigit()
    kind = "SMPTE_Wipe" if wipe else {"D": "SMPTE_Dissolve"}.get(one.kind, one.kind)
    time = otio.opentime.RationalTime
    return otio.schema.Transition(
        name=one.name,
        transition_type=kind,
        in_offset=time(one.before, rate),
        out_offset=time(one.after, rate),
        metadata={**one.metadata, **({} if kind == one.kind else {"gradeprep": {"edl": one.kind}})},
    )


def _filler(otio: Any, item: Filler, rate: float) -> Any:
    event = item.event
    metadata = {**event.metadata, "gradeprep": {"event": event.model_dump(mode="json")}}
    if event.why in ("gap", "black"):
        span = _range(otio, item.source[0], item.length, rate)
        return otio.schema.Gap(name=event.clip, source_range=span, metadata=metadata)
    clip = otio.schema.Clip(
        name=item.name,
        source_range=_range(otio, item.source[0], item.length, rate),
        media_reference=otio.schema.MissingReference(name=event.reel or event.why),
        metadata=metadata,
    )
    clip.enabled = event.why != "disabled"
    clip.markers.extend(_markers(otio, event, item.record, item.source[0], rate))
    return clip


def _markers(otio: Any, event: Listed, record: int, start: int, rate: float) -> Iterator[Any]:
    """Markers in the time of the source: a label of the record counts from the event's start."""
    for one in event.markers:
        place = count_of(one.start, round(rate), drop=event.drop)
        if place is None:
            continue
        if ":" in one.start:
            place += start - record
        yield otio.schema.Marker(
            name=one.name,
            marked_range=_range(otio, place, one.length, rate),
            color=one.colour or otio.schema.MarkerColor.GREEN,
            metadata=dict(one.metadata),
        )


def _warp(otio: Any, piece: Piece) -> list[Any]:
    if piece.speed == 1:
        return []
    if piece.speed == 0:
        return [otio.schema.FreezeFrame()]
    return [otio.schema.LinearTimeWarp(time_scalar=float(piece.speed))]


def _range(otio: Any, start: int, length: int, rate: float) -> Any:
    time = otio.opentime.RationalTime
    return otio.opentime.TimeRange(time(start, rate), time(length, rate))


def _clip(otio: Any, piece: Piece) -> Any:
    media = piece.media
    used = _range(otio, media.count(piece.first), piece.length, float(media.rate))
    clip = otio.schema.Clip(name=piece.clip, source_range=used, metadata=_metadata(piece))
    clip.effects.extend(_warp(otio, piece))
    if piece.event is not None:
        start = int(used.start_time.value)
        clip.markers.extend(_markers(otio, piece.event, piece.record, start, float(media.rate)))
        clip.effects.extend(otio.schema.Effect(effect_name=one) for one in piece.event.effects)
    record = piece.shot.record
    plates = {_NORMALIZED: record.result, _SOURCE: record.source}
    references = {key: _reference(otio, piece, plate) for key, plate in plates.items()}
    clip.set_media_references(references, _NORMALIZED)
    return clip


def _reference(otio: Any, piece: Piece, plate: PlateRecord) -> Any:
    media = piece.media
    rate = float(media.rate)
    available = _range(otio, media.origin, media.length, rate)
    named = Path(plate.pattern)
    pattern = Pattern.parse(named.parent.resolve() / named.name)
    if not pattern.token:
        url = (pattern.folder / pattern.name).as_uri()
        return otio.schema.ExternalReference(target_url=url, available_range=available)
    return otio.schema.ImageSequenceReference(
        target_url_base=f"{pattern.folder.as_uri()}/",
        name_prefix=quote(pattern.head),
        name_suffix=quote(pattern.tail),
        start_frame=media.first,
        rate=rate,
        frame_zero_padding=pattern.width,
        available_range=available,
    )


def _metadata(piece: Piece) -> dict[str, Any]:
    record = piece.shot.record
    stops = {str(frame.number): frame.stops for frame in record.frames}
    data: dict[str, Any] = {
        "shot": record.shot,
        "reel": piece.reel,
        "applied_to": _NORMALIZED,
        "tool": record.tool,
        "digest": record.digest,
        "sidecar": piece.shot.sidecar.resolve().as_uri(),
        "frames": record.result.frames,
        "rate": str(piece.media.rate),
        "colour": record.colour.model_dump(mode="json"),
        "stages": [stage.model_dump(mode="json") for stage in record.frames[0].stages],
        "stops": stops if len(set(stops.values())) > 1 else record.frames[0].stops,
        "readings": [reading.model_dump(mode="json") for reading in record.readings],
        "reversible": record.reversible.model_dump(mode="json"),
    }
    event = piece.event
    metadata: dict[str, Any] = {**(event.metadata if event else {}), "gradeprep": data}
    if event is not None:
        data["event"] = event.model_dump(mode="json", exclude_defaults=True)
    if event is not None and event.cdl is not None:
        cdl = event.cdl.model_dump(mode="json")
        metadata["cdl"] = {"asc_sat": cdl.pop("saturation"), "asc_sop": cdl}
    return metadata


def _gone(shots: Sequence[Decided]) -> list[str]:
    """Shots whose normalized plate is not where the sidecar says."""
    notes = []
    for shot in shots:
        gone = [f.number for f in shot.record.frames if not Path(f.result).is_file()]
        if gone:
            first, many = gone[0], len(gone)
            notes.append(f"{shot.record.shot}: {many} normalized frames are missing, from {first}")
    return notes


def _prove(path: Path, otio: Any, text: str, cut: Cut) -> str:
    """Reload the file: all as it was made, and every piece's first frame where it should be."""
    try:
        found = otio.adapters.read_from_file(str(path), "otio_json")
    except (ValueError, otio.exceptions.OTIOError) as error:
        raise WriteError(f"does not read back: {error}", file=path) from error
    again = otio.adapters.write_to_string(found, "otio_json")
    if not _alike(json.loads(again), json.loads(text)):
        raise WriteError("reads back as another timeline", file=path)
    clips = [clip for clip in found.find_clips() if len(clip.media_references()) > 1]
    shown = [piece for piece in cut.pieces if piece.length and not piece.unlisted]
    for piece in shown:
        if not any(_stands(otio, clip, piece, cut.begin) for clip in clips):
            raise WriteError(f"reads back with {piece.clip} in another place", file=path)
    return f"OpenTimelineIO reads it back: {len(shown)} clips, rate {cut.media.rate} exact"


def _alike(one: Any, other: Any) -> bool:
    """The same data, but for the last bit of a float, in which the library reads some wrong."""
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(_alike(one[key], other[key]) for key in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(_alike, one, other))
    if isinstance(one, float) and isinstance(other, float):
        return math.isclose(one, other, rel_tol=1e-15)
    return bool(one == other)


def _stands(otio: Any, clip: Any, piece: Piece, begin: int) -> bool:
    """Whether a clip is a piece: its place, its rate to the last bit, its first frame, its length.

    A single file has no numbers; its place and length identify it.
    """
    span, media = clip.source_range, clip.media_reference
    rate = float(piece.media.rate)
    first = piece.first
    if isinstance(media, otio.schema.ImageSequenceReference):
        first = media.frame_for_time(span.start_time)
    return bool(
        clip.parent().name == piece.track
        and clip.range_in_parent().start_time.value == piece.record - begin
        and span.start_time.rate == span.duration.rate == rate
        and first == piece.first
        and span.duration.value == piece.length
        and [one.time_scalar for one in clip.effects if hasattr(one, "time_scalar")]
        == ([] if piece.speed == 1 else [float(piece.speed)])
    )

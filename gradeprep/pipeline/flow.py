"""One frame's way: read, to scene-linear, stages in order, from scene-linear, write, record.

Everything a frame needs stands in its document; nothing here decides.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from gradeprep import colour
from gradeprep.errors import ColourError, GradeprepError, PixelError, TornFrameError
from gradeprep.model.frame import Frame, Part, Plane
from gradeprep.model.layers import Group, find_groups
from gradeprep.model.order import ColourOrder
from gradeprep.model.pixeltypes import pixel_type
from gradeprep.model.record import Counts, FileMark
from gradeprep.model.shot import FrameEntry, FrameResult, ShotDocument
from gradeprep.pipeline import kernels
from gradeprep.pipeline.decision import Decision, prepare
from gradeprep.pipeline.types import kernel_type
from gradeprep.plates import atomic, files
from gradeprep.plates.format import Stamp

__all__ = ["Computed", "compute", "planned_space", "run_frame"]


@dataclass(frozen=True, slots=True)
class Computed:
    """A frame ready to be written, and what happened to it."""

    frame: Frame
    counts: Counts
    notes: tuple[str, ...]
    timecode: str | None


def run_frame(document: ShotDocument, entry: FrameEntry) -> FrameEntry:
    """Do one frame: the result stands whole under its name, or not at all.

    Args:
        document: The decision; its own frames are not looked at.
        entry: The frame to do.

    Returns:
        The entry with its result.

    Raises:
        GradeprepError: With shot, frame and file in it.
    """
    try:
        source, result = Path(entry.source), Path(entry.result)
        read = files.read_hashed(source)
        source_mark = FileMark(bytes=read.bytes, hash=read.hash)
        done = compute(document, entry, read.frame)
        del read  # the source takes no memory while the result is written

        def verified(temp: Path) -> FileMark:
            files.inspect(temp)
            return FileMark(bytes=temp.stat().st_size, hash=atomic.digest(temp))

        result_mark = atomic.publish(result, lambda temp: files.write(done.frame, temp), verified)
    except GradeprepError as error:
        raise error.at(shot=document.shot, frame=entry.number, file=entry.source) from error
    except OSError as error:
        what = f"cannot be read: {error.strerror or error}"
        raise TornFrameError(
            what, shot=document.shot, frame=entry.number, file=entry.source
        ) from error
    return entry.with_result(
        FrameResult(
            source=source_mark,
            result=result_mark,
            counts=done.counts,
            header=done.notes,
            timecode=done.timecode,
        )
    )


def compute(document: ShotDocument, entry: FrameEntry, frame: Frame) -> Computed:
    """Make a frame's result in memory; nothing is written, and its planes may be reused.

    Raises:
        GradeprepError: The frame is not as it was planned, breaks the policy for non-finite
            pixels, or its colour cannot be converted.
    """
    space = planned_space(document.colour)
    groups = _groups(frame, document)
    working = document.colour.working
    decision = prepare(entry.stages, _weights(space, working), backwards=document.inverse)
    planes: dict[tuple[int, str], Plane] = {}
    counts = _Tally()
    for group, kernel in zip(groups, entry.kernels, strict=True):
        part = frame.parts[group.part]
        outcome = _group(part, group, kernel, decision, document, space)
        counts.add(part, group, outcome)
        planes.update(
            {(group.part, n): p for n, p in zip(group.names, outcome.planes, strict=True)}
        )
    if document.nonfinite == "fail" and counts.nonfinite:
        raise PixelError(
            f"{counts.nonfinite} samples are NaN or infinite",
            remedy="repair the plate, or set nonfinite: keep",
        )
    stamp = _stamp(document, entry, space, decision)
    result, notes = files.outgoing(frame, planes, document.output, stamp, Path(entry.result).name)
    return Computed(result, counts.record(), notes, files.timecode(frame))


def _groups(frame: Frame, document: ShotDocument) -> tuple[Group, ...]:
    """The colour channels, of the types that the arithmetic was planned for."""
    try:
        groups = find_groups(frame.parts, document.layers)
    except ValueError as error:
        raise TornFrameError(str(error)) from error
    for group, planned in zip(groups, document.types, strict=True):
        part = frame.parts[group.part]
        found = pixel_type(part.channels[group.names[0]], part.bits)
        if found != planned:
            raise TornFrameError(
                f"its colour channels are {found}, and were {planned} when this was planned",
                remedy="plan again",
            )
    return groups


def planned_space(order: ColourOrder) -> colour.Colour:
    """The config that a task was planned with.

    Raises:
        ColourError: It does not load, or its text or a file it reads is not what it was.
    """
    space = colour.load(order.config, order.context)
    remedy = "plan again, or bring the planned config back"
    if space.sha256 != order.sha256:
        raise ColourError(
            "the OpenColorIO config is not the one that the task was planned with",
            file=order.config,
            remedy=remedy,
        )
    for name, planned in order.files.items():
        if _hash_once(name) != planned:
            raise ColourError(
                "this file of the config is not the one that the task was planned with",
                file=name,
                remedy=remedy,
            )
    return space


@cache
def _hash_once(name: str) -> str | None:
    """Hash of a file that colour conversions read; they read it once a process as well."""
    path = Path(name)
    return hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else None


def _weights(space: colour.Colour, linear: str) -> tuple[float, float, float]:
    """Luminance weights; a config without them still serves plain gains."""
    try:
        return space.weights(linear)
    except ColourError:
        return (1.0 / 3, 1.0 / 3, 1.0 / 3)


def _group(
    part: Part,
    group: Group,
    kernel: str,
    decision: Decision,
    document: ShotDocument,
    space: colour.Colour,
) -> kernels.Outcome:
    order = document.colour
    planes = [part.channels[name] for name in group.names]
    source = kernels.Wanted(planes[0].dtype, part.bits)
    kept = document.output.type == "source"
    curve = space.curve(order.source, order.working) if kernel == "curve" else None
    decode, encode = curve or (
        space.convert(order.source, order.working),
        space.convert(order.working, order.result),
    )
    return kernels.run(
        kernel,
        planes,
        decision,
        source=source,
        wanted=source if kept else kernel_type(document.output.type),
        decode=decode,
        encode=encode,
        channels=_channels(group),
        weights=_weights(space, order.source),
        path=space.to_linear(order.source, order.result),
    )


def _channels(group: Group) -> tuple[int, ...]:
    """Which of R, G, B each plane is; a luminance plane takes green's place."""
    if group.kind == "luma":
        return (1,)
    letters = (name.rpartition(".")[2][0].lower() for name in group.names)
    return tuple("rgb".index(letter) for letter in letters)


class _Tally:
    """Sums the counts of a frame's groups."""

    def __init__(self) -> None:
        self.clipped: dict[str, int] = {}
        self.nonfinite = 0
        self.overflow = 0
        self.underflow = 0

    def add(self, part: Part, group: Group, outcome: kernels.Outcome) -> None:
        for name, clipped in zip(group.names, outcome.clipped, strict=True):
            label = f"{part.name}:{name}" if part.name else name
            self.clipped[label] = clipped
        self.nonfinite += outcome.nonfinite
        self.overflow += outcome.overflow
        self.underflow += outcome.underflow

    def record(self) -> Counts:
        return Counts(
            clipped=self.clipped,
            nonfinite=self.nonfinite,
            overflow=self.overflow,
            underflow=self.underflow,
        )


def _stamp(
    document: ShotDocument, entry: FrameEntry, space: colour.Colour, decision: Decision
) -> Stamp:
    """What the result's header has to say of its colour and of what was applied."""
    result = document.colour.result
    changed = document.colour.source != result
    if document.inverse:
        stops, history = entry.before, entry.history
    else:
        stops, history = entry.before + decision.stops, (*entry.history, document.digest)
    return Stamp(
        stops=stops,
        history=history,
        space_changed=changed,
        chromaticities=space.chromaticities(result) if changed else None,
        encoding=space.encoding(result),
    )

"""One frame's way: read, to scene-linear, stages in order, from scene-linear, write, record.

Everything a frame needs stands in its order; nothing here decides.
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
from gradeprep.model.record import Counts, FileRecord, FrameRecord
from gradeprep.model.task import ColourOrder, FrameOrder, Task
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
    kernel: str
    notes: tuple[str, ...]
    timecode: str | None


def run_frame(task: Task, order: FrameOrder) -> FrameRecord:
    """Do one frame: the result stands whole under its name, or not at all.

    Raises:
        GradeprepError: With shot, frame and file in it.
    """
    try:
        source, result = Path(order.source), Path(order.result)
        read = files.read_hashed(source)
        source_file = FileRecord(file=order.source, bytes=read.bytes, hash=read.hash)
        stops = prepare(order.stages, (1.0, 0.0, 0.0)).stops
        done = compute(task, order, read.frame)
        del read  # the source takes no memory while the result is written

        def verified(temp: Path) -> FileRecord:
            files.inspect(temp)
            size = temp.stat().st_size
            return FileRecord(file=order.result, bytes=size, hash=atomic.digest(temp))

        written = atomic.publish(result, lambda temp: files.write(done.frame, temp), verified)
    except GradeprepError as error:
        raise error.at(shot=task.shot, frame=order.number, file=order.source) from error
    except OSError as error:
        what = f"cannot be read: {error.strerror or error}"
        raise TornFrameError(what, shot=task.shot, frame=order.number, file=order.source) from error
    return FrameRecord(
        number=order.number,
        stops=stops,
        before=order.pulled,
        stages=order.stages,
        kernel=done.kernel,
        counts=done.counts,
        header=done.notes,
        timecode=done.timecode,
        source=source_file,
        result=written,
    )


def compute(task: Task, order: FrameOrder, frame: Frame) -> Computed:
    """Make a frame's result in memory; nothing is written, and its planes may be reused.

    Raises:
        GradeprepError: The frame has no such layers, breaks the policy for non-finite pixels, or
            its colour cannot be converted.
    """
    space = planned_space(task.colour)
    try:
        groups = find_groups(frame.parts, task.layers)
    except ValueError as error:
        raise TornFrameError(str(error)) from error
    decision = prepare(order.stages, _weights(space, task.colour.working), backwards=task.inverse)
    planes: dict[tuple[int, str], Plane] = {}
    counts = _Tally()
    kernel = "carry"
    for group in groups:
        part = frame.parts[group.part]
        outcome, kernel = _group(part, group, decision, task, space)
        counts.add(part, group, outcome)
        planes.update(
            {(group.part, n): p for n, p in zip(group.names, outcome.planes, strict=True)}
        )
    if task.nonfinite == "fail" and counts.nonfinite:
        raise PixelError(
            f"{counts.nonfinite} samples are NaN or infinite",
            remedy="mend the plate, or say 'nonfinite: keep'",
        )
    stamp = _stamp(task, order, space, decision)
    result, notes = files.outgoing(frame, planes, task.output, stamp, Path(order.result).name)
    return Computed(result, counts.record(), kernel, notes, files.timecode(frame))


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
    """Luminance weights; a config that cannot tell them serves plain gains all the same."""
    try:
        return space.weights(linear)
    except ColourError:
        return (1.0 / 3, 1.0 / 3, 1.0 / 3)


def _group(
    part: Part, group: Group, decision: Decision, task: Task, space: colour.Colour
) -> tuple[kernels.Outcome, str]:
    order = task.colour
    planes = [part.channels[name] for name in group.names]
    source = kernels.Wanted(planes[0].dtype, part.bits)
    wanted = source if task.output.type == "source" else kernel_type(task.output.type)
    curve = space.curve(order.source, order.working)
    kernel = kernels.choose(
        decision,
        same_space=order.source == order.result,
        linear=space.is_linear(order.source),
        working=order.source == order.working,
        source=source,
        wanted=wanted,
        curve=curve is not None,
        to_linear=space.to_linear(order.source, order.result) is not None,
    )
    decode, encode = (
        curve
        if curve is not None and kernel == "curve"
        else (
            space.convert(order.source, order.working),
            space.convert(order.working, order.result),
        )
    )
    outcome = kernels.run(
        kernel,
        planes,
        decision,
        source=source,
        wanted=wanted,
        decode=decode,
        encode=encode,
        channels=_channels(group),
        weights=_weights(space, order.source),
        path=space.to_linear(order.source, order.result),
    )
    return outcome, kernel


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


def _stamp(task: Task, order: FrameOrder, space: colour.Colour, decision: Decision) -> Stamp:
    """What the result's header has to say of its colour and of what was applied."""
    result = task.colour.result
    changed = task.colour.source != result
    if task.inverse:
        stops, history = order.pulled, order.history
    else:
        stops, history = order.pulled + decision.stops, (*order.history, task.digest)
    return Stamp(
        stops=stops,
        history=history,
        space_changed=changed,
        chromaticities=space.chromaticities(result) if changed else None,
        encoding=space.encoding(result),
    )

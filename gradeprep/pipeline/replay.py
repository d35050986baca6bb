"""From a sidecar back to its source: the document that undoes the decision."""

from __future__ import annotations

import os
from pathlib import Path

from gradeprep.errors import OutputRefusedError, RequestError, SidecarError
from gradeprep.model.order import OutputOrder, Stages
from gradeprep.model.runlengths import RunLengths
from gradeprep.model.shot import FrameEntry, ShotDocument
from gradeprep.pipeline.arithmetic import chosen_kernels
from gradeprep.pipeline.decision import Decision, prepare
from gradeprep.pipeline.flow import planned_space
from gradeprep.pipeline.target import writable
from gradeprep.plates import atomic, formats
from gradeprep.plates.sequence import Pattern

__all__ = ["undone"]


def undone(record: ShotDocument, out: str | Path) -> ShotDocument:
    """The document that undoes a sidecar's decision: results become sources.

    Args:
        record: What the sidecar says, every frame done.
        out: Pattern, or folder, of the restored plate.

    Raises:
        SidecarError: A stage of the decision has no inverse.
        OutputRefusedError: The output is a source or a result that the sidecar describes, or
            cannot be written.
        RequestError: The output names one file for several frames, or another format.
        ColourError: The config is not the one that the sidecar describes.
    """
    pattern = _pattern(record, out)
    format = str(formats.name_of(pattern.name))
    formats.writable(format, formats.suffix_of(pattern.name))
    names = [pattern.file(entry.number) for entry in record.frames]
    writable(pattern.folder, names, shot=record.shot)
    _refuse_described(record, pattern)
    order, output = record.colour, _output(record, format)
    colour = order.model_copy(update={"source": order.result, "result": order.source})
    kept = record.output.type == "source"
    types = record.types if kept else (record.output.type,) * len(record.types)
    space = planned_space(order)

    def chosen(stages: Stages) -> tuple[str, ...]:
        decision = _backwards(record, stages)
        return chosen_kernels(decision, space, colour, types=types, wanted=output.type)

    used = RunLengths(entry.stages for entry in record.frames).each(chosen)
    frames = tuple(
        FrameEntry(
            number=entry.number,
            source=entry.result,
            result=str(pattern.path(entry.number)),
            stages=entry.stages,
            stops=entry.stops,
            kernels=kernels,
            before=entry.before,
            history=entry.history,
        )
        for entry, kernels in zip(record.frames, used, strict=True)
    )
    result = record.source.model_copy(
        update={
            "pattern": str(pattern),
            "format": format,
            "type": record.result.type if output.type == "source" else output.type,
            "compression": (
                record.result.compression if output.compression == "source" else output.compression
            ),
        }
    )
    return record.model_copy(
        update={
            "inverse": True,
            "source": record.result,
            "result": result,
            "folder": str(pattern.folder),
            "colour": colour,
            "types": types,
            "output": output,
            "frames": frames,
        }
    )


def _backwards(record: ShotDocument, stages: Stages) -> Decision:
    decision = prepare(stages, (0.0, 1.0, 0.0), backwards=True)  # gains need no luminance
    for step in decision.steps:
        if step.slope is None:
            raise SidecarError(f"stage '{step.stage.name}' has no inverse", shot=record.shot)
    return decision


def _pattern(record: ShotDocument, out: str | Path) -> Pattern:
    path = Path(out)
    if path.is_dir() or not path.suffix:
        path = path / Path(record.result.pattern).name
    pattern = Pattern.parse(path)
    if not pattern.token and len(record.frames) > 1:
        raise RequestError(
            f"'{path.name}' names one file, the plate has {len(record.frames)} frames",
            remedy="put #### where the frame number goes",
        )
    return pattern


def _refuse_described(record: ShotDocument, pattern: Pattern) -> None:
    """No source and no result is a target, wherever the sidecar or the plates were moved."""
    sources = {(mark.bytes, mark.hash) for mark in (e.finished.source for e in record.frames)}
    sizes = {size for size, _ in sources}
    for entry in record.frames:
        path = pattern.path(entry.number)
        if not os.path.lexists(path):
            continue
        described = any(atomic.same_file(path, Path(it)) for it in (entry.source, entry.result))
        if described or _one_of(path, sources, sizes):
            raise OutputRefusedError(
                "the restored plate would overwrite a plate that the sidecar describes",
                file=path,
                remedy="write to another folder; a source is never touched",
            )


def _one_of(path: Path, sources: set[tuple[int, str]], sizes: set[int]) -> bool:
    try:
        size = path.stat().st_size
        return size in sizes and (size, atomic.digest(path)) in sources
    except OSError as error:
        raise OutputRefusedError(
            f"cannot be compared with the recorded sources: {error.strerror}",
            file=path,
            remedy="write to another folder",
        ) from error


def _output(record: ShotDocument, format: str) -> OutputOrder:
    """The source's own type and compression, as far as the format holds them."""
    source, result, writer = record.source, record.result, formats.writable(format)
    kind = source.type if source.type in writer.TYPES else writer.default_type(source.type)
    compression = (source if source.format == format else result).compression
    if compression not in writer.COMPRESSIONS:
        compression = writer.DEFAULT_COMPRESSION
    same = kind == result.type and format == result.format
    return OutputOrder(
        format=format,
        type="source" if same else kind,
        compression="source" if compression == result.compression else compression,
    )

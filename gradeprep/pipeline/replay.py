"""From a sidecar back to orders: the same ones again, or those that take the decision back."""

from __future__ import annotations

from pathlib import Path

from gradeprep import sidecar
from gradeprep.errors import OutputRefusedError, RequestError, SidecarError
from gradeprep.model.record import FrameRecord, ShotRecord
from gradeprep.model.task import FrameOrder, OutputOrder, Task
from gradeprep.pipeline.target import writable
from gradeprep.plates import atomic, formats
from gradeprep.plates.sequence import Pattern

__all__ = ["same_again", "taken_back"]


def same_again(record: ShotRecord, folder: Path) -> Task:
    """The task that a sidecar in the folder tells of."""
    return Task(
        arithmetic=record.arithmetic,
        shot=record.shot,
        digest=record.digest,
        kernel=record.frames[0].kernel,
        colour=record.colour,
        layers=record.layers,
        nonfinite=record.nonfinite,
        output=record.output,
        frames=tuple(_again(frame, record, folder) for frame in record.frames),
    )


def _again(frame: FrameRecord, record: ShotRecord, folder: Path) -> FrameOrder:
    return FrameOrder(
        number=frame.number,
        source=str(sidecar.absolute(frame.source.file, folder)),
        result=str(sidecar.absolute(frame.result.file, folder)),
        stages=frame.stages,
        pulled=frame.before,
        history=record.again,
    )


def taken_back(record: ShotRecord, folder: Path, out: str | Path) -> Task:
    """The task that takes a sidecar's decision back.

    Args:
        record: What the sidecar says.
        folder: Where it stands.
        out: Pattern, or folder, of the restored plate.

    Raises:
        SidecarError: A stage of the decision has no inverse.
        OutputRefusedError: The output would be the source or the result, or cannot be written.
        RequestError: The output names one file for several frames, or another format.
    """
    if not record.reversible.exact and record.reversible.ulp is None and _no_inverse(record):
        raise SidecarError(record.reversible.why, shot=record.shot)
    pattern = _pattern(record, out)
    format = str(formats.name_of(pattern.name))
    formats.writable(format, formats.suffix_of(pattern.name))
    names = [pattern.file(frame.number) for frame in record.frames]
    writable(pattern.folder, names, shot=record.shot)
    orders = []
    for frame in record.frames:
        result = sidecar.absolute(frame.result.file, folder)
        source = sidecar.absolute(frame.source.file, folder)
        path = pattern.path(frame.number)
        if atomic.same_file(path, result) or atomic.same_file(path, source):
            raise OutputRefusedError(
                "the restored plate would overwrite the plate itself",
                file=path,
                remedy="write to another folder",
            )
        orders.append(_back(frame, record, result, path))
    colour = record.colour.model_copy(
        update={"source": record.colour.result, "result": record.colour.source}
    )
    return Task(
        arithmetic=record.arithmetic,
        shot=record.shot,
        digest=record.digest,
        kernel=record.frames[0].kernel,
        inverse=True,
        colour=colour,
        layers=record.layers,
        nonfinite=record.nonfinite,
        output=_output(record, format),
        frames=tuple(orders),
    )


def _no_inverse(record: ShotRecord) -> bool:
    return record.reversible.why == "a stage has no inverse"


def _pattern(record: ShotRecord, out: str | Path) -> Pattern:
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


def _back(frame: FrameRecord, record: ShotRecord, result: Path, path: Path) -> FrameOrder:
    return FrameOrder(
        number=frame.number,
        source=str(result),
        result=str(path),
        stages=frame.stages,
        pulled=frame.before,
        history=record.again,
    )


def _output(record: ShotRecord, format: str) -> OutputOrder:
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

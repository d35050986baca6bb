"""The shot document: everything decided for a shot, and what came of each frame.

There is one document, and every step adds to it. The plan makes it, a farm bundle stores it, a
worker receives the frames it has to do, and the sidecar is the document with every frame done.
Whoever runs a frame has nothing left to decide.
"""

from __future__ import annotations

from array import array
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Annotated, Any, Literal, overload

from pydantic import (
    ConfigDict,
    Field,
    SerializerFunctionWrapHandler,
    ValidatorFunctionWrapHandler,
    WrapSerializer,
    WrapValidator,
)

from gradeprep.model.framerange import FrameRange
from gradeprep.model.order import ARITHMETIC, ColourOrder, OutputOrder, Stages
from gradeprep.model.record import (
    Counts,
    FileMark,
    Finding,
    PlateRecord,
    Reading,
    Recorded,
    Reversible,
)

__all__ = ["FrameEntry", "FrameResult", "Frames", "ShotDocument", "relocate"]


class FrameResult(Recorded):
    """What came of a frame.

    Attributes:
        source: The source file as it was decoded.
        result: The written file.
        counts: Samples that did not pass as plain numbers.
        header: Header fields that were restamped or left out, with the reason.
        timecode: SMPTE ST 12-1 label of the frame, if it has one.
    """

    source: FileMark
    result: FileMark
    counts: Counts
    header: tuple[str, ...] = ()
    timecode: str | None = None


class FrameEntry(Recorded):
    """One frame: where from, where to, every number of its decision, and what came of it.

    Attributes:
        number: Frame number.
        source: Path of the source file.
        result: Path of the result file.
        stages: Stages in the order they are applied.
        stops: Exposure change of all stages together, in stops.
        kernels: Arithmetic that serves each layer, in the order of the document's layers.
        before: Exposure change that the source had undergone before, in stops.
        history: Digests of the decisions the source had undergone before, oldest first.
        done: What came of it; None until the frame is done.
    """

    number: int
    source: str
    result: str
    stages: Stages
    stops: float
    kernels: tuple[str, ...]
    before: float = 0.0
    history: tuple[str, ...] = ()
    done: FrameResult | None = None

    @property
    def order(self) -> FrameEntry:
        """The entry as it was planned, without its result."""
        return self if self.done is None else self.model_copy(update={"done": None})

    @property
    def finished(self) -> FrameResult:
        """What came of the frame.

        Raises:
            ValueError: The frame is not done.
        """
        if self.done is None:
            raise ValueError(f"frame {self.number} is not done")
        return self.done

    def with_result(self, done: FrameResult) -> FrameEntry:
        """The same entry, done."""
        return self.model_copy(update={"done": done})


class Frames(Sequence[FrameEntry]):
    """Entries of many frames, each made when it is asked for.

    A plan of ten thousand frames holds their numbers and, once, the stages that are equal.

    Args:
        make: Makes an entry of one value of each column; the same one each time.
        columns: Sequences of equal length.
    """

    __slots__ = ("_columns", "_make")

    def __init__(self, make: Callable[..., FrameEntry], *columns: Sequence[Any]) -> None:
        self._make, self._columns = make, columns

    def __len__(self) -> int:
        return len(self._columns[0])

    @overload
    def __getitem__(self, place: int) -> FrameEntry: ...

    @overload
    def __getitem__(self, place: slice) -> Frames: ...

    def __getitem__(self, place: int | slice) -> FrameEntry | Frames:
        cells = [column[place] for column in self._columns]
        return Frames(self._make, *cells) if isinstance(place, slice) else self._make(*cells)

    def __iter__(self) -> Iterator[FrameEntry]:
        return map(self._make, *self._columns)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Sequence) and tuple(self) == tuple(other)

    __hash__ = None  # type: ignore[assignment]  # as a list's

    def __repr__(self) -> str:
        return repr(tuple(self))


def _as_made(frames: Any, validated: ValidatorFunctionWrapHandler) -> Sequence[FrameEntry]:
    return frames if isinstance(frames, Frames) else tuple(validated(frames))


def _all(frames: Sequence[FrameEntry], serialized: SerializerFunctionWrapHandler) -> Any:
    return serialized(tuple(frames))


class ShotDocument(Recorded):
    """Everything decided for one shot, and what came of its frames.

    Attributes:
        format: Version of the document.
        tool: Name and version of the program.
        shot: Name of the shot.
        digest: Hash of the decision, as the results' headers carry it.
        arithmetic: Version of the arithmetic that the decision was made for.
        inverse: Undo the stages, last one first, instead of applying them.
        source: The source plate.
        result: The result plate.
        folder: Folder of the results and of the sidecar.
        colour: The colour decision.
        layers: Layers that are colour, as ``part:layer``; empty text is a root layer.
        types: Type of each layer's channels in the source.
        nonfinite: ``keep`` non-finite pixels as they are, or ``fail`` the frame.
        output: What is written.
        readings: The meters' readings that the decision rests on.
        findings: What the plan, the checks and the run noticed.
        reversible: Whether, and how exactly, it can be undone.
        carried: What the recipe passes on; it decides nothing.
        frames: One entry a frame, by number.
        dated: Everything that differs between two equal runs.
    """

    format: Literal[2] = Field(2, alias="gradeprep_shot")
    tool: str
    shot: str
    digest: str
    arithmetic: int = ARITHMETIC
    inverse: bool = False
    source: PlateRecord
    result: PlateRecord
    folder: str
    colour: ColourOrder
    layers: tuple[str, ...]
    types: tuple[str, ...]
    nonfinite: Literal["keep", "fail"] = "keep"
    output: OutputOrder
    readings: tuple[Reading, ...] = ()
    findings: tuple[Finding, ...] = ()
    reversible: Reversible
    carried: Mapping[str, Any] = {}
    frames: Annotated[
        Sequence[FrameEntry],
        WrapValidator(_as_made),
        WrapSerializer(_all),
        Field(json_schema_extra={"minItems": 1}),
    ]
    dated: Mapping[str, str] = {}

    model_config = ConfigDict(populate_by_name=True)

    @property
    def blocked(self) -> tuple[Finding, ...]:
        """Findings that stop the shot."""
        return tuple(finding for finding in self.findings if finding.severity == "fail")

    @property
    def numbers(self) -> FrameRange:
        """Numbers of its frames."""
        return FrameRange.of(entry.number for entry in self.frames)

    @property
    def span(self) -> tuple[float, float]:
        """Smallest and largest exposure change over the frames, in stops."""
        stops = array("d", (entry.stops for entry in self.frames))
        return min(stops), max(stops)

    @property
    def kernels(self) -> dict[str, int]:
        """Arithmetic to number of frames it serves."""
        used = Counter(name for entry in self.frames for name in {*entry.kernels})
        return dict(sorted(used.items()))

    def only(self, frames: Sequence[FrameEntry]) -> ShotDocument:
        """The same decision for some of its frames."""
        return self.model_copy(update={"frames": frames})

    def work(self, *frames: FrameEntry) -> ShotDocument:
        """What a worker receives: some frames, without what only the sidecar says."""
        left_out: dict[str, Any] = {"readings": (), "findings": (), "carried": {}}
        return self.model_copy(update={**left_out, "frames": frames})


def relocate(document: ShotDocument, move: Callable[[str], str]) -> ShotDocument:
    """The document with every path in it moved: the one place that rewrites paths.

    Args:
        document: Any document; its frames are moved when they are asked for.
        move: The new path of a file or folder. Names that are no paths (the built-in configs of
            OpenColorIO, ``ocio://``) stay.
    """

    def moved(frame: FrameEntry) -> FrameEntry:
        return frame.model_copy(update={"source": move(frame.source), "result": move(frame.result)})

    def plate(record: PlateRecord) -> PlateRecord:
        return record.model_copy(update={"pattern": move(record.pattern)})

    return document.model_copy(
        update={
            "source": plate(document.source),
            "result": plate(document.result),
            "folder": move(document.folder),
            "colour": _moved_colour(document.colour, move),
            "frames": Frames(moved, document.frames),
        }
    )


def _moved_colour(order: ColourOrder, move: Callable[[str], str]) -> ColourOrder:
    look = order.look
    if look is not None and look.sha256:  # a look of the config is a name
        look = look.model_copy(update={"name": move(look.name)})
    return order.model_copy(
        update={
            "config": order.config if order.config.startswith("ocio://") else move(order.config),
            "files": {move(name): digest for name, digest in order.files.items()},
            "look": look,
        }
    )

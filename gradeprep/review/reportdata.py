"""What there is to report: shots from their sidecars, and those that are planned and not run yet.

Both come as one kind of data, so that a page shows them alike and marks which is which. Nothing is
decoded here and nothing is made up: every number stands in a sidecar or in a plan.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from gradeprep import sidecar
from gradeprep.errors import GradeprepError, RequestError, SidecarError
from gradeprep.model.framerange import FrameRange
from gradeprep.model.recipe import Recipe
from gradeprep.model.record import (
    Counts,
    FileRecord,
    Finding,
    PlateRecord,
    Reading,
    Reversible,
    ShotRecord,
)
from gradeprep.model.task import ColourOrder, OutputOrder, StageOrder
from gradeprep.pipeline.decision import prepare
from gradeprep.pipeline.plan import make_plan
from gradeprep.pipeline.planned import Options, Plan, ShotPlan
from gradeprep.pipeline.recipefile import read_recipe
from gradeprep.plates.sequence import Pattern

__all__ = ["FrameReport", "ReportShot", "ShotReport", "gather"]

_NO_WEIGHTS = (0.0, 1.0, 0.0)  # the exposure of a decision rests on no luminance


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameReport:
    """One frame of a shot.

    Attributes:
        number: Frame number.
        stages: Its stages, in order.
        stops: Exposure change of all of them together, in stops.
        kernel: Arithmetic that was used; empty where the frame was not done yet.
        counts: Samples that did not pass as plain numbers; None where not done.
        timecode: Its label, if it has one.
        source: The source file, with hash and size where it was recorded.
        result: The result, the same.
        header: Header fields that were restamped or left out.
    """

    number: int
    stages: tuple[StageOrder, ...]
    stops: float
    kernel: str = ""
    counts: Counts | None = None
    timecode: str | None = None
    source: FileRecord | None = None
    result: FileRecord | None = None
    header: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ShotReport:
    """Everything that the report holds of a decided shot.

    Attributes:
        source: The source plate; its pattern as a path from here.
        result: The result plate, the same.
        colour: Config, spaces, look.
        layers: Layers that are colour.
        output: What is written.
        frames: One a frame, by number; at least one.
        readings: What the meters read.
        findings: What was noticed.
        reversible: Whether and how exactly it can be taken back.
        digest: Hash of the decision.
        nonfinite: Policy for non-finite pixels.
        again: Digests of recipes that the source had undergone before.
        arithmetic: Version of the arithmetic.
        tool: Program and version that did it; empty where nothing was done.
        written: When, as the sidecar says; empty where nothing was done.
        carried: What the recipe passes on.
        kernels: Arithmetic to number of frames.
    """

    source: PlateRecord
    result: PlateRecord
    colour: ColourOrder
    layers: tuple[str, ...]
    output: OutputOrder
    frames: tuple[FrameReport, ...]
    readings: tuple[Reading, ...]
    findings: tuple[Finding, ...]
    reversible: Reversible
    digest: str
    nonfinite: str
    again: tuple[str, ...] = ()
    arithmetic: int
    tool: str = ""
    written: str = ""
    carried: Mapping[str, Any] = field(default_factory=dict)
    kernels: Mapping[str, int] = field(default_factory=dict)

    @property
    def range(self) -> FrameRange:
        """Its frames."""
        return FrameRange.of(frame.number for frame in self.frames)

    @property
    def stages(self) -> Mapping[int, tuple[StageOrder, ...]]:
        """Frame number to its stages."""
        return {frame.number: frame.stages for frame in self.frames}

    @property
    def stops(self) -> tuple[float, float]:
        """Smallest and largest exposure change over the frames, in stops."""
        every = [frame.stops for frame in self.frames]
        return min(every), max(every)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportShot:
    """One shot of the report.

    Attributes:
        name: Name of the shot.
        state: ``done`` (its sidecar describes it), ``planned`` (decided, not run), or ``refused``
            (no plan could be made, or a check stops it).
        origin: The sidecar or recipe that describes it.
        told: Its report; None where no plan could be made.
        refusal: Why it is refused, in one line.
    """

    name: str
    state: Literal["done", "planned", "refused"]
    origin: Path
    told: ShotReport | None = None
    refusal: str = ""


def gather(
    sources: Sequence[Path], *, config: str | None = None, shots: Sequence[str] = ()
) -> list[ReportShot]:
    """The shots of some sidecars and recipes, in the order they are named.

    A recipe's shots come from their sidecars where they were run, and from a plan otherwise.

    Args:
        sources: Files named ``*.stops.json``, and recipes.
        config: Config for a plan where its recipe names none.
        shots: Only these shots of the recipes.

    Raises:
        SidecarError: One cannot be read.
        RequestError: A recipe is wrong, or has no shot of that name.
    """
    found: dict[Path, ReportShot] = {}
    for path in dict.fromkeys(sources):
        if path.name.endswith(sidecar.SUFFIX):
            found.setdefault(path.resolve(), _from_sidecar(path))
            continue
        for one in _from_recipe(path, config, shots):
            place = path.resolve() / one.name if one.state != "done" else one.origin.resolve()
            found.setdefault(place, one)
    return list(found.values())


def _from_recipe(path: Path, config: str | None, shots: Sequence[str]) -> Iterator[ReportShot]:
    if path.suffix == ".json" and path.is_file():
        raise SidecarError(
            f"is no sidecar by its name (*{sidecar.SUFFIX})",
            file=path,
            remedy="give sidecars, or recipes in YAML",
        )
    recipe = read_recipe(path)
    names = _wanted(recipe, shots, path)
    beside = {name: _sidecar(recipe, name, path.parent) for name in names}
    waiting = [name for name in names if beside[name] is None]
    planned = dict(_planned(recipe, path, waiting, config)) if waiting else {}
    for name in names:
        there = beside[name]
        yield planned[name] if there is None else _from_sidecar(there)


def _wanted(recipe: Recipe, shots: Sequence[str], path: Path) -> list[str]:
    for name in shots:
        if name not in recipe.shots:
            raise RequestError(
                f"the recipe has no shot '{name}'",
                file=path,
                key="--shot",
                remedy=f"it has {', '.join(recipe.shots)}",
            )
    return [name for name in recipe.shots if not shots or name in shots]


def _sidecar(recipe: Recipe, name: str, folder: Path) -> Path | None:
    """The sidecar of a shot that was run."""
    plate = recipe.shots[name].output.plate
    if plate is None:
        return None
    path = sidecar.path_for(Pattern.parse(folder / plate.replace("{shot}", name)).folder, name)
    return path if path.exists() else None


def _planned(
    recipe: Recipe, path: Path, names: Sequence[str], config: str | None
) -> Iterator[tuple[str, ReportShot]]:
    """A plan of all of them together; one by one where something is wrong with one of them."""
    options = Options(config=config, overwrite=True)
    try:
        plans = [make_plan(recipe, path.parent, options, shots=names)]
    except GradeprepError:
        plans = []
        for name in names:
            try:
                plans.append(make_plan(recipe, path.parent, options, shots=[name]))
            except GradeprepError as error:
                told = str(error.at(shot=name))
                yield name, ReportShot(name=name, state="refused", origin=path, refusal=told)
    for plan in plans:
        yield from _of_plan(plan, path)


def _of_plan(plan: Plan, path: Path) -> Iterator[tuple[str, ReportShot]]:
    for name, error in plan.failed.items():
        yield name, ReportShot(name=name, state="refused", origin=path, refusal=str(error))
    for name, shot in plan.shots.items():
        stopped = shot.blocked[0].line if shot.blocked else ""
        yield (
            name,
            ReportShot(
                name=name,
                state="refused" if stopped else "planned",
                origin=path,
                told=_told_of_plan(shot),
                refusal=stopped,
            ),
        )


def _told_of_plan(shot: ShotPlan) -> ShotReport:
    task = shot.task
    return ShotReport(
        source=shot.source,
        result=shot.result,
        colour=task.colour,
        layers=task.layers,
        output=task.output,
        frames=tuple(
            FrameReport(
                number=order.number,
                stages=order.stages,
                stops=prepare(order.stages, _NO_WEIGHTS).stops,
            )
            for order in task.frames
        ),
        readings=shot.readings,
        findings=shot.findings,
        reversible=shot.reversible,
        digest=task.digest,
        nonfinite=task.nonfinite,
        again=task.frames[0].history,
        arithmetic=task.arithmetic,
        carried=shot.carried,
        kernels=shot.kernels,
    )


def _from_sidecar(path: Path) -> ReportShot:
    record = sidecar.load(path)
    return ReportShot(
        name=record.shot, state="done", origin=path, told=_told_of_record(record, path.parent)
    )


def _told_of_record(record: ShotRecord, folder: Path) -> ShotReport:
    kernels: dict[str, int] = {}
    for frame in record.frames:
        kernels[frame.kernel] = kernels.get(frame.kernel, 0) + 1

    def placed(plate: PlateRecord) -> PlateRecord:
        at = str(sidecar.absolute(plate.pattern, folder))
        return plate.model_copy(update={"pattern": at})

    return ShotReport(
        source=placed(record.source),
        result=placed(record.result),
        colour=record.colour,
        layers=record.layers,
        output=record.output,
        frames=tuple(
            FrameReport(
                number=frame.number,
                stages=frame.stages,
                stops=frame.stops,
                kernel=frame.kernel,
                counts=frame.counts,
                timecode=frame.timecode,
                source=frame.source,
                result=frame.result,
                header=frame.header,
            )
            for frame in record.frames
        ),
        readings=record.reading,
        findings=record.findings,
        reversible=record.reversible,
        digest=record.digest,
        nonfinite=record.nonfinite,
        again=record.again,
        arithmetic=record.arithmetic,
        tool=record.tool,
        written=record.dated.get("written", ""),
        carried=record.carried,
        kernels=kernels,
    )

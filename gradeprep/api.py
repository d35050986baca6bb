"""The program from Python: what its commands do, in a few typed lines.

Importing `gradeprep` is free; its names below come from here when they are first used. Pixels stay
in files: plates go in, plates and a sidecar come out, decided and written by the same code that
the command line runs. Workers are spawned, so a script that runs more than two frames keeps its
own work under ``if __name__ == "__main__":``.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gradeprep.model.framerange import FrameRange
from gradeprep.model.recipe import Recipe as Checked
from gradeprep.model.record import Finding, Reading
from gradeprep.model.wording import filled
from gradeprep.pipeline import planned
from gradeprep.pipeline.checking import run_checks
from gradeprep.pipeline.metering import read_plate
from gradeprep.pipeline.plan import make_plan
from gradeprep.pipeline.planned import Options, ShotPlan
from gradeprep.pipeline.plateview import PlateAsk, open_plates
from gradeprep.pipeline.pullrecipe import PullAsk, recipe_of
from gradeprep.pipeline.recipefile import build, read_recipe
from gradeprep.plugins.registry import installed
from gradeprep.runners.job import Job, Progress, ShotResult, run_plan
from gradeprep.runners.local import Local

__all__ = ["Plan", "Recipe", "check", "measure", "pull"]

PathLike = str | os.PathLike[str]


@dataclass(frozen=True, slots=True)
class Recipe:
    """A recipe, read and checked.

    >>> recipe = Recipe.of({
    ...     "gradeprep": 1,
    ...     "shots": {"quay": {
    ...         "plate": str(hot), "space": "ACEScg", "stages": [{"pull": {"stops": -2}}],
    ...         "output": {"plate": str(out / "quay.####.exr")},
    ...     }},
    ... })
    >>> plan = recipe.plan()
    >>> plan.shots["quay"].kernels
    {'half-table': 2}
    >>> job = plan.run()
    >>> job.clean
    True
    >>> [frame.stops for frame in job.shots["quay"].record.frames]
    [-2.0, -2.0]

    Attributes:
        asked: The shots and what is asked of each.
        folder: Where its relative paths begin.
    """

    asked: Checked
    folder: Path

    @classmethod
    def load(cls, path: PathLike) -> Recipe:
        """Read a recipe file.

        Raises:
            RecipeError: With every fault in it, each with its key and line.
            RequestError: It cannot be read.
        """
        return cls(read_recipe(Path(path)), Path(path).parent)

    @classmethod
    def of(cls, data: Mapping[str, Any], folder: PathLike = ".") -> Recipe:
        """A recipe from plain data, as YAML would give them.

        Raises:
            RecipeError: With every fault in it, each with its key.
        """
        return cls(build(dict(data)), Path(folder))

    def plan(
        self,
        *,
        config: str | None = None,
        frames: str | None = None,
        overwrite: bool = False,
        resume: bool = False,
    ) -> Plan:
        """Decide everything, meters and checks included; nothing is written.

        Args:
            config: OpenColorIO config where the recipe names none; else $OCIO, else the built-in.
            frames: Only these, such as ``"1001-1048"``.
            overwrite: Write over results that exist.
            resume: Keep results that are byte for byte what an earlier run recorded.

        Raises:
            GradeprepError: The request is wrong, with file or key and what to do. A shot whose
                plate is bad is in ``Plan.failed`` instead.
        """
        span = None if frames is None else FrameRange.parse(frames)
        options = Options(config, span, overwrite, resume)
        return Plan(make_plan(self.asked, self.folder, options), resume)


@dataclass(frozen=True, slots=True)
class Plan:
    """A recipe with every number decided.

    Attributes:
        decided: What will be done, shot by shot.
        resume: Whether results that verify against their record are kept.
    """

    decided: planned.Plan
    resume: bool = False

    @property
    def shots(self) -> Mapping[str, ShotPlan]:
        """What is to be done, by shot."""
        return self.decided.shots

    @property
    def failed(self) -> Mapping[str, Exception]:
        """Shots whose plates are bad, with the reason."""
        return self.decided.failed

    def run(
        self,
        *,
        jobs: int | None = None,
        memory: int | None = None,
        report: Callable[[Progress], None] = lambda progress: None,
    ) -> Job:
        """Run it on this machine: plates and a sidecar for each shot.

        Args:
            jobs: Frames at once; one a processor when left out.
            memory: Bytes that frames in flight may take; three quarters of what is free when
                left out.
            report: Called after every frame.

        Returns:
            What became of each shot; ``clean`` where every frame was done. A frame that failed
            stops no other: it stands in its shot's ``failed`` with one line.

        Raises:
            OutputRefusedError: Somebody else is at the results.
        """
        engine = Local(memory=memory) if jobs is None else Local(jobs, memory)
        return run_plan(self.decided, engine=engine, resume=self.resume, report=report)


def pull(
    plate: PathLike,
    out: PathLike,
    *,
    stops: float | Mapping[int, float],
    lift: float | None = None,
    below: float | None = None,
    softness: float | None = None,
    balance: Sequence[float] | None = None,
    space: str | None = None,
    frames: str | None = None,
    config: str | None = None,
    overwrite: bool = False,
    resume: bool = False,
    jobs: int | None = None,
    **more: Any,
) -> ShotResult:
    """Bring one plate back by a number of stops.

    >>> result = pull(hot, out, stops=-3, space="ACEScg")
    >>> result.record.reversible.exact
    True
    >>> sorted(path.name for path in out.iterdir())
    ['quay.1001.exr', 'quay.1002.exr', 'quay.stops.json']

    Args:
        plate: Pattern (``quay.####.exr``), file, or folder with one plate.
        out: Pattern, file, or a folder where the frames keep their names.
        stops: Exposure change, negative darkens: scene-linear light times ``2**stops``; or frame
            number to stops.
        lift: Stops that the shadows are opened by first.
        below: Tone under which the lift begins, in stops from grey of the normalized picture.
        softness: Width of its transition, in stops.
        balance: Stops for R, G and B.
        space: Colour space that the camera recorded, by the config's name or alias.
        frames: Only these, such as ``"1001-1048"``.
        config: OpenColorIO config; else $OCIO, else the built-in one.
        overwrite: Write over results that exist.
        resume: Keep results that are byte for byte what an earlier run recorded.
        jobs: Frames at once; one a processor when left out.
        **more: The other words of `gradeprep.pipeline.pullrecipe.PullAsk`: ``out_space``, ``kind``,
            ``compression``, ``container``, ``layers``, ``working``, ``nonfinite``,
            ``allow_pulled``, ``any_space``, ``only_colour``, ``name``.

    Returns:
        The shot's record, where its sidecar stands, and the frames that failed.

    Raises:
        GradeprepError: The request is wrong or the plate is bad; nothing was written.
    """
    ask = PullAsk(
        stops=stops,
        lift=lift,
        below=below,
        softness=softness,
        balance=balance,
        space=space,
        **more,
    )
    recipe = Recipe.of(recipe_of(os.fspath(plate), os.fspath(out), ask))
    plan = recipe.plan(config=config, frames=frames, overwrite=overwrite, resume=resume)
    for error in plan.failed.values():
        raise error
    (result,) = plan.run(jobs=jobs).shots.values()
    return result


def measure(
    plate: PathLike,
    *,
    meter: str,
    space: str | None = None,
    frames: str | None = None,
    config: str | None = None,
    **params: Any,
) -> Reading:
    """Read how many stops a plate is over.

    >>> reading = measure(hot, meter="grey_card", region=[0, 0, 16, 16], space="ACEScg")
    >>> round(reading.stops, 3)
    -2.0

    Args:
        plate: Pattern, file, or folder with one plate.
        meter: Name of the meter; ``gradeprep plugins`` lists them with their parameters.
        space: Colour space that the camera recorded.
        frames: Only these.
        config: OpenColorIO config.
        **params: The meter's parameters: ``region=[x, y, width, height]`` in pixels or fractions
            of the picture, and so on.

    Returns:
        The pull that the plate needs, in stops (negative: it is hot), one standard deviation of
        it, the evidence and warnings.

    Raises:
        RequestError: The meter can give no honest number there, with the reason.
        GradeprepError: The plate or its colour space.
    """
    (view,) = open_plates({"plate": _ask(plate, space, frames)}, config).values()
    return read_plate(view, meter, params)


def check(
    plate: PathLike,
    *checks: str,
    space: str | None = None,
    stops: float = 0.0,
    frames: str | None = None,
    config: str | None = None,
    settings: Mapping[str, Mapping[str, Any]] | None = None,
) -> tuple[Finding, ...]:
    """Look at a plate.

    >>> [finding.what for finding in check(hot, "sequence", "pixels", space="ACEScg")]
    ['the same picture: frames 1001-1002']

    Args:
        plate: Pattern, file, or folder with one plate.
        *checks: Names of checks; all that are installed when none is named.
        space: Colour space that the camera recorded.
        stops: Pull that is decided for the plate already, in stops.
        frames: Only these.
        config: OpenColorIO config.
        settings: Check to its parameters.

    Returns:
        What was noticed, check after check.

    Raises:
        GradeprepError: The plate, its colour space, or a parameter.
    """
    registry, given = installed(), settings or {}
    params = {
        name: filled(registry.get("checks", name).Params, given.get(name, {}), key=f"check {name}")
        for name in checks or registry.names("checks")
    }
    (view,) = open_plates({"plate": _ask(plate, space, frames, stops)}, config).values()
    return run_checks(view, params)


def _ask(plate: PathLike, space: str | None, frames: str | None, stops: float = 0.0) -> PlateAsk:
    span = None if frames is None else FrameRange.parse(frames)
    return PlateAsk(plate=os.fspath(plate), space=space, frames=span, stops=stops)

"""The commands of the programs that are compared."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path

from .floor import LAYOUTS
from .plates import CARD, FIRST, STOPS_HOT, Kind

__all__ = ["FLOOR", "OURS", "Command", "Programs", "Way", "Word", "gain"]

OURS = "gradeprep"
FLOOR = "floor"

_GAIN = 2.0**-STOPS_HOT

Command = Callable[[Path, Path, int], list[str]]
"""From source folder, result folder and number of frames to a command line."""

Word = str | Callable[[], str]
"""A word of a command line; or what makes it, and the file it names, once the job runs."""


@dataclass(frozen=True, slots=True)
class Way:
    """One program doing a job in one layout."""

    program: str
    layout: str
    command: Command


@dataclass(frozen=True, slots=True)
class Programs:
    """Makes commands.

    Attributes:
        workspace: Folder for the files that commands need.
        jobs: Frames at once.
        layouts: The floor's layouts.
    """

    workspace: Path
    jobs: int
    layouts: tuple[str, ...] = LAYOUTS

    def pull(self, *options: str, extension: str, jobs: int = 0) -> Way:
        """``gradeprep pull``."""
        count = jobs or self.jobs

        def command(source: Path, result: Path, frames: int) -> list[str]:
            pattern = result / f"plate.####.{extension}"
            told = ("--stops", f"{-STOPS_HOT:g}", "--jobs", str(count), "--quiet", *options)
            return [*_gradeprep(), "pull", str(source), str(pattern), *told]

        return Way(OURS, f"{count} at once", command)

    def metered(self, space: str) -> Way:
        """``gradeprep run`` of a recipe that meters a grey card in the plate."""

        def command(source: Path, result: Path, frames: int) -> list[str]:
            recipe = result.with_suffix(".yaml")
            recipe.write_text(
                "gradeprep: 1\n"
                f"shots:\n  plate:\n    plate: {source}\n    space: {space}\n"
                "    stages:\n"
                f"      - pull: {{stops: {{meter: grey_card, region: {list(CARD)}}}}}\n"
                f"    output: {{plate: '{result}/plate.####.exr'}}\n",
                encoding="utf-8",
            )
            return [*_gradeprep(), "run", str(recipe), "--jobs", str(self.jobs), "--quiet"]

        return Way(OURS, f"{self.jobs} at once", command)

    def floor(self, *options: Word) -> tuple[Way, ...]:
        """Read and write alone."""

        def way(layout: str) -> Way:
            def command(source: Path, result: Path, frames: int) -> list[str]:
                told = [layout, str(self.jobs), str(source), str(result), *_said(options)]
                return [sys.executable, "-m", "tests.bench.floor", *told]

            return Way(FLOOR, f"{self.jobs} {layout}", command)

        return tuple(way(layout) for layout in self.layouts)

    def oiiotool(
        self, kind: Kind, *steps: Word, output: tuple[str, ...], extension: str, by: str = ""
    ) -> Way:
        """``oiiotool``, its frames in parallel: its fastest layout where it was measured."""
        tool = _oiiotool()

        def command(source: Path, result: Path, frames: int) -> list[str]:
            layout = ["--parallel-frames", "--threads", str(self.jobs)]
            span = ["--frames", f"{FIRST}-{FIRST + frames - 1}"]
            read = str(source / f"plate.%04d.{kind.format}")
            write = str(result / f"plate.%04d.{extension}")
            return [tool, *layout, *span, read, *_said(steps), *output, "-o", write]

        return Way("oiiotool", f"{by}parallel frames, {self.jobs} threads", command)

    def ffmpeg(self, kind: Kind, filters: Word, *output: str) -> tuple[Way, ...]:
        """``ffmpeg``, where it is installed."""
        tool = shutil.which("ffmpeg")
        if tool is None:
            return ()

        def command(source: Path, result: Path, frames: int) -> list[str]:
            number = ["-start_number", str(FIRST)]
            read = [*number, "-i", str(source / f"plate.%04d.{kind.format}")]
            write = [*output, *number, str(result / f"plate.%04d.{kind.format}")]
            return [tool, "-loglevel", "error", *read, "-vf", *_said([filters]), *write]

        return (Way("ffmpeg", "as it comes", command),)


def gain() -> tuple[str, str]:
    """The pull as a step of ``oiiotool``."""
    return "--mulc", ",".join([f"{_GAIN:g}"] * 3)


def _said(words: Iterable[Word]) -> list[str]:
    return [word if isinstance(word, str) else word() for word in words]


def _gradeprep() -> list[str]:
    return [sys.executable, "-m", "gradeprep"]


def _oiiotool() -> str:
    """The program itself; what the wheel puts on the path starts Python first."""
    found = find_spec("OpenImageIO")
    inside = Path(str(found.origin)).parent / "bin" / "oiiotool" if found else Path()
    path = str(inside) if inside.is_file() else shutil.which("oiiotool")
    if path is None:
        raise SystemExit("oiiotool is not installed; the openimageio package brings it")
    return path

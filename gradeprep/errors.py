"""Every error this package raises on purpose, and what each one means to a caller.

::

    GradeprepError                    exit 1  base: says where, what, and what to do
    |-- RequestError                  exit 2  the request is wrong; nothing was touched
    |   |-- RecipeError               exit 2  faults in a recipe, all of them at once
    |   |-- ColourError               exit 2  config, colour space or transform
    |   |-- MissingPlateError         exit 2  no frame there
    |   |-- OutputRefusedError        exit 2  output is the input, exists, or cannot be written
    |   |-- AlreadyPulledError        exit 2  the plate's metadata says it has already been pulled
    |   |-- PluginError               exit 2  no such plugin, or a broken one
    |   |-- EngineError               exit 2  workers that cannot be reached or trusted
    |   `-- SidecarError              exit 2  a sidecar that cannot be read or trusted
    |-- PlateError                    exit 1  a frame on disk is not what it should be
    |   |-- TornFrameError            exit 1  cut short or garbled
    |   |-- CannotCarryError          exit 1  whole, but of a kind that would lose something
    |   `-- UnevenPlateError          exit 1  a gap, or a frame unlike the others
    |-- PixelError                    exit 1  a frame's pixels break the recipe's policy
    |-- EngineLostError               exit 1  workers went away in the middle of a run
    `-- WriteError                    exit 1  a result could not be written whole
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

__all__ = [
    "AlreadyPulledError",
    "CannotCarryError",
    "ColourError",
    "EngineError",
    "EngineLostError",
    "Fault",
    "GradeprepError",
    "MissingPlateError",
    "OutputRefusedError",
    "PixelError",
    "PlateError",
    "PluginError",
    "RecipeError",
    "RequestError",
    "SidecarError",
    "TornFrameError",
    "UnevenPlateError",
    "WriteError",
]


class GradeprepError(Exception):
    """Base of the tree: one line that says where, what is wrong, and what to do.

    Args:
        what: What is wrong, in words a user of the plate understands.
        remedy: What to do about it; empty where nothing can be done.
        shot: Name of the shot concerned.
        frame: Frame number concerned.
        file: File concerned.
        key: Key path in a recipe, or the option concerned.
    """

    exit_code = 1
    usual_remedy = ""
    """What to do where the error names nothing better."""

    def __init__(
        self,
        what: str,
        *,
        remedy: str = "",
        shot: str | None = None,
        frame: int | None = None,
        file: str | Path | None = None,
        key: str | None = None,
    ) -> None:
        self.what = what
        self.remedy = remedy or self.usual_remedy
        self.shot = shot
        self.frame = frame
        self.file = None if file is None else str(file)
        self.key = key
        super().__init__(str(self))

    def __str__(self) -> str:
        where = " ".join(
            part
            for part in (
                self.shot or "",
                "" if self.frame is None else f"frame {self.frame}",
            )
            if part
        )
        line = ": ".join(part for part in (where, self.file, self.key, self.what) if part)
        if self.remedy:
            line = f"{line}; {self.remedy}"
        return " ".join(line.split())

    def at(
        self,
        *,
        shot: str | None = None,
        frame: int | None = None,
        file: str | Path | None = None,
    ) -> GradeprepError:
        """The same error with the place filled in where it was not known yet."""
        self.shot = self.shot if self.shot is not None else shot
        self.frame = self.frame if self.frame is not None else frame
        if self.file is None and file is not None:
            self.file = str(file)
        self.args = (str(self),)
        return self


class RequestError(GradeprepError):
    """The request is wrong; nothing was touched."""

    exit_code = 2


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault of a recipe: the key path it stands at, its line, and what is wrong."""

    key: str
    line: int | None
    what: str

    def __str__(self) -> str:
        place = f"line {self.line}: " if self.line is not None else ""
        line = f"{place}{self.key}: {self.what}" if self.key else f"{place}{self.what}"
        return " ".join(line.split())


class RecipeError(RequestError):
    """Faults in a recipe, all of them at once, one line each."""

    def __init__(self, faults: Iterable[Fault], *, file: str | Path | None = None) -> None:
        self.faults = tuple(faults)
        super().__init__("; ".join(str(fault) for fault in self.faults), file=file)

    def __str__(self) -> str:
        head = f"{self.file}: " if self.file else ""
        return "\n".join(f"{head}{fault}" for fault in self.faults)


class ColourError(RequestError):
    """A config, colour space or transform is missing, broken, or not fit for the job."""


class MissingPlateError(RequestError):
    """There is no frame where the request points."""


class OutputRefusedError(RequestError):
    """The output is the input, exists already, or cannot be written."""


class AlreadyPulledError(RequestError):
    """The plate says that it was pulled before."""


class PluginError(RequestError):
    """A plugin is unknown, broken, or named twice."""


class EngineError(RequestError):
    """Workers cannot be reached, or would not do what this machine does.

    Attributes:
        lines: One line a worker, where several differ.
    """

    lines: tuple[str, ...] = ()

    def __str__(self) -> str:
        return "\n".join(self.lines) if self.lines else super().__str__()

    @classmethod
    def of_each(cls, lines: Iterable[str]) -> EngineError:
        """An error of several lines, each complete."""
        error = cls("workers differ")
        error.lines = tuple(lines)
        return error


class PlateError(GradeprepError):
    """A frame on disk is not what it should be."""


class TornFrameError(PlateError):
    """A frame is cut short or garbled."""

    usual_remedy = "copy the frame again"


class CannotCarryError(PlateError):
    """A frame is whole, but of a kind that would come out with something lost."""


class UnevenPlateError(PlateError):
    """A plate has a gap, or a frame unlike the others."""


class PixelError(GradeprepError):
    """A frame's pixels break a policy that the recipe set."""


class EngineLostError(GradeprepError):
    """Whatever ran the frames went away; what was done stands in the journal."""

    usual_remedy = "bring it back and run again with --resume"


class WriteError(GradeprepError):
    """A result could not be written whole; what stood there before still stands."""


class SidecarError(RequestError):
    """A sidecar cannot be read, or does not say what its schema promises."""

"""The document of `doctor`: what is here, and what is wrong with it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from pydantic import Field

from gradeprep.model.documents.base import CommandDocument

__all__ = ["ConfigDocument", "DiagnosisDocument", "LibraryDocument", "LimitsDocument", "Problem"]


class Problem(CommandDocument):
    """Something wrong, and what to do about it.

    Attributes:
        what: What is wrong.
        remedy: What to do.
    """

    what: str
    remedy: str


class LibraryDocument(CommandDocument):
    """A package that this program needs, or that an extra of it brings.

    Attributes:
        version: The installed one; None where it is absent.
        floor: Least version that serves; empty where any does.
    """

    version: str | None
    floor: str


class ConfigDocument(CommandDocument):
    """The OpenColorIO config that serves where a recipe names none.

    Attributes:
        name: Its path or ``ocio://`` name.
        named_by: Who named it: ``--config``, ``$OCIO`` or ``built-in``.
        sha256: Hash of its text; empty where it does not load.
    """

    name: str
    named_by: str
    sha256: str = ""


class LimitsDocument(CommandDocument):
    """The largest picture that is read, and how long that may take.

    Attributes:
        side: Pixels of width or height.
        gib: GiB of decoded pixels a file.
        seconds: Time that a file may take to be read.
    """

    side: int
    gib: float
    seconds: int


class DiagnosisDocument(CommandDocument):
    """The document of ``gradeprep doctor --json``.

    Attributes:
        version: Version of the document's format.
        program: Version of this program.
        python: Version of Python.
        system: Name of the operating system and the processor's kind.
        processors: Processors that a run may use.
        memory_gib: Memory in GiB; None where the system does not say.
        libraries: What the program needs, by package.
        extras: What its extras bring: extra to packages.
        config: The OpenColorIO config.
        limits: The largest picture that is read; None where the environment says nonsense.
        plugins: Kind to number of plugins that load.
        problems: What is wrong; empty where all is well.
    """

    version: Literal[1] = Field(1, alias="gradeprep_doctor")
    program: str
    python: str
    system: str
    processors: int
    memory_gib: float | None
    libraries: Mapping[str, LibraryDocument]
    extras: Mapping[str, Mapping[str, LibraryDocument]]
    config: ConfigDocument
    limits: LimitsDocument | None
    plugins: Mapping[str, int]
    problems: tuple[Problem, ...]

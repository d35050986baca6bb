"""The document of `compensate`: the transforms of a set, and how exact each is."""

from __future__ import annotations

from typing import Literal, get_args

from pydantic import Field

from gradeprep.model.documents.base import CommandDocument

__all__ = ["FORMATS", "CompensationDocument", "Format", "RefusalDocument", "TransformDocument"]

Format = Literal["clf", "1d", "3d"]
"""CLF, ``.cube`` of one dimension, ``.cube`` of three."""

FORMATS: tuple[Format, ...] = get_args(Format)


class TransformDocument(CommandDocument):
    """A file of the set, as it was read back.

    Attributes:
        file: Its path.
        format: What it is.
        size: Points of the table, along an edge in 3D; None in a CLF.
        stops: What it changes the exposure by.
        formula: Whether it holds formulas alone, no sampled table.
        error_stops: Largest error in stops, from 6 stops under grey of the shown picture up; None
            behind a display.
        error_codes: Largest error in 10-bit codes, over the whole cube of codes.
        error_neutral: Largest error on neutrals, in 10-bit codes.
        error_colours: What 99 of 100 colours stay within, in 10-bit codes, of those that are
            clipped in no channel.
        clamps: Whether codes under 0 and over 1 are clamped.
        ceiling: Tone of code 1 as recorded, in stops from grey.
        ceiling_shown: The same tone after the change.
    """

    file: str
    format: Format
    size: int | None = None
    stops: float
    formula: bool
    error_stops: float | None = None
    error_codes: float
    error_neutral: float
    error_colours: float
    clamps: bool
    ceiling: float
    ceiling_shown: float


class RefusalDocument(CommandDocument):
    """A file that was over the tolerance, and so is not there.

    Attributes:
        file: The path it would have had.
        why: By how much, and what to do.
    """

    file: str
    why: str


class CompensationDocument(CommandDocument):
    """The document of ``gradeprep compensate --json``.

    Attributes:
        version: Version of the document's format.
        config: The OpenColorIO config.
        sha256: Hash of its text.
        space: Colour space that is recorded.
        display: Display that the files are for; None where log comes out.
        view: Its view.
        files: What was handed out.
        refused: What was not.
        left_out: What was not even made, and why.
        card: The text card; None where nothing was handed out.
    """

    version: Literal[1] = Field(1, alias="gradeprep_compensate")
    config: str
    sha256: str
    space: str
    display: str | None = None
    view: str | None = None
    files: tuple[TransformDocument, ...]
    refused: tuple[RefusalDocument, ...] = ()
    left_out: tuple[str, ...] = ()
    card: str | None = None

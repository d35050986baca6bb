"""The document of `handover`: the files that were written, and what no file holds."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from gradeprep.model.documents.base import CommandDocument

__all__ = ["FileDocument", "HandoverDocument", "LeftOutDocument", "RefusedFile"]


class FileDocument(CommandDocument):
    """A file that was handed over.

    Attributes:
        file: Its path.
        form: Name of the form.
        shots: Shots in it.
        proof: How it was proved right before it got its name.
        notes: What whoever takes it must know.
    """

    file: str
    form: str
    shots: tuple[str, ...]
    proof: str
    notes: tuple[str, ...] = ()


class LeftOutDocument(CommandDocument):
    """What a form cannot hold.

    Attributes:
        form: Name of the form.
        shot: The shot; None where it is all of them.
        why: The reason, and what to do.
    """

    form: str
    shot: str | None = None
    why: str


class RefusedFile(CommandDocument):
    """A file that did not read back right, and so is not there.

    Attributes:
        form: Name of the form.
        file: The path it would have had.
        why: What is wrong with it.
    """

    form: str
    file: str
    why: str


class HandoverDocument(CommandDocument):
    """The document of ``gradeprep handover --json``.

    Attributes:
        version: Version of the document's format.
        folder: Where the files are.
        files: What was handed over.
        left_out: What was not, because the form cannot hold it.
        refused: What was not, because it did not read back right.
    """

    version: Literal[1] = Field(1, alias="gradeprep_handover")
    folder: str
    files: tuple[FileDocument, ...]
    left_out: tuple[LeftOutDocument, ...] = ()
    refused: tuple[RefusedFile, ...] = ()

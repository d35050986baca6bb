"""What goes to a farm and what comes back: the bundle, and the frames of its chunks.

A bundle holds a manifest and one file a shot, in which every number is decided. Paths stand in it
as they are where it was made; whoever runs it may have the same folders somewhere else.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from pydantic import ConfigDict, Field

from gradeprep.model.documents.base import CommandDocument
from gradeprep.model.order import Ordered
from gradeprep.model.record import Recorded
from gradeprep.model.shot import FrameEntry

__all__ = [
    "ChunkOrder",
    "FarmDocument",
    "Form",
    "Manifest",
    "ChunkPart",
    "RecipeMark",
    "CollectDocument",
    "ShotMark",
    "CollectedShot",
]

Form = Literal["openjd", "sbatch", "make"]


class ShotMark(Ordered):
    """A shot in the manifest.

    Attributes:
        file: Its file in the bundle.
        sha256: Hash of that file; it names the order wherever chunks of it meet.
        frames: Its frames.
        asked: Hash of what the recipe asked of it.
    """

    file: str
    sha256: str
    frames: str
    asked: str


class RecipeMark(Ordered):
    """The recipe a bundle was made from.

    Attributes:
        file: Its path.
        sha256: Hash of its text.
    """

    file: str
    sha256: str


class ChunkOrder(Ordered):
    """Frames of one shot that are made in one go.

    Attributes:
        shot: Name of the shot.
        frames: The frames.
    """

    shot: str
    frames: str


class Manifest(Ordered):
    """The content of ``bundle.json``.

    Attributes:
        format: Version of the bundle format.
        form: What the bundle is written for.
        windows: Whether its paths are those of Windows.
        recipe: The recipe it was made from.
        versions: What must be the same on every node, by name.
        folders: Name to a folder that sources, results or colour files lie in.
        shots: Name to shot.
        chunks: The chunks, in order; number 1 is the first.
    """

    format: Literal[1] = Field(1, alias="gradeprep_bundle")
    form: Form
    windows: bool
    recipe: RecipeMark
    versions: Mapping[str, str]
    folders: Mapping[str, str]
    shots: Mapping[str, ShotMark]
    chunks: tuple[ChunkOrder, ...]

    model_config = ConfigDict(populate_by_name=True)


class ChunkPart(Recorded):
    """The frames of a chunk, as they wait beside the plates until the shot is sealed.

    Attributes:
        format: Version of the format.
        order: Hash of the shot's file in the bundle.
        shot: Name of the shot.
        frames: The frames that are done, with the paths that the bundle has.
    """

    format: Literal[1] = Field(1, alias="gradeprep_part")
    order: str
    shot: str
    frames: tuple[FrameEntry, ...]

    model_config = ConfigDict(populate_by_name=True)


class FarmDocument(CommandDocument):
    """The document of ``gradeprep farm --json``.

    Attributes:
        version: Version of the document's format.
        bundle: Where the bundle stands.
        form: What it is written for.
        frames: Frames in it.
        chunks: Chunks in it.
        chunk: Frames in the largest chunk, by shot.
        left_out: Shot to the reason why it is not in the bundle.
    """

    version: Literal[1] = Field(1, alias="gradeprep_farm")
    bundle: str
    form: Form
    frames: int
    chunks: int
    chunk: Mapping[str, int]
    left_out: Mapping[str, str] = {}


class CollectedShot(CommandDocument):
    """What sealing found of one shot.

    Attributes:
        sidecar: Where its sidecar stands; None where none was written.
        frames: Frames that are as their records say.
        missing: Frames that nobody has made yet.
        wrong: Frames that are not what their records say.
        error: Why the shot could not be sealed, in one line.
    """

    sidecar: str | None = None
    frames: int = 0
    missing: str = ""
    wrong: str = ""
    error: str = ""


class CollectDocument(CommandDocument):
    """The document of ``gradeprep collect --json``.

    Attributes:
        version: Version of the document's format.
        shots: Shot to what was found.
    """

    version: Literal[1] = Field(1, alias="gradeprep_collect")
    shots: Mapping[str, CollectedShot]

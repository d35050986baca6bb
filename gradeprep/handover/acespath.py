"""How light gets between a space and ACES2065-1: a transform's published id, or a CLF beside it.

Ids are those that the config itself gives its spaces (the interchange attribute
``amf_transform_ids`` of OpenColorIO 2.5 and later). For a space without one, the transform is
written out as a CLF, so that the AMF names nothing that its reader cannot find.
"""

from __future__ import annotations

import base64
import hashlib
import re
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from gradeprep.colour import Colour
from gradeprep.errors import ColourError, WriteError
from gradeprep.handover.config import space_word
from gradeprep.plugins.contracts import Document
from gradeprep.transforms import Steps, clf_text, from_file, gain_matrix, path

__all__ = ["ACES", "AcesPath", "aces_path"]

ACES = "aces_interchange"
"""Role of ACES2065-1 in any config."""

_IDS = "amf_transform_ids"
_ID = r"urn:ampas:aces:transformId:v[\d.]+:(?:Input|IDT|CSC|ACEScsc)\.\S+\.\S*"
_TO_ACES = re.compile(rf"{_ID}(?<=[._])to_ACES\.a\d\S*|urn:ampas:aces:transformId:v2\.0:Input\.\S+")
_FROM_ACES = re.compile(rf"{_ID}(?<=\.)ACES_to_\S+")
_TOLERANCE = 1e-5  # of the value, or of 1e-3 of white where that is more


@dataclass(frozen=True, slots=True)
class AcesPath:
    """A transform to or from ACES2065-1.

    Attributes:
        description: What it is, in words.
        id: Its published id; empty where the config knows none.
        document: The CLF that stands for it then.
    """

    description: str
    id: str = ""
    document: Document | None = None

    @property
    def hash(self) -> str:
        """SHA-256 of the CLF in base64; empty for an id."""
        if self.document is None:
            return ""
        found = hashlib.sha256(self.document.text.encode("utf-8")).digest()
        return base64.b64encode(found).decode("ascii")


def aces_path(colour: Colour, space: str, shot: str, *, to_aces: bool) -> AcesPath:
    """The transform from a space to ACES2065-1, or the way back.

    Args:
        colour: The config.
        space: Name of the space.
        shot: What the name of a CLF begins with.
        to_aces: From the space to ACES2065-1, and not back.

    Raises:
        ColourError: The config has no ACES2065-1, or a step has no form in CLF.
    """
    aces = colour.space(ACES)
    source, result = (space, aces) if to_aces else (aces, space)
    description = f"{source} to {result}, OpenColorIO config {colour.name}"
    known = str(colour.config.getColorSpace(space).getInterchangeAttribute(_IDS)).split()
    wanted = _TO_ACES if to_aces else _FROM_ACES
    for found in known:
        if wanted.fullmatch(found):
            return AcesPath(description, id=found)
    steps = path(colour, source, result)
    if not len(steps):  # the format knows no empty list
        steps = Steps([gain_matrix((1.0, 1.0, 1.0))])
    name = f"{shot}_{'to' if to_aces else 'from'}_aces_{space_word(space)}.clf"
    document = Document(
        name=name,
        text=clf_text(steps, name=name, source=source, result=result, descriptions=(description,)),
        shots=(shot,),
        prove=partial(_prove, colour=colour, source=source, result=result),
    )
    return AcesPath(description, document=document)


def _prove(path: Path, colour: Colour, source: str, result: str) -> str:
    line = np.linspace(0.0, 1.0, 17, dtype=np.float32)
    cube = np.stack(np.meshgrid(line, line, line, indexing="ij"), axis=-1).reshape(1, -1, 3)
    got, wanted = np.ascontiguousarray(cube), np.ascontiguousarray(cube.copy())
    convert = colour.convert(source, result)
    if convert is not None:
        convert(wanted)
    try:
        from_file(path)(got)
    except ColourError as error:
        raise WriteError(f"does not read back: {error.what}", file=path) from error
    off = float(np.max(np.abs(got - wanted) / np.maximum(np.abs(wanted), 1e-3)))
    if not off <= _TOLERANCE:
        raise WriteError(f"reads back off by {off:.1e} of the value", file=path)
    return f"OpenColorIO reads it back, within {off:.0e} of the config's own transform"

"""CLF (SMPTE ST 2136-1): the gain as a matrix of light, or from log code to log code."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path

import numpy as np
import numpy.typing as npt
from pydantic import Field

from gradeprep.colour import Colour
from gradeprep.errors import ColourError, WriteError
from gradeprep.handover.chosen import Chosen, FrameParams, choose
from gradeprep.handover.config import config_of, space_word
from gradeprep.handover.proof import prove_gain, proved
from gradeprep.plugins.contracts import Decided, Document, LeftOut
from gradeprep.transforms import Steps, clf_text, from_file, gain_matrix, gained

__all__ = ["Clf", "ClfParams"]

_HALF_CODE = 0.5 / 1023  # of a 10-bit code
_EDGE = 17

_NOISE = 1e-6
"""Of a pixel's brightest channel: what float32 primaries leave open. In the deep shadow of a pure
colour that is more than a log code."""


class ClfParams(FrameParams):
    """Parameters of a CLF."""

    space: str | None = Field(
        None, description="Log space that goes in and comes out; light of the working space if none"
    )


class Clf:
    """A transform a shot: exact in light, and within half a 10-bit code in a log space."""

    name = "clf"
    summary = "Common LUT Format, a file a shot: a matrix of light, or log to log"
    Params = ClfParams

    def make(
        self, shots: Sequence[Decided], params: ClfParams, title: str
    ) -> list[Document | LeftOut]:
        """A document of each shot that has one gain."""
        found: list[Document | LeftOut] = []
        for shot in shots:
            one = choose(shot, params.frame)
            if isinstance(one, LeftOut):
                found.append(one)
            elif params.space is None:
                found.append(_linear(one))
            else:
                found.append(_log(one, config_of(shot.record), params.space))
        return found


def _linear(one: Chosen) -> Document:
    text = clf_text(
        Steps([gain_matrix(one.gains)]),
        name=one.name,
        source=one.space,
        result=one.space,
        descriptions=one.lines,
    )
    return Document(
        name=f"{one.name}.clf",
        text=text,
        shots=(one.shot.record.shot,),
        prove=lambda path: proved([prove_gain(path, one.gains)]),
        notes=one.notes,
    )


def _log(one: Chosen, colour: Colour, asked: str) -> Document | LeftOut:
    space = _log_space(colour, asked)
    working = one.shot.record.colour.working
    steps = gained(colour, space, working, one.gains)
    words = f"code values of {space} (OpenColorIO config {colour.name})"
    try:
        text = clf_text(
            steps, name=one.name, source=words, result=words, descriptions=(*one.lines, one.space)
        )
    except ColourError as error:
        return LeftOut(one.shot.record.shot, error.what)
    return Document(
        name=f"{one.name}_{space_word(space)}.clf",
        text=text,
        shots=(one.shot.record.shot,),
        prove=partial(_prove_log, one=one, colour=colour, space=space),
        notes=one.notes,
    )


def _log_space(colour: Colour, asked: str) -> str:
    space = colour.space(asked, key="--space")
    if colour.encoding(space) != "log":
        logs = ", ".join(repr(name) for name in list(colour.with_encoding("log"))[:6])
        raise ColourError(
            f"'{space}' is not log (encoding: {colour.encoding(space) or 'not said'})",
            key="--space",
            remedy=f"leave it out for a matrix of light, or name a log space: {logs}",
        )
    return space


def _prove_log(path: Path, one: Chosen, colour: Colour, space: str) -> str:
    """Hold the file against decoding, gain and encoding one by one, over the cube of codes."""
    working = one.shot.record.colour.working
    decode, encode = colour.convert(space, working), colour.convert(working, space)
    assert decode is not None, "a log space is no working space"
    assert encode is not None
    codes = _codes()
    wanted = codes.copy()
    decode(wanted)
    wanted = np.asarray(wanted * np.asarray(one.gains), np.float32)
    encode(wanted)
    try:
        from_file(path)(codes)
    except ColourError as error:
        raise WriteError(f"does not read back: {error.what}", file=path) from error
    lit, light = wanted.copy(), codes.copy()
    decode(lit)
    decode(light)
    brightest = np.maximum(np.max(np.abs(lit), axis=-1, keepdims=True), 1.0)
    found = np.abs(light - lit) > _NOISE * brightest
    off = float(np.max(np.abs(codes - wanted)[found], initial=0.0))
    if not off <= _HALF_CODE:
        what = f"reads back off by {off * 1023:.2f} 10-bit codes, more than half a one"
        raise WriteError(what, file=path, remedy="hand over the matrix: leave out --space")
    return f"OpenColorIO reads it back, within {off * 1023:.4f} of a 10-bit code"


def _codes() -> npt.NDArray[np.float32]:
    """All ten-bit neutrals and a cube of colours, 1 x N x 3."""
    neutrals = np.repeat(np.linspace(0.0, 1.0, 1024, dtype=np.float32)[:, None], 3, axis=1)
    line = np.linspace(0.0, 1.0, _EDGE, dtype=np.float32)
    cube = np.stack(np.meshgrid(line, line, line, indexing="ij"), axis=-1).reshape(-1, 3)
    return np.ascontiguousarray(np.concatenate([neutrals, cube])[None])

"""The exact transform: code to light, times a gain, and back to code or on to a display."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from gradeprep.colour import Colour
from gradeprep.conversions import Convert
from gradeprep.errors import ColourError
from gradeprep.looks import Look, shown
from gradeprep.model.stops import GREY, gain, tone

__all__ = ["Exact", "log_space", "through"]

Colours = npt.NDArray[np.float32]


def log_space(colour: Colour, name: str) -> str:
    """Canonical name of a log space.

    Raises:
        ColourError: Unknown, linear, or not log.
    """
    space = colour.space(name, key="--space")
    if colour.is_linear(space):
        what = "is linear: it has no ceiling, and no monitor is fed it"
    elif colour.encoding(space) != "log":
        what = f"is not log (encoding: {colour.encoding(space) or 'not said'})"
    else:
        return space
    logs = [repr(item) for item in colour.with_encoding("log")]
    text = ", ".join(logs[:6]) + (", ..." if len(logs) > 6 else "")
    raise ColourError(
        f"'{space}' {what}",
        key="--space",
        remedy=f"name the log space that the camera feeds the monitor: {text}",
    )


@dataclass(frozen=True, slots=True)
class Exact:
    """The way through a config, step by step in float32, with no transform joined to another.

    Attributes:
        decode: Log code to light.
        encode: Light to log code.
        show: Light to a display's signal; None where log comes out.
        separate: Whether each channel goes by itself, so that a 1D table can hold the whole.
        grey: Code of grey.
        ceiling: Light of code 1, in the darkest channel.
    """

    decode: Convert
    encode: Convert
    show: Convert | None
    separate: bool
    grey: float
    ceiling: float

    @classmethod
    def of(cls, colour: Colour, space: str, working: str, look: Look | None) -> Exact:
        """The way of a log space, without its primaries where the config proves it separate.

        Raises:
            ColourError: It does not build, or the space has no ceiling above grey.
        """
        curve = None if look else colour.curve(space, working)
        decode, encode = curve or (colour.convert(space, working), colour.convert(working, space))
        assert decode is not None
        assert encode is not None
        ceiling = float(through(decode, np.ones((1, 3), np.float32)).min())
        if not (np.isfinite(ceiling) and ceiling > GREY):
            raise ColourError(
                f"'{space}' has no ceiling: code 1 stands for {ceiling:g}, not for a light over "
                f"grey ({GREY})",
                key="--space",
                remedy="correct its transform in the config, or name another log space",
            )
        grey = float(through(encode, np.full((1, 3), GREY, np.float32)).mean())
        show = shown(colour, working, look) if look else None
        return cls(decode, encode, show, curve is not None, grey, ceiling)

    def light(self, codes: Colours) -> Colours:
        """Light of log codes: N x 3 float32."""
        return through(self.decode, codes)

    def at(self, stops: float) -> Callable[[Colours], Colours]:
        """The transform of an exposure change in stops: codes in, codes or signal out."""
        last = self.show or self.encode

        def change(codes: Colours) -> Colours:
            light = self.light(codes).astype(np.float64) * gain(stops)
            return through(last, light.astype(np.float32))

        return change

    @property
    def ceiling_tone(self) -> float:
        """Tone of code 1, in stops from grey."""
        return tone(self.ceiling)


def through(convert: Convert, colours: Colours) -> Colours:
    """A conversion of N x 3 colours into new ones."""
    pixels = np.array(colours[None], np.float32, order="C")
    convert(pixels)
    return np.asarray(pixels[0])

"""Where a space's encoding ends, and its curve as a table both ways around black."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from gradeprep import colour
from gradeprep.errors import ColourError
from gradeprep.model.documents.headroom import SceneCeiling
from gradeprep.model.stops import GREY, tone
from gradeprep.plugins.contracts import Scale

__all__ = ["Curve", "encodable"]

_WORKING = "scene_linear"

_FINE = 1 << 16  # 3,700 steps a stop where a curve gives a stop a seventeenth of its range


def encodable(space: str, config: str | None) -> SceneCeiling:
    """The end of a log space: code 1.0 of a neutral, full range, in stops above grey.

    Args:
        space: Name of the space.
        config: OpenColorIO config; None for $OCIO or the built-in one.

    Raises:
        ColourError: The config does not load, the space is unknown, or it has no end.
    """
    name, _ = colour.choose_config(None, config)
    loaded = colour.load(name)
    known = loaded.guard_plate(space, any_space=False, key="--space")
    if loaded.encoding(known) != "log":
        raise ColourError(
            f"'{known}' has no ceiling: its values go on",
            key="--space",
            remedy="state the camera's clip with --clip, or name the log space that it records",
        )
    working = loaded.guard_working(_WORKING)
    white = np.ones((1, 1, 3), np.float32)
    decode = loaded.convert(known, working)
    if decode is not None:
        decode(white)
    light = float(white[0, 0].astype(np.float64) @ np.asarray(loaded.weights(working)))
    return SceneCeiling(stops=tone(light), source="encodable", how=f"code 1.0 of {known}")


class Curve:
    """Recorded values to scene-linear ones, channel by channel, values under black included.

    A plate's scale gives the tone of a neutral, which ends at zero light. Noise goes below: the
    curve is carried on there with the slope that it has at black. Channels are never mixed, as
    the way to other primaries would mix them; mixed noise is no photosite's.

    Args:
        scale: The plate's scale; not log means scene-linear.
        half: Whether the values are recorded as half floats.
    """

    def __init__(self, scale: Scale, *, half: bool) -> None:
        self._step = scale.step
        self._half = half
        self._unit = None if scale.log else GREY * float(np.exp2(scale.tone(np.ones(1))[0]))
        recorded = np.linspace(0.0, 1.0, _FINE + 1)
        light = GREY * np.exp2(scale.tone(recorded))
        black = int(np.flatnonzero(light > 0.0)[0]) + 1
        slope = (light[black + 1] - light[black]) / recorded[1]
        light[:black] = light[black] - slope * (recorded[black] - recorded[:black])
        self._recorded, self._light = recorded, light
        self._slope = np.gradient(light, recorded)

    def light(self, recorded: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
        """Scene-linear values of recorded ones; float32, the same shape."""
        if self._unit is not None:
            return np.asarray(recorded * np.float32(self._unit), np.float32)
        return np.interp(recorded, self._recorded, self._light).astype(np.float32)

    def rounding(self, light: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """Variance that the recording's own rounding adds at scene-linear values.

        A twelfth of the squared step between codes, or between halves (EMVA Standard 1288 for
        the converter's); none for floats.
        """
        if self._unit is not None:
            recorded, slope = light / self._unit, np.full_like(light, self._unit)
        else:
            recorded = np.interp(light, self._light, self._recorded)
            slope = np.interp(light, self._light, self._slope)
        step = np.full_like(light, self._step)
        if self._half:
            step = np.spacing(recorded.astype(np.float16)).astype(np.float64)
        return np.asarray(np.square(step * slope) / 12.0)

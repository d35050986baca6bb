"""A frame's decision made ready: stage plugins with their numbers, and what they amount to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import cast

import numpy as np

from gradeprep.model.order import StageOrder
from gradeprep.plugins.calling import calling, misbehaved
from gradeprep.plugins.contracts import Light, Luminance, Numbers, Pixels, Stage, TonalStage
from gradeprep.plugins.registry import installed

__all__ = ["Decision", "Step", "exposure", "prepare"]


@dataclass(frozen=True, slots=True)
class Step:
    """One stage with its numbers and the light it stands in; every call to the stage is made here.

    An error in a stage names the stage and the package that provides it.
    """

    stage: Stage
    numbers: Numbers
    light: Light

    @property
    def gains(self) -> tuple[float, float, float] | None:
        """Linear gain per channel when the stage is nothing more than that, else None."""
        with calling("stages", self.stage.name):
            return self.stage.gains(self.numbers)

    @property
    def exposure(self) -> float:
        """Exposure change of the whole picture, in stops."""
        return exposure(self.stage, self.numbers)

    @property
    def slope(self) -> float | None:
        """Smallest slope of the stage's tone curve, or None when it has no inverse."""
        with calling("stages", self.stage.name):
            return self.stage.slope(self.numbers)

    def apply(self, rgb: Pixels, *, backwards: bool) -> Pixels:
        """Scene-linear pixels through the stage, or back."""
        name = "inverse" if backwards else "apply"
        method = self.stage.inverse if backwards else self.stage.apply
        with calling("stages", self.stage.name):
            return self._like(name, rgb, method(rgb, self.numbers, self.light))

    def tone_gain(self, luminance: Luminance, *, backwards: bool) -> Luminance:
        """Gain of each luminance through the stage, or back."""
        stage = cast(TonalStage, self.stage)
        name = "tone_gain_back" if backwards else "tone_gain"
        method = stage.tone_gain_back if backwards else stage.tone_gain
        with calling("stages", self.stage.name):
            return self._like(name, luminance, method(luminance, self.numbers, self.light))

    def _like(self, method: str, given: Pixels, made: Pixels) -> Pixels:
        """What the stage made, of the shape and type of what it was given."""
        text = f"{getattr(made, 'dtype', type(made).__name__)} {getattr(made, 'shape', '')}"
        if not isinstance(made, np.ndarray) or made.dtype != np.float32:
            what = f"made {text.strip()} of float32 in '{method}'"
        elif made.shape != given.shape:
            what = f"made {text} of {given.shape} in '{method}'"
        else:
            return np.ascontiguousarray(made)
        raise misbehaved("stages", self.stage.name, what)


@dataclass(frozen=True, slots=True)
class Decision:
    """All stages of one frame, in the order they are applied.

    Attributes:
        steps: The stages.
        backwards: True when they are taken back, last stage first.
    """

    steps: tuple[Step, ...]
    backwards: bool = False

    @property
    def gains(self) -> tuple[float, float, float] | None:
        """Linear gain per channel when that is all the stages amount to, else None."""
        product = [1.0, 1.0, 1.0]
        for step in self.steps:
            gains = step.gains
            if gains is None:
                return None
            for i, gain in enumerate(gains):
                product[i] *= 1.0 / gain if self.backwards else gain
        return (product[0], product[1], product[2])

    @property
    def scalar(self) -> bool:
        """Whether the stages amount to one gain for all channels, so that it commutes with
        any matrix between primaries."""
        gains = self.gains
        return gains is not None and gains[0] == gains[1] == gains[2]

    @property
    def tonal(self) -> bool:
        """Whether each stage is one gain for all channels, of the pixel's luminance or plain."""
        needed = "tone_gain_back" if self.backwards else "tone_gain"
        for step in self.steps:
            gains = step.gains
            if gains is None:
                fits = hasattr(step.stage, needed)
            else:
                fits = gains[0] == gains[1] == gains[2]
            if not fits:
                return False
        return True

    def gain_of(self, luminance: Luminance) -> Luminance:
        """Gain of each luminance through all stages, for stages that are `tonal`.

        Each stage sees the luminance that the ones before it left. Float32, of one shape.
        """
        plain = 1.0
        total: Luminance | None = None
        since: list[Luminance | np.float32] = []  # gains that the next stage's luminance has had
        for step in reversed(self.steps) if self.backwards else self.steps:
            gains = step.gains
            if gains is not None:
                factor = 1.0 / gains[0] if self.backwards else gains[0]
                plain *= factor
                since.append(np.float32(factor))
                continue
            for gain in since:
                luminance = luminance * gain
            gain = step.tone_gain(luminance, backwards=self.backwards)
            since = [gain]
            total = gain if total is None else total * gain
        if total is None:
            return np.full(luminance.shape, plain, np.float32)
        return np.multiply(total, np.float32(plain))

    @property
    def identity(self) -> bool:
        """Whether the stages change nothing."""
        return self.gains == (1.0, 1.0, 1.0)

    @property
    def stops(self) -> float:
        """Exposure change of the whole picture, in stops."""
        return sum(step.exposure for step in self.steps)

    @property
    def slope(self) -> float | None:
        """Smallest slope of the tone curve, or None where a stage has no inverse."""
        product = 1.0
        for step in self.steps:
            slope = step.slope
            if slope is None:
                return None
            product *= slope
        return product

    def asked(self) -> Decision:
        """The same, every stage asked all that later steps will ask, so that it fails now."""
        _ = self.gains, self.stops, self.slope
        return self

    def apply(self, rgb: Pixels) -> Pixels:
        """Scene-linear pixels in the working space through all stages, or back."""
        for step in reversed(self.steps) if self.backwards else self.steps:
            rgb = step.apply(rgb, backwards=self.backwards)
        return rgb


def prepare(
    stages: Sequence[StageOrder],
    weights: tuple[float, float, float],
    *,
    backwards: bool = False,
) -> Decision:
    """Load the plugins of a frame's stages, each with the exposure still to come.

    Args:
        stages: Ordered stages with their numbers.
        weights: Luminance weights of the working space.
        backwards: Prepare to take the stages back.
    """
    plugins: list[Stage] = [installed().get("stages", order.stage) for order in stages]
    steps = []
    for index, (plugin, order) in enumerate(zip(plugins, stages, strict=True)):
        later = zip(plugins[index + 1 :], stages[index + 1 :], strict=True)
        to_come = sum(exposure(after, said.numbers) for after, said in later)
        steps.append(Step(plugin, order.numbers, Light(weights, to_come)))
    return Decision(tuple(steps), backwards)


def exposure(stage: Stage, numbers: Numbers) -> float:
    """Exposure change of the whole picture by one stage, in stops."""
    with calling("stages", stage.name):
        return float(stage.exposure(numbers))

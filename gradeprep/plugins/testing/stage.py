"""The contract of a stage."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel

from gradeprep.model.order import StageOrder
from gradeprep.model.stops import GREY
from gradeprep.plugins.contracts import Light, Numbers, Pixels
from gradeprep.plugins.testing.clauses import Tried, tried
from gradeprep.plugins.testing.plate import AP1_WEIGHTS
from gradeprep.plugins.testing.samples import lit, neutrals, unlit

__all__ = ["check_stage"]

Room = npt.NDArray[np.float64]
"""What each sample may be off by, of a picture's shape."""

_LIGHTS = (Light(AP1_WEIGHTS, -2.0), Light((0.25, 0.5, 0.25), 0.0))
_EPS = float(np.finfo(np.float32).eps)

_SAME = 16 * _EPS
"""Share of the value that two ways to the same float32 may differ by."""

_DOT = 3 * _EPS
"""Share of the sum of magnitudes that two ways to a float32 sum of three products may differ by:
each is off by at most 3 u / (1 - 3 u), with u half of epsilon (Higham, Accuracy and Stability of
Numerical Algorithms, 2nd edition, 2002, section 3.1)."""

_NUDGE = 256
"""Roundings that a channel is moved by to see how rounding moves pixels: enough of them for the
result not to be rounding itself."""

_BACK = 64 * _EPS
"""The same after two float32 operations on a curve, before 1/slope magnifies it."""

_STEP = 1.0 / 16.0
"""Distance of two tones between which a slope is measured, in stops."""

_SLACK = 2e-3
"""How much a measured slope may fall short: rounding of two tones so near to each other."""


def check_stage(
    stage: Any,
    params: Mapping[str, Any] | BaseModel | None = None,
    *,
    frames: Sequence[int] = (1001, 1002, 1048),
) -> None:
    """Hold a stage against `gradeprep.plugins.contracts.Stage`.

    Args:
        stage: Its class.
        params: Parameters to try it with; no wish to measure among them.
        frames: Frames to decide for.

    Raises:
        BrokenContract: With the clause that does not hold.
    """
    one = tried("stages", stage, params)
    decided = {frame: _decided(one, frame) for frame in frames}
    for frame in reversed(frames):
        same = _decided(one, frame) == decided[frame]
        one.demand(same, "purity", f"decide says something else of frame {frame} the second time")
    for numbers in decided.values():
        for light in _LIGHTS:
            _Trial(one, numbers, light).all()
    before = getattr(one.made, "before", ())
    words = isinstance(before, tuple) and all(isinstance(name, str) for name in before)
    one.demand(words, "form", "'before' is no tuple of names")


def _decided(one: Tried, frame: int) -> Numbers:
    """The numbers of a frame, as whoever runs it gets them: through JSON."""
    said = one.call("decide", one.made.decide, one.params, frame)
    one.unchanged()
    try:
        order = StageOrder(stage=one.made.name, numbers=said)
        through = StageOrder.model_validate_json(order.model_dump_json())
    except ValueError as error:
        one.broken("numbers", f"decide gave {said!r}: {str(error).splitlines()[-2:]}")
    one.demand(through == order, "numbers", f"decide gave {said!r}, which JSON changes")
    return through.numbers


@dataclass(frozen=True)
class _Trial:
    """A stage with its numbers in one light."""

    one: Tried
    numbers: Numbers
    light: Light

    def all(self) -> None:
        gains = self._gains()
        self._exposure(gains)
        slope = self._slope()
        for picture in (lit(), unlit(), lit()[:1], lit()[:, :1], unlit()[2:, 4:5]):
            made = self._through("apply", picture)
            if gains is not None:
                plain = picture * np.asarray(gains, np.float32)
                self._alike(made, plain, "gains", "apply and gains differ", 0.0)
            elif hasattr(self.one.made, "tone_gain"):
                self._tones("tone_gain", picture, made, self._room("apply", picture, made))
        self._alone()
        if slope is not None:
            self._slopes(slope)
            for picture in (lit(), neutrals(-12.0, 8.0, 0.25), -neutrals(-12.0, 0.0, 0.25)):
                self._back(picture, slope)
        self.one.unchanged()

    def _gains(self) -> tuple[float, float, float] | None:
        found = self.one.call("gains", self.one.made.gains, self.numbers)
        if found is None:
            return None
        fine = len(found) == 3 and all(np.isfinite(gain) and gain > 0.0 for gain in found)
        self.one.demand(fine, "gains", f"gains said {found!r}")
        red, green, blue = found
        return (red, green, blue)

    def _exposure(self, gains: tuple[float, float, float] | None) -> None:
        found = float(self.one.call("exposure", self.one.made.exposure, self.numbers))
        self.one.demand(bool(np.isfinite(found)), "exposure", f"exposure said {found!r}")
        if gains is not None and found != 0.0:
            low, high = np.log2(min(gains)) - 1e-6, np.log2(max(gains)) + 1e-6
            text = f"exposure said {found:g} stops, the gains {low:.4g} to {high:.4g}"
            self.one.demand(bool(low <= found <= high), "exposure", text)

    def _slope(self) -> float | None:
        found = self.one.call("slope", self.one.made.slope, self.numbers)
        if found is None:
            return None
        self.one.demand(bool(np.isfinite(found) and found > 0.0), "slope", f"slope said {found!r}")
        return float(found)

    def _through(self, method: str, picture: Pixels) -> Pixels:
        """Pixels through apply or inverse, twice, by two instances."""
        numbers = dict(self.numbers)

        def run(one: Tried) -> Any:
            given = picture.copy()  # it may be reused
            return getattr(one.made, method)(given, numbers, self.light)

        made: Pixels = self.one.call(method, run, self.one)
        self._like(method, picture, made)
        text = f"{np.count_nonzero(~np.isfinite(made))} samples are not, after {method}"
        self.one.demand(bool(np.isfinite(made).all()), "finite", text)
        made = made.copy()
        for other in (self.one, self.one.again()):
            same = np.array_equal(self.one.call(method, run, other), made)
            self.one.demand(same, "purity", f"{method} made other pixels the second time")
        self.one.demand(numbers == dict(self.numbers), "purity", f"{method} changes the numbers")
        return made

    def _like(self, method: str, given: Pixels, made: Any) -> None:
        fine = isinstance(made, np.ndarray) and made.dtype == np.float32
        found = getattr(made, "dtype", type(made).__name__)
        self.one.demand(fine, "pixels", f"{method} made {found}")
        fine = made.shape == given.shape
        self.one.demand(fine, "pixels", f"{method} made {made.shape} of {given.shape}")
        found = f"{method} made pixels that are not C-contiguous"
        self.one.demand(made.flags.c_contiguous, "pixels", found)

    def _room(self, method: str, picture: Pixels, made: Pixels) -> Room:
        """How far pixels move where a luminance, summed another way, differs by rounding.

        A curve's slope magnifies that, and so does cancellation between channels of other signs:
        both are measured, by moving one channel at a time.
        """
        room = np.zeros(picture.shape)
        for channel in range(3):
            moved = picture.copy()
            moved[..., channel] *= np.float32(1.0 + _NUDGE * _EPS)
            shift = self._through(method, moved).astype(np.float64) - made
            room += np.abs(shift)
        return room * (_DOT / (_NUDGE * _EPS))

    def _alike(
        self, made: Pixels, wanted: Pixels, clause: str, what: str, room: Room | float
    ) -> None:
        """Demand the same pixels, but for rounding; the largest channel is the measure."""
        scale = np.abs(wanted).max(axis=-1, keepdims=True) + np.finfo(np.float32).tiny
        off = np.abs(made.astype(np.float64) - wanted) - room
        worst = float((off / scale).max())
        self.one.demand(worst <= _SAME, clause, f"{what} by {worst:.1e} of the value")

    def _alone(self) -> None:
        """A pixel comes out the same wherever and among whichever others it stands."""
        picture = np.concatenate([lit(), unlit()])
        whole = self._through("apply", picture)
        room = self._room("apply", picture, whole)
        what = "apply makes another pixel of it in other company"
        rows = self._through("apply", picture[3:5].copy())
        self._alike(rows, whole[3:5], "rows", what, room[3:5])
        order = np.random.default_rng(3).permutation(picture.shape[0] * picture.shape[1])
        mixed = picture.reshape(-1, 3)[order].reshape(picture.shape)
        made = self._through("apply", np.ascontiguousarray(mixed)).reshape(-1, 3)
        self._alike(made, whole.reshape(-1, 3)[order], "rows", what, room.reshape(-1, 3)[order])

    def _tones(self, method: str, given: Pixels, made: Pixels, room: Room) -> None:
        """The gain of each luminance, and what it makes of the pixels."""
        luminance = self.light.luminance(given)
        for shaped in (luminance, luminance.reshape(-1)):
            kept = shaped.copy()
            function = getattr(self.one.made, method)
            gain = self.one.call(method, function, shaped, self.numbers, self.light)
            self.one.demand(np.array_equal(kept, shaped), "purity", f"{method} changes luminance")
            self._like(method, shaped, gain)
            wanted = given * gain.reshape(luminance.shape)[..., None]
            self._alike(made, wanted, "tones", f"{method} differs from the pixels", room)

    def _slopes(self, slope: float) -> None:
        ramp = neutrals(-12.0, 8.0, _STEP)
        out = self.light.luminance(self._through("apply", ramp))[0].astype(np.float64)
        tones = np.linspace(-12.0, 8.0, ramp.shape[1])
        dark = tones[int(np.argmin(out))]
        text = f"light {dark:g} stops from grey comes out as none"
        self.one.demand(bool((out > 0.0).all()), "slope", text)
        rise = np.diff(np.log2(out / GREY)) / _STEP
        least = int(np.argmin(rise))
        text = (
            f"tones rise by {rise[least]:.4g} a stop at {tones[least]:g} stops from grey; slope "
            f"said {slope:.4g}"
        )
        self.one.demand(bool(rise[least] >= slope - _SLACK), "slope", text)

    def _back(self, picture: Pixels, slope: float) -> None:
        made = self._through("apply", picture)
        back = self._through("inverse", made)
        scale = np.maximum(np.abs(picture), np.abs(made)).max(axis=-1, keepdims=True)
        off: npt.NDArray[np.float64] = np.abs(back.astype(np.float64) - picture)
        bound = _BACK * max(1.0, 1.0 / slope) * scale
        worst = float((off / bound).max())
        text = f"it comes back off by {worst:.3g} times what rounding and slope {slope:.4g} allow"
        self.one.demand(worst <= 1.0, "inverse", text)
        gains = self.one.made.gains(self.numbers)
        if gains is None and hasattr(self.one.made, "tone_gain_back"):
            self._tones("tone_gain_back", made, back, self._room("inverse", made, back))

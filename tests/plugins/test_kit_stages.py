"""The kit finds a broken stage, and says which clause it breaks."""

from __future__ import annotations

from typing import ClassVar

import numpy as np
import pytest
from pydantic import BaseModel, Field

from gradeprep.plugins.testing import CLAUSES, BrokenContract, check_stage
from gradeprep.stages.lift import Lift

ONE = np.float32(1.0)


class Contrast:
    """A stage that keeps its contract; each test breaks one thing of it."""

    name, summary = "contrast", "steeper or flatter tones around grey"

    class Params(BaseModel, extra="forbid"):
        slope: float = Field(1.5, gt=0.0, description="Stops out of a stop in")

    def decide(self, params, frame):
        return {"slope": params.slope}

    def exposure(self, numbers):
        return 0.0

    def gains(self, numbers):
        return None

    def slope(self, numbers):
        return numbers["slope"]

    def apply(self, rgb, numbers, light):
        return np.sign(rgb) * np.abs(rgb) ** np.float32(numbers["slope"])

    def inverse(self, rgb, numbers, light):
        return np.sign(rgb) * np.abs(rgb) ** np.float32(1.0 / numbers["slope"])


class Gain(Contrast):
    """A plain gain of two stops, with a tone gain for show."""

    def decide(self, params, frame):
        return {"stops": 2.0}

    def exposure(self, numbers):
        return 2.0

    def gains(self, numbers):
        return (4.0, 4.0, 4.0)

    def slope(self, numbers):
        return 1.0

    def apply(self, rgb, numbers, light):
        rgb *= 4.0  # the given array may be reused
        return rgb

    def inverse(self, rgb, numbers, light):
        return rgb / np.float32(4.0)


class Tonal(Gain):
    """The same as a gain of luminance."""

    def gains(self, numbers):
        return None

    def tone_gain(self, luminance, numbers, light):
        return np.full_like(luminance, 4.0)

    def tone_gain_back(self, luminance, numbers, light):
        return np.full_like(luminance, 0.25)


def params(**fields):
    """A class of parameters, one field each."""
    kinds = {name: type(info.default) for name, info in fields.items()}
    body = {"__annotations__": kinds, "__module__": __name__, **fields}
    return type("Params", (BaseModel,), body, extra="forbid")


class Counting:
    """State where the kit cannot see it: only the answers tell."""

    count: ClassVar[int] = 0

    @classmethod
    def next(cls) -> float:
        cls.count += 1
        return float(cls.count)


def remembering(self, given, frame):
    self.seen = frame
    return {"slope": given.slope}


def growing(self, rgb, numbers, light):
    return rgb * np.float32(1.0 + Counting.next() * 1e-3)


def meddling(self, rgb, numbers, light):
    numbers["slope"] = 2.0
    return rgb


BROKEN = [
    (Contrast, "form", "has no method 'inverse'", {"inverse": None}),
    (
        Contrast,
        "form",
        "takes (rgb, numbers) in 'apply'",
        {"apply": lambda self, rgb, numbers: rgb},
    ),
    (Contrast, "form", "its name is no word", {"name": "my contrast"}),
    (Contrast, "form", "its summary is not one line", {"summary": "two\nlines"}),
    (Contrast, "form", "is written for contract version 9", {"api": 9}),
    (Contrast, "form", "making one raised TypeError", {"__init__": lambda self, size: None}),
    (Contrast, "form", "'before' is no tuple of names", {"before": "pull"}),
    (
        Contrast,
        "parameters",
        "'slope' has no description",
        {"Params": params(slope=Field(1.5))},
    ),
    (
        Contrast,
        "parameters",
        "the default of 'slope' is refused: Input should be less than or equal to 1",
        {"Params": params(slope=Field(1.5, le=1.0, description="Stops out of a stop in"))},
    ),
    (
        Contrast,
        "parameters",
        "unknown keys are taken",
        {"Params": type("Params", (Contrast.Params,), {}, extra="ignore")},
    ),
    (Contrast, "schema", "JSON", {"Params": params(slope=Field(float("inf"), description="x"))}),
    (Contrast, "call", "decide raised KeyError", {"decide": lambda self, p, frame: {}["slope"]}),
    (Contrast, "call", "apply raised ValueError", {"apply": lambda self, rgb, n, light: int("x")}),
    (Contrast, "purity", "it keeps state", {"decide": remembering}),
    (
        Contrast,
        "purity",
        "decide says something else",
        {"decide": lambda self, p, frame: {"slope": 1.5, "n": Counting.next()}},
    ),
    (Contrast, "purity", "apply made other pixels", {"apply": growing}),
    (Contrast, "purity", "changes the numbers", {"apply": meddling}),
    (
        Contrast,
        "numbers",
        "decide gave {'slope': nan}",
        {"decide": lambda self, p, frame: {"slope": float("nan")}},
    ),
    (Contrast, "numbers", "'wide'", {"decide": lambda self, p, frame: {"slope": "wide"}}),
    (Contrast, "exposure", "inf", {"exposure": lambda self, numbers: float("inf")}),
    (Gain, "exposure", "exposure said -2 stops, the gains 2", {"exposure": lambda self, n: -2.0}),
    (Contrast, "pixels", "float64", {"apply": lambda self, rgb, n, light: rgb.astype(float)}),
    (Contrast, "pixels", "of (12, 40, 3)", {"apply": lambda self, rgb, n, light: rgb[:1]}),
    (
        Contrast,
        "pixels",
        "not C-contiguous",
        {"apply": lambda self, rgb, n, light: np.asfortranarray(rgb)},
    ),
    (
        Contrast,
        "finite",
        "samples are not, after apply",
        {"apply": lambda self, rgb, n, light: np.log2(np.maximum(rgb, ONE * 0))},
    ),
    (
        Contrast,
        "rows",
        "in other company",
        {"apply": lambda self, rgb, n, light: rgb / np.float32(np.abs(rgb).max())},
    ),
    (
        Contrast,
        "rows",
        "in other company",
        {"apply": lambda self, rgb, n, light: np.ascontiguousarray(rgb[:, ::-1])},
    ),
    (Gain, "gains", "gains said (4.0, 0.0, 4.0)", {"gains": lambda self, n: (4.0, 0.0, 4.0)}),
    (Gain, "gains", "apply and gains differ by", {"gains": lambda self, n: (4.0, 4.0, 4.001)}),
    (
        Tonal,
        "tones",
        "tone_gain differs",
        {"tone_gain": lambda self, luminance, n, light: np.full_like(luminance, 4.001)},
    ),
    (
        Tonal,
        "tones",
        "tone_gain_back differs",
        {"tone_gain_back": lambda self, luminance, n, light: np.full_like(luminance, 0.26)},
    ),
    (
        Tonal,
        "purity",
        "tone_gain changes luminance",
        {"tone_gain": lambda self, luminance, n, light: np.multiply(luminance, 0, out=luminance)},
    ),
    (
        Tonal,
        "pixels",
        "tone_gain made float64",
        {"tone_gain": lambda self, luminance, n, light: np.full(luminance.shape, 4.0)},
    ),
    (Contrast, "slope", "slope said 0.0", {"slope": lambda self, n: 0.0}),
    (
        Contrast,
        "slope",
        "tones rise by 1.5 a stop at",
        {"slope": lambda self, n: 1.6},
    ),
    (
        Contrast,
        "slope",
        "tones rise by",  # a veil: the darks are all alike
        {
            "apply": lambda self, rgb, n, light: rgb + np.float32(0.1),
            "slope": lambda self, n: 1.0,
        },
    ),
    (
        Contrast,
        "slope",
        "comes out as none",
        {"apply": lambda self, rgb, n, light: rgb - np.float32(0.1)},
    ),
    (
        Contrast,
        "inverse",
        "comes back off by",
        {"inverse": lambda self, rgb, n, light: np.sign(rgb) * np.abs(rgb) ** np.float32(0.67)},
    ),
]


@pytest.mark.parametrize(("base", "clause", "what", "instead"), BROKEN)
@pytest.mark.filterwarnings("ignore:divide by zero")
def test_a_broken_clause_is_named(base, clause, what, instead):
    broken = type("Broken", (base,), instead)
    with pytest.raises(BrokenContract) as caught:
        check_stage(broken)
    assert caught.value.clause == clause
    line = str(caught.value)
    assert what in line
    assert "\n" not in line
    assert line.startswith("stage ")
    assert CLAUSES[clause] in line


@pytest.mark.parametrize("base", [Contrast, Gain, Tonal])
def test_a_whole_stage_passes(base):
    check_stage(base)


def test_parameters_to_try_it_with_are_checked():
    with pytest.raises(BrokenContract, match="slop: unknown key 'slop'; did you mean slope"):
        check_stage(Contrast, {"slop": 2.0})
    check_stage(Contrast, Contrast.Params(slope=0.75))


def test_a_stage_without_an_inverse_need_not_come_back():
    one_way = type("OneWay", (Contrast,), {"slope": lambda self, n: None, "inverse": Gain.inverse})
    check_stage(one_way)


SUMS = {
    "blue first": lambda rgb, w: (rgb[..., 2] * w[2] + rgb[..., 1] * w[1]) + rgb[..., 0] * w[0],
    "matrix product": lambda rgb, w: rgb @ w,
    "float64, rounded once": lambda rgb, w: rgb.astype(np.float64) @ w.astype(np.float64),
    "fused": lambda rgb, w: (
        (rgb[..., 0].astype(np.float64) * w[0] + rgb[..., 1] * w[1]).astype(np.float32)
        + rgb[..., 2] * w[2]
    ),
}
"""Ways in which the kernels of linear algebra libraries sum three products."""


@pytest.mark.parametrize("way", SUMS)
@pytest.mark.parametrize(("stops", "softness"), [(1.0, 3.0), (-6.0, 0.5)], ids=["gentle", "steep"])
def test_a_luminance_may_be_summed_in_any_way(way, stops, softness):
    """Whatever processor and library serve a plugin's author, rounding breaks no contract."""

    class Summed(Lift):
        def apply(self, rgb, numbers, light):
            luminance = np.asarray(
                SUMS[way](rgb, np.asarray(light.weights, np.float32)), np.float32
            )
            gain = self.tone_gain(luminance, numbers, light)
            return np.multiply(rgb, gain[..., None], out=rgb)

    check_stage(Summed, {"stops": stops, "below": 0.0, "softness": softness})


def test_a_luminance_of_other_weights_is_no_rounding():
    class Wrong(Lift):
        def apply(self, rgb, numbers, light):
            gain = self.tone_gain(light.luminance(rgb) * np.float32(1.0001), numbers, light)
            return np.multiply(rgb, gain[..., None], out=rgb)

    with pytest.raises(BrokenContract, match="tone_gain differs from the pixels"):
        check_stage(Wrong, {"stops": 1.0, "below": -3.0, "softness": 5.0})

"""The plane-by-plane lift says what the full way says, in any primaries."""

from __future__ import annotations

import numpy as np
import pytest
from lightref import decide, run

from gradeprep import colour
from gradeprep.pipeline.types import kernel_type

HALF = kernel_type("half")
STUDIO = colour.load(colour.BUILT_IN)
AP0, AP1 = "ACES2065-1", "ACEScg"
STAGES = (
    ("lift", {"stops": 1.0, "below": -3.0, "softness": 3.0}),
    ("pull", {"stops": -1.37}),
)


def picture(seed: int = 3) -> list[np.ndarray]:
    """Positive colours over 14 stops."""
    rng = np.random.default_rng(seed)
    rgb = 0.18 * np.exp2(rng.uniform(-9.0, 5.0, (1, 64, 64)) + rng.uniform(-0.7, 0.7, (3, 64, 64)))
    return [plane.astype(np.float16) for plane in rgb]


def both(space: str, planes: list[np.ndarray], *stages, backwards: bool = False):
    decision = decide(*stages, backwards=backwards)
    ways = {"decode": STUDIO.convert(space, AP1), "encode": STUDIO.convert(AP1, space)}
    full = run("light", planes, decision, source=HALF, wanted=HALF, **ways)
    weights = STUDIO.weights(space)
    fused = run("tone-gain", planes, decision, source=HALF, wanted=HALF, weights=weights)
    return full, fused


def ulps(one: np.ndarray, other: np.ndarray) -> int:
    return int(np.abs(one.view(np.int16).astype(int) - other.view(np.int16).astype(int)).max())


@pytest.mark.parametrize("space", [AP1, AP0, "Linear Rec.709 (sRGB)"])
@pytest.mark.parametrize("backwards", [False, True])
def test_it_says_what_the_full_way_says(space, backwards):
    full, fused = both(space, picture(), *STAGES, backwards=backwards)
    for one, other in zip(full.planes, fused.planes, strict=True):
        assert ulps(one, other) <= 1
        assert np.mean(one.view(np.uint16) != other.view(np.uint16)) < 0.02


def test_numbers_that_are_none_stay_and_poison_nothing():
    planes = picture()
    planes[0][3, 4], planes[1][5, 6], planes[2][7, 8] = np.nan, np.inf, -np.inf
    full, fused = both(AP1, planes, *STAGES)
    assert fused.nonfinite == full.nonfinite == 3
    for before, one, other in zip(planes, full.planes, fused.planes, strict=True):
        bad = ~np.isfinite(before)
        assert np.array_equal(other[bad].view(np.uint16), before[bad].view(np.uint16))
        assert ulps(one[~bad], other[~bad]) <= 1
    assert fused.overflow == 0


def test_it_counts_what_the_full_way_counts():
    planes = [np.arange(65536, dtype=np.uint16).view(np.float16).reshape(256, 256)] * 3
    full, fused = both(AP1, planes, ("lift", STAGES[0][1]), ("pull", {"stops": 2.0}))
    assert fused.clipped == full.clipped
    assert fused.nonfinite == full.nonfinite
    assert fused.overflow == full.overflow
    assert abs(fused.underflow - full.underflow) <= 6


def test_a_luminance_plane_is_its_own_luminance():
    plane = picture()[0]
    grey = run("light", [plane], decide(*STAGES), source=HALF, wanted=HALF)
    fused = run("tone-gain", [plane], decide(*STAGES), source=HALF, wanted=HALF)
    assert ulps(grey.planes[0], fused.planes[0]) <= 1


TEN_BIT = kernel_type("uint10")


@pytest.mark.parametrize("result", [AP0, AP1])
def test_behind_a_curve_and_into_other_primaries(result):
    """Ten-bit log codes to light in other primaries, against the full way."""
    rng = np.random.default_rng(8)
    codes = [rng.integers(200, 800, (64, 64)).astype(np.uint16) for _ in range(3)]
    path = STUDIO.to_linear("ACEScct", result)
    assert path is not None
    ways = {"decode": STUDIO.convert("ACEScct", AP1), "encode": STUDIO.convert(AP1, result)}
    decision = decide(*STAGES)
    full = run("light", codes, decision, source=TEN_BIT, wanted=HALF, **ways)
    weights = STUDIO.weights("ACEScct")
    fused = run(
        "tone-gain", codes, decision, source=TEN_BIT, wanted=HALF, weights=weights, path=path
    )
    for one, other in zip(full.planes, fused.planes, strict=True):
        close = np.isclose(one.astype(np.float64), other, rtol=2.0**-10, atol=1e-4)
        assert close.all()


def test_half_log_codes_are_looked_up_too():
    rng = np.random.default_rng(9)
    planes = [rng.uniform(0.1, 0.9, (64, 64)).astype(np.float16) for _ in range(3)]
    planes[1][2, 3] = np.nan
    path = STUDIO.to_linear("ACEScct", AP1)
    ways = {"decode": STUDIO.convert("ACEScct", AP1), "encode": None}
    full = run("light", planes, decide(*STAGES), source=HALF, wanted=HALF, **ways)
    weights = STUDIO.weights(AP1)
    fused = run(
        "tone-gain", planes, decide(*STAGES), source=HALF, wanted=HALF, weights=weights, path=path
    )
    assert fused.nonfinite == full.nonfinite == 1
    for one, other in zip(full.planes, fused.planes, strict=True):
        assert ulps(one, other) <= 1


def test_a_space_that_is_no_curve_and_matrix_has_no_such_way():
    assert STUDIO.to_linear("ADX10", AP1) is None
    assert STUDIO.to_linear("ACEScct", "ACEScct") is None


def test_what_overflows_beside_a_number_that_is_none_is_counted():
    """The samples that came in as none are set off against those that went out, no others."""
    planes = [np.asarray([[np.nan, 3e38, 0.18]], np.float32)] * 3
    kinds = {"source": kernel_type("float"), "wanted": HALF}
    outcome = run("tone-gain", planes, decide(("pull", {"stops": 3.0})), **kinds)
    assert (outcome.nonfinite, outcome.overflow) == (3, 3)
    assert np.isnan(outcome.planes[0][0, 0])
    assert outcome.planes[0][0, 1:].tolist() == [np.inf, np.float16(1.44)]

"""What restore may promise, and that the arithmetic keeps it."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from lightref import HALVES, decide, run, ulps

from gradeprep.model.order import ColourOrder, OutputOrder
from gradeprep.pipeline.kernels import Wanted
from gradeprep.pipeline.reversibility import lossy_codec, reversible

HALF = Wanted(np.dtype(np.float16))
PULL = ("pull", {"stops": -3.0})
THIRD = ("pull", {"stops": -1.0 / 3.0})
LIFT = ("lift", {"stops": 1.0, "below": -3.0, "softness": 3.0})
DEEPEN = ("lift", {"stops": -6.0, "below": 0.0, "softness": 0.5})


def promise(
    *stages, used="light", type="half", space=("w", "w", "w"), compression="zip", output=None
):
    source, working, result = space
    channels = {"R": type, "G": type, "B": type}
    found = SimpleNamespace(
        type=type,
        first=SimpleNamespace(parts=[SimpleNamespace(compression=compression, channels=channels)]),
    )
    asked = {"format": "exr", "type": "source", "compression": "source", **(output or {})}
    return reversible(
        [decide(*stages)],
        [used],
        found,
        ColourOrder(config="c", sha256="0", working=working, source=source, result=result),
        OutputOrder(**asked),
    )


@pytest.mark.parametrize(
    ("given", "exact", "ulp", "why"),
    [
        ({"used": "carry"}, True, 0.0, "nothing was changed"),
        (
            {"stages": [PULL], "used": "half-table"},
            True,
            0.0,
            "whole stops; bit-identical where no underflow is counted",
        ),
        (
            {"stages": [THIRD], "used": "half-table"},
            False,
            1.0,
            "fractional stops round once each way, where none underflows",
        ),
        (
            {"stages": [PULL, ("balance", {"stops": (0.5, 0.0, 0.0)})], "used": "half-table"},
            False,
            1.0,
            "fractional stops round once each way, where none underflows",
        ),
        (
            {"stages": [PULL], "compression": "dwaa", "used": "half-table"},
            False,
            None,
            "compression dwaa changes pixels by itself",
        ),
        (
            {"stages": [PULL], "type": "float", "compression": "pxr24", "used": "float-gain"},
            False,
            None,
            "compression pxr24 changes pixels by itself",
        ),
        (
            {"stages": [PULL], "output": {"type": "float"}},
            False,
            None,
            "the result's type is not the source's",
        ),
        (
            {"stages": [PULL], "space": ("a", "w", "b")},
            False,
            None,
            "the colour space was converted; rounding in it is not bounded",
        ),
        (
            {"stages": [PULL], "space": ("log", "w", "log")},
            False,
            None,
            "values were rounded to codes of a curve; the error is that rounding",
        ),
        (
            {"stages": [PULL], "type": "uint10", "output": {"format": "dpx"}},
            False,
            None,
            "values were rounded to codes of a curve; the error is that rounding",
        ),
    ],
)
def test_promises(given, exact, ulp, why):
    settings = {key: value for key, value in given.items() if key != "stages"}
    told = promise(*given.get("stages", ()), **settings)
    assert (told.exact, told.ulp, told.why) == (exact, ulp, why)


@pytest.mark.parametrize(
    ("stages", "ulp"),
    [
        ((LIFT, PULL), 3.1667),  # 1 / 0.375 + 0.5
        ((("lift", {"stops": 2.0, "below": -2.0, "softness": 4.0}),), 16.5),  # 1 / (1/16) + 0.5
        ((DEEPEN, PULL), 2.5),
        ((LIFT, LIFT), 7.6111),
    ],
)
def test_a_lift_is_promised_within_the_bound_of_its_slope(stages, ulp):
    told = promise(*stages)
    assert not told.exact
    assert told.ulp == pytest.approx(ulp, abs=1e-3)
    assert "no channel is negative" in told.why


def test_a_curve_of_whole_numbers_is_no_gain_of_whole_stops():
    told = promise(DEEPEN, PULL, used="tone-gain")
    assert (told.exact, told.ulp) == (False, 2.5)


def test_gains_that_make_whole_stops_together_are_exact():
    half = ("pull", {"stops": -0.5})
    assert promise(("balance", {"stops": (1.0, 0.0, -2.0)}), used="half-table").exact
    assert not promise(half, used="half-table").exact


@pytest.mark.parametrize(
    ("codec", "type", "lossy"),
    [
        ("dwab", "half", True),
        ("b44", "half", True),
        ("pxr24", "half", False),
        ("piz", "half", False),
    ],
)
def test_lossy_codecs_are_known(codec, type, lossy):
    channels = {"R": type}
    found = SimpleNamespace(
        first=SimpleNamespace(parts=[SimpleNamespace(compression=codec, channels=channels)])
    )
    exr = OutputOrder(format="exr", type="source", compression="source")
    assert lossy_codec(found, exr) == (codec if lossy else None)
    dpx = OutputOrder(format="dpx", type="source", compression="source")
    assert lossy_codec(found, dpx) is None


def there_and_back(stages, planes, kernel):
    there = run(kernel, planes, decide(*stages), source=HALF, wanted=HALF)
    back = decide(*stages, backwards=True)
    again = run(kernel, there.planes, back, source=HALF, wanted=HALF)
    return there.planes, again.planes


def normal(*planes: np.ndarray) -> np.ndarray:
    """Where every channel is a normal half (IEEE 754-2019 binary16)."""
    return np.all([(np.abs(p) >= 2.0**-14) & np.isfinite(p) for p in planes], axis=0)


@pytest.mark.parametrize("stops", [-3.0, -1.37, 0.5, -2.97, 1 / 3, -0.1])
def test_the_promise_of_a_pull_is_kept_for_every_half(stops):
    stages = [("pull", {"stops": stops})]
    _, (back, *_) = there_and_back(stages, [HALVES[None]] * 3, "half-table")
    with np.errstate(invalid="ignore"):
        exact = np.abs(HALVES[None].astype(np.float64) * 2.0**stops)
    # what is below 2**-14 before it is rounded sinks, and what is above 65504 overflows
    kept = normal(HALVES[None]) & (exact >= 2.0**-14) & (exact <= 65504.0)
    assert np.count_nonzero(kept) > 45_000
    ulp = promise(*stages, used="half-table").ulp
    assert ulps(back, HALVES[None])[kept].max() == ulp


@pytest.mark.parametrize(
    "stages",
    [
        (LIFT, PULL),
        (("lift", {"stops": 2.0, "below": -2.0, "softness": 4.0}), THIRD),
        (("lift", {"stops": 1.0, "below": -2.0, "softness": 2.0}), PULL),
        (("balance", {"stops": (0.1, 0.0, -0.2)}), LIFT, PULL),
        (LIFT, PULL, ("balance", {"stops": (0.1, 0.0, -0.2)})),
        (DEEPEN, ("pull", {"stops": -1.0})),
        (("lift", {"stops": 0.01, "below": 0.0, "softness": 3.0}),),
    ],
)
def test_the_promise_of_a_lift_is_kept_for_colours(stages):
    rng = np.random.default_rng(11)
    colours = 2.0 ** rng.uniform(-9, 6, (1, 300_000)) * 2.0 ** rng.uniform(-4, 4, (3, 1, 300_000))
    planes = list(colours.astype(np.float16))
    done, back = there_and_back(stages, planes, "light")
    kept = normal(*planes, *done)
    assert np.count_nonzero(kept) > 150_000
    worst = max(int(ulps(a, b)[kept].max()) for a, b in zip(planes, back, strict=True))
    assert 1 <= worst <= promise(*stages).ulp

"""Nothing is lost in silence: what clips, overflows or is no number is counted, chunk by chunk."""

from __future__ import annotations

import numpy as np
import pytest
from lightref import WEIGHTS, decide, run

from gradeprep.colour import BUILT_IN, load
from gradeprep.pipeline import kernels
from gradeprep.pipeline.halves import narrow
from gradeprep.pipeline.kernels import stored
from gradeprep.pipeline.samples import CHUNK, Outcome, look, store
from gradeprep.pipeline.types import kernel_type

HALF, FLOAT = kernel_type("half"), kernel_type("float")
TEN, SIXTEEN = kernel_type("uint10"), kernel_type("uint16")
BALANCE = ("balance", {"stops": (1.0, 0.0, -1.0)})


def pull(stops):
    return ("pull", {"stops": float(stops)})


def kept(values, wanted, bad=None):
    """Float32 stored as another type, and what was counted."""
    values = np.asarray(values, np.float32)
    plane, outcome = np.empty(values.shape, wanted.dtype), Outcome([], [])
    store(values, plane, wanted, outcome, bad)
    return plane.tolist(), outcome.overflow


# -- codes by look-up -------------------------------------------------------------------------


def double(rgb):
    """A curve that spreads codes, so that some leave the range at either end."""
    rgb *= 2.0
    rgb -= 0.5


@pytest.mark.parametrize("count", [1, 3])
@pytest.mark.parametrize("low", [0, 1, 300, 255, 256])
@pytest.mark.parametrize("high", [1023, 1022, 700, 767, 768])
def test_a_code_table_counts_what_the_curve_counts(low, high, count):
    """At the very codes where the range ends, in one plane and in three, over several chunks."""
    codes = np.full(CHUNK * 2 + 5, 512, np.uint16)
    codes[[3, -3]] = low
    codes[[5, -1]] = high
    planes = [codes.reshape(1, -1)] * count
    looked_up, computed = (
        run(name, planes, decide(pull(0)), source=TEN, wanted=TEN, decode=double, encode=None)
        for name in ("code-table", "light")
    )
    expected = sum(
        2 for code in (low, high) if not 0 <= np.rint((2 * code / 1023 - 0.5) * 1023) <= 1023
    )
    assert looked_up.overflow == computed.overflow == expected * count
    assert looked_up.clipped == computed.clipped == [2 * (high == 1023)] * count
    for one, other in zip(looked_up.planes, computed.planes, strict=True):
        np.testing.assert_array_equal(one, other)


def test_each_channel_has_a_table_of_its_own():
    def tint(rgb):
        rgb *= np.asarray([0.5, 1.0, 0.25], np.float32)

    plane = np.arange(1024, dtype=np.uint16).reshape(4, 256)
    told = {"source": TEN, "wanted": TEN, "encode": None, "decode": tint}
    red, green, blue = run("code-table", [plane] * 3, decide(pull(0)), **told).planes
    (lone,) = run("code-table", [plane], decide(pull(0)), **told).planes
    assert np.abs(red - plane / 2).max() <= 0.5
    np.testing.assert_array_equal(green, plane)
    assert np.abs(blue - plane / 4).max() <= 0.5
    np.testing.assert_array_equal(lone, plane)  # luminance takes green's place


@pytest.mark.parametrize("source", [HALF, TEN], ids=["half", "uint10"])
def test_a_tone_gain_knows_every_code_to_the_last(source):
    """A look-up that is too short clips to its last entry and says nothing."""
    config = load(BUILT_IN)
    way = config.to_linear("ACEScct", "ACEScg")
    halves, codes = [[0.0, 0.25, 0.999, 1.0]], [[0, 1, 1022, 1023]]
    plane = np.asarray(halves if source is HALF else codes, source.dtype)
    told = {"source": source, "wanted": FLOAT}
    light = config.convert("ACEScct", "ACEScg")
    fast = run("tone-gain", [plane] * 3, decide(pull(-1)), weights=WEIGHTS, path=way, **told)
    full = run("light", [plane] * 3, decide(pull(-1)), decode=light, **told)
    np.testing.assert_allclose(fast.planes, full.planes, rtol=1e-5, atol=1e-9)
    assert fast.planes[1][0, 2] < fast.planes[1][0, 3]


# -- floats -----------------------------------------------------------------------------------


def test_a_float_gain_joins_its_chunks_and_counts_in_each():
    plane = np.linspace(1.0, 2.0, CHUNK * 2 + 7, dtype=np.float32).reshape(1, -1)
    outcome = run("float-gain", [plane], decide(pull(1)), source=FLOAT, wanted=FLOAT, channels=(1,))
    np.testing.assert_array_equal(outcome.planes[0], plane * np.float32(2.0))
    assert (outcome.nonfinite, outcome.overflow, outcome.underflow) == (0, 0, 0)
    plane[0, -1] = np.inf  # among numbers that would all pass without a look
    plane[0, 5] = 3e38
    outcome = run("float-gain", [plane], decide(pull(1)), source=FLOAT, wanted=FLOAT, channels=(1,))
    assert (outcome.nonfinite, outcome.overflow, outcome.underflow) == (1, 1, 0)


@pytest.mark.parametrize("stops", [-15, -3, -0.5, 0.5, 1, 14, 40])
def test_a_lone_half_is_made_and_counted_as_among_all(stops):
    """Whatever is skipped where all samples of a chunk are plain, each is plain by itself."""
    edges = {(exponent << 10) + step for exponent in range(32) for step in (-1, 0, 1, 1023)}
    found, told = [], {"source": HALF, "wanted": HALF, "channels": (1,)}
    codes = np.asarray(sorted(code for code in edges if 0 <= code < 0x7C00), np.uint16)
    for code in codes:
        plane = np.asarray([[code]], np.uint16).view(np.float16)
        outcome = run("half-table", [plane], decide(pull(stops)), **told)
        found.append((outcome.planes[0][0, 0], outcome.overflow, outcome.underflow))
    values = codes.view(np.float16).astype(np.float64) * 2.0**stops
    with np.errstate(over="ignore", under="ignore"):
        rounded = values.astype(np.float16)
    made, overflow, underflow = (np.asarray(column) for column in zip(*found, strict=True))
    np.testing.assert_array_equal(made, rounded)
    np.testing.assert_array_equal(overflow, np.isinf(rounded))
    sunk = (values < 2.0**-14) & (rounded.astype(np.float64) != values)
    np.testing.assert_array_equal(underflow, sunk)


def test_gains_of_a_balance_go_to_red_green_and_blue():
    for kernel, kind in (("half-table", HALF), ("float-gain", FLOAT)):
        plane = np.ones((2, 2), kind.dtype)
        planes = run(kernel, [plane] * 3, decide(BALANCE), source=kind, wanted=kind).planes
        assert [float(one[0, 0]) for one in planes] == [2.0, 1.0, 0.5]


@pytest.mark.parametrize("value", [65520.0, -65520.0, 65519.0, 2.0**-14, 2.0**-14 * 0.99])
def test_a_lone_sample_at_the_end_of_halves_is_counted(value):
    """65520 is the least that becomes infinite, 2**-14 the least that is normal (IEEE 754-2019)."""
    values, halves = np.asarray([value], np.float32), np.empty(1, np.float16)
    overflow, underflow, odd = narrow(values, halves)
    assert (overflow, odd) == (int(abs(value) == 65520.0), 0)
    assert underflow == int(value == np.float32(2.0**-14 * 0.99))


# -- what is stored ---------------------------------------------------------------------------


def test_codes_are_clamped_and_what_is_no_number_becomes_code_0():
    nan, inf = np.nan, np.inf
    assert kept([nan, inf, -inf, 0.5, 1.0], TEN) == ([0, 1023, 0, 512, 1023], 3)
    assert kept([nan, inf, -inf, -1.0, 2.0], TEN) == ([0, 1023, 0, 0, 1023], 5)
    bad = np.asarray([True, False, False])
    assert kept([nan, 2.0, 0.0], TEN, bad) == ([0, 1023, 0], 1)


def test_codes_are_rounded_from_the_exact_product():
    """A float32 product would round twice, and take another code next to a half."""
    values = np.random.default_rng(1).random(200_000, np.float32)
    exact = values.astype(np.float64) * 65535
    near = np.abs(exact - np.floor(exact) - 0.5) < 0.003
    assert np.any(np.rint(values[near] * np.float32(65535)) != np.rint(exact[near]))
    assert kept(values[near], SIXTEEN) == (np.rint(exact[near]).astype(int).tolist(), 0)


def test_halves_are_stored_between_others_too():
    plane = np.zeros((4, 4), np.float16)
    store(np.ones((4, 2), np.float32), plane[:, ::2], HALF, Outcome([], []), None)
    np.testing.assert_array_equal(plane, np.tile(np.asarray([1, 0], np.float16), (4, 2)))


@pytest.mark.parametrize(
    ("plane", "kind", "found"),
    [
        (np.asarray([[1.0, np.inf, np.nan, 65504.0]], np.float32), FLOAT, (0, 2)),
        (np.asarray([[1.0, np.inf, np.nan, 65504.0]], np.float16), HALF, (1, 2)),
        (np.asarray([[-65504.0, -np.inf, 1.0, 2.0]], np.float16), HALF, (0, 1)),
        (np.asarray([[0, 1022, 1023, 1023]], np.uint16), TEN, (2, 0)),
        (np.asarray([[0, 0xFFFFFFFF]], np.uint32), kernels.Wanted(np.dtype(np.uint32)), (0, 0)),
    ],
    ids=["float", "half", "negative half", "code", "id"],
)
def test_a_look_finds_what_clips_and_what_is_no_number(plane, kind, found):
    assert look(plane, kind) == found
    outcome = run("carry", [plane], decide(), source=kind, wanted=kind)
    assert (outcome.clipped, outcome.nonfinite) == ([found[0]], found[1])


def test_what_a_reader_of_the_result_sees():
    """Rounded to the result's type between the two conversions, all channels of it."""

    def twice(rgb):
        rgb *= 2.0

    def half(rgb):
        rgb *= 0.5

    rgb = np.asarray([[[0.1, 0.2, 0.3], [0.0, 0.4, 0.45]]], np.float32)
    seen = stored(rgb.copy(), TEN, encode=twice, decode=half)
    np.testing.assert_allclose(seen, np.rint(rgb * 2 * 1023) / 1023 / 2, rtol=1e-6)
    plain = stored(rgb.copy(), HALF, encode=None, decode=None)
    np.testing.assert_array_equal(plain, rgb.astype(np.float16).astype(np.float32))


def test_the_largest_half_is_found_where_nothing_is_infinite():
    assert look(np.asarray([[1.0, 65504.0]], np.float16), HALF) == (1, 0)

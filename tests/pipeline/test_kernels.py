"""The arithmetic: exact where it says so, one rounding elsewhere, and nothing lost in silence.

Published counts: IEEE 754-2019 binary16, over all 63,488 finite values.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lightref import CODES, HALVES, decide, lifted, run, ulps

from gradeprep import colour
from gradeprep.pipeline import kernels, light, plaingains
from gradeprep.pipeline.kernels import Wanted, choose
from gradeprep.pipeline.samples import HALF_MAX
from gradeprep.pipeline.types import kernel_type

HALF, FLOAT = kernel_type("half"), kernel_type("float")
INTEGERS = {bits: kernel_type(f"uint{bits}") for bits in (8, 10, 12, 16)}
LIFT = ("lift", {"stops": 1.0, "below": -3.0, "softness": 3.0})
BALANCE = ("balance", {"stops": (0.5, 0.0, -1.0)})
ALL = HALVES.reshape(256, 256)
FINITE = np.isfinite(HALVES)

fast = settings(max_examples=25)


def pull(stops: float) -> tuple[str, dict]:
    return ("pull", {"stops": float(stops)})


def one(kernel, plane, *stages, source=HALF, wanted=HALF, **more):
    """One plane through a kernel."""
    channels = more.pop("channels", (1,))
    return run(
        kernel, [plane], decide(*stages), source=source, wanted=wanted, channels=channels, **more
    )


def grey(kernel, plane, *stages, source=HALF, wanted=HALF, **more):
    """The same plane as R, G and B."""
    return run(kernel, [plane] * 3, decide(*stages), source=source, wanted=wanted, **more)


def products(stops: float) -> np.ndarray:
    """All halves times 2**stops, rounded once from float64, NaN as they are."""
    with np.errstate(all="ignore"):
        rounded = (HALVES.astype(np.float64) * 2.0**stops).astype(np.float16)
    return np.where(np.isnan(HALVES), CODES, rounded.view(np.uint16))


# -- which arithmetic serves ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("stages", "facts", "name"),
    [
        ((), {}, "carry"),
        ((pull(0),), {}, "carry"),
        ((), {"wanted": FLOAT}, "half-table"),
        ((), {"same_space": False}, "light"),
        ((pull(-3),), {}, "half-table"),
        ((pull(-3),), {"wanted": FLOAT}, "half-table"),
        ((pull(-3),), {"working": False}, "half-table"),  # a gain commutes with primaries
        ((pull(-3),), {"linear": False, "working": False}, "light"),
        ((pull(-3),), {"source": FLOAT, "wanted": FLOAT}, "float-gain"),
        ((pull(-3),), {"source": FLOAT, "wanted": HALF}, "light"),
        ((pull(-3),), {"source": FLOAT, "wanted": HALF, "to_linear": True}, "tone-gain"),
        ((pull(-3),), {"linear": False, "curve": True}, "curve"),
        (
            (pull(-3),),
            {"linear": False, "curve": True, "source": INTEGERS[10], "wanted": INTEGERS[10]},
            "code-table",
        ),
        ((LIFT, pull(-3)), {"linear": False, "curve": True}, "light"),
        ((pull(-3),), {"source": INTEGERS[10], "wanted": INTEGERS[10]}, "light"),
        ((pull(-3),), {"wanted": INTEGERS[16]}, "light"),
        ((BALANCE,), {}, "half-table"),
        ((BALANCE,), {"working": False}, "light"),  # a gain per channel does not
        ((LIFT, pull(-3)), {"to_linear": True}, "tone-gain"),
        ((LIFT, pull(-3)), {"working": False, "to_linear": True}, "tone-gain"),
        (
            (LIFT, pull(-3)),
            {"linear": False, "same_space": False, "to_linear": True, "source": INTEGERS[10]},
            "tone-gain",
        ),
        (
            (LIFT,),
            {"linear": False, "to_linear": True, "source": FLOAT, "wanted": FLOAT},
            "light",
        ),
        ((LIFT, BALANCE), {}, "light"),
        ((LIFT,), {"same_space": False}, "light"),
    ],
)
def test_the_cheapest_exact_arithmetic_is_chosen(stages, facts, name):
    usual = {"same_space": True, "linear": True, "working": True, "source": HALF, "wanted": HALF}
    assert choose(decide(*stages), **(usual | facts)) == name
    assert name in kernels.KERNELS


# -- halves -----------------------------------------------------------------------------------


@pytest.mark.parametrize("stops", [-3.0, -1.37, 0.5, 0.0, 40.0, -40.0])
def test_every_half_is_the_correctly_rounded_product(stops):
    outcome = one("half-table", ALL, pull(stops))
    assert outcome.planes[0].shape == (256, 256)
    assert np.array_equal(outcome.planes[0].view(np.uint16).ravel(), products(stops))


@fast
@given(st.floats(-40.0, 40.0))
def test_every_half_is_for_any_stops(stops):
    (plane,) = one("half-table", ALL, pull(stops)).planes
    assert np.array_equal(plane.view(np.uint16).ravel(), products(stops))


def test_what_is_no_number_keeps_every_bit():
    (plane,) = one("half-table", ALL, pull(-1.37)).planes
    out = plane.view(np.uint16).ravel()
    nan = np.isnan(HALVES)
    assert np.array_equal(out[nan], CODES[nan])  # payloads too, 0x7C01 signals
    assert out[[0x7C00, 0xFC00, 0x8000, 0x0000]].tolist() == [0x7C00, 0xFC00, 0x8000, 0x0000]


@pytest.mark.parametrize(
    ("stops", "not_exact", "become_zero"),
    [
        (-1, 2048, 2),
        (-2, 4096, 4),
        (-3, 6144, 8),
        (-4, 8192, 16),
        (-6, 12288, 64),
        (-8, 16384, 256),
        (-10, 20480, 1024),
    ],
)
@pytest.mark.parametrize("kernel", ["half-table", "light"])
def test_what_sinks_is_counted_as_published(kernel, stops, not_exact, become_zero):
    outcome = grey(kernel, HALVES[None], pull(stops))
    assert outcome.underflow == 3 * not_exact
    assert outcome.overflow == 0
    plane = outcome.planes[0][0]
    assert np.count_nonzero((plane == 0) & (HALVES != 0)) == become_zero
    # not restored by the opposite push: just as many, and none above 2**(-14 - stops)
    back = grey(kernel, outcome.planes[0], pull(-stops)).planes[0][0]
    lost = FINITE & (back != HALVES)
    assert np.count_nonzero(lost) == not_exact
    assert np.abs(HALVES[lost]).max() < 2.0 ** (-14 - stops)


@pytest.mark.parametrize(
    ("stops", "overflow", "largest"),
    [(1, 2048, 32752), (2, 4096, 16376), (3, 6144, 8188), (4, 8192, 4094), (6, 12288, 1023.5)],
)
@pytest.mark.parametrize("kernel", ["half-table", "light"])
def test_what_overflows_is_counted_as_published(kernel, stops, overflow, largest):
    outcome = grey(kernel, HALVES[None], pull(stops))
    assert (outcome.overflow, outcome.underflow) == (3 * overflow, 0)
    kept = FINITE & np.isfinite(outcome.planes[0][0])
    assert HALVES[kept].max() == largest


@pytest.mark.parametrize(
    ("before", "after"),
    [
        (0x0400, 0x0080),
        (0x0404, 0x0080),
        (0x0407, 0x0081),
        (0x040C, 0x0082),  # a tie goes to the even one
        (0x07FF, 0x0100),
        (0x0BFF, 0x0200),
        (0x1000, 0x0400),
        (0x1001, 0x0401),
    ],
)
def test_smallest_normals_under_three_stops(before, after):
    plane = np.asarray([[before]], np.uint16).view(np.float16)
    assert one("half-table", plane, pull(-3)).planes[0].view(np.uint16)[0, 0] == after


@pytest.mark.parametrize("kernel", ["carry", "half-table", "light"])
def test_clipped_and_nonfinite_samples_are_counted_in_the_source(kernel):
    outcome = grey(kernel, ALL)
    assert outcome.nonfinite == 3 * 2048  # all exponents 31: 2 infinities, 2046 NaN
    assert outcome.clipped == [1, 1, 1]  # 65504, once a channel
    assert (outcome.overflow, outcome.underflow) == (0, 0)


@pytest.mark.parametrize("stops", [-14, -3, -1, 1, 3, 14, 29])
def test_whole_stops_add_to_the_exponent_where_half_and_product_are_normal(stops, monkeypatch):
    """Each code in a chunk of its own, so that none hides behind a neighbour's look-up."""
    monkeypatch.setattr(plaingains, "CHUNK", 1)
    with np.errstate(all="ignore"):
        table = plaingains._table(2.0**stops, "float16")
    edges = np.array([0, 1, 0x3FF, 0x400, table.first, table.last, HALF_MAX], np.int64)
    near = np.unique(np.clip(edges[:, None] + np.arange(-2, 3), 0, 0x7FFF))
    codes = np.concatenate([near, near | 0x8000]).astype(np.uint16)
    outcome = one("half-table", codes.view(np.float16).reshape(1, -1), pull(stops))
    assert np.array_equal(outcome.planes[0].view(np.uint16).reshape(-1), products(stops)[codes])
    magnitudes = codes & 0x7FFF
    assert outcome.clipped == [np.count_nonzero(codes == HALF_MAX)]
    assert outcome.nonfinite == np.count_nonzero(magnitudes > HALF_MAX)


def test_a_chunk_of_normal_halves_needs_no_look_up(monkeypatch):
    monkeypatch.setattr(np, "take", None)
    scene = np.geomspace(0.01, 100.0, 4096).astype(np.float16).reshape(64, 64)
    assert np.array_equal(one("half-table", scene, pull(-3)).planes[0], scene / 8)
    with pytest.raises(TypeError):
        one("half-table", scene, pull(-2.5))


def test_counts_do_not_depend_on_where_a_chunk_ends(monkeypatch):
    whole = grey("half-table", ALL, pull(3)), grey("light", ALL, pull(-3))
    for module in (plaingains, light):
        monkeypatch.setattr(module, "CHUNK", 1000)
    parts = grey("half-table", ALL, pull(3)), grey("light", ALL, pull(-3))
    for a, b in zip(whole, parts, strict=True):
        assert a.planes[0].tobytes() == b.planes[0].tobytes()
        assert (a.overflow, a.underflow, a.nonfinite, a.clipped) == (
            b.overflow,
            b.underflow,
            b.nonfinite,
            b.clipped,
        )


def test_half_to_float_is_the_float32_product():
    (plane,) = one("half-table", ALL, pull(-1.37), wanted=FLOAT).planes
    with np.errstate(all="ignore"):
        exact = (HALVES.astype(np.float64) * 2.0**-1.37).astype(np.float32)
    np.testing.assert_array_equal(plane.ravel(), exact)


def test_channels_have_their_own_gains():
    planes = one("half-table", ALL, BALANCE, channels=(2,)).planes
    assert np.array_equal(planes[0].view(np.uint16).ravel(), products(-1.0))


def test_planes_with_strides_are_read_as_they_look():
    wide = np.ascontiguousarray(np.repeat(ALL, 2, axis=1))
    wide[:, 1::2] = 7
    for kernel in ("half-table", "light"):
        (plane, *_) = grey(kernel, wide[:, ::2], pull(-3)).planes
        assert np.array_equal(plane.view(np.uint16).ravel(), products(-3))


@pytest.mark.parametrize("stops", [-3, -8, 3, 0.5, -1.37])
def test_light_gives_the_tables_halves(stops):
    """The float32 product before the rounding moves no half here."""
    table, light = one("half-table", ALL, pull(stops)), grey("light", ALL, pull(stops))
    assert np.array_equal(table.planes[0].view(np.uint16), light.planes[0].view(np.uint16))


@fast
@given(st.floats(-20.0, 20.0))
def test_light_is_within_half_an_ulp_and_two_float32_roundings(stops):
    """Gain and product pass through float32: beside a tie a half may fall to the other side."""
    table = one("half-table", HALVES[None], pull(stops)).planes[0][0]
    light = grey("light", HALVES[None], pull(stops)).planes[0][0]
    assert ulps(table, light).max() <= 1
    plaingains = FINITE & np.isfinite(light)
    exact = HALVES[plaingains].astype(np.float64) * 2.0**stops
    unit = np.ldexp(1.0, np.maximum(np.frexp(exact)[1] - 1, -14) - 10)  # of a half as large
    error = np.abs(light[plaingains] - exact)
    assert np.all(error <= 0.5 * unit + 2.0**-23 * np.abs(exact))


# -- floats -----------------------------------------------------------------------------------

FLOATS = np.asarray(
    [0x3F800000, 0xBF800000, 0x00000000, 0x80000000, 0x7F800000, 0xFF800000, 0x7FC12345,
     0x7F812345, 0xFFC00001, 0x7F7FFFFF, 0x00800000, 0x00000001, 0x80000003, 0x3E3851EC],
    np.uint32,
)  # fmt: skip


@pytest.mark.parametrize("kernel", ["float-gain", "light"])
@pytest.mark.parametrize("stops", [-3.0, -1.37, 0.5, 3.0])
def test_floats_are_the_float32_product(kernel, stops):
    plane = np.resize(FLOATS, (3, 28)).view(np.float32)
    outcome = grey(kernel, plane, pull(stops), source=FLOAT, wanted=FLOAT)
    with np.errstate(all="ignore"):
        expected = (plane * np.float32(2.0**stops)).view(np.uint32)
    nan = np.isnan(plane)
    expected[nan] = plane.view(np.uint32)[nan]  # payloads and signals are kept
    assert np.array_equal(outcome.planes[0].view(np.uint32), expected)
    each = 3 * 3 * 2  # three channels, three rows, twice a row
    assert outcome.nonfinite == 5 * each
    assert outcome.overflow == (each if stops > 0 else 0)


def test_floats_that_sink_are_counted():
    plane = np.asarray([[2.0**-126, 2.0**-126 * 1.5, 2.0**-149, 1.0, 0.0]], np.float32)
    outcome = one("float-gain", plane, pull(-1), source=FLOAT, wanted=FLOAT)
    assert outcome.planes[0][0, :3].tolist() == [2.0**-127, 2.0**-127 * 1.5, 0.0]
    assert outcome.underflow == 1  # the first two are subnormal now, and exact


LEAST = 2.0**-126
"""The smallest normal float32 (IEEE 754-2019)."""


@pytest.mark.parametrize(
    ("value", "stops", "sunk"),
    [
        (LEAST * (1 + 2**-23), -1, 1),  # one bit too many for a subnormal
        (LEAST * 2, -0.5, 0),  # not exact, but normal
        (0.1, -1.37, 0),
        (LEAST * (1 - 2**-23), 0.5, 0),
        (LEAST * 0.25, 0.5, 1),
    ],
)
def test_only_a_product_under_the_smallest_normal_number_sinks(value, stops, sunk):
    plane = np.asarray([[value, np.inf]], np.float32)  # infinity: none of it is skipped
    outcome = one("float-gain", plane, pull(stops), source=FLOAT, wanted=FLOAT)
    assert (outcome.underflow, outcome.nonfinite, outcome.overflow) == (sunk, 1, 0)
    assert outcome.clipped == [0]  # a float has no largest value to clip at


@fast
@given(st.floats(-40, 40), st.integers(0, 2**32 - 1))
def test_floats_for_any_stops(stops, seed):
    plane = np.random.default_rng(seed).integers(0, 2**32, (4, 64), np.uint32).view(np.float32)
    (out,) = one("float-gain", plane, pull(stops), source=FLOAT, wanted=FLOAT).planes
    with np.errstate(all="ignore"):
        np.testing.assert_array_equal(out, plane * np.float32(2.0**stops))


@pytest.mark.parametrize("wanted", [FLOAT, HALF, INTEGERS[10]])
def test_finite_light_that_leaves_the_type_on_the_way_is_counted_too(wanted):
    plane = np.full((2, 4), 3e38, np.float32)
    outcome = grey("light", plane, pull(3), source=FLOAT, wanted=wanted)
    assert outcome.overflow == 24
    assert outcome.nonfinite == 0


# -- a lift, fused with the pull --------------------------------------------------------------


def lift_reference(planes, stops):
    rgb = np.stack(planes, axis=-1).astype(np.float64)
    with np.errstate(invalid="ignore"):
        return lifted(rgb, **LIFT[1], to_come=stops) * 2.0**stops


@pytest.mark.parametrize("stops", [-3.0, -1.37, 0.5])
def test_a_lift_and_a_pull_of_every_neutral_half_round_once(stops):
    plane = HALVES[FINITE].reshape(248, 256)
    outcome = grey("light", plane, LIFT, pull(stops))
    with np.errstate(over="ignore"):
        expected = lift_reference([plane] * 3, stops).astype(np.float16)
    apart = ulps(np.stack(outcome.planes, axis=-1), expected)
    assert apart.max() <= 1  # float32 on the way: a tie may fall to the other side
    assert np.count_nonzero(apart) < 0.001 * apart.size
    assert np.array_equal(outcome.planes[0], outcome.planes[1])
    assert np.array_equal(outcome.planes[0], outcome.planes[2])
    ascending = outcome.planes[0].ravel()[: plane.size // 2]
    assert np.all(ascending[1:] >= ascending[:-1])


def test_a_lift_and_a_pull_of_colours_round_once():
    rng = np.random.default_rng(2)
    planes = [(2.0 ** rng.uniform(-12, 6, (128, 512))).astype(np.float16) for _ in range(3)]
    outcome = run("light", planes, decide(LIFT, pull(-3)), source=HALF, wanted=HALF)
    apart = ulps(np.stack(outcome.planes, axis=-1), lift_reference(planes, -3.0).astype(np.float16))
    assert apart.max() <= 1
    assert np.count_nonzero(apart) < 0.002 * apart.size


def test_one_plane_of_luminance_is_a_neutral():
    plane = HALVES[FINITE].reshape(248, 256)
    (luma,) = one("light", plane, LIFT, pull(-3)).planes
    assert luma.tobytes() == grey("light", plane, LIFT, pull(-3)).planes[1].tobytes()


# -- samples that are no numbers --------------------------------------------------------------

NAN, SIGNAL, INF = (
    np.asarray([code], np.uint16).view(np.float16)[0] for code in (0x7E55, 0x7C01, 0xFC00)
)


def logged():
    """Through ACEScct and back on the way, so that the colour engine sees every sample."""
    config = colour.load(colour.BUILT_IN)
    return {
        "decode": config.convert("ACEScct", "ACEScg"),
        "encode": config.convert("ACEScg", "ACEScct"),
    }


@pytest.mark.parametrize("stages", [(), (pull(-3),), (LIFT, pull(-3))])
def test_nonfinite_samples_come_through_bit_for_bit_and_poison_no_neighbour(stages):
    """The other channels of such a pixel come out as if the sample were 0."""
    clean = [np.full((2, 4), value, np.float16) for value in (0.3, 0.5, 0.4)]
    dirty, zeroed = [p.copy() for p in clean], [p.copy() for p in clean]
    for channel, column, value in ((0, 0, NAN), (1, 1, SIGNAL), (2, 2, INF)):
        dirty[channel][0, column] = value
        zeroed[channel][0, column] = 0.0
    more = {"source": HALF, "wanted": HALF, **logged()}
    got = run("light", dirty, decide(*stages), **more)
    expected = run("light", zeroed, decide(*stages), **more)
    assert (got.nonfinite, expected.nonfinite) == (3, 0)
    for before, after, reference in zip(dirty, got.planes, expected.planes, strict=True):
        bad = ~np.isfinite(before)
        assert np.array_equal(after.view(np.uint16)[bad], before.view(np.uint16)[bad])
        assert np.array_equal(after[~bad], reference[~bad])
        assert np.isfinite(after[~bad]).all()


def test_nonfinite_samples_change_type_as_values():
    plane = np.asarray([[NAN, INF, -INF, 0.5]], np.float16)
    (wide, *_) = grey("light", plane, pull(-1), wanted=FLOAT).planes
    assert np.isnan(wide[0, 0])
    assert wide[0, 1:].tolist() == [-np.inf, np.inf, 0.25]
    outcome = grey("light", plane, pull(-1), wanted=INTEGERS[10])
    assert outcome.planes[0].tolist() == [[0, 0, 1023, 256]]
    assert (outcome.nonfinite, outcome.overflow) == (9, 0)


def test_a_signalling_float_warns_of_nothing_on_any_way():
    plane = np.asarray([[0x7F812345, 0x3F800000]], np.uint32).view(np.float32)
    for wanted in (FLOAT, HALF, INTEGERS[8]):
        assert grey("light", plane, pull(-1), source=FLOAT, wanted=wanted).nonfinite == 3


# -- code values ------------------------------------------------------------------------------


def codes(bits: int) -> np.ndarray:
    top = 2**bits
    return np.arange(top, dtype=INTEGERS[bits].dtype).reshape(16, -1)


@pytest.mark.parametrize("bits", INTEGERS)
@pytest.mark.parametrize("curve", [False, True])
def test_every_code_survives_a_decision_that_changes_nothing(bits, curve):
    more = logged() if curve else {}
    wanted = INTEGERS[bits]
    outcome = grey("light", codes(bits), source=wanted, wanted=wanted, **more)
    assert all(np.array_equal(plane, codes(bits)) for plane in outcome.planes)
    assert outcome.planes[0].dtype == wanted.dtype
    assert (outcome.overflow, outcome.clipped) == (0, [1, 1, 1])


@pytest.mark.parametrize("bits", INTEGERS)
def test_codes_go_to_the_nearest_and_beyond_the_range_they_are_clamped_and_counted(bits):
    wanted, top = INTEGERS[bits], 2**bits - 1
    outcome = grey("light", codes(bits), pull(1.5), source=wanted, wanted=wanted)
    exact = codes(bits) * 2.0**1.5
    assert np.abs(outcome.planes[0] - np.minimum(exact, top)).max() <= 0.5 + 2e-7 * top
    assert outcome.overflow == 3 * np.count_nonzero(np.rint(exact) > top)
    assert outcome.planes[0].max() == top


def test_halves_to_codes():
    plane = np.asarray([[-0.25, 0.0, 0.5, 1.0, 1.5]], np.float16)
    outcome = grey("light", plane, wanted=INTEGERS[8])
    assert outcome.planes[0].tolist() == [[0, 0, 128, 255, 255]]  # 127.5 goes to the even one
    assert outcome.overflow == 6


def test_a_log_plate_is_pulled_in_light():
    """S-2016-001 (ACEScct): above the toe a stop is 1/17.52 of the code range."""
    wanted = INTEGERS[16]
    plane = np.asarray([[0.413588402, 0.6, 0.3]]) * 65535  # 0.18 in ACEScct, and two more
    plane = np.rint(plane).astype(np.uint16)
    outcome = grey("light", plane, pull(-1), source=wanted, wanted=wanted, **logged())
    moved = (plane.astype(float) - outcome.planes[0]) / 65535
    np.testing.assert_allclose(moved, 1.0 / 17.52, atol=2e-5)


def test_wanted_types_have_names():
    assert kernel_type("uint12") == Wanted(np.dtype(np.uint16), 12)
    assert kernel_type("uint8") == Wanted(np.dtype(np.uint8), 8)
    assert kernel_type("float") == Wanted(np.dtype(np.float32))


@pytest.mark.parametrize(
    ("kernel", "kind", "stages"),
    [
        ("half-table", HALF, [pull(-1.3)]),
        ("float-gain", FLOAT, [pull(-1.3)]),
        ("tone-gain", HALF, [LIFT, pull(-3)]),
        ("light", HALF, [LIFT, pull(-3)]),
        ("light", FLOAT, [LIFT, pull(-3)]),
    ],
)
def test_results_take_the_place_of_the_planes(kernel, kind, stages):
    """Samples that are no numbers stand beside others, so that what is kept of them is seen."""
    values = np.tile(np.array([0.5, np.inf, -0.25, np.nan, 3.0], kind.dtype), (7, 3))
    planes = [(values * factor).astype(kind.dtype) for factor in (1, 2, 3)]
    signalling = {2: 0x7C12, 4: 0x7F80_0012}[kind.dtype.itemsize]  # a cast would quiet it
    for plane in planes:
        plane.view(f"u{plane.itemsize}")[np.isnan(plane)] = signalling
    frozen = [plane.copy() for plane in planes]
    for plane in frozen:
        plane.flags.writeable = False
    expected = kernels.run(kernel, frozen, decide(*stages), source=kind, wanted=kind)
    got = kernels.run(kernel, planes, decide(*stages), source=kind, wanted=kind)
    for plane, result, other in zip(planes, got.planes, expected.planes, strict=True):
        assert np.shares_memory(plane, result)
        assert np.array_equal(result.view(np.uint8), other.view(np.uint8))
    assert got.nonfinite == expected.nonfinite == 126


def test_codes_make_room_for_halves_and_for_codes():
    ten, flat = INTEGERS[10], np.linspace(0, 1023, 12).astype(np.uint16).reshape(3, 4)
    for kernel, wanted, stages in (
        ("code-table", ten, [pull(-1)]),
        ("light", ten, [LIFT, pull(-1)]),
        ("light", HALF, [LIFT, pull(-1)]),
        ("tone-gain", HALF, [LIFT, pull(-1)]),
    ):
        planes = [flat.copy() for _ in range(3)]
        told = {"source": ten, "wanted": wanted}
        expected = run("light", planes, decide(*stages), **told)
        got = kernels.run(kernel, planes, decide(*stages), **told)
        for plane, result, other in zip(planes, got.planes, expected.planes, strict=True):
            assert np.shares_memory(plane, result)
            assert result.dtype == wanted.dtype
            np.testing.assert_allclose(result, other, rtol=2.0**-10)


def test_planes_that_may_not_be_written_stay():
    plane = np.full((2, 2), 0.5, np.float16)
    plane.flags.writeable = False
    got = kernels.run(
        "half-table", [plane], decide(pull(-1)), source=HALF, wanted=HALF, channels=(1,)
    )
    assert np.all(plane == 0.5)
    assert np.all(got.planes[0] == 0.25)

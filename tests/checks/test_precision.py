"""What rounding loses: half floats and code values, with known steps."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError
from simulated import Simulated, expose, patches

from gradeprep.checks.precision import Precision, PrecisionParams, compare_written
from gradeprep.plugins.contracts import Check

CHECK = Precision()


def half(pixels):
    with np.errstate(over="ignore"):
        return pixels.astype(np.float16).astype(np.float32)


def codes(bits):
    """Integer code values of scene-linear light, 0 to 1."""
    top = np.float32(2**bits - 1)
    return lambda pixels: np.rint(np.clip(pixels, 0.0, 1.0) * top) / top


def log_codes(bits):
    """Code values on 18 stops of a pure logarithm, grey at 10 of them."""
    top = 2**bits - 1

    def store(pixels):
        tones = np.log2(np.maximum(pixels, 2.0**-30) / 0.18) + 10.0
        kept = np.clip(np.rint(tones / 18.0 * top), 0, top) / top
        return (0.18 * np.exp2(kept * 18.0 - 10.0)).astype(np.float32)

    return store


def spread(low, high, samples=60_000, seed=4):
    """Light spread evenly over tones, from one value to another."""
    dice = np.random.default_rng(seed)
    tones = dice.uniform(math.log2(low), math.log2(high), samples)
    return np.exp2(tones).astype(np.float32).reshape(-1, 50, 3)


def lost(pixels, store, max_loss=0.01):
    return compare_written(pixels, store(pixels), max_loss=max_loss)


def look(plate, **params):
    return list(CHECK.look(plate, PrecisionParams(**params)))


def test_keeps_the_contract():
    assert isinstance(CHECK, Check)


def test_half_keeps_eleven_bits_of_normal_values():
    found = lost(spread(2.0**-13, 2.0**15), half)
    assert found.loss <= math.log2(1.0 + 2.0**-11) + 1e-7  # IEEE 754 binary16: 0.0007 stop
    assert found.loss > 0.0006
    assert (found.lossy, found.subnormal, found.sunk, found.overflow) == (0, 0, 0, 0)


def test_half_loses_stops_below_its_normal_range():
    # binary16 has steps of 2**-24 below 2**-14: at 2**-20 up to 1/32 of the value
    found = lost(spread(2.0**-20, 2.0**-16), half)
    assert found.subnormal > 0.99 * found.samples
    assert found.loss == pytest.approx(math.log2(1.0 + 2.0**-5), rel=0.05)
    assert found.lossy > 0.2 * found.lit
    for tone, step in list(found.steps().items())[1:-1]:  # bins filled from end to end
        assert step == pytest.approx(2.0**-24, rel=0.03), tone


def test_half_has_nothing_below_half_its_smallest_step():
    found = lost(np.full((10, 10, 3), 2.0**-25.5, np.float32), half)
    assert (found.sunk, found.lit, found.lossy) == (300, 300, 0)


def test_half_overflows_at_65520():
    pixels = np.array([65519.0, 65520.0, 1e9], np.float32).reshape(1, 1, 3)  # IEEE 754
    assert lost(pixels, half).overflow == 2


@pytest.mark.parametrize("bits", [8, 10, 12])
def test_linear_codes_have_one_step_at_every_tone(bits):
    pixels = np.random.default_rng(1).uniform(0.0, 1.0, (600, 100, 3)).astype(np.float32)
    steps = lost(pixels, codes(bits)).steps()
    # only where a bin is wider than many steps do errors spread evenly over one
    wide = {tone: step for tone, step in steps.items() if 0.18 * 2.0**tone > 64.0 / 2**bits}
    assert len(wide) > 3
    for tone, step in wide.items():
        assert step == pytest.approx(1.0 / (2**bits - 1), rel=0.05), tone


@pytest.mark.parametrize("bits", [8, 10, 12])
def test_log_codes_have_one_step_in_stops(bits):
    expected = 18.0 / (2**bits - 1)
    for tone, step in lost(spread(0.001, 8.0), log_codes(bits)).steps().items():
        assert math.log2(1.0 + step / (0.18 * 2.0**tone)) == pytest.approx(expected, rel=0.12)


def test_codes_cut_off_both_ends():
    pixels = np.random.default_rng(1).uniform(0.0, 1.0, (50, 50, 3)).astype(np.float32)
    pixels[0, :7, 0] = 2.0
    pixels[1, :9, 1] = -0.1
    found = lost(pixels, codes(10))
    assert (found.clamped, found.raised, found.overflow) == (7, 9, 0)


def test_noise_around_black_is_not_cut_off_by_half():
    pixels = np.random.default_rng(1).normal(0.0, 1e-3, (50, 50, 3)).astype(np.float32)
    assert lost(pixels, half).raised == 0


@given(st.integers(1, 600), st.integers(1, 600))
def test_parts_add_up_to_the_whole(rows, cut):
    pixels = spread(2.0**-26, 2.0**17, samples=600 * 150)[:rows]
    with np.errstate(over="ignore"):
        whole = lost(pixels, half)
    parts = [lost(part, half) for part in (pixels[:cut], pixels[cut:]) if part.size]
    total = parts[0] if len(parts) == 1 else parts[0] + parts[1]
    for name in ("samples", "lit", "lossy", "subnormal", "sunk", "overflow", "clamped", "loss"):
        assert getattr(total, name) == getattr(whole, name), name
    assert total.steps() == pytest.approx(whole.steps())


def plate(store, **told):
    return expose(patches(-7.0, 4.0, rows=64), [1, 2], stops=3.0, decided=-3.0, store=store, **told)


@pytest.mark.parametrize("store", [np.copy, half], ids=["float", "half"])
def test_a_result_that_loses_nothing_has_no_findings(store):
    bright = Simulated({1: spread(2.0**-8, 2.0**8)}, decided=-3.0, store=store)
    assert look(bright) == []


def test_codes_coarser_than_the_noise_show_bands():
    findings = look(plate(log_codes(8)), max_share=1.0)
    (bands,) = [finding for finding in findings if "bands" in finding.numbers]
    assert bands.severity == "warn"
    assert "bits" in bands.remedy
    for row in bands.numbers["bands"]:
        assert row["step"] == pytest.approx(18.0 / 255.0, rel=0.6)
        assert row["step"] > row["noise"] > 0.0
    # the noise of the deep shadows hides even these steps
    assert min(row["tone"] for row in bands.numbers["bands"]) > -5.0


def test_fine_steps_show_no_bands():
    assert not [f for f in look(plate(log_codes(12)), max_share=1.0) if "bands" in f.numbers]
    assert not [f for f in look(plate(half), max_share=1.0) if "bands" in f.numbers]
    coarse = plate(log_codes(8))
    assert not [f for f in look(coarse, max_share=1.0, min_step=1.0) if "bands" in f.numbers]


def test_each_loss_is_one_finding_with_its_numbers():
    pixels = spread(0.01, 1.0)
    pixels[0, :3, 0] = 1e6
    pixels[1, :5, 0] = 2.0**-19.5
    found = look(Simulated({4: pixels}, store=half), on="fail", max_share=0.0)
    overflow, rounded = found
    assert {finding.severity for finding in found} == {"fail"}
    assert overflow.what == "3 samples become infinite in the result"
    assert overflow.numbers == {"overflow": 3, "frames": [4], "samples": pixels.size}
    assert overflow.remedy == "write float"
    assert rounded.numbers["subnormal"] == 5
    assert rounded.numbers["share"] > 0.0


def test_so_many_samples_may_lose_a_little():
    pixels = spread(0.01, 1.0)
    pixels[1, :5, 0] = 2.0**-19.7
    assert look(Simulated({1: pixels}, store=half), max_share=0.001) == []


@pytest.mark.parametrize("wrong", [{"on": "stop"}, {"frames": 0}, {"max_loss": 0.0}, {"off": 1}])
def test_refuses_parameters(wrong):
    with pytest.raises(ValidationError):
        PrecisionParams(**wrong)

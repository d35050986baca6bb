"""The pull against other ways to state it: an ASC CDL, which is it, and a log offset, which is not.

An ASC CDL (release 1.2) is ``(x * slope + offset) ** power`` a channel; a pull of n stops is a
slope of 2**n in scene-linear light, without the clamp to 0..1.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import OpenEXR
import PyOpenColorIO as ocio
import pytest
from harbour import HARBOUR, converted
from support import run, write_exr

from gradeprep import colour
from gradeprep.colour import BUILT_IN, Colour

STOPS = [-3.0, -1.0, -1 / 3, -2.97, 0.5, 2.0]


def pull(
    capsys: pytest.CaptureFixture[str],
    folder: Path,
    plane: np.ndarray,
    stops: float,
    space: str,
    config: str,
) -> np.ndarray:
    """A plane as a neutral plate through the program; its green comes back."""
    write_exr(folder / "a.exr", dict.fromkeys("RGB", plane))
    ran = run(
        capsys, "pull", folder / "a.exr", folder / "out/a.exr", f"--stops={stops!r}",
        "--space", space, "--config", config, "--quiet", "--overwrite",
    )  # fmt: skip
    assert ran.code == 0, ran
    path = str(folder / "out/a.exr")
    return OpenEXR.File(path, separate_channels=True).channels()["G"].pixels


# ---------------------------------------------------------------- ASC CDL


def graded(plane: np.ndarray, stops: float, style: ocio.CDLStyle, depth: ocio.BitDepth):
    """The plane through OpenColorIO's own CDL of slope 2**stops, in its own depth."""
    cdl = ocio.CDLTransform(slope=[2.0**stops] * 3)
    cdl.setStyle(style)
    rgb = np.ascontiguousarray(np.repeat(plane[..., None], 3, axis=-1))
    ocio.Config.CreateRaw().getProcessor(cdl).getOptimizedCPUProcessor(
        depth, depth, ocio.OPTIMIZATION_LOSSLESS
    ).apply(
        ocio.PackedImageDesc(
            rgb, plane.shape[1], plane.shape[0], ocio.CHANNEL_ORDERING_RGB, depth,
            rgb.itemsize, rgb.itemsize * 3, rgb.itemsize * 3 * plane.shape[1],
        )
    )  # fmt: skip
    return rgb[..., 1]


def floats() -> np.ndarray:
    """Light over 40 stops, both signs, and plain noise."""
    light = np.geomspace(2.0**-24, 2.0**16, 3000)
    noise = np.random.default_rng(5).normal(0.0, 0.4, 2000)
    return np.concatenate([light, -light, noise, [0.0, -0.0]]).astype(np.float32)[None]


def halves() -> np.ndarray:
    """Every finite half, 256 x 248."""
    codes = np.arange(65536, dtype=np.uint16).view(np.float16)
    return codes[np.isfinite(codes)].reshape(256, -1)


@pytest.mark.parametrize("stops", STOPS)
def test_a_float_pull_is_the_cdl_bit_for_bit(stops, tmp_path, capsys):
    ours = pull(capsys, tmp_path, floats(), stops, "ACEScg", str(HARBOUR))
    theirs = graded(floats(), stops, ocio.CDL_NO_CLAMP, ocio.BIT_DEPTH_F32)
    assert np.array_equal(ours, theirs)


@pytest.mark.parametrize("stops", STOPS)
def test_a_half_pull_is_the_cdl_within_one_rounding(stops, tmp_path, capsys):
    ours = pull(capsys, tmp_path, halves(), stops, "ACEScg", str(HARBOUR))
    theirs = graded(halves(), stops, ocio.CDL_NO_CLAMP, ocio.BIT_DEPTH_F16)
    assert np.abs(_order(ours) - _order(theirs)).max() <= 1
    with np.errstate(over="ignore"):
        exact = (halves().astype(np.float64) * 2.0**stops).astype(np.float16)
    assert np.array_equal(ours, exact)


def _order(plane: np.ndarray) -> np.ndarray:
    """Halves as integers in the order of their values, one a rounding step (IEEE 754)."""
    codes = plane.view(np.uint16).astype(np.int32)
    return np.where(codes & 0x8000, -(codes & 0x7FFF), codes)


def test_the_clamped_style_is_no_pull(tmp_path, capsys):
    """ASC CDL 1.2 clamps to 0..1: what was hot to keep its highlights would lose them."""
    plane = np.array([[-0.02, 0.18, 4.0, 16.0]], np.float32)
    clamped = graded(plane, -3.0, ocio.CDL_ASC, ocio.BIT_DEPTH_F32)
    np.testing.assert_allclose(clamped, [[0.0, 0.0225, 0.5, 1.0]], atol=1e-7)
    ours = pull(capsys, tmp_path, plane, -3.0, "ACEScg", str(HARBOUR))
    np.testing.assert_allclose(ours, [[-0.0025, 0.0225, 0.5, 2.0]], rtol=1e-6)


# ---------------------------------------------------------------- the log-offset shortcut

BLACK = None

SHORTCUT = [
    (423.10, 0.0570776, 0.0000),
    (400.00, 0.0744116, -0.6572),
    (284.80, 0.0647954, BLACK),
    (420.00, 0.0769495, -0.7105),
    (433.05, 0.0727030, -0.5984),
    (407.41, 0.0726568, -0.7414),
    (351.29, 0.1105588, BLACK),
    (341.00, 0.0675156, -1.4668),
    (499.50, 0.0855048, -0.6779),
    (407.94, 0.0772633, -0.7973),
    (392.38, 0.0602544, -0.3468),
]
"""Published curves by the ten-bit code of 18 % grey: code a stop far above grey, and by how many
stops "minus three times that" misses a three-stop pull at grey; BLACK where it ends below zero.

The numbers follow from each curve's published formula: where it is ``c * log2(x + beta) + d``, an
offset of -n * c misses by ``log2(1 - (2**n - 1) * beta / x)``.
"""

FILM = (467.84, 0.0882786, -0.7971)
"""The same for a Cineon-type film log, which the built-in config does not have."""


def of_grey(config: Colour, code: float) -> list[str]:
    """Log spaces of a config whose grey is at a ten-bit code."""
    return [
        space
        for space in config.with_encoding("log")
        if abs(float(converted(config, "ACEScg", space, [0.18])[0, 1]) * 1023 - code) < 0.006
    ]


@pytest.mark.parametrize(
    ("config", "row"),
    [*((BUILT_IN, row) for row in SHORTCUT), (str(HARBOUR), FILM)],
    ids=[f"grey-at-{row[0]:.2f}" for row in (*SHORTCUT, FILM)],
)
def test_an_offset_in_log_is_no_pull(config, row, tmp_path, capsys):
    grey_code, per_stop, missed = row
    loaded = colour.load(config)
    spaces = of_grey(loaded, grey_code)
    assert spaces
    for space in spaces:
        code = converted(loaded, "ACEScg", space, [0.18])[:, 1].astype(np.float64)
        (offset,) = converted(loaded, space, "ACEScg", code - 3 * per_stop)[:, 1]
        if missed is BLACK:
            assert offset <= 0.0
        else:
            assert math.log2(offset / 0.0225) == pytest.approx(missed, abs=2e-3)

        plate = np.full((2, 2), code[0], np.float32)
        pulled = pull(capsys, tmp_path, plate, -3.0, space, config)
        (light,) = converted(loaded, space, "ACEScg", pulled[0, :1])[:, 1]
        assert abs(math.log2(light / 0.0225)) < 2e-4

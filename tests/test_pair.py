"""A film scan in log DPX and the same picture in linear EXR: pulled alike, they stay a pair.

The pair's relation was measured, not published: light is a pure power of ten of the code (a film
log without black offset), one slope a layer. A ten-bit code stands for 0.002 of printing density
(SMPTE ST 268), so the slopes are gammas of 0.530, 0.570 and 0.600.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import OpenEXR
import pytest
from harbour import harbour_with, space_text
from support import plates_folder, run

from gradeprep.plates import dpx

SLOPE = np.array([0.0037704, 0.0035089, 0.0033332])
"""log10 of light a code, for R, G, B: measured on the pair by a straight line."""

WHITE = np.array([636.78, 658.96, 670.22])
"""Code of light 1.0, for R, G, B: measured too."""

TOP = 1023


def film_pair() -> str:
    """The measured relation as a color space over linear light."""
    slope, offset = 1 / (SLOPE * TOP), WHITE / TOP
    return space_text(
        "Film Pair",
        to_reference="!<GroupTransform>\n      children:\n"
        f"        - !<LogAffineTransform> {{base: 10, log_side_slope: {slope.tolist()}, "
        f"log_side_offset: {offset.tolist()}, lin_side_slope: 1, lin_side_offset: 0, "
        "direction: inverse}\n"
        "        - !<ColorSpaceTransform> {src: Linear Rec.709, dst: ACES2065-1}",
    )


def code_of(light: np.ndarray) -> np.ndarray:
    """The code, unrounded, that stands for light: H x W x 3."""
    return WHITE + np.log10(light) / SLOPE


@cache
def read_codes(path: Path) -> np.ndarray:
    channels = dpx.read(path).parts[0].channels
    return np.stack([channels[name] for name in "RGB"], axis=-1).astype(np.float64)


@cache
def read_light(path: Path) -> np.ndarray:
    channels = OpenEXR.File(str(path), separate_channels=True).channels()
    return np.stack([channels[name].pixels for name in "RGB"], axis=-1).astype(np.float64)


def pair() -> tuple[Path, Path]:
    """The one picture that the folder holds under one name both as DPX and as EXR."""
    scans = {path.stem: path for path in (plates_folder() / "dpx").glob("*.dpx")}
    linears = {path.stem: path for path in (plates_folder() / "exr").glob("*.exr")}
    (name,) = scans.keys() & linears.keys()
    return scans[name], linears[name]


@pytest.fixture
def scan() -> Path:
    return pair()[0]


@pytest.fixture
def linear() -> Path:
    return pair()[1]


HALF_ROUNDING = float(np.log10(1 + 2.0**-11) / SLOPE.min())
"""Codes that the rounding of a half is worth: 0.064."""


def test_the_pair_is_one_before_any_pull(scan, linear):
    apart = np.abs(code_of(read_light(linear)) - read_codes(scan))
    assert apart.max() < 0.15
    assert apart.mean() < 0.05


@pytest.mark.parametrize("stops", [-1.0, -2.5, 0.5])
def test_the_pair_is_one_after_the_same_pull(scan, linear, stops, tmp_path, capsys):
    config = harbour_with(tmp_path / "c.ocio", film_pair())
    pulled = {"dpx": tmp_path / "log/a.dpx", "exr": tmp_path / "linear/a.exr"}
    for source, result, space in (
        (scan, pulled["dpx"], "Film Pair"),
        (linear, pulled["exr"], "Linear Rec.709"),
    ):
        ran = run(
            capsys, "pull", source, result, "--stops", stops, "--space", space,
            "--config", config, "--jobs", 1, "--quiet",
        )  # fmt: skip
        assert ran.code == 0, ran
    codes, light = read_codes(pulled["dpx"]), read_light(pulled["exr"])

    before = np.abs(code_of(read_light(linear)) - read_codes(scan))
    wanted = np.clip(code_of(light), 0, TOP)  # what the ten bits can hold of it
    apart = np.abs(codes - wanted)
    # what they were apart before, half a code for writing one down, a half's rounding
    assert np.all(apart <= before + 0.5 + HALF_ROUNDING)

    # one stop is as many codes as the layer's slope says, all over the picture
    moved = codes - read_codes(scan)
    held = (codes > 0) & (codes < TOP)
    for layer, expected in enumerate(stops * np.log10(2) / SLOPE):
        inside = moved[..., layer][held[..., layer]]
        assert inside.size > 100_000
        assert np.all(np.abs(inside - expected) <= 0.5 + 1e-3)


@pytest.mark.parametrize("stops", [-1.0, -2.5, 0.5])
def test_the_linear_one_is_an_exact_product(linear, stops, tmp_path, capsys):
    """IEEE 754: the product rounded once, for every pixel of a real plate."""
    ran = run(
        capsys, "pull", linear, tmp_path / "a.exr", "--stops", stops, "--space",
        "Linear Rec.709", "--config", harbour_with(tmp_path / "c.ocio"), "--quiet",
    )  # fmt: skip
    assert ran.code == 0, ran
    wanted = (read_light(linear) * 2.0**stops).astype(np.float16)
    assert np.array_equal(read_light(tmp_path / "a.exr"), wanted.astype(np.float64))


def test_the_scan_by_no_stops_keeps_every_code(scan, tmp_path, capsys):
    ran = run(
        capsys, "pull", scan, tmp_path / "a.dpx", "--stops", 0, "--space", "Film Pair",
        "--config", harbour_with(tmp_path / "c.ocio", film_pair()), "--quiet",
    )  # fmt: skip
    assert ran.code == 0, ran
    assert np.array_equal(read_codes(tmp_path / "a.dpx"), read_codes(scan))

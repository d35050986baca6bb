"""Frames in memory: types by name, planes replaced, files of one plate compared."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from gradeprep.model.frame import Layout, Part, PartLayout, pixel_aspect
from gradeprep.model.pixeltypes import pixel_type, top_code

WINDOW = (0, 0, 4, 3)
RGB = {"R": "half", "G": "half", "B": "half"}
PART = PartLayout("left", RGB, WINDOW, WINDOW)
LAYOUT = Layout("exr", (PART,))


@pytest.mark.parametrize(
    ("dtype", "bits", "name"),
    [
        (np.float16, None, "half"),
        (np.float32, None, "float"),
        (np.uint32, None, "uint32"),
        (np.uint16, 10, "uint10"),
        (np.uint16, 16, "uint16"),
        (np.uint8, 8, "uint8"),
    ],
)
def test_types_have_names(dtype, bits, name):
    assert pixel_type(np.zeros((1, 1), dtype), bits) == name


@pytest.mark.parametrize(("bits", "top"), [(8, 255), (10, 1023), (12, 4095), (16, 65535)])
def test_largest_codes(bits, top):
    assert top_code(bits) == top


def test_planes_are_replaced_in_their_order():
    old = {name: np.zeros((2, 3), np.float16) for name in ("A", "R", "Z")}
    new = np.ones((2, 3), np.float16)
    part = Part("", old)
    changed = part.with_planes({"R": new})
    assert list(changed.channels) == ["A", "R", "Z"]
    assert changed.channels["R"] is new
    assert changed.channels["Z"] is old["Z"]
    assert part.channels["R"] is old["R"]
    assert part.size == (2, 3)


@pytest.mark.parametrize(
    ("other", "difference"),
    [
        (LAYOUT, None),
        (replace(LAYOUT, timecode="01:00:00:00"), None),
        (replace(LAYOUT, parts=(replace(PART, data_window=(1, 1, 2, 1)),)), None),
        (replace(LAYOUT, parts=(replace(PART, compression="piz", tiles=(64, 64)),)), None),
        (replace(LAYOUT, format="dpx"), "it is dpx, the others are exr"),
        (replace(LAYOUT, parts=(PART, PART)), "it has 2 parts, the others have 1"),
        (
            replace(LAYOUT, parts=(replace(PART, name="right"),)),
            "part 'right' stands where the others have 'left'",
        ),
        (
            replace(LAYOUT, parts=(replace(PART, display_window=(0, 0, 5, 3)),)),
            "its size is 5 x 3, the others' is 4 x 3",
        ),
        (
            replace(LAYOUT, parts=(replace(PART, channels={**RGB, "A": "half"}),)),
            "its channels are R, G, B, A, the others' are R, G, B",
        ),
        (
            replace(LAYOUT, parts=(replace(PART, channels={**RGB, "G": "float"}),)),
            "its channel G is float, the others' is half",
        ),
    ],
)
def test_frames_of_one_plate_are_of_one_shape(other, difference):
    assert LAYOUT.same_shape(other) == difference


def test_the_part_that_differs_is_named_where_there_are_several():
    right = replace(PART, name="right")
    odd = replace(right, display_window=(0, 0, 9, 9))
    two, other = Layout("exr", (PART, right)), Layout("exr", (PART, odd))
    assert two.same_shape(other) == "its size is 9 x 9, the others' is 4 x 3 in part 'right'"


@pytest.mark.parametrize(
    ("header", "aspect"),
    [
        ({"pixelAspectRatio": 2.0}, 2.0),
        ({"pixel_aspect_x": 4, "pixel_aspect_y": 3}, 4 / 3),  # SMPTE ST 268: horizontal, vertical
        ({"pixel_aspect_x": None, "pixel_aspect_y": None}, 1.0),
        ({"pixel_aspect_x": 1, "pixel_aspect_y": 0}, 1.0),
        ({"pixelAspectRatio": 0.0}, 1.0),
        ({"pixelAspectRatio": float("nan")}, 1.0),
        ({"pixelAspectRatio": 1e9}, 1.0),
        ({}, 1.0),
    ],
)
def test_a_pixel_has_a_shape(header, aspect):
    assert pixel_aspect(header) == pytest.approx(aspect)

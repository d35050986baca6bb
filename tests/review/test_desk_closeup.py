"""A place of a frame pixel for pixel, and pixels that are wider than high."""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path

import matplotlib.image
import numpy as np
import pytest
from desked import HEIGHT, WIDTH, Opened, one_shot, opened_desk, scene, small_film
from hypothesis import given
from hypothesis import strategies as st
from support import write_exr

from gradeprep.review.desk.light import CloseUp

PLACE = {"across": 0.75, "down": 0.25, "width": 20, "height": 10}
"""Of 80 x 60: columns 50 to 69, rows 10 to 19."""


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Opened]:
    with opened_desk(small_film(tmp_path_factory.mktemp("film"))) as opened:
        yield opened


def headers(answer: object, *names: str) -> list[float]:
    return [float(answer.headers[f"X-{name}"]) for name in names]  # type: ignore[attr-defined]


def test_a_place_comes_with_its_own_pixels_and_says_where_it_is(desk: Opened) -> None:
    answer = desk.get("/api/light", shot="wall", frame=1, **PLACE)
    found = np.frombuffer(answer.content, "<f2").reshape(10, 20, 4)
    assert np.array_equal(found[..., :3], scene(1)[10:20, 50:70].astype(np.float16))
    assert (found[..., 3] == 1.0).all()
    assert headers(answer, "Left", "Top", "Width", "Height") == [50, 10, 20, 10]
    assert headers(answer, "Plate-Width", "Plate-Height") == [WIDTH, HEIGHT]


def test_the_server_draws_the_same_place(desk: Opened) -> None:
    asked = {"shot": "wall", "frame": 1, "pull": -2.0}
    whole = desk.get("/api/picture", **asked, side=WIDTH)
    close = desk.get("/api/picture", **asked, **PLACE)
    pictures = [matplotlib.image.imread(io.BytesIO(one.content)) for one in (whole, close)]
    assert np.array_equal(pictures[0][10:20, 50:70], pictures[1])
    assert headers(close, "Left", "Top") == [50, 10]


@pytest.mark.parametrize("kind", ["clip", "noise"])
def test_what_lies_over_it_is_of_the_same_place(tmp_path: Path, kind: str) -> None:
    for number in (1, 2):  # calm areas with 2 % of noise, and a clipped corner
        noise = np.random.default_rng(number).normal(1.0, 0.02, (128, 256))
        light = (0.18 * 2.0 ** (np.arange(256) // 64 - 6.0) * noise).astype(np.float16)
        light[:20, 200:] = 4.0
        write_exr(tmp_path / f"odd.{number:04d}.exr", dict.fromkeys("RGB", light))
    place = {"across": 0.75, "down": 0.1, "width": 60, "height": 40}
    asked = {"shot": "odd", "frame": 1, "kind": kind}
    with opened_desk(one_shot(tmp_path, "odd.####.exr")) as desk:
        answers = [desk.get("/api/overlay", **asked, **one) for one in ({"side": 256}, place)]
    whole, close = (matplotlib.image.imread(io.BytesIO(one.content)) for one in answers)
    assert np.array_equal(whole[:40, 162:222], close)
    assert len(np.unique(close)) > 1


@given(
    st.floats(0.0, 1.0),
    st.floats(0.0, 1.0),
    st.integers(1, 300),
    st.integers(1, 300),
    st.tuples(st.integers(1, 200), st.integers(1, 200)),
)
def test_a_place_lies_within_the_frame_and_is_as_large_as_asked(
    across: float, down: float, width: int, height: int, size: tuple[int, int]
) -> None:
    rows, columns = CloseUp(across=across, down=down, width=width, height=height).within(size)
    for found, length, whole, middle in (
        (rows, height, size[0], down),
        (columns, width, size[1], across),
    ):
        assert 0 <= found.start < found.stop <= whole
        assert found.stop - found.start == min(length, whole)
        if found.start > 0 and found.stop < whole:
            assert abs((found.start + found.stop) / 2 - middle * whole) <= 1.0


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("across", "-0.1"),
        ("across", "nan"),
        ("across", "x"),
        ("down", "1.5"),
        ("width", "0"),
        ("height", "4097"),
        ("height", "1e2"),
    ],
)
def test_no_other_place(desk: Opened, key: str, value: str) -> None:
    answer = desk.get("/api/light", shot="wall", frame=1, **{**PLACE, key: value})
    assert answer.status_code == 422
    assert key in answer.json()["error"]


def test_pixels_without_light_are_absent_up_close(tmp_path: Path) -> None:
    light = np.full((32, 32), 0.5, np.float32)
    bad = light.copy()
    bad[20, 21] = np.nan
    write_exr(tmp_path / "odd.0001.exr", {"R": bad, "G": light, "B": light})
    place = {"across": 1.0, "down": 1.0, "width": 16, "height": 16}
    with opened_desk(one_shot(tmp_path, "odd.####.exr")) as desk:
        answer = desk.get("/api/light", shot="odd", frame=1, **place)
    found = np.frombuffer(answer.content, "<f2").reshape(16, 16, 4)
    assert [tuple(at) for at in np.argwhere(found[..., 3] == 0.0)] == [(4, 5)]


def test_the_shape_of_a_pixel_is_told(tmp_path: Path) -> None:
    # pixelAspectRatio: width over height of a pixel (OpenEXR, required attributes)
    light = np.full((16, 24), 0.5, np.float32)
    write_exr(tmp_path / "odd.0001.exr", dict.fromkeys("RGB", light), pixelAspectRatio=2.0)
    with opened_desk(one_shot(tmp_path, "odd.####.exr")) as desk:
        for area in ({"side": 64}, PLACE):
            answer = desk.get("/api/light", shot="odd", frame=1, **area)
            assert headers(answer, "Pixel-Aspect") == [2.0]

"""Light as the page gets it: the mean over areas, half floats, what is absent told by alpha."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import OpenEXR
import pytest
from desked import HEIGHT, WIDTH, Opened, one_shot, opened_desk, scene, small_film
from support import write_exr


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Opened]:
    with opened_desk(small_film(tmp_path_factory.mktemp("film"))) as opened:
        yield opened


def rgba(desk: Opened, shot: str, frame: int = 1, side: int = 4096) -> np.ndarray:
    answer = desk.get("/api/light", shot=shot, frame=frame, side=side)
    assert answer.status_code == 200, answer.text
    height, width = int(answer.headers["X-Height"]), int(answer.headers["X-Width"])
    return np.frombuffer(answer.content, "<f2").reshape(height, width, 4).astype(np.float32)


def test_a_plate_in_the_working_space_comes_as_it_is(desk: Opened) -> None:
    found = rgba(desk, "wall", 2)
    assert np.array_equal(found[..., :3], scene(2).astype(np.float16).astype(np.float32))
    assert (found[..., 3] == 1.0).all()


def test_a_log_plate_comes_as_light(desk: Opened) -> None:
    # ACEScct decoded (Academy S-2016-001): a 10-bit code is 17.52/1023 stops wide
    found = rgba(desk, "door")[..., :3]
    expected = scene(1)
    step = 2.0 ** (17.52 / 1023.0 / 2.0) - 1.0 + 2e-3
    bright = expected > 0.01
    assert np.abs(found / expected - 1.0)[bright].max() < step


def test_a_smaller_picture_is_the_mean_of_what_it_covers(desk: Opened) -> None:
    found = rgba(desk, "wall", side=WIDTH // 4)
    light = scene(1).astype(np.float16).astype(np.float64)
    blocks = light.reshape(HEIGHT // 4, 4, WIDTH // 4, 4, 3).mean(axis=(1, 3))
    assert found.shape[:2] == (HEIGHT // 4, WIDTH // 4)
    assert np.abs(found[..., :3] / blocks - 1.0).max() < 2.0**-11 + 1e-6  # one half rounding


def test_the_size_of_the_plate_is_told(desk: Opened) -> None:
    answer = desk.get("/api/light", shot="wall", frame=1, side=40)
    told = [int(answer.headers[f"X-{key}"]) for key in ("Width", "Height")]
    plate = [int(answer.headers[f"X-Plate-{key}"]) for key in ("Width", "Height")]
    assert (told, plate) == ([40, 30], [WIDTH, HEIGHT])


@pytest.mark.parametrize("side", ["0", "15", "4097", "-1", "", "1e3", "9" * 5000])
def test_no_other_sizes(desk: Opened, side: str) -> None:
    answer = desk.get("/api/light", shot="wall", frame=1, side=side)
    assert answer.status_code == 422
    assert "side" in answer.json()["error"]


@pytest.mark.parametrize("frame", [0, 4, -1, 10**15, 10**30])
def test_only_frames_that_are_there(desk: Opened, frame: int) -> None:
    answer = desk.get("/api/light", shot="wall", frame=frame, side=64)
    assert answer.status_code == 404
    assert answer.json()["error"].endswith(f"has no frame {frame}; it has 1-3")


def test_samples_that_are_no_numbers_are_absent(tmp_path: Path) -> None:
    light = np.full((32, 32), 0.5, np.float32)
    bad = light.copy()
    bad[4, 5], bad[20, 21] = np.nan, np.inf
    write_exr(tmp_path / "odd.0001.exr", {"R": bad, "G": light, "B": light})
    with opened_desk(one_shot(tmp_path, "odd.####.exr")) as desk:
        whole, small = rgba(desk, "odd"), rgba(desk, "odd", side=16)
    assert [tuple(place) for place in np.argwhere(whole[..., 3] == 0.0)] == [(4, 5), (20, 21)]
    assert [tuple(place) for place in np.argwhere(small[..., 3] == 0.0)] == [(2, 2), (10, 10)]
    assert (whole[whole[..., 3] == 0.0] == 0.0).all()
    assert np.isfinite(small).all()


def test_light_beyond_half_is_sent_as_the_largest_half(tmp_path: Path) -> None:
    light = np.full((16, 16), 1e6, np.float32)
    write_exr(tmp_path / "odd.0001.exr", {"R": light, "G": -light, "B": light})
    with opened_desk(one_shot(tmp_path, "odd.####.exr")) as desk:
        found = rgba(desk, "odd")
    assert found[0, 0].tolist() == [65504.0, -65504.0, 65504.0, 1.0]


def test_the_display_window_is_shown_whatever_the_data_window(tmp_path: Path) -> None:
    light = np.arange(20 * 30, dtype=np.float32).reshape(20, 30)
    windows = {
        "dataWindow": (np.array([-4, 6], np.int32), np.array([25, 25], np.int32)),
        "displayWindow": (np.array([0, 0], np.int32), np.array([31, 23], np.int32)),
    }
    write_exr(tmp_path / "odd.0001.exr", dict.fromkeys("RGB", light), **windows)
    with opened_desk(one_shot(tmp_path, "odd.####.exr")) as desk:
        found = rgba(desk, "odd")
        size = desk.recipe()["shots"][0]["size"]
    assert size == [32, 24]
    assert found.shape == (24, 32, 4)
    assert np.array_equal(found[6:, :26, 0], light[:18, 4:])
    assert (found[:6, :, 3] == 0.0).all()
    assert (found[:, 26:, 3] == 0.0).all()
    assert (found[6:, :26, 3] == 1.0).all()


def test_a_display_window_larger_than_any_picture_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    huge = (np.array([0, 0], np.int32), np.array([29999, 29999], np.int32))
    light = np.ones((16, 16), np.float32)
    write_exr(tmp_path / "odd.0001.exr", dict.fromkeys("RGB", light), displayWindow=huge)
    monkeypatch.setenv("GRADEPREP_MAX_GIB", "1")
    with opened_desk(one_shot(tmp_path, "odd.####.exr")) as desk:
        answer = desk.get("/api/light", shot="odd", frame=1, side=64)
    assert answer.status_code == 422
    assert "GiB of pixels" in answer.json()["error"]


def test_a_frame_that_vanishes_while_the_desk_is_open(tmp_path: Path) -> None:
    with opened_desk(small_film(tmp_path)) as desk:
        desk.recipe()
        assert rgba(desk, "wall", 2).shape
        kept = (tmp_path / "hot/wall/wall.0002.exr").rename(tmp_path / "away.exr")
        answer = desk.get("/api/light", shot="wall", frame=2, side=64)
        assert answer.status_code == 410
        told = answer.json()
        assert told["file"].endswith("wall.0002.exr")
        assert told["what"] == "is not there any more"
        assert "bring it back" in told["remedy"]
        assert desk.get("/api/light", shot="wall", frame=1, side=64).status_code == 200
        kept.rename(tmp_path / "hot/wall/wall.0002.exr")
        assert rgba(desk, "wall", 2).shape


def test_a_plate_that_vanishes_while_the_desk_is_open(tmp_path: Path) -> None:
    with opened_desk(small_film(tmp_path)) as desk:
        desk.recipe()
        (tmp_path / "hot/wall").rename(tmp_path / "away")
        answer = desk.get("/api/light", shot="wall", frame=2, side=64)
        assert answer.status_code == 410
        told = desk.recipe()["shots"]
        assert told[0]["error"].startswith("wall: ")
        assert [told[0]["numbers"], told[1]["numbers"]] == [[], [1, 2, 3]]


def test_a_torn_frame_is_told_and_the_others_go_on(tmp_path: Path) -> None:
    path = small_film(tmp_path)
    torn = tmp_path / "hot/wall/wall.0002.exr"
    torn.write_bytes(torn.read_bytes()[:-400])
    with opened_desk(path) as desk:
        answer = desk.get("/api/light", shot="wall", frame=2, side=64)
        assert answer.status_code == 422
        told = answer.json()
        assert told["error"].startswith("wall frame 2: ")
        assert told["file"].endswith("wall.0002.exr")
        assert told["remedy"]
        assert rgba(desk, "wall", 3).shape


def test_a_torn_first_frame_is_told_until_it_is_mended(tmp_path: Path) -> None:
    path = small_film(tmp_path)
    torn = tmp_path / "hot/wall/wall.0001.exr"
    whole = torn.read_bytes()
    torn.write_bytes(whole[:-400])
    with opened_desk(path) as desk:
        told = desk.recipe()["shots"][0]
        assert "wall.0001.exr" in told["error"]
        assert told["numbers"] == [1, 2, 3]
        assert rgba(desk, "wall", 2).shape
        torn.write_bytes(whole)
        assert desk.recipe()["shots"][0]["error"] == ""


def test_a_frame_that_is_replaced_is_seen_anew(tmp_path: Path) -> None:
    with opened_desk(small_film(tmp_path)) as desk:
        before = rgba(desk, "wall", 1)
        half = {name: np.full((HEIGHT, WIDTH), 0.25, np.float16) for name in "RGB"}
        write_exr(tmp_path / "hot/wall/wall.0001.exr", half)
        assert not np.array_equal(rgba(desk, "wall", 1), before)
        assert (rgba(desk, "wall", 1)[..., :3] == 0.25).all()


def test_no_source_is_touched(tmp_path: Path) -> None:
    with opened_desk(small_film(tmp_path)) as desk:
        plate = tmp_path / "hot/wall/wall.0001.exr"
        before = plate.read_bytes(), plate.stat().st_mtime_ns
        rgba(desk, "wall", 1)
        desk.get("/api/overlay", shot="wall", frame=1, side=64, kind="clip")
        assert (plate.read_bytes(), plate.stat().st_mtime_ns) == before
        assert OpenEXR.isOpenExrFile(str(plate))

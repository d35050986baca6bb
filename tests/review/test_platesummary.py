"""Looking at plates again: the recorded frame, the result, and what is said where one is gone."""

from __future__ import annotations

import shutil

import numpy as np
import pytest
from reported import write_scene
from support import write_exr

from gradeprep.review.platesummary import see
from gradeprep.review.reportdata import gather


@pytest.fixture(scope="module")
def scene(tmp_path_factory):
    return write_scene(tmp_path_factory.mktemp("scene"))


@pytest.fixture
def copy(scene, tmp_path):
    shutil.copytree(scene.parent, tmp_path / "scene")
    return tmp_path / "scene"


def shot(folder, name="burnt"):
    return gather([folder / f"out/{name}/{name}.stops.json"])[0]


def test_shows_the_result_as_it_was_written(scene):
    seen = see(shot(scene.parent, "calm"))
    assert (seen.frame, seen.simulated, seen.lacking) == (1002, False, [])
    stops = shot(scene.parent, "calm").document.span[0]
    lit = seen.before > 0.01
    np.testing.assert_allclose(
        seen.after[lit], (seen.before * np.float32(2.0**stops))[lit], rtol=1e-3
    )


def test_the_ceiling_goes_where_the_pull_takes_it(scene):
    seen = see(shot(scene.parent))
    stops = {1001: -2.5, 1002: -2.0, 1003: -1.5}[seen.frame]
    assert [c.value for c in seen.ceilings] == pytest.approx([2.0] * 3, rel=0.01)
    for before, after in zip(seen.ceilings, seen.ceilings_after, strict=True):
        assert after == pytest.approx(before.stops + stops, abs=1e-3)
    assert seen.mask.any()


def test_without_its_result_a_shot_is_simulated_and_without_its_source_half_told(copy):
    whole = see(shot(copy))
    shutil.rmtree(copy / "out/burnt", ignore_errors=False)
    (copy / "out/burnt").mkdir()
    for name in ("burnt.stops.json",):
        write_scene_sidecar(copy, name)
    simulated = see(shot(copy))
    assert simulated.simulated
    np.testing.assert_allclose(simulated.after, whole.after, rtol=2e-3, atol=1e-4)
    assert any("has no frame" in line for line in simulated.lacking)
    shutil.rmtree(copy / "hot")
    nothing = see(shot(copy))
    assert nothing.frame is None
    assert nothing.lacking == [
        f"pictures, tones, noise: no frame of {copy}/hot/burnt.####.exr is there"
    ]


def write_scene_sidecar(folder, name):
    """The sidecar alone, as a run of the same scene leaves it."""
    other = folder.parent / "again"
    write_scene(other)
    shutil.copy(other / "out/burnt" / name, folder / "out/burnt" / name)


def test_with_the_source_gone_the_result_is_still_shown(copy):
    shutil.rmtree(copy / "hot")
    seen = see(shot(copy))
    assert seen.before is None
    assert seen.after is not None
    assert not seen.simulated
    assert seen.tones[0] is None
    assert len(seen.lacking) == 1
    assert seen.lacking[0].startswith("before, clip map:")


def test_says_that_a_file_is_not_the_one_recorded(copy):
    seen = see(shot(copy))
    planes = dict.fromkeys("RGB", np.full((48, 96), 0.5, np.float16))
    write_exr(copy / f"out/burnt/burnt.{seen.frame}.exr", planes)
    again = see(shot(copy))
    assert again.lacking == [
        f"frame {seen.frame} of the result is not the file that was recorded any more; "
        "it is shown as it is now"
    ]


def test_a_torn_frame_is_named_and_the_rest_is_shown(copy):
    seen = see(shot(copy))
    path = copy / f"out/burnt/burnt.{seen.frame}.exr"
    path.write_bytes(path.read_bytes()[:-40])
    again = see(shot(copy))
    assert again.simulated
    assert any(line.startswith("the result as written: burnt") for line in again.lacking)


def test_samples_that_are_no_numbers_are_counted(copy):
    planes = dict.fromkeys("RGB", np.full((48, 96), 0.5, np.float16))
    planes["G"] = planes["G"].copy()
    planes["G"][0, :3] = np.nan
    for number in (1001, 1002, 1003):
        write_exr(copy / f"hot/calm.{number}.exr", planes)
    lacking = see(shot(copy, "calm")).lacking
    assert "frame 1002: 3 samples are no numbers and are shown as black" in lacking

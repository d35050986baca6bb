"""What a report tells of: sidecars where shots were run, plans where they were not."""

from __future__ import annotations

import pytest
from reported import RECIPE, write_scene

from gradeprep import sidecar
from gradeprep.errors import RecipeError, RequestError, SidecarError
from gradeprep.review.reportdata import gather


@pytest.fixture(scope="module")
def scene(tmp_path_factory):
    return write_scene(tmp_path_factory.mktemp("scene"))


def test_a_recipe_that_was_run_is_told_from_its_sidecars(scene):
    calm, burnt = gather([scene])
    assert [one.state for one in (calm, burnt)] == ["done", "done"]
    record = sidecar.load(scene.parent / "out/burnt/burnt.stops.json")
    assert burnt.document.digest == record.digest
    assert burnt.document.frames == record.frames
    assert burnt.document.span == (-2.5, -1.5)
    assert burnt.document.source.pattern == str(scene.parent / "hot/burnt.####.exr")
    assert gather([calm.origin])[0] == calm


def test_the_same_shot_named_twice_is_told_once(scene):
    path = scene.parent / "out/calm/calm.stops.json"
    assert [one.name for one in gather([path, scene, path])] == ["calm", "burnt"]


def test_what_was_not_run_is_planned_and_what_cannot_be_is_refused(tmp_path):
    recipe = write_scene(tmp_path, ran=False)
    text = RECIPE + "  gone: {plate: hot/gone.####.exr, stages: [{pull: {stops: -1}}]}\n"
    recipe.write_text(text, "utf-8")
    calm, burnt, gone = gather([recipe])
    assert [one.state for one in (calm, burnt, gone)] == ["planned", "planned", "refused"]
    assert burnt.document.span == (-2.5, -1.5)
    assert burnt.document.dated == {}
    assert gone.document is None
    assert "gone" in gone.refusal


def test_a_check_that_stops_a_shot_refuses_it_and_still_tells_its_plan(tmp_path):
    recipe = write_scene(tmp_path, ran=False)
    recipe.write_text(RECIPE.replace("clipping: {}", "clipping: {on: fail}"), "utf-8")
    calm, burnt = gather([recipe])
    assert (calm.state, burnt.state) == ("planned", "refused")
    assert "clipped" in burnt.refusal
    assert burnt.document is not None


def test_says_what_is_wrong_with_a_source(scene, tmp_path):
    other = tmp_path / "x.stops.json"
    other.write_text("{}", "utf-8")
    with pytest.raises(SidecarError, match="missing version field"):
        gather([other])
    with pytest.raises(SidecarError, match="no such sidecar"):
        gather([tmp_path / "no.stops.json"])
    with pytest.raises(RequestError, match="no such recipe"):
        gather([tmp_path / "no.yaml"])
    with pytest.raises(RequestError, match="has no shot 'cal'; it has calm, burnt"):
        gather([scene], shots=["cal"])
    other.rename(tmp_path / "x.json")
    with pytest.raises(SidecarError, match="is no sidecar by its name"):
        gather([tmp_path / "x.json"])
    broken = tmp_path / "broken.yaml"
    broken.write_text("gradeprep: 1\n", "utf-8")
    with pytest.raises(RecipeError, match="shots: missing"):
        gather([broken])

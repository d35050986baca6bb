"""``gradeprep report``: a page is written whole or not at all, and every refusal is one line."""

from __future__ import annotations

import builtins
import shutil

import pytest
from reported import RECIPE, write_scene
from support import run, snapshot


@pytest.fixture(scope="module")
def scene(tmp_path_factory):
    return write_scene(tmp_path_factory.mktemp("scene"))


def test_writes_a_page_and_touches_nothing_else(scene, tmp_path, capsys):
    before = snapshot(scene.parent)
    page = tmp_path / "report.html"
    done = run(capsys, "report", scene, "-o", page, "--side", 160)
    assert (done.code, done.err) == (0, "")
    assert done.out.startswith(f"{page}  2 shots, ")
    assert snapshot(scene.parent) == before
    assert page.read_text("utf-8").startswith("<!doctype html>")
    again = run(capsys, "report", scene, "-o", page)
    assert again.code == 2
    assert f"{page}: exists already; choose another name, or say --overwrite" in again.err


def test_a_missing_plate_is_told_and_the_rest_reported(scene, tmp_path, capsys):
    shutil.copytree(scene.parent, tmp_path / "scene")
    shutil.rmtree(tmp_path / "scene/hot")
    page = tmp_path / "report.html"
    done = run(
        capsys, "report", tmp_path / "scene/out/calm/calm.stops.json", "-o", page, "--side", 160
    )
    assert done.code == 0
    assert done.err.startswith("gradeprep: calm: before, clip map: ")
    assert done.err.count("\n") == 1
    assert "before, clip map: " in page.read_text("utf-8")


def test_a_shot_that_is_refused_is_reported_and_makes_the_code_1(tmp_path, capsys):
    recipe = write_scene(tmp_path, ran=False)
    recipe.write_text(RECIPE + "  gone: {plate: hot/gone.####.exr}\n", "utf-8")
    page = tmp_path / "report.html"
    done = run(capsys, "report", recipe, "-o", page, "--shot", "gone", "--quiet")
    assert done.code == 1
    assert done.err.startswith("gradeprep: gone: ")
    assert "Refused: gone: " in page.read_text("utf-8")


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["{scene}", "-o", "{tmp}/a.pdf"], "a report is a page; name it .html"),
        (["{scene}", "-o", "{tmp}/no/a.html"], "its folder does not exist"),
        (["{tmp}/no.yaml"], "there is no such recipe"),
        (["{tmp}/no.stops.json"], "no such sidecar"),
        (["{tmp}/bad.stops.json"], "is not JSON, so it is no sidecar"),
        (["{scene}", "--shot", "cal"], "the recipe has no shot 'cal'"),
        (["{scene}", "--look", "show.cube"], "a .cube does not state the space"),
        (["{scene}", "--look", "warm", "--look-space", "ACEScct"], "leave --look-space out"),
        (["{scene}", "--look-space", "ACEScct"], "there is no look to go with it"),
        (["{scene}", "--look", "warm"], "has no look 'warm'"),
        (["{scene}", "--display", "Paper"], "has no display named 'Paper'"),
        (["{scene}", "--side", "9"], "9 is not in the range"),
        ([], "Missing argument 'SIDECAR|RECIPE'"),
    ],
)
def test_says_in_one_line_what_is_wrong_and_writes_nothing(
    scene, tmp_path, capsys, arguments, told
):
    (tmp_path / "bad.stops.json").write_text("no", "utf-8")
    given = [one.format(scene=scene, tmp=tmp_path) for one in arguments]
    if "-o" not in given:
        given += ["-o", tmp_path / "report.html"]
    done = run(capsys, "report", *given)
    assert done.code == 2
    assert told in done.err
    assert not list(tmp_path.glob("*.html"))


@pytest.mark.parametrize("missing", ["jinja2", "matplotlib"])
def test_without_the_extra_the_line_names_it(scene, tmp_path, capsys, monkeypatch, missing):
    whole = builtins.__import__

    def without(name, *rest):
        if name.partition(".")[0] == missing:
            raise ImportError(name)
        return whole(name, *rest)

    from gradeprep.review import report

    report._templates.cache_clear()
    monkeypatch.setattr(builtins, "__import__", without)
    done = run(capsys, "report", scene, "-o", tmp_path / "report.html", "--side", 160)
    assert done.code == 2
    assert done.err.endswith("pip install 'gradeprep[review]'\n")
    assert not list(tmp_path.glob("*.html"))

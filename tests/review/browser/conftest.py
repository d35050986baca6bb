"""One hot film a session; each test that writes gets a film of its own."""

from __future__ import annotations

import shutil

import pytest
from browsed import desk_at

from gradeprep.demo import story
from gradeprep.demo.scenes import SIZE

PLAIN = {"OCIO_ACTIVE_VIEWS": "Un-tone-mapped"}
"""The view that a processor draws soonest, for tests of all that is not the picture."""


@pytest.fixture(scope="session")
def hot(tmp_path_factory):
    """The demo's plates and recipe, nothing run yet."""
    folder = tmp_path_factory.mktemp("shot") / "film"
    story.shoot_film(folder, SIZE, lambda line: None)
    story.write_recipe(folder, SIZE)
    return folder


@pytest.fixture
def film(hot, tmp_path):
    """A copy of the film to write in."""
    return shutil.copytree(hot, tmp_path / "film")


@pytest.fixture(scope="session")
def looking(hot):
    """Address of a desk for tests that only look."""
    with desk_at(hot / "recipe.yaml", **PLAIN) as address:
        yield address


@pytest.fixture
def desk(film):
    """Address of a desk on a film of its own."""
    with desk_at(film / "recipe.yaml", **PLAIN) as address:
        yield address


@pytest.fixture(autouse=True)
def _one_context(browser):
    """Close what a test opened, so that no page outlives its desk."""
    yield
    for context in browser.contexts:
        context.close()

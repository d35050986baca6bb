"""Frames whose pixels are wider than high: every picture of them is as wide as the lens saw it."""

from __future__ import annotations

import io

import matplotlib.image
import pytest
from reported import write_scene

from gradeprep.checks.clipping import ClippingParams
from gradeprep.model.record import Reading
from gradeprep.pipeline.plan import open_views
from gradeprep.pipeline.planned import Options
from gradeprep.pipeline.recipefile import read_recipe
from gradeprep.review import checksheet, readsheet
from gradeprep.review.notebook import picture_of
from gradeprep.review.pictures import Wish, pictured
from gradeprep.review.platesummary import see
from gradeprep.review.reportdata import gather
from gradeprep.review.screen import screen

SHAPE = 2.0 * 96 / 48
"""Width over height of a frame of 96 x 48 pixels, each of them twice as wide as high."""


@pytest.fixture(scope="module")
def squeezed(tmp_path_factory):
    return write_scene(tmp_path_factory.mktemp("squeezed"), aspect=2.0)


@pytest.fixture
def view(squeezed):
    return open_views(read_recipe(squeezed), squeezed.parent, Options())("burnt")


def shape(picture):
    height, width, *_ = picture.shape
    return width / height


def test_in_the_report(squeezed):
    one = gather([squeezed.parent / "out/burnt/burnt.stops.json"])[0]
    made = pictured(one, see(one), Wish())
    assert set(made.pictures) == {"before", "after", "look", "clipped"}
    for picture in (*made.pictures.values(), *made.thumbs.values()):
        assert picture.width / picture.height == pytest.approx(SHAPE)


def test_in_a_notebook(view):
    assert shape(matplotlib.image.imread(io.BytesIO(picture_of(view)))) == pytest.approx(SHAPE)


def test_on_the_sheets_of_check_and_measure(view, monkeypatch):
    laid = []
    for module in (checksheet, readsheet):
        monkeypatch.setattr(module, "laid_out", lambda panels, **told: laid.extend(panels))
    way = screen(view.colour, view.working)
    checksheet.check_sheet(view, 1002, screen=way, params=ClippingParams())
    readsheet.read_sheet(view, screen=way, reading=Reading(meter="average", stops=-2.0, sigma=0.1))
    pictures = [panel.picture for panel in laid if panel.picture is not None]
    assert len(pictures) == 5
    assert [shape(one) for one in pictures] == pytest.approx([SHAPE] * 5, rel=0.01)

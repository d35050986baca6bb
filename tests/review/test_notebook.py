"""What a notebook shows: tables that are escaped and small, and plates as pictures."""

from __future__ import annotations

from dataclasses import replace
from html.parser import HTMLParser
from types import SimpleNamespace

import numpy as np
import OpenImageIO as oiio
import pytest
from support import run, write_exr

from gradeprep import sidecar
from gradeprep.errors import MissingPlateError
from gradeprep.model.frame import Frame, Part
from gradeprep.model.recipe import ColourAsk, OutputAsk, Recipe
from gradeprep.model.record import Reading
from gradeprep.pipeline.plan import make_plan
from gradeprep.pipeline.planned import Options, Plan
from gradeprep.pipeline.plateview import PlateAsk, open_plates
from gradeprep.review.notebook import load_ipython_extension, picture_of, table

HOSTILE = '<script>alert("x")</script> & "quoted"'
ALLOWED = {"table", "caption", "thead", "tbody", "tr", "th", "td", "p"}


class Formatter:
    """As much of IPython's formatter of one kind of data as an extension uses."""

    def __init__(self) -> None:
        self.known = {}

    def for_type(self, kind, draw):
        self.known[kind] = draw


def loaded() -> dict[str, Formatter]:
    """The formatters of a notebook that loaded the extension."""
    formatters = {"image/png": Formatter(), "text/html": Formatter()}
    notebook = SimpleNamespace(display_formatter=SimpleNamespace(formatters=formatters))
    load_ipython_extension(notebook)
    return formatters


class Parsed(HTMLParser):
    """The tags of some HTML, its attributes, and its words."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: set[str] = set()
        self.words: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes |= {name for name, _ in attrs}

    def handle_data(self, data):
        self.words.append(data)


def parsed(thing) -> Parsed:
    html = thing if isinstance(thing, str) else loaded()["text/html"].known[type(thing)](thing)
    found = Parsed(html)
    assert set(found.tags) <= ALLOWED
    assert found.attributes <= {"scope"}
    return found


def test_every_word_of_a_table_is_escaped():
    found = parsed(table(HOSTILE, [(HOSTILE, HOSTILE)], head=(HOSTILE, "b"), notes=[HOSTILE]))
    assert found.words == [HOSTILE, HOSTILE, "b", HOSTILE, HOSTILE, HOSTILE]


def test_a_long_table_ends():
    found = parsed(table("t", [(n, n) for n in range(1000)], notes=map(str, range(100))))
    assert found.tags.count("tr") == 60
    assert "and 940 more rows" in found.words
    assert found.words[-1] == "and 88 more notes"


def test_a_reading():
    reading = Reading(
        meter=HOSTILE,
        stops=-2.9812,
        sigma=0.0123,
        balance=(0.1, 0.0, -0.2),
        weak=True,
        warnings=(HOSTILE,),
    )
    words = parsed(reading).words
    assert words[0] == f"reading of {HOSTILE}"
    assert "-2.981 ± 0.012 stops" in words
    assert "+0.100 +0.000 -0.200 stops for R, G, B" in words
    assert "weak" in words
    assert words[-1] == HOSTILE


def test_a_frame():
    planes = {HOSTILE: np.zeros((4, 6), np.float16), "Z": np.zeros((4, 6), np.float32)}
    words = parsed(Frame("exr", (Part("left", planes), Part("", planes)))).words
    assert words[0] == "exr frame"
    assert words[5:9] == ["left", HOSTILE, "half", "6 x 4"]
    assert words[-4:] == ["part 1", "Z", "float", "6 x 4"]


@pytest.fixture
def plate(tmp_path):
    light = np.full((20, 30), 0.18, np.float16)
    write_exr(tmp_path / "in" / "a.1001.exr", dict.fromkeys("RGB", light))
    write_exr(tmp_path / "in" / "a.1002.exr", dict.fromkeys("RGB", light))
    return tmp_path / "in" / "a.####.exr"


def test_a_sidecar_s_record(tmp_path, plate, capsys):
    done = run(
        *(capsys, "pull", plate, tmp_path / "out", "--stops", "1001:-3,1002:-2.5"),
        *("--space", "ACEScg", "--quiet"),
    )
    assert done.code == 0, done
    words = parsed(sidecar.load(tmp_path / "out" / "a.stops.json")).words
    assert words[0] == "shot a"
    assert "-3.000 to -2.500" in words
    assert "1001-1002 (2)" in words


def test_a_plan(tmp_path, plate):
    shot = PlateAsk(plate=str(plate), space="ACEScg", stops=-3.0).shot("quay_0100")
    shot = replace(shot, output=OutputAsk(plate=str(tmp_path / "out" / "a.####.exr")))
    (tmp_path / "out").mkdir()
    plan = make_plan(Recipe(ColourAsk(), {"quay_0100": shot}), tmp_path, Options())
    words = parsed(plan).words
    assert "quay_0100" in words
    assert "pull -3" in words
    assert "0 of 2 results exist" in words
    failed = Plan(("c", "d"), {}, {"x": MissingPlateError(HOSTILE)})
    assert parsed(failed).words[-1] == HOSTILE


def test_a_plate_shows_as_its_first_frame(tmp_path, plate):
    view = open_plates({"a": PlateAsk(plate=str(plate), space="ACEScg")}, None)["a"]
    data = loaded()["image/png"].known[type(view)](view)
    assert data == picture_of(view)
    (tmp_path / "a.png").write_bytes(data)
    pixels = oiio.ImageInput.open(str(tmp_path / "a.png")).read_image(oiio.UINT8)
    assert pixels.shape == (20, 30, 3)
    assert len(np.unique(pixels)) == 1

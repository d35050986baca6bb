"""The report's page: its numbers are the sidecars', its words are text, and it stands alone."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest
from reported import RECIPE, write_scene

from gradeprep import sidecar
from gradeprep.errors import ColourError
from gradeprep.model.recipe import LookAsk
from gradeprep.review.imagebytes import data_uri
from gradeprep.review.pictures import Wish, fitted
from gradeprep.review.report import bytes_each, entries, page, report_html
from gradeprep.review.reportdata import gather

HOSTILE = '"><script>alert(1)</script><img src=x onerror=alert(2)>&amp;{{ 7 * 7 }}'


@pytest.fixture(scope="module")
def scene(tmp_path_factory):
    return write_scene(tmp_path_factory.mktemp("scene"))


@pytest.fixture(scope="module")
def shown(scene):
    """The shots with their pictures: the clipped one first."""
    return entries(gather([scene]), Wish(side=160))


@pytest.fixture(scope="module")
def made(shown):
    return page(shown)


class Elements(HTMLParser):
    """Every element with its attributes, and the page's text."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.found.append((tag, dict(attrs)))

    def handle_data(self, data):
        self.words.append(data)

    def all(self, tag):
        return [attributes for name, attributes in self.found if name == tag]


def test_the_numbers_on_the_page_are_the_sidecars(scene, made):
    values = {one["value"] for one in Elements(made).all("data")}
    text = " ".join(Elements(made).words)
    for name in ("calm", "burnt"):
        record = sidecar.load(scene.parent / f"out/{name}/{name}.stops.json")
        for frame in record.frames:
            assert repr(frame.stops) in values
            assert frame.done.source.hash in text
            assert frame.done.result.hash in text
            for order in frame.stages:
                assert {repr(float(number)) for number in order.numbers.values()} <= values
        for reading in record.readings:
            assert {repr(reading.stops), repr(reading.sigma)} <= values
        for finding in record.findings:
            assert finding.what in text
        assert record.digest in text
        assert record.colour.sha256 in text
        assert record.colour.look.sha256 in text
        assert record.reversible.why in text


def test_equal_runs_give_equal_pages_but_for_one_line(scene, made):
    def undated(text):
        return [line for line in text.splitlines() if 'class="dated"' not in line]

    again = report_html([scene], side=160)
    assert undated(again) == undated(made)
    assert len(again.splitlines()) == len(undated(again)) + 1


def test_stands_alone_under_its_own_policy(made):
    elements = Elements(made)
    policy = elements.all("meta")[1]
    assert policy["http-equiv"] == "Content-Security-Policy"
    for kind in ("style", "script"):
        body = re.search(rf"<{kind}>(.*?)</{kind}>", made, re.DOTALL)[1]
        digest = base64.b64encode(hashlib.sha256(body.encode()).digest()).decode()
        assert f"{kind}-src 'sha256-{digest}'" in policy["content"]
        assert len(elements.all(kind)) == 1
    assert "default-src 'none'" in policy["content"]
    assert "unsafe" not in policy["content"]
    for tag, attributes in elements.found:
        assert not [name for name in attributes if name.startswith("on") or name == "style"], tag
        for name in ("src", "href", "xlink:href"):
            address = attributes.get(name) or "#"
            assert address.startswith(("#", "data:image/")), address


def test_ids_are_unique_and_every_link_has_its_end(made):
    ids = [attributes["id"] for _, attributes in Elements(made).found if "id" in attributes]
    assert sorted(ids) == sorted(set(ids))
    for link in Elements(made).all("a"):
        assert link["href"].removeprefix("#") in ids


def test_names_notes_and_findings_are_text(shown):
    burnt, calm = shown
    document = burnt.shot.document
    finding = document.findings[0].model_copy(
        update={"what": HOSTILE, "numbers": {HOSTILE: HOSTILE}}
    )
    colour = document.colour.model_copy(update={"config": HOSTILE})
    evil = replace(
        burnt,
        shot=replace(
            burnt.shot,
            name=HOSTILE,
            state="refused",
            refusal=HOSTILE,
            document=document.model_copy(
                update={
                    "findings": (finding,),
                    "colour": colour,
                    "carried": {HOSTILE: HOSTILE},
                    "tool": HOSTILE,
                }
            ),
        ),
        lacking=(HOSTILE,),
    )
    text = page([evil, calm])
    plain = Elements(page([burnt, calm]))
    elements = Elements(text)
    assert [tag for tag, _ in elements.found if tag in ("script", "img")] == [
        tag for tag, _ in plain.found if tag in ("script", "img")
    ]
    assert "".join(elements.words).count(HOSTILE) >= 6  # braces and all


def test_shows_before_after_the_look_and_what_clipped(scene, made):
    panes = re.findall(r'class="pane" data-name="(\w+)"', made)
    assert panes == ["before", "after", "look", "clipped", "before", "after", "look"]
    assert made.count('class="plot"') == 2 * 2 + 1  # tones, exposure; one lift; noise of none
    assert "ook warm.clf, then" in made


def test_a_look_that_is_asked_for_takes_the_place_of_the_recipes(scene, tmp_path):
    gamut = "ACES 1.3 Reference Gamut Compression"
    text = report_html([scene], look=LookAsk(name=gamut), side=160, shots=["calm"])
    assert f"ook {gamut}, then" in text
    with pytest.raises(ColourError, match="has no look 'warm'"):
        report_html([scene], look=LookAsk(name="warm"), side=160, shots=["calm"])


def test_display_and_view_may_be_chosen(scene):
    text = report_html([scene], view="Un-tone-mapped", side=160, shots=["calm"])
    assert "Un-tone-mapped" in text
    with pytest.raises(ColourError, match="has no view"):
        report_html([scene], view="Mapped", side=160, shots=["calm"])


def test_a_plan_is_shown_as_one(tmp_path):
    recipe = write_scene(tmp_path, ran=False)
    recipe.write_text(RECIPE + "  gone: {plate: hot/gone.####.exr}\n", "utf-8")
    text = report_html([recipe], side=160)
    words = " ".join(" ".join(Elements(text).words).split())
    assert "3 shots, 1 clipped, 2 planned and not run, 1 refused." in words
    assert words.count("Planned, not run: nothing is written yet.") == 2
    assert words.index("Refused: gone:") < words.index("Planned, not run")
    assert "normalized, simulated" in text
    assert "xxh128:" not in text


def test_forty_shots_stay_under_fifteen_megabytes(scene, shown):
    """Pictures of pure noise, which nothing compresses, and a hundred frames a shot."""
    limit = bytes_each(gather([scene]) * 20)
    entry = shown[0]
    noise = np.random.default_rng(1).integers(0, 256, (540, 960, 3), dtype=np.uint8)
    worst = fitted(noise, Wish(bytes=limit), "noise")
    assert len(worst.uri) <= limit
    full = replace(worst, uri=worst.uri + "A" * (limit - len(worst.uri)))
    thumb = replace(worst, uri=data_uri(noise[:99, :176], "webp", quality=80))
    seen = replace(
        entry.seen,
        pictures=dict.fromkeys(("before", "after", "look", "clipped"), full),
        thumbs=dict.fromkeys(("before", "after"), thumb),
    )
    document = entry.shot.document
    frames = (tuple(document.frames) * 34)[:100]
    shot = replace(entry.shot, document=document.only(frames))
    text = page([replace(entry, shot=shot, seen=seen)] * 40)
    assert len(text.encode()) < 15e6


def test_the_evidence_is_whole(scene, made):
    record = sidecar.load(scene.parent / "out/calm/calm.stops.json")
    text = "".join(Elements(made).words)
    for frame in record.readings[0].evidence["frames"]:
        assert json.dumps(frame["luminance"]) in text

"""How long a picture takes, told in units of decoding the frame; the clock decides nothing."""

from __future__ import annotations

import time

import numpy as np
import OpenEXR
import pytest
from browsed import NO_WEBGL, desk_at, settled
from support import write_exr

RECIPE = """
gradeprep: 1
colour: {config: "ocio://studio-config-latest", working: ACEScg}
shots:
  wide:
    plate: "wide.####.exr"
    space: ACEScg
    stages: [{lift: {stops: 1.0, below: -2.0, softness: 3.0}}, {pull: {stops: -2.0}}]
    output: {plate: "out/wide.####.exr"}
"""

MOVE = """(pull) => new Promise((done) => {
  const began = performance.now();
  const stage = document.getElementById('stage');
  stage.addEventListener('drawn', () => done(performance.now() - began), {once: true});
  const slider = document.getElementById('pull-range');
  slider.value = pull;
  slider.dispatchEvent(new Event('change'));
})"""


@pytest.fixture(scope="module")
def wide(tmp_path_factory):
    """A desk on one UHD frame: its address, and the seconds that decoding the frame takes."""
    folder = tmp_path_factory.mktemp("wide")
    rows, columns = np.mgrid[0:2160, 0:3840].astype(np.float32)
    light = 0.18 * np.exp2(3.0 * np.sin(rows / 300.0) + 2.0 * np.cos(columns / 500.0))
    shares = {"R": 1.0, "G": 0.8, "B": 0.6}
    planes = {name: (light * share).astype(np.float16) for name, share in shares.items()}
    path = write_exr(folder / "wide.1001.exr", planes)
    began = time.perf_counter()
    OpenEXR.File(str(path), separate_channels=True).channels()
    decoding = time.perf_counter() - began
    (folder / "recipe.yaml").write_text(RECIPE, encoding="utf-8")
    with desk_at(folder / "recipe.yaml") as address:
        yield address, decoding


@pytest.mark.parametrize("way", ["light", "picture"])
def test_tells_how_long_a_picture_takes(browser, wide, record_property, way):
    address, decoding = wide
    context = browser.new_context(viewport={"width": 1280, "height": 800})
    if way == "picture":
        context.add_init_script(NO_WEBGL)
    page = context.new_page()
    began = time.perf_counter()
    page.goto(address)
    page.wait_for_selector('#stage[data-shows="wide 1001 -2 ACES 2.0 - SDR 100 nits (Rec.709)"]')
    first = time.perf_counter() - began
    settled(page)
    moves = [page.evaluate(MOVE, pull) / 1000.0 for pull in (-1.5, -1.25, -1.0)]
    settled(page, "wide 1001 -1")
    told = {"first": first / decoding, "moved": float(np.median(moves)) / decoding}
    for name, units in told.items():
        record_property(f"{way} {name}, in decodings of the frame", round(units, 2))
    print(f"{way}: first picture {told['first']:.1f}, after a move {told['moved']:.2f} decodings")
    assert page.evaluate("async () => (await import('/page/desk.js')).painterKind()") == way

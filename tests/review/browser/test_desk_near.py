"""The picture pixel for pixel, by key and by hand, and anamorphic plates, in a browser."""

from __future__ import annotations

import io

import matplotlib.image
import numpy as np
import pytest
from browsed import NO_WEBGL, desk_at, drag, opened, pixels, settled
from support import write_exr

RECIPE = """
gradeprep: 1
colour: {config: "ocio://studio-config-latest", working: ACEScg}
defaults: {stages: [{pull: {stops: -1.0}}], output: {plate: "out/{shot}.####.exr"}}
shots:
  wide: {plate: "wide.####.exr", space: ACEScg}
  squeezed: {plate: "squeezed.####.exr", space: ACEScg}
"""
WIDTH, HEIGHT = 2600, 1500
CLOSE = '#stage[aria-busy="false"][data-size="close"]'


@pytest.fixture(scope="module")
def near(tmp_path_factory):
    """A desk on a plate larger than the screen, noisy to the pixel, and on a squeezed one."""
    folder = tmp_path_factory.mktemp("near")
    noise = np.random.default_rng(7).uniform(0.0, 1.0, (HEIGHT, WIDTH)).astype(np.float16)
    write_exr(folder / "wide.1001.exr", dict.fromkeys("RGB", noise))
    small = dict.fromkeys("RGB", noise[:400, :300])
    write_exr(folder / "squeezed.1001.exr", small, pixelAspectRatio=2.0)
    (folder / "recipe.yaml").write_text(RECIPE, encoding="utf-8")
    with desk_at(folder / "recipe.yaml", OCIO_ACTIVE_VIEWS="Un-tone-mapped") as address:
        yield address


def closer(page):
    page.keyboard.press("z")
    page.wait_for_selector(CLOSE)


def place(page, axis):
    """First and last pixel seen along an axis, as a screen reader is told."""
    words = page.get_attribute(f"#size-{axis}", "aria-valuetext").split()
    return int(words[1]), int(words[3])


def moved(page, axis, first):
    page.wait_for_function(
        "([id, first]) => document.getElementById(id).ariaValueText.startsWith(`pixels ${first} `)",
        arg=[f"size-{axis}", first],
    )
    settled(page)


@pytest.mark.parametrize("way", ["light", "picture"])
def test_one_pixel_of_the_plate_is_one_of_the_screen(browser, near, way):
    context = browser.new_context(viewport={"width": 1280, "height": 800})
    if way == "picture":
        context.add_init_script(NO_WEBGL)
    page = context.new_page()
    page.goto(near)
    settled(page)
    closer(page)
    drawn = pixels(page)
    across, down = place(page, "across"), place(page, "down")
    assert drawn.shape[:2] == (down[1] - down[0] + 1, across[1] - across[0] + 1)
    box = page.locator("#sheet-shot").bounding_box()
    assert (box["width"], box["height"]) == drawn.shape[1::-1]
    png = io.BytesIO(page.locator("#sheet-shot").screenshot())
    seen = np.rint(matplotlib.image.imread(png)[..., :3] * 255.0)
    shifts = [seen[top : top + len(drawn) - 2, : drawn.shape[1]] for top in (0, 1)]
    assert min(np.abs(one - drawn[:-2]).max() for one in shifts) == 0


def test_the_place_is_moved_by_key_and_by_hand(browser, near):
    page = opened(browser, near)
    closer(page)
    page.focus("#size-across")
    page.keyboard.press("End")
    last = WIDTH - 1
    page.wait_for_function(
        "last => document.getElementById('size-across').ariaValueText.includes(`to ${last} of`)",
        arg=last,
    )
    left, top = place(page, "across")[0], place(page, "down")[0]
    box = page.locator("#sheet-shot").bounding_box()
    shares = 100 / box["width"], 50 / box["height"]
    drag(page, "#sheet-shot", (0.5, 0.5), (0.5 + shares[0], 0.5 + shares[1]))
    moved(page, "across", left - 100)
    moved(page, "down", top - 50)
    assert page.is_hidden("#region")
    page.keyboard.press("z")
    page.wait_for_selector('#stage[aria-busy="false"][data-size="whole"]')
    assert page.is_hidden("#size-more")


def test_a_rectangle_is_drawn_with_shift_and_stays_on_its_place(browser, near):
    page = opened(browser, near)
    closer(page)
    left, top = place(page, "across")[0], place(page, "down")[0]
    box = page.locator("#sheet-shot").bounding_box()
    ends = [(at / box["width"], at / box["height"]) for at in (40, 90)]
    page.keyboard.down("Shift")
    drag(page, "#sheet-shot", *ends)
    page.keyboard.up("Shift")
    region = [int(page.input_value(f"#region-{key}")) for key in "xywh"]
    assert region == pytest.approx([left + 40, top + 40, 50, 50], abs=1)
    page.focus("#size-across")
    page.keyboard.press("End")
    page.wait_for_selector("#region", state="hidden")
    page.keyboard.press("z")
    page.wait_for_selector("#region", state="visible")


def test_a_double_click_goes_there_and_back(browser, near):
    page = opened(browser, near)
    box = page.locator("#sheet-shot").bounding_box()
    page.locator("#sheet-shot").dblclick(
        position={"x": 0.4 * box["width"], "y": 0.6 * box["height"]}
    )
    page.wait_for_selector(CLOSE)
    assert np.mean(place(page, "across")) == pytest.approx(0.4 * WIDTH, abs=4)
    assert np.mean(place(page, "down")) == pytest.approx(0.6 * HEIGHT, abs=4)
    page.locator("#sheet-shot").dblclick()
    page.wait_for_selector('#stage[aria-busy="false"][data-size="whole"]')


def test_a_squeezed_plate_is_shown_as_the_lens_saw_it(browser, near):
    page = opened(browser, near)
    page.click('[data-shot="squeezed"]')
    settled(page, "squeezed")
    box = page.locator("#sheet-shot").bounding_box()
    assert box["width"] / box["height"] == pytest.approx(600 / 400, rel=0.01)
    closer(page)
    box = page.locator("#sheet-shot").bounding_box()
    assert (box["width"], box["height"]) == (
        600,
        place(page, "down")[1] + 1 - place(page, "down")[0],
    )
    page.keyboard.press("z")
    page.wait_for_selector('#stage[aria-busy="false"][data-size="whole"]')
    drag(page, "#sheet-shot", (0.5, 0.5), (0.75, 0.75))
    region = [int(page.input_value(f"#region-{key}")) for key in "xywh"]
    assert region == pytest.approx([150, 200, 75, 100], abs=2)

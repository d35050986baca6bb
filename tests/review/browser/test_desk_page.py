"""The desk in a browser: look, decide by key, number and drag, save, undo."""

from __future__ import annotations

import difflib
import json

import pytest
import yaml
from browsed import drag, line, opened, settled
from support import run

PULL = '.mark.pull[role="slider"]'


def stages(film, shot):
    recipe = yaml.safe_load((film / "recipe.yaml").read_text(encoding="utf-8"))
    return recipe["shots"][shot]["stages"]


def value(page, selector):
    return float(page.get_attribute(selector, "aria-valuenow"))


def pick(page, shot):
    page.click(f'[data-shot="{shot}"]')
    settled(page, shot)


def test_opens_on_the_film_and_goes_through_shots_and_frames(browser, looking):
    page = opened(browser, looking)
    assert page.locator("#shots tr").count() == 3
    assert page.inner_text("#recipe-name") == "recipe.yaml"
    assert "slipway_010" in page.get_attribute("#stage", "data-shows")
    page.keyboard.press("j")
    settled(page, "loft_020")
    assert "loft_020" in page.title()
    page.fill("#frame", "1001")
    page.keyboard.press("Enter")
    settled(page, "loft_020 1001")
    page.click("#frame-on")
    settled(page, "loft_020 1002")
    page.locator("#frame-range").focus()
    page.keyboard.press("End")
    settled(page, "loft_020 1008")
    assert page.is_disabled("#frame-on")
    assert page.get_attribute('[data-shot="loft_020"]', "aria-current") == "true"


def test_reads_a_dragged_card_as_the_command_line_does(browser, looking, hot, capsys):
    page = opened(browser, looking)
    shown = page.get_attribute("#stage", "data-shows").split()
    drag(page, "#sheet-shot", (0.061, 0.793), (0.102, 0.868))
    page.wait_for_selector("#reading[data-stops]")
    region = [int(page.input_value(f"#region-{key}")) for key in "xywh"]
    assert region == pytest.approx([29, 214, 20, 20], abs=2)
    plate = hot / "hot" / "slipway_010" / "slipway_010.####.exr"
    asked = ("--meter", "grey_card", "--region", *region, "--space", "ACEScg")
    ran = run(capsys, "measure", plate, *asked, "--set", f"frame={shown[1]}", "--json")
    reading = json.loads(ran.out)["reading"]
    assert float(page.get_attribute("#reading", "data-stops")) == reading["stops"]
    assert f"± {reading['sigma']:.3f}" in page.inner_text("#reading .value")
    page.click("#use-reading")
    assert value(page, PULL) == pytest.approx(reading["stops"], abs=0.001)


def test_a_rectangle_typed_on_the_card_is_read_too(browser, looking):
    page = opened(browser, looking)
    for key, number in zip("xywh", (28, 213, 23, 23), strict=True):
        page.fill(f"#region-{key}", str(number))
    assert page.is_visible("#region")
    page.click("#read")
    page.wait_for_selector("#reading[data-stops]")
    assert float(page.get_attribute("#reading", "data-stops")) == pytest.approx(-3.0, abs=0.05)


def test_a_rectangle_that_cannot_be_read_says_why(browser, looking):
    page = opened(browser, looking)
    for key, number in zip("xywh", (0, 0, 480, 270), strict=True):
        page.fill(f"#region-{key}", str(number))
    page.click("#read")
    page.wait_for_selector("#reading .bad")
    assert page.inner_text("#reading .bad")


def test_decides_by_key_number_and_drag_saves_and_takes_it_back(browser, desk, film):
    recipe = film / "recipe.yaml"
    before = recipe.read_text(encoding="utf-8")
    page = opened(browser, desk)
    pick(page, "loft_020")
    page.fill("#pull", "-2.5")
    page.keyboard.press("Enter")
    page.focus(PULL)
    page.keyboard.press("ArrowRight")
    assert value(page, PULL) == pytest.approx(-2.45)
    page.focus('.mark.begin[role="slider"]')
    page.keyboard.press("ArrowLeft")
    pick(page, "slipway_010")
    ruler, mark = page.locator("#ruler").bounding_box(), page.locator(PULL).bounding_box()
    stop = (ruler["width"] - 52) / 18
    page.mouse.move(mark["x"] + 30, mark["y"] + 12)
    page.mouse.down()
    page.mouse.move(mark["x"] + 30 - stop, mark["y"] + 12)
    page.mouse.up()
    dragged = value(page, PULL)
    assert page.inner_text("#save") == "Save 2 shots"
    page.keyboard.press("Control+s")
    line(page, "Saved 2 shots")
    assert stages(film, "slipway_010")[1] == {"pull": {"stops": pytest.approx(dragged)}}
    lift, pull = stages(film, "loft_020")
    assert lift["lift"] == {"stops": 1.0, "below": pytest.approx(-3.55), "softness": 3.0}
    assert pull == {"pull": {"stops": pytest.approx(-2.45)}}
    after = recipe.read_text(encoding="utf-8")
    assert after.count("#") == before.count("#")
    changed = [
        one for one in difflib.ndiff(before.splitlines(), after.splitlines()) if one[0] in "-+"
    ]
    assert all("pull" in one or "lift" in one for one in changed)
    again = opened(browser, desk)
    pick(again, "loft_020")
    assert again.input_value("#pull") == "-2.45"
    page.click("#undo")
    line(page, "Took the last save")
    assert recipe.read_text(encoding="utf-8") == before


def test_a_drifting_pull_keeps_its_keys_and_moves_as_one(browser, desk, film):
    page = opened(browser, desk)
    pick(page, "quay_030")
    row = "[...document.querySelectorAll('#shots tr')].at(-1).cells[1].textContent"
    page.wait_for_function(f"() => {row}.includes('\u2026')")  # the meter has read every frame
    read = page.evaluate("import('/page/state.js').then(({current}) => current().stages.pull)")
    page.keyboard.press("+")
    page.click("#save")
    line(page, "Saved one shot")
    wanted = {frame: pytest.approx(stops + 0.1, abs=0.001) for frame, stops in read["resolved"]}
    assert len(wanted) > 1
    assert stages(film, "quay_030") == [{"pull": {"stops": wanted}}]


@pytest.mark.parametrize(("field", "typed"), [("#frame", "1002"), ("#pull", "-2.25")])
def test_what_is_being_typed_stays_when_the_recipe_is_told_anew(browser, looking, field, typed):
    page = opened(browser, looking)
    page.fill(field, typed)
    page.evaluate("import('/page/state.js').then(({desk, take}) => take(desk.recipe))")
    assert page.input_value(field) == typed
    page.keyboard.press("Enter")
    settled(page, typed)


def test_put_back_leaves_nothing_to_save(browser, looking):
    page = opened(browser, looking)
    was = page.input_value("#pull")
    page.keyboard.press("+")
    assert page.input_value("#pull") != was
    assert page.is_enabled("#save")
    page.click("#discard")
    assert page.input_value("#pull") == was
    assert page.is_disabled("#save")


def test_a_number_out_of_range_is_not_taken(browser, looking):
    page = opened(browser, looking)
    was = value(page, PULL)
    page.fill("#pull", "99")
    page.keyboard.press("Enter")
    line(page, "from -40 to 40")
    assert page.get_attribute("#pull", "aria-invalid") == "true"
    assert value(page, PULL) == was


def test_a_steeper_lift_takes_the_softness_that_it_needs(browser, looking):
    page = opened(browser, looking)
    page.fill("#lift-stops", "2")
    page.keyboard.press("Enter")
    assert float(page.input_value("#lift-softness")) == pytest.approx(4.0, abs=0.001)
    page.fill("#lift-softness", "1")
    page.keyboard.press("Enter")
    assert float(page.input_value("#lift-softness")) == pytest.approx(4.0, abs=0.001)


def test_single_keys_can_be_switched_off(browser, looking):
    page = opened(browser, looking)
    was = page.input_value("#pull")
    page.keyboard.press("?")
    assert page.is_visible("#keys")
    page.uncheck("#keys-single")
    page.keyboard.press("Escape")
    page.keyboard.press("+")
    assert page.input_value("#pull") == was


def test_compares_by_wipe_and_side_by_side(browser, looking):
    page = opened(browser, looking)
    page.keyboard.press("w")
    settled(page)
    page.focus("#wipe")
    page.keyboard.press("Home")
    assert "100%" in page.eval_on_selector("#under-wipe", "node => node.style.clipPath")
    page.keyboard.press("s")
    page.select_option("#compare-with", "loft_020")
    page.wait_for_function(
        "() => document.getElementById('caption-other').textContent.startsWith('loft_020')"
    )
    widths = [page.locator(f"#sheet-{name}").bounding_box()["width"] for name in ("shot", "other")]
    assert widths[0] == pytest.approx(widths[1], abs=2)


@pytest.mark.parametrize("kind", ["clip", "noise"])
def test_overlays_tell_their_scale(browser, looking, kind):
    page = opened(browser, looking)
    page.keyboard.press(kind[0])
    page.wait_for_selector(f'#canvas-over[data-shows^="{kind}"]')
    words = page.inner_text("#legend")
    assert (
        "one channel clipped" in words if kind == "clip" else "stops of signal over noise" in words
    )
    painted = page.eval_on_selector(
        "#canvas-over",
        "c => c.getContext('2d').getImageData(0, 0, c.width, c.height).data"
        ".some((value, i) => i % 4 === 3 && value > 0)",
    )
    assert painted


def test_works_at_1024_pixels_and_at_twice_the_size(browser, looking):
    for width, height in ((1024, 700), (640, 400)):  # the second: 1280 x 800 at 200 %
        page = opened(browser, looking, viewport={"width": width, "height": height})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        page.locator("#save").scroll_into_view_if_needed()
        assert page.is_visible("#save")

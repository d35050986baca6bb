"""What goes wrong while the desk is open is said on the page, and nothing is lost."""

from __future__ import annotations

import pytest
from browsed import line, opened, settled


def alert(page):
    page.wait_for_selector("#no-picture:visible")
    return page.inner_text("#no-picture")


@pytest.mark.parametrize("answer", ["save", "watch"])
def test_a_recipe_changed_on_disk_is_not_written_over(browser, desk, film, answer):
    recipe = film / "recipe.yaml"
    page = opened(browser, desk)
    said = []
    page.on("console", lambda message: said.append(message.text))
    page.keyboard.press("+")
    pull = page.input_value("#pull")
    theirs = recipe.read_text(encoding="utf-8") + "# somebody was here\n"
    recipe.write_text(theirs, encoding="utf-8")
    if answer == "save":
        page.click("#save")
        page.wait_for_selector("#conflict[open]")
        assert "recipe.yaml" in page.inner_text("#conflict-text")
        page.click("#conflict-reload")
    else:
        page.evaluate("dispatchEvent(new Event('focus'))")
        page.wait_for_selector("#warning:visible")
        page.click("#warning-reload")
    line(page, "again")
    assert recipe.read_text(encoding="utf-8") == theirs
    assert page.input_value("#pull") == pull
    page.click("#save")
    line(page, "Saved one shot")
    assert "# somebody was here" in recipe.read_text(encoding="utf-8")
    settled(page)
    assert [text for text in said if "409" not in text] == []


def test_two_pages_on_one_desk_do_not_write_over_each_other(browser, desk, film):
    one, two = opened(browser, desk), opened(browser, desk)
    one.keyboard.press("+")
    one.click("#save")
    line(one, "Saved one shot")
    saved = (film / "recipe.yaml").read_text(encoding="utf-8")
    two.keyboard.press("-")
    two.click("#save")
    two.wait_for_selector("#conflict[open]")
    assert (film / "recipe.yaml").read_text(encoding="utf-8") == saved


def test_a_plate_that_vanishes_is_named_and_comes_back(browser, desk, film):
    page = opened(browser, desk)
    frame = film / "hot" / "slipway_010" / "slipway_010.1001.exr"
    kept = frame.rename(frame.with_suffix(".away"))
    page.fill("#frame", "1001")
    page.keyboard.press("Enter")
    assert "slipway_010.1001.exr" in alert(page)
    kept.rename(frame)
    page.click("#frame-on")
    settled(page, "slipway_010 1002")
    page.click("#frame-back")
    settled(page, "slipway_010 1001")


def test_a_torn_frame_is_named(browser, desk, film):
    frame = film / "hot" / "slipway_010" / "slipway_010.1002.exr"
    frame.write_bytes(frame.read_bytes()[:4000])
    page = opened(browser, desk)
    page.fill("#frame", "1002")
    page.keyboard.press("Enter")
    told = alert(page)
    assert "1002" in told
    assert "copy the frame again" in told
    page.click("#frame-on")
    settled(page, "slipway_010 1003")

"""The report in a browser: no request, no error, operable by keyboard, readable, printable."""

from __future__ import annotations

import pytest
from reported import write_scene

from gradeprep.review.report import report_html

SCHEMES = ("light", "dark")


@pytest.fixture(scope="module")
def address(tmp_path_factory):
    folder = tmp_path_factory.mktemp("scene")
    path = folder / "report.html"
    path.write_text(report_html([write_scene(folder)], side=320), "utf-8")
    return path.as_uri()


@pytest.fixture
def tab(browser, address, request):
    """The report, opened from disk, with all that went wrong on the way."""
    scheme = getattr(request, "param", "light")
    context = browser.new_context(
        viewport={"width": 1024, "height": 800}, color_scheme=scheme, reduced_motion="reduce"
    )
    opened = context.new_page()
    opened.wrong = []
    opened.on("console", lambda message: opened.wrong.append(message.text))
    opened.on("pageerror", lambda error: opened.wrong.append(str(error)))
    opened.on("request", lambda asked: opened.wrong.append(asked.url) if is_other(asked) else None)
    opened.goto(address)
    yield opened
    assert opened.wrong == []
    context.close()


def is_other(asked):
    return not asked.url.startswith("data:") and not asked.url.endswith("/report.html")


def edge(tab):
    """How much of the right picture of the first wipe is cut off at its left, in percent."""
    shape = tab.evaluate("getComputedStyle(document.querySelector('.wipe .right img')).clipPath")
    return float(shape.removesuffix("%)").split()[-1])


def test_opens_from_disk_and_asks_for_nothing(tab):
    loaded = tab.evaluate("[...document.images].map(i => i.complete && i.naturalWidth > 0)")
    assert loaded
    assert all(loaded)
    assert tab.evaluate("document.documentElement.scrollWidth") <= 1024
    assert tab.locator(".live").count() == 2


def test_the_wipe_goes_by_keyboard(tab):
    slider = tab.locator(".wipe input[type=range]").first
    slider.focus()
    assert edge(tab) == 50.0
    tab.keyboard.press("ArrowRight")
    assert edge(tab) == 51.0
    tab.keyboard.press("Home")
    assert edge(tab) == 0.0
    tab.keyboard.press("End")
    assert edge(tab) == 100.0
    assert "100 % as recorded" in slider.get_attribute("aria-valuetext")
    tab.keyboard.press("Tab")
    tab.keyboard.press("ArrowDown")
    assert tab.locator(".wipe .right").first.get_attribute("data-name") == "look"
    tab.keyboard.press("ArrowDown")
    assert tab.locator(".wipe .right").first.get_attribute("data-name") == "clipped"


def test_the_wipe_follows_the_pointer(tab):
    stage = tab.locator(".stage").first
    stage.scroll_into_view_if_needed()
    box = stage.bounding_box()
    tab.mouse.move(box["x"] + 0.5 * box["width"], box["y"] + 20)
    tab.mouse.down()
    tab.mouse.move(box["x"] + 0.25 * box["width"], box["y"] + 30)
    tab.mouse.up()
    assert edge(tab) == pytest.approx(25.0, abs=1.0)
    tab.mouse.move(box["x"] + 0.9 * box["width"], box["y"] + 30)
    assert edge(tab) == pytest.approx(25.0, abs=1.0)


def test_every_part_is_reached_by_keyboard(tab):
    seen = set()
    for _ in range(60):
        tab.keyboard.press("Tab")
        seen.add(tab.evaluate("document.activeElement.tagName"))
    assert {"A", "INPUT", "SUMMARY"} <= seen


@pytest.mark.parametrize("tab", SCHEMES, indirect=True)
def test_keeps_wcag_2_2_aa(tab):
    """W3C WCAG 2.2, levels A and AA, as far as axe-core can tell."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()
    tab.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true })")
    tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
    found = axe.run(tab, options={"runOnly": {"type": "tag", "values": tags}})
    assert found.violations_count == 0, found.generate_report()


def test_paper_shows_all_pictures_whole_and_unfolds_everything(tab):
    tab.emulate_media(media="print")
    tab.evaluate("dispatchEvent(new Event('beforeprint'))")
    boxes = tab.evaluate(
        "[...document.querySelectorAll('.pane img')].map(i => {"
        " const box = i.getBoundingClientRect(), pane = getComputedStyle(i.parentElement);"
        " return [box.width, box.height, getComputedStyle(i).clipPath, pane.breakInside]"
        "})"
    )
    assert len(boxes) == 7
    for width, height, shape, breaks in boxes:
        assert width >= 96  # as large as the plate
        assert width / height == pytest.approx(2.0, abs=0.03)
        assert (shape, breaks) == ("none", "avoid")
    assert tab.locator("details:not([open])").count() == 0
    tab.evaluate("dispatchEvent(new Event('afterprint'))")
    assert tab.locator("details[open]").count() == 0
    assert tab.pdf(prefer_css_page_size=True).startswith(b"%PDF")


def test_without_script_the_pictures_stand_side_by_side(browser, address):
    context = browser.new_context(java_script_enabled=False)
    opened = context.new_page()
    opened.goto(address)
    assert opened.locator(".pane").count() == 7
    assert opened.locator(".pane").nth(3).is_visible()
    assert not opened.locator(".controls").first.is_visible()
    context.close()

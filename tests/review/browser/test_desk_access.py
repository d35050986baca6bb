"""WCAG 2.2 AA as far as a program can tell (axe-core), and the keyboard."""

from __future__ import annotations

import pytest
from browsed import opened, settled

TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]


@pytest.fixture(scope="module")
def faults():
    module = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe is missing")
    axe = module.Axe()

    def check(page):
        found = axe.run(page, options={"runOnly": {"type": "tag", "values": TAGS}})
        return [
            (fault["id"], node["target"])
            for fault in found.response["violations"]
            for node in fault["nodes"]
        ]

    return check


@pytest.mark.parametrize("scheme", ["dark", "light"])
def test_axe_finds_nothing(browser, looking, faults, scheme):
    page = opened(browser, looking, color_scheme=scheme)
    assert faults(page) == []
    page.check("#balance-on")
    page.keyboard.press("w")
    page.keyboard.press("n")
    page.wait_for_selector('#canvas-over[data-shows^="noise"]')
    page.keyboard.press("+")
    settled(page)
    for key, number in zip("xywh", (28, 213, 23, 23), strict=True):
        page.fill(f"#region-{key}", str(number))
    page.click("#read")
    page.wait_for_selector("#use-reading")
    assert faults(page) == []
    for dialog in ("keys", "conflict"):
        page.evaluate("id => document.getElementById(id).showModal()", dialog)
        assert faults(page) == []
        page.keyboard.press("Escape")


def test_the_room_follows_the_switch(browser, looking):
    page = opened(browser, looking, color_scheme="dark")
    room = "getComputedStyle(document.body).backgroundColor"
    dark = page.evaluate(room)
    page.select_option("#theme", "light")
    assert page.evaluate(room) != dark


def test_everything_can_be_reached_by_tab_and_shows_its_focus(browser, looking):
    page = opened(browser, looking)
    reached, unseen = [], []
    for _ in range(80):
        page.keyboard.press("Tab")
        name, outlined = page.evaluate(
            """() => {
              const node = document.activeElement;
              const style = getComputedStyle(node);
              const beside = node.nextElementSibling;
              const near = beside ? getComputedStyle(beside).outlineStyle : 'none';
              const seen = style.outlineStyle !== 'none' || near !== 'none';
              return [node.id || node.className || node.dataset.shot || node.name, seen];
            }"""
        )
        if name is None or name in reached:  # out of the page, or around
            break
        reached.append(name)
        if not outlined:
            unseen.append(name)
    wanted = {"display", "keys-open", "frame", "pull", "lift-stops", "region-x", "read", "run"}
    assert wanted <= set(reached)
    assert {"mark pull", "mark lift begin", "mark lift full", "mark lift amount"} <= set(reached)
    assert unseen == []


def test_targets_are_large_enough(browser, looking):
    page = opened(browser, looking)
    small = page.evaluate(
        """() => [...document.querySelectorAll('button, select, input, [role=slider], main a')]
          .filter((node) => node.offsetParent !== null)
          .filter((node) => {
            const box = (node.closest('label') ?? node).getBoundingClientRect();
            return box.width < 24 || box.height < 24;
          })
          .map((node) => node.id || node.className)"""
    )
    assert small == []

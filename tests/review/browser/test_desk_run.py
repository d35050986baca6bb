"""Running a shot from the page, and its report."""

from __future__ import annotations

from browsed import line, opened


def test_runs_a_shot_to_its_end_and_shows_how_far_it_is(browser, desk, film):
    page = opened(browser, desk)
    page.evaluate(
        """() => {
          window.seen = new Set();
          const label = document.getElementById('progress-label');
          const watch = new MutationObserver(() => window.seen.add(label.textContent));
          watch.observe(label, {childList: true});
        }"""
    )
    page.click("#run")
    line(page, "slipway_010 is done")
    seen = page.evaluate("[...window.seen]")
    assert "slipway_010: 8 of 8 frames" in seen
    written = sorted(path.name for path in (film / "normalized" / "slipway_010").glob("*.exr"))
    assert len(written) == 8
    assert page.locator("#shots tr").first.inner_text().endswith("done")
    with page.expect_popup() as popup:
        page.click("#report")
    report = popup.value
    report.wait_for_load_state()
    assert "slipway_010" in report.content()


def test_a_run_waits_for_what_is_not_saved(browser, looking):
    page = opened(browser, looking)
    page.keyboard.press("+")
    page.click("#run")
    line(page, "Save first")
    assert not page.is_visible("#progress-part")

"""A desk and a browser for tests: Chromium is found, the desk runs as a process of its own."""

from __future__ import annotations

import base64
import io
import os
import re
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import matplotlib.image
import numpy as np
import pytest

__all__ = [
    "ARGUMENTS",
    "NO_WEBGL",
    "chromium",
    "desk_at",
    "drag",
    "line",
    "opened",
    "pixels",
    "settled",
]

ARGUMENTS = ("--no-sandbox", "--use-angle=swiftshader", "--enable-unsafe-swiftshader")
"""WebGL2 without a graphics card."""

NO_WEBGL = """
const real = HTMLCanvasElement.prototype.getContext;
HTMLCanvasElement.prototype.getContext = function (kind, ...rest) {
  return kind.startsWith('webgl') ? null : real.call(this, kind, ...rest);
};
"""
"""Script that takes WebGL from a page before it starts."""

PATIENCE = 60_000
"""Milliseconds after which a page that does not answer has failed."""


def chromium() -> str:
    """The browser's path; a skip where there is none, a failure where tests must be complete."""
    named = os.environ.get("GRADEPREP_CHROMIUM")
    found = named or shutil.which("chromium") or shutil.which("chromium-browser")
    if found:
        return found
    if os.environ.get("CI"):
        pytest.fail("no Chromium found: install it, or name it in GRADEPREP_CHROMIUM")
    pytest.skip("no Chromium found; GRADEPREP_CHROMIUM may name it")


@contextmanager
def desk_at(recipe: Path, **environment: str) -> Iterator[str]:
    """A desk on a recipe; gives the address it prints."""
    command = [sys.executable, "-m", "gradeprep", "desk", str(recipe), "--no-open"]
    env = {**os.environ, "PYTHONUNBUFFERED": "1", **environment}
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=env
    ) as desk:
        try:
            assert desk.stdout is not None
            yield _address(desk)
        finally:
            desk.send_signal(signal.SIGINT)
            try:
                desk.communicate(timeout=30)
            finally:
                desk.kill()


def _address(desk: subprocess.Popen[str]) -> str:
    assert desk.stdout is not None
    assert desk.stderr is not None
    for told in desk.stdout:
        found = re.search(r"http://127\.0\.0\.1:\d+/\?token=\S+", told)
        if found:
            return found.group()
    pytest.fail(f"the desk told no address: {desk.stderr.read()}")


def opened(browser: Any, address: str, **context: Any) -> Any:
    """A page on the desk, its picture drawn and its ruler counted."""
    size = {"width": 1280, "height": 800}
    page = browser.new_context(**{"viewport": size, **context}).new_page()
    page.set_default_timeout(PATIENCE)
    page.goto(address)
    settled(page)
    return page


def settled(page: Any, shows: str = "") -> None:
    """Wait until picture and ruler show what the page says."""
    told = f'[data-shows*="{shows}"]' if shows else "[data-shows]"
    page.wait_for_selector(f'#stage[aria-busy="false"]{told}')
    page.wait_for_selector(f"#ruler{told}")


def line(page: Any, words: str) -> None:
    """Wait until the page tells a line with these words."""
    page.wait_for_function(
        "words => document.getElementById('status').textContent.includes(words)", arg=words
    )


def pixels(page: Any) -> np.ndarray:
    """The picture as drawn: H x W x 3 uint8."""
    capture = "async () => (await import('/page/desk.js')).capture()"
    _, _, data = page.evaluate(capture).partition(",")
    png = matplotlib.image.imread(io.BytesIO(base64.b64decode(data)), format="png")
    return np.rint(png[..., :3] * 255.0).astype(np.uint8)


def drag(page: Any, selector: str, start: tuple[float, float], end: tuple[float, float]) -> None:
    """Draw from one place of an element to another, both as shares of its size."""
    box = page.locator(selector).bounding_box()
    (x0, y0), (x1, y1) = (
        (box["x"] + x * box["width"], box["y"] + y * box["height"]) for x, y in (start, end)
    )
    page.mouse.move(x0, y0)
    page.mouse.down()
    page.mouse.move((x0 + x1) / 2, (y0 + y1) / 2)
    page.mouse.move(x1, y1)
    page.mouse.up()

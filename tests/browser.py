"""A browser for tests of pages: Chromium without a window, or a word why there is none."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest

__all__ = ["browser"]

NAMES = ("chromium", "chromium-browser", "google-chrome", "chrome")


def _found() -> str:
    named = os.environ.get("GRADEPREP_CHROMIUM")
    path = named or next(filter(None, map(shutil.which, NAMES)), None)
    if path is None:
        what = "no Chromium on the PATH, and GRADEPREP_CHROMIUM names none"
        if os.environ.get("CI"):
            pytest.fail(what)
        pytest.skip(what)
    return path


@contextmanager
def browser() -> Iterator[Any]:
    """A running Chromium."""
    path = _found()
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    with playwright.sync_playwright() as started:
        opened = started.chromium.launch(executable_path=path, args=["--no-sandbox"])
        yield opened
        opened.close()

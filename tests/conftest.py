"""The same examples for every property test, on every machine; and one browser for all pages."""

from __future__ import annotations

import pytest
from browsed import ARGUMENTS, chromium
from hypothesis import settings

settings.register_profile("steady", derandomize=True, deadline=None, database=None)
settings.load_profile("steady")


@pytest.fixture(scope="session")
def browser():
    """Chromium without a window, one a session: two in one process would be one too many."""
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    with playwright.sync_playwright() as started:
        browser = started.chromium.launch(executable_path=chromium(), args=ARGUMENTS)
        yield browser
        browser.close()

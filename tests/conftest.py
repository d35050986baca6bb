"""The same examples for every property test, on every machine; signals; and a browser."""

from __future__ import annotations

import signal

import pytest
from browsed import ARGUMENTS, chromium
from hypothesis import settings

settings.register_profile("steady", derandomize=True, deadline=None, database=None)
settings.load_profile("steady")


# A shell starts background jobs with SIGINT ignored, children inherit that through exec, and a
# Python that starts so never raises KeyboardInterrupt: programs that tests interrupt would run on.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture(scope="module")
def browser():
    """Chromium without a window; gone with the module, as its event loop is in others' way."""
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    with playwright.sync_playwright() as started:
        browser = started.chromium.launch(executable_path=chromium(), args=ARGUMENTS)
        yield browser
        browser.close()

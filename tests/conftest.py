"""What tests of all layers share: a browser."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Browser

FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Chromium without a window, for the tests marked ``browser``."""
    from playwright.sync_api import sync_playwright

    found = shutil.which("chromium") or shutil.which("chromium-browser")
    if found is None:
        pytest.fail("no Chromium found: install it (on Debian: apt-get install chromium)")
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=found, args=FLAGS)
        yield opened
        opened.close()

"""Notebooks in JupyterLab and as served pages, in a real browser: plots drawn, nothing fetched."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from http.client import HTTPConnection
from pathlib import Path
from threading import Thread
from typing import Any
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Browser, Page

pytestmark = pytest.mark.browser

ROOT = Path(__file__).parents[2]
STUDY = ROOT / "data_demo" / "dirty" / "study.toml"
PATIENCE = 120_000  #: ms; a kernel starts and a plan is built in it


@contextmanager
def _running(words: list[str], pattern: str, **environment: str) -> Iterator[list[Any]]:
    """Run a command; give what the pattern finds in its output as soon as it is there."""
    process = subprocess.Popen(
        [sys.executable, "-m", "relkit", *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1", **environment},
    )
    assert process.stdout is not None
    said = ""
    for line in process.stdout:
        said += line
        if re.search(pattern, said):
            break
    else:
        pytest.fail(f"the server ended: {said}")
    rest = Thread(target=process.stdout.read, daemon=True)
    rest.start()
    try:
        yield re.findall(pattern, said)
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(60)
        rest.join(60)
        process.stdout.close()


@pytest.fixture(scope="module")
def served() -> Iterator[dict[str, str]]:
    """Address of each served page, by its name."""
    pattern = r"(?m)^  (.+?)  (http://\S+)$(?=[\s\S]*is running at)"
    with _running(["serve", str(STUDY), "--port", "0", "--no-browser"], pattern) as found:
        yield dict(found)


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Address of JupyterLab, with ``{name}`` for a notebook."""
    folder = tmp_path_factory.mktemp("lab")
    # the tests may run as root, which Jupyter refuses unless told otherwise
    (folder / "jupyter_server_config.json").write_text(
        json.dumps({"ServerApp": {"allow_root": True}})
    )
    words = ["notebooks", str(STUDY), "--out", str(folder / "copies"), "--no-browser"]
    pattern = r"http://127\.0\.0\.1:\d+/lab\?token=\w+"
    own = {  # no layout and no settings of earlier starts
        "JUPYTER_CONFIG_PATH": str(folder),
        "JUPYTERLAB_WORKSPACES_DIR": str(folder / "workspaces"),
        "JUPYTERLAB_SETTINGS_DIR": str(folder / "settings"),
    }
    with _running([*words, "--port", "0"], pattern, **own) as found:
        yield found[0].replace("/lab?", "/lab/tree/{name}?")


def _opened(browser: Browser, address: str, width: int = 1400) -> tuple[Page, list[str]]:
    """Return a page with a list that collects requests elsewhere and every error."""
    page = browser.new_page(viewport={"width": width, "height": 1000})
    wrong: list[str] = []
    here = ("http://127.0.0.1", "ws://127.0.0.1", "data:", "blob:")
    page.on("request", lambda r: None if r.url.startswith(here) else wrong.append(r.url[:80]))
    page.on("console", lambda m: wrong.append(m.text) if m.type == "error" else None)
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.goto(address, timeout=PATIENCE)
    return page, wrong


def _kept(page: Page, name: str) -> None:
    """Write a screenshot where the environment says so."""
    folder = os.environ.get("RELKIT_SCREENSHOTS", "")
    if folder:
        Path(folder).mkdir(parents=True, exist_ok=True)
        page.screenshot(path=Path(folder) / f"{name}.png")


def test_no_page_without_its_token(served: dict[str, str]) -> None:
    # Source: common practice; the server itself is asked.
    parts = urlsplit(served["Inspection intervals"])
    for query in ("", "?token=wrong"):
        connection = HTTPConnection(parts.netloc, timeout=60)
        connection.request("GET", parts.path + query)
        answer = connection.getresponse()
        assert answer.status in (302, 401, 403)
        assert b"intervals" not in answer.read()
        connection.close()


def test_the_served_page_shows_no_code_and_fetches_nothing(
    browser: Browser, served: dict[str, str]
) -> None:
    page, wrong = _opened(browser, served["Inspection intervals"])
    page.locator(".js-plotly-plot .main-svg").first.wait_for(timeout=PATIENCE)
    page.get_by_text("Before any work on a vehicle").wait_for(timeout=PATIENCE)
    assert page.locator(".jp-InputArea-editor:visible").count() == 0
    assert page.locator("table").count() > 3
    assert wrong == []
    _kept(page, "served_intervals")
    page.close()


def test_the_served_page_on_a_phone(browser: Browser, served: dict[str, str]) -> None:
    page, wrong = _opened(browser, served["Inspection intervals"], width=390)
    page.get_by_text("Before any work on a vehicle").wait_for(timeout=PATIENCE)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    assert wrong == []
    _kept(page, "served_intervals_phone")
    page.close()


def test_a_slider_moved_by_keyboard_changes_the_numbers(
    browser: Browser, served: dict[str, str]
) -> None:
    page, wrong = _opened(browser, served["What if"])
    handle = page.locator(".noUi-handle").first
    handle.wait_for(timeout=PATIENCE)
    page.get_by_text("Answered in").wait_for(timeout=PATIENCE)
    failures = page.locator("tr", has_text="Failures").first
    before = failures.inner_text()
    assert "no difference" in before
    handle.focus()
    for _ in range(3):
        page.keyboard.press("ArrowRight")
    page.wait_for_function(
        "before => ![...document.querySelectorAll('tr')].some(r => r.innerText === before)",
        arg=before,
        timeout=PATIENCE,
    )
    assert "no difference" not in failures.inner_text()
    assert page.locator(".jp-InputArea-editor:visible").count() == 0
    _kept(page, "served_what_if")
    page.get_by_text("Before any work on a vehicle").wait_for(timeout=PATIENCE)
    assert wrong == []
    page.close()


@pytest.mark.parametrize("start", ["02", "03", "04"])
def test_notebooks_run_in_jupyterlab(browser: Browser, lab: str, start: str) -> None:
    name = next(path.name for path in (ROOT / "notebooks").glob(f"{start}*.ipynb"))
    page, wrong = _opened(browser, lab.format(name=name))
    page.locator(".jp-Notebook .jp-Cell").first.wait_for(state="attached", timeout=PATIENCE)
    # tabs of notebooks opened before are restored, and one of them can lie on top
    page.locator(".lm-DockPanel-tabBar .lm-TabBar-tab", has_text=name[:12]).first.click()
    page.locator(".jp-Notebook .jp-Cell:visible").first.wait_for(timeout=PATIENCE)
    idle = page.get_by_text(re.compile(r"Python 3 .* \| Idle"))
    idle.wait_for(timeout=PATIENCE)
    page.get_by_role("menuitem", name="Run", exact=True).click()
    page.get_by_role("menuitem", name="Run All Cells", exact=True).click()
    page.get_by_text(re.compile(r"Python 3 .* \| Busy")).wait_for(timeout=PATIENCE)
    idle.wait_for(timeout=PATIENCE)
    seen, said = _scrolled(page)
    assert seen > 0
    assert said == set()
    assert page.get_by_text("Would you like to get notified").count() == 0
    assert [text for text in wrong if "favicon" not in text] == []
    _kept(page, f"notebook_{start}")
    page.close()


def _scrolled(page: Page) -> tuple[int, set[str]]:
    """Scroll a notebook from its end to its start: figures drawn, and complaints of its cells.

    JupyterLab keeps in the page only the cells that are near.
    """
    figures, said = 0, set()
    for _ in range(60):  # the longest of the notebooks is some 20,000 pixels high
        figures = max(figures, page.locator(".js-plotly-plot .main-svg").count())
        said |= set(page.locator("[data-mime-type*=stderr]").all_inner_texts())
        page.mouse.move(700, 500)
        page.mouse.wheel(0, -700)
        page.wait_for_timeout(150)
    return figures, said

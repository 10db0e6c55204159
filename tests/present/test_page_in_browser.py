"""The page in a real browser: no request leaves, figures draw, tables work, a phone is enough."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from relkit.plan.result import Plan
from relkit.present.page import write_page

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def address(plan: Plan, tmp_path_factory: pytest.TempPathFactory) -> str:
    return write_page(plan, tmp_path_factory.mktemp("page") / "plan.html").as_uri()


def opened(browser: Browser, address: str, width: int = 1400) -> tuple[Page, list[str]]:
    """Return a page with a list that collects requests elsewhere and everything it complains of."""
    page = browser.new_page(viewport={"width": width, "height": 1000})
    wrong: list[str] = []
    page.on("request", lambda r: None if r.url == address else wrong.append(r.url[:80]))
    page.on("console", lambda m: wrong.append(m.text) if m.type in ("error", "warning") else None)
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.goto(address)
    return page, wrong


def test_no_request_leaves_and_figures_are_drawn(browser: Browser, address: str) -> None:
    # Source: common practice; the browser itself is asked.
    page, wrong = opened(browser, address)
    for box in page.locator("[data-figure]").all():
        if box.is_visible():
            box.scroll_into_view_if_needed()
            box.locator(".main-svg").first.wait_for()
    assert wrong == []


def test_a_phone_needs_no_sideways_scrolling(browser: Browser, address: str) -> None:
    # Source: a phone of 390 pixels' width.
    page, wrong = opened(browser, address, width=390)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    assert page.locator("#table-due tbody tr:visible").count() == 25
    assert wrong == []


def test_tables_sort_by_number_and_by_keyboard(browser: Browser, address: str) -> None:
    # Source: the made plan: 3 failures are fewest, 86 most; text order would put 10 first.
    page, wrong = opened(browser, address)
    head = page.locator("#table-intervals th", has_text="Failures").locator("button")
    place = page.evaluate(
        "[...document.querySelectorAll('#table-intervals th')]"
        ".findIndex(th => th.textContent === 'Failures')"
    )
    cells = page.locator(f"#table-intervals tbody td:nth-child({place + 1})")
    head.focus()
    page.keyboard.press("Enter")
    assert cells.all_text_contents()[:2] == ["3", "10"]
    page.keyboard.press("Enter")
    assert cells.all_text_contents()[0] == "86"
    assert page.locator("#table-intervals th[aria-sort=descending]").count() == 1
    assert wrong == []


def test_due_list_is_filtered_by_state_and_words(browser: Browser, address: str) -> None:
    # Source: the made plan: 9 overdue positions; 94 in all.
    page, wrong = opened(browser, address)
    rows = page.locator("#table-due tbody tr:visible")
    page.get_by_role("button", name="9 overdue").click()
    assert rows.count() == 9
    assert page.locator('[data-count="due"]').text_content() == "9 of 94 rows"
    page.get_by_role("button", name="9 overdue").click()
    page.get_by_role("button", name="Show all 94 rows").click()
    assert rows.count() == 94
    page.locator('[data-find="due"]').fill("GR-16")
    assert rows.count() == page.locator("#table-due tbody tr", has_text="GR-16").count()
    assert wrong == []


def test_one_item_at_a_time_is_drawn(browser: Browser, address: str) -> None:
    # Source: the made plan.
    page, wrong = opened(browser, address)
    page.select_option("#pick", label="camera, boom arm")
    panel = page.locator("[data-panel]:visible")
    assert panel.count() == 1
    panel.locator(".main-svg").first.wait_for()
    assert "camera, boom arm" in (panel.locator("h3").text_content() or "").lower()
    assert wrong == []


def test_wild_names_run_nothing(browser: Browser, hostile: Plan, tmp_path: Path) -> None:
    # Source: common practice: an alert would open a dialog.
    address = write_page(hostile, tmp_path / "plan.html").as_uri()
    page, wrong = opened(browser, address)
    page.on("dialog", lambda dialog: wrong.append(dialog.message))
    for part in ("#intervals", "#pick", "#spares"):
        page.locator(part).scroll_into_view_if_needed()
    page.locator("#curves .main-svg").first.wait_for()
    assert wrong == []

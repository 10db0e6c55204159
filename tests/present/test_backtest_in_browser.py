"""Past forecasts in a real browser: on a page of their own and on the page of the plan."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from playwright.sync_api import Browser

from relkit.plan.result import Plan
from relkit.present.backtest_page import write_backtest_page
from relkit.present.page import write_page
from relkit.whatif.backtest import Backtest, backtest_of_log
from tests.whatif.simulated_logs import simulated_log

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def past() -> Backtest:
    dates = [pd.Timestamp(day) for day in ("2022-01-01", "2023-01-01")]
    return backtest_of_log(*simulated_log(1), (3,), dates=dates, histories=100)


@pytest.mark.parametrize("width", [1200, 390])
@pytest.mark.parametrize("whole_plan", [False, True])
def test_figures_draw_and_nothing_is_asked_of_the_network(
    browser: Browser, past: Backtest, plan: Plan, tmp_path: Path, whole_plan: bool, width: int
) -> None:
    # Source: the browser itself is asked; a phone is 390 pixels wide.
    if whole_plan:
        address = write_page(plan, tmp_path / "plan.html", backtest=past).as_uri()
    else:
        address = write_backtest_page(past, tmp_path / "backtest.html").as_uri()
    page = browser.new_page(viewport={"width": width, "height": 900})
    wrong: list[str] = []
    page.on("request", lambda r: None if r.url == address else wrong.append(r.url[:80]))
    page.on("console", lambda m: wrong.append(m.text) if m.type in ("error", "warning") else None)
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.goto(address)
    boxes = page.locator("#backtest [data-figure]").all()
    for box in boxes:
        box.scroll_into_view_if_needed()
        box.locator(".main-svg").first.wait_for()
    assert len(boxes) == 3
    assert page.locator("#backtest table").count() == 4
    assert page.locator("#backtest li").first.inner_text().startswith("Standing at 1 Jan 2023")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert wrong == []
    page.close()

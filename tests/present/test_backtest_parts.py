"""What a backtest says: sentences, tables, figures, a page of its own, the notebook's displays."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from pathlib import Path

import pandas as pd
import pytest

from relkit.present import notebook_backtest as shown
from relkit.present.backtest_page import write_backtest_page, write_backtest_tables
from relkit.present.backtest_parts import (
    backtest_context,
    backtest_figures,
    backtest_sentences,
    coverage_shown,
    drift_shown,
    forecast_shown,
    latest_forecast,
)
from relkit.whatif.backtest import Backtest, backtest_of_log
from tests.whatif.simulated_logs import simulated_log

DATES = [pd.Timestamp(day) for day in ("2022-01-01", "2022-07-01", "2023-01-01")]


@pytest.fixture(scope="module")
def past() -> Backtest:
    return backtest_of_log(*simulated_log(1), (3, 6), dates=DATES, histories=200)


@pytest.fixture(scope="module")
def short() -> Backtest:
    log, study = simulated_log(1)
    window = replace(study.window, end=date(2019, 12, 31))
    return backtest_of_log(log, replace(study, window=window))


def test_the_first_sentence_tells_the_latest_forecast(past: Backtest) -> None:
    # Source: the rows of the backtest.
    row = latest_forecast(past, "all").iloc[0]
    first = backtest_sentences(past)[0]
    assert first.startswith("Standing at 1 Jan 2023 with only what the log then held, ")
    assert f"{row['seen']:,} came" in first
    assert f"80 % range {row['low_80']} to {row['high_80']}" in first


@pytest.mark.parametrize(
    ("seen", "words"), [(0, "the forecast was too high"), (999, "the forecast was too low")]
)
def test_a_miss_is_told_as_a_miss(past: Backtest, seen: int, words: str) -> None:
    # Source: shown, good or bad.
    rows = past.forecasts.assign(seen=seen)
    assert words in backtest_sentences(replace(past, forecasts=rows))[0]


def test_worse_than_naive_is_told(past: Backtest) -> None:
    # Source: shown, good or bad.
    worse = replace(past, scores=past.scores.assign(gain=-0.12))
    assert any("12 % worse than that of the better" in line for line in backtest_sentences(worse))


def test_a_change_is_told_with_its_numbers(past: Backtest) -> None:
    # Source: by hand.
    drift = past.drift.head(1).assign(
        level="stratum",
        component="part 7",
        location="front",
        flagged=True,
        seen_since=34,
        expected_since=17.4,
        since=pd.Timestamp("2022-07-01"),
    )
    lines = backtest_sentences(replace(past, drift=drift))
    told = "part 7, front (since about 1 Jul 2022: 34 came, 17 expected)"
    assert any(told in line for line in lines)


def test_a_short_log_is_told_everywhere(short: Backtest, tmp_path: Path) -> None:
    # Source: the only thing that can be said of it.
    (line,) = backtest_sentences(short)
    assert line.startswith("The log is too short for this test: it covers 12 months")
    assert backtest_context(short)["backtest_lines"] == (line,)
    assert backtest_figures(short) == {}
    assert write_backtest_tables(short, tmp_path) == ()
    assert line in write_backtest_page(short, tmp_path / "p.html").read_text(encoding="utf-8")
    displays = (shown.show_forecast, shown.show_coverage, shown.show_scores, shown.show_drift)
    assert all(line in display(short).text for display in displays)
    assert shown.figure_of(short, "backtest_places").layout.meta["alternative"] == line


def test_tables_hold_the_numbers_of_the_backtest(past: Backtest) -> None:
    # Source: the rows of the backtest.
    table = forecast_shown(past)
    assert table.total == 11
    assert table.rows[0][0].text == "all together"
    coverage = coverage_shown(past)
    wanted = past.coverage.query(
        "method == 'relkit' and level_of == 'stratum' and months == 0 and wanted == 0.8"
    )
    assert coverage.rows[0][3].text == f"{wanted['calibrated'].item():.0%}".replace("%", " %")
    assert {row[1].text for row in drift_shown(past).rows} <= {"yes", "no sign"}


def test_figures_draw_the_numbers_of_the_backtest(past: Backtest) -> None:
    # Source: the rows of the backtest.
    figures = backtest_figures(past)
    assert sorted(figures) == ["backtest", "backtest_places", "backtest_shares"]
    rows = latest_forecast(past)
    drawn = {trace.name: trace for trace in figures["backtest"].data}
    assert sorted(drawn["expected"].x) == pytest.approx(sorted(rows["expected"]))
    came = [*drawn["came, inside the 80 % range"].x, *drawn["came, outside it"].x]
    assert sorted(came) == sorted(rows["seen"])
    bars = figures["backtest_places"].data[0]
    assert sum(bars.customdata) == 60  # 10 strata, 3 dates, 2 horizons
    assert all(figure.layout.meta["alternative"] for figure in figures.values())


def test_the_page_is_whole_and_asks_nothing_of_the_network(past: Backtest, tmp_path: Path) -> None:
    # Source: the promise of every page.
    text = write_backtest_page(past, tmp_path / "backtest.html").read_text(encoding="utf-8")
    body = text.split("<script", 1)[0]
    assert "Did last year's forecast come true?" in body.replace("&#39;", "'")
    assert body.count("<table") == 4
    assert re.search(r"(src|href)=\"https?:", body) is None
    names = [path.name for path in write_backtest_tables(past, tmp_path)]
    assert names == [f"backtest_{n}.csv" for n in ("forecasts", "coverage", "scores", "drift")]


def test_names_in_the_log_cannot_become_markup(past: Backtest, tmp_path: Path) -> None:
    # Source: everything shown is escaped.
    rows = past.forecasts.assign(component="<img src=x onerror=alert(1)>")
    text = write_backtest_page(replace(past, forecasts=rows), tmp_path / "b.html")
    assert "<img src=x" not in text.read_text(encoding="utf-8")

"""What a backtest says, in sentences and shown tables: for the page, the notebook, the terminal.

Layer: present. Turns the counts of a backtest into words; nothing is estimated here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from relkit.present.backtest_figures import forecast_figure, place_figure, share_figure
from relkit.present.columns import Column
from relkit.present.shown import ShownTable, shown_table
from relkit.present.unknown import item_names
from relkit.present.wording import day, listed, number, percent, plural, sentence
from relkit.whatif.backtest import Backtest
from relkit.whatif.backtest_scores import LEVELS
from relkit.whatif.backtest_tables import NAIVE, place_counts

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = [
    "BACKTEST_COLUMNS",
    "backtest_context",
    "backtest_figures",
    "backtest_sentences",
    "coverage_shown",
    "drift_shown",
    "forecast_shown",
    "latest_forecast",
    "scores_shown",
]

OWN, PLUG_IN = "relkit", "plug-in"
#: Level of the intervals that the sentences speak of.
_LEVEL = 0.8
#: Names of the methods, as people say them.
_METHODS = {
    OWN: "with parameter doubt",
    PLUG_IN: "point estimates alone",
    "last year's rate": "last year's rate goes on",
    "constant rate": "mean rate of the whole log",
}

BACKTEST_COLUMNS = (
    Column("item", "Item"),
    Column("expected", "Expected (80 % range)", "number", "low_80", "high_80"),
    Column("seen", "Came", "count"),
    Column("inside", "Inside the range", "flag"),
    Column("positions", "Positions", "count"),
    Column("failures_known", "Failures known then", "count"),
)
_COVERAGE = (
    Column("said", "Forecast"),
    Column("months_ahead", "Months ahead", "text"),
    Column("kept_50", "Kept of 50 %", "share"),
    Column("kept_80", "Kept of 80 %", "share"),
    Column("kept_95", "Kept of 95 %", "share"),
    Column("whole_80", "Inside the whole-number 80 % range", "share"),
    Column("forecasts", "Forecasts", "count"),
)
_SCORES = (
    Column("said", "Forecast"),
    Column("months", "Months ahead", "count"),
    Column("score", "Mean score (0 is perfect)", "number"),
    Column("gain", "Better than the naive ones by", "share"),
    Column("expected", "Expected in all", "number"),
    Column("seen", "Came in all", "count"),
)
_DRIFT = (
    Column("item", "Item"),
    Column("flagged", "Changed", "flag", words=("yes", "no sign")),
    Column("since", "If so, since", "date"),
    Column("expected_since", "Expected since", "number"),
    Column("seen_since", "Came since", "count"),
    Column("p_value", "Chance of this without a change", "share"),
)


def latest_forecast(backtest: Backtest, level: str = "stratum") -> pd.DataFrame:
    """Return the own forecasts of the longest horizon, made on the last date that has one."""
    rows = backtest.forecasts
    if rows.empty:
        return rows
    own = rows[(rows["method"] == OWN) & (rows["level"] == level)]
    own = own[own["months"] == own["months"].max()]
    last: pd.DataFrame = own[own["made_on"] == own["made_on"].max()]
    return last.reset_index(drop=True)


def backtest_sentences(backtest: Backtest) -> tuple[str, ...]:
    """Return what came true and what did not, in sentences; or why nothing can be said."""
    if backtest.forecasts.empty:
        return tuple(sentence(note) for note in backtest.notes)
    lines = [_last_forecast(backtest), _kinds(backtest)]
    if len(backtest.dates) > 1:
        lines += [_kept(backtest), _against_naive(backtest)]
        lines += [_changes(backtest)]
    return tuple([*lines, *(sentence(note) for note in backtest.notes)])


def _last_forecast(backtest: Backtest) -> str:
    row = latest_forecast(backtest, "all").iloc[0]
    low, high, seen = (float(row[name]) for name in ("low_80", "high_80", "seen"))
    verdict = "inside the range"
    if seen < low:
        verdict = "fewer than the range says: the forecast was too high"
    if seen > high:
        verdict = "more than the range says: the forecast was too low"
    return (
        f"Standing at {day(row['made_on'])} with only what the log then held, "
        f"{plural(row['expected'], 'failure')} were expected in the {row['months']} months that "
        f"followed (80 % range {low:,.0f} to {high:,.0f}), at the {row['positions']:,} positions "
        f"whose items' ages were known. {seen:,.0f} came: {verdict}."
    )


def _kinds(backtest: Backtest) -> str:
    rows = latest_forecast(backtest)
    inside = rows["seen"].between(rows["low_80"], rows["high_80"])
    names = item_names(rows[~inside], backtest.study.by)
    told = f" Outside: {'; '.join(names)}." if names else ""
    return (
        f"Kind by kind, {int(inside.sum())} of {len(rows)} had as many failures as their 80 % "
        f"range says.{told}"
    )


def _kept(backtest: Backtest) -> str:
    table = backtest.coverage
    chosen = table[(table["months"] == 0) & (table["level_of"] == "stratum")]
    shares = chosen[chosen["wanted"] == _LEVEL].set_index("method")
    own, plug_in = (float(shares["calibrated"][name]) for name in (OWN, PLUG_IN))
    return (
        f"Over {plural(len(backtest.dates), 'date')} and {shares['forecasts'][OWN]:,} forecasts, "
        f"the 80 % ranges kept {percent(own)} of what came; ranges from the point estimates "
        f"alone would have kept {percent(plug_in)}."
    )


def _against_naive(backtest: Backtest) -> str:
    table = backtest.scores
    chosen = table[(table["level_of"] == "stratum") & (table["method"] == OWN)]
    row = chosen.sort_values("months").iloc[-1]
    gain = float(row["gain"])
    word = "better" if gain >= 0 else "worse"
    return (
        f"Their mean score at {row['months']} months is {percent(abs(gain))} {word} than that of "
        f"the better of two naive forecasts ({' and '.join(_METHODS[name] for name in NAIVE)})."
    )


def _changes(backtest: Backtest) -> str:
    flagged = backtest.drift[backtest.drift["flagged"].astype(bool)]
    if flagged.empty:
        return (
            "No kind of item left its forecasts to one side for good: no sign that the truth "
            "changed. (Of logs without a change, 5 % would show one.)"
        )
    said = [
        f"{name} (since about {day(row['since'])}: {row['seen_since']:,} came, "
        f"{number(row['expected_since'], 2)} expected)"
        for name, row in zip(_names(flagged, backtest), flagged.to_dict("records"), strict=True)
    ]
    return (
        f"The truth seems to have changed for {listed(said, most=4)}. Do not rest an interval on "
        "older lives there before the reason is known: a new type, other work, another use."
    )


def _names(table: pd.DataFrame, backtest: Backtest) -> list[str]:
    """Return the items' names; all strata together have one of their own."""
    names = item_names(table, backtest.study.by)
    return [
        "all together" if level == "all" else name
        for level, name in zip(table["level"], names, strict=True)
    ]


def forecast_shown(backtest: Backtest) -> ShownTable:
    """Return the latest whole forecast against what came, most failures first."""
    rows = pd.concat([latest_forecast(backtest), latest_forecast(backtest, "all")])
    if rows.empty:
        return ShownTable("backtest", (), (), 0)
    rows = rows.assign(
        item=_names(rows, backtest),
        expected=rows["expected"].round(1),
        inside=rows["seen"].between(rows["low_80"], rows["high_80"]),
    )
    rows = rows.sort_values("expected", ascending=False, kind="stable")
    return shown_table("backtest", rows, BACKTEST_COLUMNS, backtest.study.clock)


def coverage_shown(backtest: Backtest) -> ShownTable:
    """Return the shares that the intervals kept, method by method."""
    table = backtest.coverage
    table = table[table["level_of"] == "stratum"]
    keys = ["method", "months", "forecasts"]
    wide = table.pivot_table(
        index=keys, columns="wanted", values=["calibrated", "inside"], sort=False
    )
    kept = {f"kept_{level * 100:.0f}": wide[("calibrated", level)] for level in LEVELS}
    shown = wide.index.to_frame(index=False).assign(
        **{name: column.to_numpy() for name, column in kept.items()},
        whole_80=wide[("inside", _LEVEL)].to_numpy(),
    )
    shown["said"] = shown["method"].map(_METHODS)
    shown["months_ahead"] = [str(months) if months else "all" for months in shown["months"]]
    order = shown["method"].map(list(_METHODS).index)
    shown = shown.iloc[np.lexsort([shown["months"], order])]
    return shown_table("backtest_coverage", shown, _COVERAGE, "")


def scores_shown(backtest: Backtest) -> ShownTable:
    """Return mean scores against the naive forecasts."""
    table = backtest.scores
    table = table[table["level_of"] == "stratum"].assign(said=table["method"].map(_METHODS))
    return shown_table("backtest_scores", table, _SCORES, "")


def drift_shown(backtest: Backtest) -> ShownTable:
    """Return the test for a change of each kind of item."""
    table = backtest.drift.assign(item=_names(backtest.drift, backtest))
    return shown_table("backtest_drift", table, _DRIFT, "")


def backtest_figures(backtest: Backtest) -> dict[str, go.Figure]:
    """Return the figures by name; with one date only that of the forecast itself."""
    rows = latest_forecast(backtest)
    if rows.empty:
        return {}
    figures = {"backtest": forecast_figure(rows, list(item_names(rows, backtest.study.by)))}
    if len(backtest.dates) > 1:
        places = (place_counts(backtest.forecasts, name) for name in (OWN, PLUG_IN))
        figures["backtest_places"] = place_figure(*places)
        table = backtest.coverage
        chosen = table[(table["months"] == 0) & (table["level_of"] == "stratum")]
        said = chosen.assign(method=chosen["method"].map(_METHODS))
        figures["backtest_shares"] = share_figure(said)
    return figures


def backtest_context(backtest: Backtest | None) -> dict[str, Any]:
    """Return what the page's section needs; ``backtest_lines`` is empty where there is none."""
    if backtest is None:
        return {"backtest_lines": (), "backtest_tables": (), "backtest_dates": 0}
    tables = []
    if not backtest.forecasts.empty:
        tables.append(
            (forecast_shown(backtest), "Forecast against what came", "backtest_forecasts.csv")
        )
    if len(backtest.dates) > 1:
        tables += [
            (
                coverage_shown(backtest),
                "Share of outcomes inside the ranges",
                "backtest_coverage.csv",
            ),
            (scores_shown(backtest), "Scores against naive forecasts", "backtest_scores.csv"),
            (drift_shown(backtest), "Did the truth change?", "backtest_drift.csv"),
        ]
    return {
        "backtest_lines": backtest_sentences(backtest),
        "backtest_tables": tuple(tables),
        "backtest_dates": len(backtest.dates),
    }

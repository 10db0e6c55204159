"""Figures of decisions: cost by age, unavailability by interval, all intervals, the due list.

Layer: present. Tables of a plan in, plotly figures out; what is drawn was computed elsewhere.
"""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.present.template import INK, MUTED, STYLES, SeriesStyle, alternative, new_figure
from relkit.present.traces import (
    add_band,
    add_line,
    error_bars,
    log_axis,
    plain,
    two_lines,
    without_data,
)
from relkit.present.wording import (
    amount_range,
    day,
    listed,
    money,
    percent,
    rate_unit,
    step,
    task_words,
)
from relkit.units import clock_symbol

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = ["STATES", "cost_figure", "due_figure", "interval_figure", "unavailability_figure"]

#: States of the due list in the order they are shown.
STATES = ("overdue", "never tested", "age unknown", "due", "later")
_EXPECTED, _COMPARED = STYLES[0], STYLES[1]


def cost_figure(
    curve: pd.DataFrame, interval: pd.Series, *, name: str, clock: str, currency: str
) -> go.Figure:
    """Return cost against replacement age: flat span, chosen interval, running to failure.

    Parameters
    ----------
    curve : DataFrame
        Rows of ``plan.cost_curves`` of one stratum: ``age`` [clock], ``cost_rate``,
        ``cost_rate_lower``, ``cost_rate_upper`` [currency per clock unit].
    interval : Series
        The stratum's row of ``plan.intervals``.
    name, clock, currency : str
        The item, the study's clock, the currency.
    """
    unit = clock_symbol(clock)
    factor, per = rate_unit(clock)
    figure = new_figure(
        f"Replacement age [{unit}]", f"Cost per {per} [{plain(currency)}]", height=400
    )
    if curve.empty:
        return without_data(figure, f"{name}: no cost curve, for want of a fit or of costs.")
    age = _floats(curve, "age")
    cost, lower, upper = (
        _floats(curve, c) * factor for c in ("cost_rate", "cost_rate_lower", "cost_rate_upper")
    )
    add_band(figure, age, lower, upper, style=_EXPECTED, name="range")
    hover = f"%{{x:,.0f}} {unit}: %{{y:,.0f}}"
    add_line(figure, age, cost, style=_EXPECTED, name="expected", hover=hover)
    failure = float(interval["run_to_failure_cost_rate"]) * factor
    _add_level(figure, age, failure, "run to failure")
    span = (float(interval["span_lower"]), float(interval["span_upper"]))
    if np.isfinite(span).all():
        figure.add_vrect(x0=span[0], x1=span[1], fillcolor="#8a979e", opacity=0.16, line_width=0)
    _mark_interval(figure, float(interval["interval"]), clock)
    figure.update_yaxes(range=[0, 2.2 * np.nanmax([failure, np.nanmin(cost)])], tickformat=",~r")
    figure.update_xaxes(rangemode="tozero", tickformat=",~r")
    chosen = step(float(interval["interval"]), clock)
    return alternative(
        figure,
        f"{name}: cost per {per} against the age of planned replacement. Within 2 % of the "
        f"cheapest from {amount_range(*span, clock)} (grey). Running to failure costs "
        f"{money(failure, currency)}. Chosen: {chosen}.",
    )


def unavailability_figure(
    curve: pd.DataFrame, interval: pd.Series, *, name: str, clock: str
) -> go.Figure:
    """Return the share of time failed unnoticed against the interval between tests.

    Parameters
    ----------
    curve : DataFrame
        Rows of ``plan.unavailability_curves`` of one stratum: ``interval`` [clock],
        ``unavailability``, ``lower``, ``upper`` [1].
    interval : Series
        The stratum's row of ``plan.intervals``.
    name, clock : str
        The item, the study's clock.
    """
    unit = clock_symbol(clock)
    figure = new_figure(f"Interval between tests [{unit}]", "Time failed unnoticed", height=400)
    if curve.empty:
        return without_data(figure, f"{name}: no curve, for want of a fit.")
    steps = _floats(curve, "interval")
    share, lower, upper = (_floats(curve, c) for c in ("unavailability", "lower", "upper"))
    add_band(figure, steps, lower, upper, style=_EXPECTED, name="range")
    hover = f"%{{x:,.0f}} {unit}: %{{y:.1%}}"
    add_line(figure, steps, share, style=_EXPECTED, name="expected", hover=hover)
    target, now = float(interval["target_unavailability"]), float(interval["unavailability"])
    _add_level(figure, steps, target, "most allowed")
    _mark_interval(figure, float(interval["interval"]), clock)
    top = np.nanmax([2.5 * target, 1.5 * now, 0.001])
    figure.update_yaxes(range=[0, min(top, 1)], tickformat=".1~%")
    figure.update_xaxes(rangemode="tozero", tickformat=",~r")
    chosen = step(float(interval["interval"]), clock)
    return alternative(
        figure,
        f"{name}: mean share of time failed without anyone noticing, against the interval "
        f"between tests. Chosen: {chosen}, which leaves {percent(now)}; most allowed: "
        f"{percent(target)}.",
    )


def interval_figure(intervals: pd.DataFrame, names: list[str], *, clock: str) -> go.Figure:
    """Return all chosen intervals with their ranges, shortest on top.

    Parameters
    ----------
    intervals : DataFrame
        ``plan.intervals``; rows without an interval are left out and named in the text.
    names : list of str
        The item of each row.
    clock : str
        The study's clock.
    """
    table = intervals.assign(name=names)
    without = table.loc[table["interval"].isna(), "name"].tolist()
    table = table[table["interval"].notna()].sort_values(["interval", "name"], ascending=False)
    title = f"Interval [{clock_symbol(clock)}], log scale"
    figure = new_figure(title, "", height=120 + 40 * max(len(table), 1))
    if table.empty:
        return without_data(figure, "No item has an interval.")
    tasks = sorted(table["task"].unique(), key=lambda task: task_words(task).order)
    for task, style in zip(tasks, STYLES, strict=False):
        _add_intervals(figure, table[table["task"] == task], style, clock)
    ends = table[["interval", "interval_lower", "interval_upper"]].to_numpy(np.float64)
    ends = ends[np.isfinite(ends) & (ends > 0)]
    log_axis(figure, ends.min(), ends.max())
    figure.update_yaxes(categoryorder="array", categoryarray=_labels(table))
    said = [
        f"{row['name']}: {task_words(row['task']).verb.lower()} every "
        f"{step(row['interval'], clock)} "
        f"({amount_range(row['interval_lower'], row['interval_upper'], clock)})"
        for row in table[::-1].to_dict("records")
    ]
    rest = f" No interval: {listed(without, 12)}." if without else ""
    return alternative(figure, f"Chosen intervals with their ranges. {'; '.join(said)}.{rest}")


def due_figure(due: pd.DataFrame, *, today: datetime) -> go.Figure:
    """Return how many positions fall due when: urgent states first, then month by month.

    Parameters
    ----------
    due : DataFrame
        ``plan.due``; each position counts once, in the month in which it is next due.
    today : datetime
        End of the log; the twelve months from its own on are shown.
    """
    figure = new_figure("", "Positions", height=360)
    if due.empty:
        return without_data(figure, "Nothing is due.")
    months = pd.period_range(pd.Timestamp(today), periods=12, freq="M")
    names = [day(month.start_time).split(" ", 1)[1].replace(" ", "<br>") for month in months]
    places = [state.replace(" ", "<br>") for state in STATES[:3]] + [*names, "after<br>that"]
    place = _due_places(due, months, places)
    tasks = sorted(due["task"].unique(), key=lambda task: task_words(task).order)
    for task, style in zip(tasks, STYLES, strict=False):
        counts = place[(due["task"] == task).to_numpy()].value_counts()
        _add_bars(figure, places, counts.reindex(places, fill_value=0), style, task)
    figure.update_layout(barmode="stack", bargap=0.25)
    figure.update_xaxes(tickangle=0, tickfont_size=12)
    figure.update_yaxes(tickformat=",~r", rangemode="tozero")
    counts = place.value_counts()
    said = [f"{name.replace('<br>', ' ')} {counts[name]:,}" for name in places if name in counts]
    return alternative(
        figure,
        f"Positions by when they are next due, counted from the end of the log, {day(today)}: "
        f"{', '.join(said)}.",
    )


def _due_places(due: pd.DataFrame, months: pd.PeriodIndex, places: list[str]) -> pd.Series:
    """Return each position's place on the time line: its state if urgent, else its month."""
    when = due["due_on"]
    number = (when.dt.year - months[0].year) * 12 + when.dt.month - months[0].month
    number = number.fillna(len(months)).clip(0, len(months)) + 3
    urgent = due["state"].map({state: i for i, state in enumerate(STATES[:3])})
    return urgent.fillna(number).astype(int).map(dict(enumerate(places)))


def _add_intervals(figure: go.Figure, rows: pd.DataFrame, style: SeriesStyle, clock: str) -> None:
    import plotly.graph_objects as go

    unit = clock_symbol(clock)
    value, lower, upper = (
        _floats(rows, c) for c in ("interval", "interval_lower", "interval_upper")
    )
    figure.add_trace(
        go.Scatter(
            x=value,
            y=_labels(rows),
            mode="markers",
            marker={"color": style.colour, "symbol": style.symbol, "size": 10},
            error_x=error_bars(value, lower, upper, style.colour),
            name=task_words(str(rows["task"].iloc[0])).verb,
            customdata=np.column_stack([lower, upper]),
            hovertemplate=(
                f"%{{x:,.0f}} {unit} (%{{customdata[0]:,.0f}} to %{{customdata[1]:,.0f}})"
                "<extra></extra>"
            ),
        )
    )


def _add_bars(
    figure: go.Figure, places: list[str], counts: pd.Series, style: SeriesStyle, task: str
) -> None:
    import plotly.graph_objects as go

    pattern = {"shape": style.pattern, "fgcolor": "#ffffff", "size": 6, "solidity": 0.25}
    pattern |= {"fillmode": "overlay"}
    figure.add_trace(
        go.Bar(
            x=places,
            y=counts.to_numpy(),
            marker={"color": style.colour, "pattern": pattern},
            name=task_words(task).verb,
            hovertemplate=f"%{{x}}: %{{y:,}} to {task_words(task).verb.lower()}<extra></extra>",
        )
    )


def _add_level(figure: go.Figure, x: NDArray[np.float64], height: float, name: str) -> None:
    if np.isfinite(height):
        ends, level = np.array([0.0, float(x.max())]), np.array([height, height])
        add_line(figure, ends, level, style=_COMPARED, name=name)


def _mark_interval(figure: go.Figure, interval: float, clock: str) -> None:
    if np.isfinite(interval):
        figure.add_vline(x=interval, line={"color": INK, "width": 1.5, "dash": "dot"})
        figure.add_annotation(
            x=interval,
            y=1,
            yref="paper",
            xanchor="left",
            yanchor="top",
            showarrow=False,
            text=f" chosen: {step(interval, clock)}",
            font={"color": MUTED, "size": 12},
        )


def _floats(table: pd.DataFrame, name: str) -> NDArray[np.float64]:
    return table[name].to_numpy(np.float64)


def _labels(table: pd.DataFrame) -> list[str]:
    return [two_lines(name) for name in table["name"]]

"""Figures of what the log shows: curves against their like, ratios, failures per vehicle, modes.

Layer: present. Tables of a plan in, plotly figures out; what is drawn was estimated elsewhere.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from relkit.present.template import MUTED, STYLES, alternative, new_figure
from relkit.present.traces import add_band, add_line, error_bars, log_axis, plain, without_data
from relkit.present.wording import amount, number, number_range, percent, percent_range
from relkit.units import clock_symbol

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = ["against_figure", "modes_figure", "ratio_figure", "recurrence_figure", "return_figure"]

_MOST_LINES = 24  #: rows of a figure with one line for each finding


def against_figure(curves: pd.DataFrame, *, name: str, clock: str) -> go.Figure:
    """Return the survival curves of one finding: the group and its like, or before and after.

    Parameters
    ----------
    curves : DataFrame
        Rows of ``plan.finding_curves`` of one finding: ``series``, ``age`` [clock],
        ``survival``, ``lower``, ``upper``.
    name : str
        The finding, as people call it.
    clock : str
        The study's clock.
    """
    unit = clock_symbol(clock)
    figure = new_figure(f"Age [{unit}]", "Share still working", height=360)
    if curves.empty:
        return without_data(figure, f"{name}: too few failures for a curve.")
    said = []
    for style, (series, own) in zip(STYLES, curves.groupby("series", sort=False), strict=False):
        age, share = np.r_[0.0, _floats(own, "age")], np.r_[1.0, _floats(own, "survival")]
        lower, upper = (np.r_[1.0, _floats(own, end)] for end in ("lower", "upper"))
        if np.isfinite(lower[1:]).any():
            add_band(figure, age, lower, upper, style=style, name="limits", step="hv")
            figure.data[-1].update(showlegend=False)
        hover = f"%{{x:,.0f}} {unit}: %{{y:.0%}} still working"
        add_line(figure, age, share, style=style, name=str(series), hover=hover, step="hv")
        said.append(f"{series}: {percent(share[-1])} still work at {amount(age[-1], clock)}")
    figure.update_yaxes(range=[0, 1.02], tickformat=".0%")
    figure.update_xaxes(rangemode="tozero", tickformat=",~r")
    return alternative(
        figure, f"{name}: share of items still working against age. {'; '.join(said)}."
    )


def ratio_figure(noticed: pd.DataFrame) -> go.Figure:
    """Return how many times as often as its like each batch, repair, fix and vehicle fails.

    Parameters
    ----------
    noticed : DataFrame
        ``plan.noticed``; rows whose ``unit`` is "times" and that have limits.
    """
    rows = noticed[noticed["unit"].eq("times") & noticed["lower"].notna()]
    rows = rows[np.isfinite(rows["estimate"].to_numpy(np.float64)) & (rows["estimate"] > 0)]
    rows = rows.head(_MOST_LINES)
    return _forest(
        rows,
        [_label(row) for row in rows.to_dict("records")],
        title="Times as often as its like, log scale",
        none="No two groups could be compared.",
        text="Failure rate against its like, with limits; 1: alike",
        log=True,
    )


def return_figure(returns: pd.DataFrame) -> go.Figure:
    """Return the share of jobs after which the place has a new complaint, by kind of work.

    Parameters
    ----------
    returns : DataFrame
        Rows of ``plan.noticed`` of the question "fixed first time".
    """
    rows = returns[returns["unit"].eq("%")].sort_values("estimate", ascending=False)
    return _forest(
        rows.head(_MOST_LINES),
        [f"after {row['group']} (n={row['lives']:,.0f})" for row in rows.to_dict("records")],
        title="New complaint within 30 days [% of jobs]",
        none="No job had a later complaint at its place.",
        text="Share of jobs after which the same place has a new complaint within 30 days",
        log=False,
    )


def recurrence_figure(recurrence: pd.DataFrame, grouping: str) -> go.Figure:
    """Return the mean cumulative failures of a vehicle by day of the log, by group.

    Parameters
    ----------
    recurrence : DataFrame
        ``plan.recurrence``: ``grouping``, ``group``, ``age`` [d], ``mean_cumulative``, limits.
    grouping : str
        Which grouping to draw: "all vehicles" or a covariate.
    """
    own = recurrence[recurrence["grouping"].eq(grouping)] if len(recurrence) else recurrence
    figure = new_figure("Day of the log [d]", "Failures per vehicle up to that day", height=360)
    if own.empty:
        return without_data(figure, "No failure was seen.")
    last = own.groupby("group", sort=False)["mean_cumulative"].max().sort_values(ascending=False)
    said = []
    for style, group in zip(STYLES, last.index, strict=False):
        part = own[own["group"].eq(group)]
        day, mean = np.r_[0.0, _floats(part, "age")], np.r_[0.0, _floats(part, "mean_cumulative")]
        lower, upper = (np.r_[0.0, _floats(part, end)] for end in ("lower", "upper"))
        if len(last) <= 2:
            add_band(figure, day, lower, upper, style=style, name="limits", step="hv")
            figure.data[-1].update(showlegend=False)
        hover = "day %{x:,.0f}: %{y:.2f} failures per vehicle"
        add_line(figure, day, mean, style=style, name=str(group), hover=hover, step="hv")
        said.append(f"{group} {number(mean[-1])} ({number_range(lower[-1], upper[-1])})")
    figure.update_yaxes(rangemode="tozero")
    figure.update_xaxes(rangemode="tozero", tickformat=",~r")
    left = f" {len(last) - len(STYLES)} more groups are in tables/recurrence.csv."
    return alternative(
        figure,
        f"Mean number of failures of a vehicle by day of the log, by {grouping}; at the end: "
        f"{'; '.join(said)}.{left if len(last) > len(STYLES) else ''}",
    )


def modes_figure(incidence: pd.DataFrame, *, name: str, clock: str) -> go.Figure:
    """Return the share of items lost to each mode by age, while all modes act together.

    Parameters
    ----------
    incidence : DataFrame
        Rows of ``plan.incidence`` of one place: ``mode``, ``age`` [clock],
        ``cumulative_incidence``, ``lower``, ``upper``.
    name, clock : str
        The place, the study's clock.
    """
    unit = clock_symbol(clock)
    figure = new_figure(f"Age [{unit}]", "Share lost", height=360)
    if incidence.empty:
        return without_data(figure, f"{name}: no loss was seen.")
    said = []
    for style, (mode, own) in zip(STYLES, incidence.groupby("mode", sort=False), strict=False):
        age = np.r_[0.0, _floats(own, "age")]
        share, lower, upper = (
            np.r_[0.0, _floats(own, end)] for end in ("cumulative_incidence", "lower", "upper")
        )
        add_band(figure, age, lower, upper, style=style, name="limits", step="hv")
        figure.data[-1].update(showlegend=False)
        hover = f"%{{x:,.0f}} {unit}: %{{y:.0%}}"
        add_line(figure, age, share, style=style, name=str(mode), hover=hover, step="hv")
        span = percent_range(lower[-1], upper[-1])
        said.append(f"{mode} {percent(share[-1])} ({span}) by {amount(age[-1], clock)}")
    figure.update_yaxes(range=[0, 1.02], tickformat=".0%")
    figure.update_xaxes(rangemode="tozero", tickformat=",~r")
    return alternative(figure, f"{name}: share of items lost, by mode. {'; '.join(said)}.")


def _forest(
    rows: pd.DataFrame, labels: list[str], *, title: str, none: str, text: str, log: bool
) -> go.Figure:
    import plotly.graph_objects as go

    labels = labels[: len(rows)]
    figure = new_figure(title, "", height=110 + 34 * max(len(rows), 1))
    if rows.empty:
        return without_data(figure, none)
    value, lower, upper = (_floats(rows, end) for end in ("estimate", "lower", "upper"))
    found = rows["finding"].eq("found").to_numpy()
    for own, style, symbol, name in (
        (found, STYLES[1], "square", "found"),
        (~found, STYLES[0], "circle-open", "not beyond chance"),
    ):
        if own.any():
            figure.add_trace(
                go.Scatter(
                    x=value[own],
                    y=[label for label, use in zip(labels, own, strict=True) if use],
                    mode="markers",
                    marker={"color": style.colour, "symbol": symbol, "size": 9},
                    error_x=error_bars(value[own], lower[own], upper[own], style.colour),
                    name=name,
                    customdata=np.column_stack([lower[own], upper[own]]),
                    hovertemplate="%{x:.2g} (%{customdata[0]:.2g} to %{customdata[1]:.2g})"
                    "<extra></extra>",
                )
            )
    figure.update_yaxes(categoryorder="array", categoryarray=labels[::-1])
    if log:
        ends = np.concatenate([value, lower, upper])
        ends = ends[np.isfinite(ends) & (ends > 0)]
        log_axis(figure, max(ends.min(), 0.02), min(ends.max(), 50.0))
        figure.add_vline(x=1, line={"color": MUTED, "width": 1, "dash": "dot"})
    else:
        figure.update_xaxes(rangemode="tozero")
    unit = "" if log else " %"
    said = [
        f"{label} {number(v)}{unit} ({number_range(low, high)})"
        for label, v, low, high in zip(labels, value, lower, upper, strict=True)
    ]
    return alternative(figure, f"{text}: {'; '.join(said)}.".replace("<br>", " "))


def _label(row: dict[str, object]) -> str:
    group = str(row["group"]).removeprefix("serial prefix ").removeprefix("against ")
    if row["question"] == "do repairs hold":
        return f"{plain(str(row['component']))}<br>against {plain(group)}"
    name = str(row["component"])
    if row["question"] == "did a fix work":
        return f"{plain(group.split(' (')[0])}<br>after over before"
    return f"{plain(name)}<br>{plain(group)}" if name else plain(group)


def _floats(table: pd.DataFrame, name: str) -> np.ndarray:
    return table[name].to_numpy(np.float64)

"""Figures of past forecasts: ranges against what came, places of the outcomes, share inside.

Layer: present. Draws what a backtest counted; plotly is loaded when used.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from relkit.present.template import ACCENT, INK, MUTED, STYLES, alternative, new_figure
from relkit.present.traces import two_lines, without_data
from relkit.present.wording import day, percent, plural

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = ["forecast_figure", "place_figure", "share_figure"]

#: Standard deviations of a count that the band of a right forecast is drawn to.
_BAND = 1.96


def forecast_figure(rows: pd.DataFrame, names: list[str]) -> go.Figure:
    """Return the forecast ranges of one date and horizon with what came.

    Parameters
    ----------
    rows : DataFrame
        Rows of ``Backtest.forecasts``: ``expected``, ``low_80``, ``high_80``, ``low_95``,
        ``high_95``, ``seen``, ``made_on``, ``months``.
    names : list of str
        The item of each row.
    """
    import plotly.graph_objects as go

    figure = new_figure("Failures", "", height=120 + 34 * max(len(rows), 1))
    if rows.empty:
        return without_data(figure, "No forecast was made.")
    table = rows.assign(name=[two_lines(name) for name in names])
    table = table.sort_values("expected", kind="stable")
    for level, width, colour in (("95", 4, "#c3d7e2"), ("80", 10, "#8fb1c9")):
        figure.add_trace(_ranges(table, level, width, colour))
    figure.add_trace(
        go.Scatter(
            x=table["expected"],
            y=table["name"],
            mode="markers",
            marker={"symbol": "line-ns-open", "size": 13, "color": ACCENT, "line": {"width": 2}},
            name="expected",
            hovertemplate="%{x:.1f} expected<extra></extra>",
        )
    )
    inside = table["seen"].between(table["low_80"], table["high_80"])
    for there, label, style, symbol in (
        (inside, "came, inside the 80 % range", STYLES[2], "circle"),
        (~inside, "came, outside it", STYLES[1], "square"),
    ):
        figure.add_trace(
            go.Scatter(
                x=table["seen"][there],
                y=table["name"][there],
                mode="markers",
                marker={"symbol": symbol, "size": 9, "color": style.colour},
                name=label,
                hovertemplate="%{x:,.0f} came<extra></extra>",
            )
        )
    figure.update_yaxes(categoryorder="array", categoryarray=list(table["name"]))
    figure.update_xaxes(rangemode="tozero")
    made, months = pd.Timestamp(table["made_on"].iloc[0]), int(table["months"].iloc[0])
    return alternative(
        figure,
        f"Forecast made on {day(made)} for {months} months against what came, by kind of item: "
        f"{int(inside.sum())} of {len(table)} outcomes lie inside their 80 % range.",
    )


def _ranges(table: pd.DataFrame, level: str, width: int, colour: str) -> go.Scatter:
    """Return thick lines from the lower to the upper end of each range."""
    import plotly.graph_objects as go

    low, high = table[f"low_{level}"].to_numpy(float), table[f"high_{level}"].to_numpy(float)
    gap = np.full(len(table), np.nan)
    return go.Scatter(
        x=np.column_stack([low, high, gap]).ravel(),
        y=np.repeat(table["name"].to_numpy(object), 3),
        mode="lines",
        line={"width": width, "color": colour},
        name=f"{level} % range",
        hoverinfo="skip",
    )


def place_figure(places: pd.DataFrame, compared: pd.DataFrame | None = None) -> go.Figure:
    """Return the calibration plot: how the outcomes are spread over their forecasts.

    Parameters
    ----------
    places : DataFrame
        ``begin``, ``end``, ``outcomes``, ``expected`` of ten classes of the forecast.
    compared : DataFrame, optional
        The same of the plug-in forecasts.
    """
    import plotly.graph_objects as go

    figure = new_figure("Place of the outcome in its forecast", "Share of outcomes", height=340)
    total = float(places["outcomes"].sum())
    if total == 0:
        return without_data(figure, "No outcome is known yet.")
    middle = (places["begin"] + places["end"]) / 2
    even = 1 / len(places)
    spread = _BAND * np.sqrt(even * (1 - even) / total)
    figure.add_hrect(
        y0=max(even - spread, 0), y1=even + spread, fillcolor="#e3e9ec", line_width=0, layer="below"
    )
    figure.add_hline(y=even, line={"color": MUTED, "width": 1, "dash": "dot"})
    figure.add_trace(
        go.Bar(
            x=middle,
            y=places["outcomes"] / total,
            width=0.09,
            marker={"color": STYLES[0].colour},
            name="with parameter doubt",
            customdata=places["outcomes"],
            hovertemplate="%{customdata:,.0f} outcomes, %{y:.0%}<extra></extra>",
        )
    )
    if compared is not None:
        figure.add_trace(
            go.Scatter(
                x=middle,
                y=compared["outcomes"] / max(float(compared["outcomes"].sum()), 1.0),
                mode="lines+markers",
                line={"color": STYLES[1].colour, "dash": STYLES[1].dash},
                marker={"symbol": STYLES[1].symbol},
                name="point estimates alone",
                hovertemplate="%{y:.0%}<extra></extra>",
            )
        )
    figure.update_yaxes(tickformat=".0%", rangemode="tozero")
    figure.update_xaxes(
        range=[0, 1],
        tickvals=[0.08, 0.5, 0.92],
        ticktext=["fewer came", "as expected", "more came"],
    )
    counts = places["outcomes"].to_numpy(dtype=float)
    outer = (counts[0] + counts[-1]) / total
    return alternative(
        figure,
        f"Place of {plural(total, 'outcome')} in their forecasts, in ten classes that would hold "
        "a tenth each were the forecasts right (grey: what chance allows, were the outcomes "
        f"independent). The two outer classes hold {percent(outer)} instead of 20 %.",
    )


def share_figure(coverage: pd.DataFrame) -> go.Figure:
    """Return the share of outcomes inside the intervals against the share that was promised.

    Parameters
    ----------
    coverage : DataFrame
        Rows of ``Backtest.coverage``: ``method``, ``wanted``, ``calibrated``, ``forecasts``.
    """
    import plotly.graph_objects as go

    figure = new_figure("Share promised", "Share of outcomes inside", height=340)
    if coverage.empty:
        return without_data(figure, "No outcome is known yet.")
    figure.add_trace(
        go.Scatter(
            x=[0, 1],
            y=[0, 1],
            mode="lines",
            line={"color": MUTED, "width": 1, "dash": "dot"},
            name="as promised",
            hoverinfo="skip",
        )
    )
    said = []
    for style, (method, rows) in zip(STYLES, coverage.groupby("method", sort=False), strict=False):
        figure.add_trace(
            go.Scatter(
                x=rows["wanted"],
                y=rows["calibrated"],
                mode="lines+markers",
                line={"color": style.colour, "dash": style.dash},
                marker={"symbol": style.symbol, "size": 8},
                name=str(method),
                hovertemplate="promised %{x:.0%}, kept %{y:.0%}<extra></extra>",
            )
        )
        kept = [
            f"{percent(kept)} of {percent(wanted)}"
            for wanted, kept in zip(rows["wanted"], rows["calibrated"], strict=True)
        ]
        said.append(f"{method} {', '.join(kept)}")
    figure.update_xaxes(tickformat=".0%", range=[0.4, 1.0])
    figure.update_yaxes(tickformat=".0%", range=[0.2, 1.02])
    figure.update_layout(font_color=INK)
    return alternative(
        figure, f"Share of outcomes inside the prediction intervals: {'; '.join(said)}."
    )

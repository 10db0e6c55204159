"""Pieces that figures share: a line, a band between two limits, uneven error bars.

Layer: present. Draws what it is given; plotly is loaded when used.
"""

from __future__ import annotations

import html
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from relkit.present.template import MUTED, SeriesStyle, alternative, band
from relkit.present.wording import number

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = ["add_band", "add_line", "error_bars", "log_axis", "plain", "two_lines", "without_data"]

Floats = NDArray[np.float64]


def add_line(
    figure: go.Figure,
    x: Floats,
    y: Floats,
    *,
    style: SeriesStyle,
    name: str,
    hover: str = "",
    step: Literal["linear", "hv"] = "linear",
) -> None:
    """Add one line; ``hover`` is plotly's template of what a pointed-at place says."""
    import plotly.graph_objects as go

    line = {"color": style.colour, "dash": style.dash, "width": 2, "shape": step}
    told = {"hovertemplate": f"{hover}<extra></extra>"} if hover else {"hoverinfo": "skip"}
    figure.add_trace(go.Scatter(x=x, y=y, mode="lines", line=line, name=name, **told))


def add_band(
    figure: go.Figure,
    x: Floats,
    lower: Floats,
    upper: Floats,
    *,
    style: SeriesStyle,
    name: str,
    step: Literal["linear", "hv"] = "linear",
) -> None:
    """Add a filled band between two limits."""
    import plotly.graph_objects as go

    line = {"color": style.colour, "width": 0, "shape": step}
    edge = go.Scatter(x=x, y=upper, mode="lines", line=line, hoverinfo="skip", showlegend=False)
    figure.add_trace(edge)
    fill = edge.update(y=lower, fill="tonexty", fillcolor=band(style.colour), name=name)
    figure.add_trace(fill.update(showlegend=True))


def error_bars(value: Floats, lower: Floats, upper: Floats, colour: str) -> dict[str, object]:
    """Return two-sided bars; a limit that does not exist has no bar on its side."""
    rise, fall = upper - value, value - lower
    return {
        "type": "data",
        "symmetric": False,
        "array": np.where(np.isfinite(rise) & (rise > 0), rise, 0.0),
        "arrayminus": np.where(np.isfinite(fall) & (fall > 0), fall, 0.0),
        "color": colour,
        "thickness": 1.2,
        "width": 3,
    }


def log_axis(figure: go.Figure, least: float, most: float) -> None:
    """Set a log x axis over a range, with marks at 1, 2 and 5 of each power of ten."""
    low, high = least / 1.15, most * 1.15
    powers = np.arange(np.floor(np.log10(low)), np.ceil(np.log10(high)) + 1)
    marks = np.ravel(np.outer(10.0**powers, [1, 2, 5]))
    marks = marks[(marks >= low) & (marks <= high)]
    tens = marks[np.isclose(np.log10(marks), np.round(np.log10(marks)))]
    if len(marks) > 5 and len(tens) > 1:
        marks = tens
    figure.update_xaxes(
        type="log",
        range=[np.log10(low), np.log10(high)],
        tickvals=marks,
        ticktext=[number(mark) for mark in marks],
    )


def plain(text: str) -> str:
    """Return text that a figure shows as it is written, signs of markup included."""
    return html.escape(text, quote=False)


def two_lines(name: str) -> str:
    """Return an item's name as an axis label of two short lines, the place on the second.

    >>> two_lines("cable, re-made joint, low mounts")
    'cable, re-made joint<br>low mounts'
    """
    item, _, place = plain(name).rpartition(", ")
    return f"{item}<br>{place}" if item else place


def without_data(figure: go.Figure, text: str) -> go.Figure:
    """Return a low figure that only says why there is nothing to draw."""
    figure.add_annotation(
        text=plain(text),
        x=0.5,
        y=0.5,
        xref="paper",
        yref="paper",
        showarrow=False,
        font={"color": MUTED},
    )
    figure.update_layout(height=160)
    figure.update_xaxes(visible=False)
    figure.update_yaxes(visible=False)
    return alternative(figure, text)

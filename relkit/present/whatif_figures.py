"""Figures of what-ifs: differences with ranges, what a result hangs on, where it breaks even.

Layer: present. Tables in, plotly figures out; what is drawn was computed elsewhere.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from relkit.present.template import INK, MUTED, STYLES, alternative, new_figure
from relkit.present.traces import add_band, add_line, error_bars, plain, without_data
from relkit.present.whatif_wording import break_even_sentence, change_range_text, change_text
from relkit.present.wording import listed, number, percent
from relkit.whatif.break_even import BreakEven
from relkit.whatif.comparison import Comparison
from relkit.whatif.measures import MEASURES

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = [
    "break_even_figure",
    "difference_figure",
    "joint_figure",
    "relative_figure",
    "tornado_figure",
]

_LOW, _HIGH = STYLES[0], STYLES[1]
#: Characters of a label's line.
_LABEL = 30


def difference_figure(comparison: Comparison, measure: str) -> go.Figure:
    """Return one measure's difference from today for each scenario, with its range.

    Parameters
    ----------
    comparison : Comparison
        Any number of scenarios.
    measure : str
        One of the comparison's measures.
    """
    rows = comparison.measures[comparison.measures["measure"] == measure]
    words = MEASURES[measure].words
    unit = str(rows["unit"].iloc[0]) if len(rows) else ""
    title = f"{words}, difference from today{f' [{plain(unit)}]' if unit else ''}"
    figure = new_figure(title[:1].upper() + title[1:], "", height=120 + 52 * max(len(rows), 1))
    if rows.empty:
        return without_data(figure, f"No scenario changes {words}.")
    rows = rows.iloc[::-1]
    figure.add_vline(x=0, line={"color": MUTED, "width": 1})
    _add_points(figure, rows["scenario"].tolist(), rows, unit)
    figure.update_xaxes(tickformat=",~r")
    said = [_said(row, unit) for row in rows.iloc[::-1].to_dict("records")]
    return alternative(figure, f"Difference from today in {words}. {'; '.join(said)}.")


def relative_figure(measures: pd.DataFrame) -> go.Figure:
    """Return all measures of one scenario as per cent of today, with their ranges.

    Parameters
    ----------
    measures : DataFrame
        Rows of ``Comparison.measures`` of one scenario; a measure that is 0 today is left out.
    """
    rows = measures[measures["today"] > 0].iloc[::-1]
    figure = new_figure("Difference from today [%]", "", height=110 + 36 * max(len(rows), 1))
    if rows.empty:
        return without_data(figure, "Nothing to compare.")
    share = rows.assign(
        **{name: 100 * rows[name] / rows["today"] for name in ("difference", "lower", "upper")}
    )
    figure.add_vline(x=0, line={"color": MUTED, "width": 1})
    _add_points(figure, [_capital(words) for words in rows["words"]], share, "%")
    most = float(np.nanmax(np.abs(share[["lower", "upper", "difference"]].to_numpy())))
    reach = max(1.15 * most, 10.0)
    figure.update_xaxes(range=[-reach, reach], tickformat=",~r")
    said = [
        f"{row['words']} {change_text(row['difference'], '%')}"
        for row in share.iloc[::-1].to_dict("records")
    ]
    return alternative(figure, f"Difference from today as per cent of today: {'; '.join(said)}.")


def tornado_figure(table: pd.DataFrame, *, measure: str, unit: str = "") -> go.Figure:
    """Return what a measure hangs on: its difference at both ends of each number's range.

    Parameters
    ----------
    table : DataFrame
        From :func:`relkit.whatif.sensitivity.one_at_a_time`, the widest first.
    measure : str
        The measure whose difference is shown.
    unit : str
        Its unit.
    """
    words = MEASURES[measure].words
    title = f"{_capital(words)}, difference from today{f' [{plain(unit)}]' if unit else ''}"
    figure = new_figure(title, "", height=130 + 46 * max(len(table), 1))
    if table.empty:
        return without_data(figure, "No number was moved.")
    rows = table.iloc[::-1]
    labels = [_wrapped(f"{_capital(row['words'])}: {number(row['low'])} to {number(row['high'])}")
              for row in rows.to_dict("records")]  # fmt: skip
    for end, style, name in (("low", _LOW, "at the low end"), ("high", _HIGH, "at the high end")):
        _add_ends(figure, labels, rows, end, style, name)
    middle = float(table["difference"].iloc[0])
    figure.add_vline(x=middle, line={"color": INK, "width": 1.2})
    figure.update_layout(barmode="overlay", bargap=0.35)
    figure.update_xaxes(tickformat=",~r")
    said = [
        f"{row['words']} {number(row['low'])}: {change_text(row['at_low'], unit)}, "
        f"{number(row['high'])}: {change_text(row['at_high'], unit)}"
        for row in table.to_dict("records")
    ]
    return alternative(figure, f"{_capital(words)} against today, widest first. {'; '.join(said)}.")


def joint_figure(table: pd.DataFrame) -> go.Figure:
    """Return the share of the spread that each number makes when all move together.

    Parameters
    ----------
    table : DataFrame
        From :func:`relkit.whatif.sensitivity.joint_sensitivity`.
    """
    import plotly.graph_objects as go

    rows = table.iloc[::-1]
    figure = new_figure("Share of the spread [%]", "", height=120 + 40 * max(len(rows), 1))
    labels = [_wrapped(_capital(words)) for words in rows["words"]]
    figure.add_trace(
        go.Bar(
            x=100 * rows["share"],
            y=labels,
            orientation="h",
            marker={"color": _LOW.colour},
            hovertemplate="%{y}: %{x:.0f} %<extra></extra>",
        )
    )
    figure.update_xaxes(rangemode="tozero")
    figure.update_layout(showlegend=False)
    said = [f"{row['words']} {percent(row['share'])}" for row in table.to_dict("records")]
    return alternative(figure, f"Share of the spread of the difference: {listed(said, 12)}.")


def break_even_figure(even: BreakEven, *, x_title: str, unit: str = "") -> go.Figure:
    """Return a measure's difference from today against one number, and where it is nothing.

    Parameters
    ----------
    even : BreakEven
        From :func:`relkit.whatif.break_even.break_even`.
    x_title : str
        What the number is.
    unit : str
        Unit of the measure.
    """
    words = MEASURES[even.measure].words
    title = f"{_capital(words)},<br>difference{f' [{plain(unit)}]' if unit else ''}"
    figure = new_figure(x_title, title, height=380)
    values = {name: even.curve[name].to_numpy(np.float64) for name in even.curve}
    if not np.allclose(values["lower"], values["upper"]):
        add_band(
            figure, values["value"], values["lower"], values["upper"], style=_LOW, name="range"
        )
    add_line(figure, values["value"], values["difference"], style=_LOW, name="expected",
             hover="%{x:.3~g}: %{y:,.0f}")  # fmt: skip
    figure.add_hline(y=0, line={"color": MUTED, "width": 1})
    if np.isfinite(even.value):
        figure.add_vline(x=even.value, line={"color": INK, "width": 1.5, "dash": "dot"})
        figure.add_annotation(
            x=even.value, y=1, yref="paper", xanchor="left", yanchor="top", showarrow=False,
            text=f" as today: {number(even.value)}", font={"color": MUTED, "size": 12},
        )  # fmt: skip
    figure.update_yaxes(tickformat=",~r")
    return alternative(figure, break_even_sentence(even))


def _add_points(figure: go.Figure, labels: list[str], rows: pd.DataFrame, unit: str) -> None:
    import plotly.graph_objects as go

    value, lower, upper = (
        rows[name].to_numpy(np.float64) for name in ("difference", "lower", "upper")
    )
    style = STYLES[0]
    figure.add_trace(
        go.Scatter(
            x=value,
            y=[_wrapped(label) for label in labels],
            mode="markers",
            marker={"color": style.colour, "symbol": style.symbol, "size": 10},
            error_x=error_bars(value, lower, upper, style.colour),
            customdata=np.column_stack([lower, upper]),
            hovertemplate=(
                f"%{{y}}: %{{x:,.3~g}} {plain(unit)} "
                "(%{customdata[0]:,.3~g} to %{customdata[1]:,.3~g})<extra></extra>"
            ),
        )
    )
    figure.update_layout(showlegend=False)


def _add_ends(
    figure: go.Figure, labels: list[str], rows: pd.DataFrame, end: str, style: object, name: str
) -> None:
    import plotly.graph_objects as go

    middle = rows["difference"].to_numpy(np.float64)
    value = rows[f"at_{end}"].to_numpy(np.float64)
    lower, upper = (rows[f"at_{end}_{side}"].to_numpy(np.float64) for side in ("lower", "upper"))
    look = STYLES[0] if style is _LOW else STYLES[1]
    pattern = {"shape": look.pattern, "fgcolor": "#ffffff", "size": 6, "solidity": 0.25}
    figure.add_trace(
        go.Bar(
            x=value - middle,
            base=middle,
            y=labels,
            orientation="h",
            name=name,
            marker={"color": look.colour, "pattern": pattern | {"fillmode": "overlay"}},
            error_x=error_bars(value, lower, upper, INK),
            customdata=np.column_stack([value, lower, upper]),
            hovertemplate=(
                f"{name}: %{{customdata[0]:,.3~g}} "
                "(%{customdata[1]:,.3~g} to %{customdata[2]:,.3~g})<extra></extra>"
            ),
        )
    )


def _said(row: Mapping[Any, Any], unit: str) -> str:
    span = change_range_text(float(row["lower"]), float(row["upper"]))
    return f"{row['scenario']}: {change_text(float(row['difference']), unit)}" + (
        f" ({span})" if span else ""
    )


def _wrapped(text: str) -> str:
    return "<br>".join(textwrap.wrap(plain(text), _LABEL))


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]

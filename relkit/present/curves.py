"""Figures of lives: survival curve with numbers at risk, Weibull probability plot, forest plot.

Layer: present. Tables of a plan in, plotly figures out; what is drawn was estimated elsewhere.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, TypeGuard

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.present.template import INK, MUTED, STYLES, SeriesStyle, alternative, new_figure
from relkit.present.traces import add_band, add_line, error_bars, log_axis, two_lines, without_data
from relkit.present.wording import (
    UNKNOWN,
    amount,
    number,
    number_range,
    percent,
    percent_range,
    plural,
)
from relkit.units import clock_symbol

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = ["forest_figure", "probability_figure", "survival_figure"]

#: Failed shares marked on the probability plot [1].
_SHARES = np.array([0.001, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 0.8, 0.9, 0.99])
_RISK_COLUMNS = 5  #: how many numbers at risk stand under a survival curve
_LOGGED, _FITTED = STYLES[0], STYLES[1]


def survival_figure(
    curve: pd.DataFrame,
    fit: pd.Series | None = None,
    *,
    name: str,
    clock: str,
    confidence_level: float = 0.95,
) -> go.Figure:
    """Return a Kaplan-Meier curve with its limits, numbers at risk and the fitted Weibull curve.

    Parameters
    ----------
    curve : DataFrame
        Rows of ``plan.curves`` of one stratum: ``age`` [clock], ``at_risk``, ``failures``,
        ``survival``, ``lower``, ``upper``.
    fit : Series, optional
        The stratum's row of ``plan.fits``; its curve is drawn where shape and scale exist.
    name : str
        The item, as people call it.
    clock : str
        The study's clock.
    confidence_level : float
        Of the limits, for the legend. [1]
    """
    unit = clock_symbol(clock)
    figure = new_figure(f"Age [{unit}]", "Share still working", height=400)
    if curve.empty:
        return without_data(figure, f"{name}: no failure was seen, so there is no curve to draw.")
    start = _start(curve)
    age = np.r_[start, _floats(curve, "age")]
    survival, lower, upper = (np.r_[1.0, _floats(curve, c)] for c in ("survival", "lower", "upper"))
    limits = f"{confidence_level:.0%} limits"
    add_band(figure, age, lower, upper, style=_LOGGED, name=limits, step="hv")
    hover = f"%{{x:,.0f}} {unit}: %{{y:.1%}} still working"
    add_line(figure, age, survival, style=_LOGGED, name="as logged", hover=hover, step="hv")
    if _has_fit(fit):
        grid = np.linspace(start, age[-1], 120)
        fitted = np.exp(_log_survival(fit, grid) - _log_survival(fit, start))
        add_line(figure, grid, fitted, style=_FITTED, name="fitted Weibull")
    figure.update_yaxes(range=[0, 1.02], tickformat=".0%")
    figure.update_xaxes(rangemode="tozero", tickformat=",~r")
    _numbers_at_risk(figure, curve)
    span = percent_range(lower[-1], upper[-1])
    limits = "" if span == UNKNOWN else f" ({span})"
    stops = float(curve["stops_at"].iloc[0]) if "stops_at" in curve else float("inf")
    until = f" Beyond {amount(stops, clock)} too few were watched to go on."
    until = until if np.isfinite(stops) else ""
    given = f" of those that reached {amount(start, clock)}" if start else ""
    return alternative(
        figure,
        f"{name}: share of items still working{given} against age (Kaplan-Meier). "
        f"{plural(curve['failures'].sum(), 'failure')}; at {amount(age[-1], clock)} "
        f"{percent(survival[-1])}{limits} still worked.{until}",
    )


def probability_figure(
    curve: pd.DataFrame,
    fit: pd.Series | None = None,
    *,
    name: str,
    clock: str,
    confidence_level: float = 0.95,
) -> go.Figure:
    """Return a Weibull probability plot: points on a straight line speak for the Weibull model.

    The axes are log age and log(-log(survival)); arguments as of :func:`survival_figure`.
    """
    import plotly.graph_objects as go

    unit = clock_symbol(clock)
    figure = new_figure(f"Age [{unit}], log scale", "Share failed", height=400)
    shown = curve[(curve["survival"] > 0) & (curve["survival"] < 1) & (curve["age"] > 0)]
    if shown.empty:
        return without_data(figure, f"{name}: no failure was seen, so there is nothing to plot.")
    age = _floats(shown, "age")
    shares = [_floats(shown, c) for c in ("survival", "lower", "upper")]
    if _has_fit(fit):  # a curve that starts late is placed on the fitted line at its start
        shares = [share * np.exp(_log_survival(fit, _start(curve))) for share in shares]
    height, high, low = (_cloglog(share) for share in shares)
    figure.add_trace(
        go.Scatter(
            x=age,
            y=height,
            mode="markers",
            marker={"color": _LOGGED.colour, "symbol": _LOGGED.symbol, "size": 7},
            name="as logged",
            customdata=1 - shares[0],
            hovertemplate=f"%{{x:,.0f}} {unit}: %{{customdata:.1%}} failed<extra></extra>",
        )
    )
    _add_limits(figure, age, low, high, confidence_level)
    if _has_fit(fit):
        ends = np.array([age.min() * 0.8, age.max() * 1.25])
        line = float(fit["shape"]) * np.log(ends / float(fit["scale"]))
        add_line(figure, ends, line, style=_FITTED, name="fitted Weibull")
    _probability_axes(figure, age, height)
    text = f"{name}: share failed against age on Weibull paper. {_fit_sentence(fit, clock)}"
    return alternative(figure, text)


def forest_figure(
    fits: pd.DataFrame,
    names: list[str],
    *,
    parameter: Literal["shape", "scale"],
    clock: str,
    confidence_level: float = 0.95,
) -> go.Figure:
    """Return one parameter of all strata with its limits, most failures on top.

    Parameters
    ----------
    fits : DataFrame
        ``plan.fits``: the parameter, its limits, ``failures`` and ``shape_source``. A filled
        mark rests on the stratum's own failures; an open one borrows its shape.
    names : list of str
        The item of each row.
    parameter : "shape" or "scale"
        Which parameter; the shape's plot marks 1, above which items wear out.
    clock : str
        The study's clock.
    confidence_level : float
        Of the limits, for the text. [1]
    """
    title = {"shape": "Shape", "scale": f"Scale [{clock_symbol(clock)}]"}[parameter]
    table = fits.assign(name=names)[fits[parameter].notna().to_numpy()]
    table = table.sort_values(["failures", "name"], kind="stable")
    figure = new_figure(f"{title}, log scale", "", height=120 + 40 * max(len(table), 1))
    if table.empty:
        return without_data(figure, "No stratum has a fit.")
    own = (table["shape_source"] == "own data").to_numpy()
    _add_marks(figure, table[own], parameter, "own failures", STYLES[0], STYLES[0].symbol)
    _add_marks(figure, table[~own], parameter, "shape borrowed", STYLES[1], "square-open")
    limits = [parameter, f"{parameter}_lower", f"{parameter}_upper"]
    ends = table[limits].to_numpy(np.float64)
    ends = ends[np.isfinite(ends) & (ends > 0)]
    log_axis(figure, ends.min(), ends.max())
    figure.update_yaxes(categoryorder="array", categoryarray=_labels(table))
    if parameter == "shape":
        figure.add_vline(x=1, line={"color": MUTED, "width": 1, "dash": "dot"})
    said = [
        f"{row['name']} {number(row[parameter])} "
        f"({number_range(row[f'{parameter}_lower'], row[f'{parameter}_upper'])})"
        for row in table[::-1].to_dict("records")
    ]
    return alternative(
        figure, f"Weibull {title.lower()}, {confidence_level:.0%} limits: {'; '.join(said)}."
    )


def _add_marks(
    figure: go.Figure,
    table: pd.DataFrame,
    parameter: str,
    label: str,
    style: SeriesStyle,
    symbol: str,
) -> None:
    import plotly.graph_objects as go

    if table.empty:
        return
    value, lower, upper = (
        _floats(table, name) for name in (parameter, f"{parameter}_lower", f"{parameter}_upper")
    )
    figure.add_trace(
        go.Scatter(
            x=value,
            y=_labels(table),
            mode="markers",
            marker={"color": style.colour, "symbol": symbol, "size": 9},
            error_x=error_bars(value, lower, upper, style.colour),
            name=label,
            customdata=np.column_stack([lower, upper]),
            hovertemplate="%{x:.3g} (%{customdata[0]:.3g} to %{customdata[1]:.3g})<extra></extra>",
        )
    )


def _numbers_at_risk(figure: go.Figure, curve: pd.DataFrame) -> None:
    """Write counts at some of the curve's own steps under the axis: nothing is interpolated."""
    ages = _floats(curve, "age")
    wanted = np.linspace(0.0, ages[-1], _RISK_COLUMNS)
    places = np.unique(np.abs(ages[:, None] - wanted).argmin(axis=0))
    figure.update_layout(margin={"b": 112})
    common = {"yref": "paper", "yanchor": "top", "showarrow": False}
    figure.add_annotation(
        x=0,
        xref="paper",
        y=-0.25,
        xanchor="left",
        text="Items at risk at these ages",
        font={"size": 12, "color": MUTED},
        **common,
    )
    for row in curve.iloc[places].to_dict("records"):
        count = f"{row['at_risk']:,.0f}"
        figure.add_annotation(x=row["age"], y=-0.33, text=count, font={"color": INK}, **common)


def _add_limits(
    figure: go.Figure,
    age: NDArray[np.float64],
    low: NDArray[np.float64],
    high: NDArray[np.float64],
    confidence_level: float,
) -> None:
    """Thin lines above and below the points; a limit that lies off the paper is left out."""
    style = SeriesStyle("#8fb1c9", "solid", "circle", "")
    for limit, name in ((low, f"{confidence_level:.0%} limits"), (high, "")):
        add_line(figure, age, np.where(np.isfinite(limit), limit, np.nan), style=style, name=name)
        figure.data[-1].update(showlegend=bool(name), line_width=1)


def _probability_axes(
    figure: go.Figure, age: NDArray[np.float64], height: NDArray[np.float64]
) -> None:
    bottom, top = height.min() - 1.2, max(height.max() + 0.8, 0.4)
    marks = _cloglog(1 - _SHARES)
    inside = (marks > bottom) & (marks < top)
    log_axis(figure, age.min() * 0.8, age.max() * 1.25)
    figure.update_yaxes(
        tickvals=marks[inside],
        ticktext=[percent(share) for share in _SHARES[inside]],
        range=[bottom, top],
        zeroline=False,
    )


def _start(curve: pd.DataFrame) -> float:
    """Age from which enough items were watched, and the curve starts [clock]."""
    return float(curve["starts_at"].iloc[0])


def _log_survival(fit: pd.Series, age: float | NDArray[np.float64]) -> NDArray[np.float64]:
    """Logarithm of the fitted Weibull curve that is drawn: R(t) = exp(-(t / scale) ** shape)."""
    return -((np.asarray(age) / float(fit["scale"])) ** float(fit["shape"]))


def _cloglog(survival: NDArray[np.float64]) -> NDArray[np.float64]:
    """Axis of the probability plot: a Weibull curve is a straight line on it."""
    with np.errstate(divide="ignore", invalid="ignore"):  # a limit of 0 or 1 lies off the paper
        return np.log(-np.log(survival))


def _floats(table: pd.DataFrame, name: str) -> NDArray[np.float64]:
    return table[name].to_numpy(np.float64)


def _labels(table: pd.DataFrame) -> list[str]:
    pairs = zip(table["name"], table["failures"], strict=True)
    return [f"{two_lines(name)} (n={failures:.0f})" for name, failures in pairs]


def _has_fit(fit: pd.Series | None) -> TypeGuard[pd.Series]:
    return fit is not None and bool(np.isfinite([float(fit["shape"]), float(fit["scale"])]).all())


def _fit_sentence(fit: pd.Series | None, clock: str) -> str:
    if fit is None or not _has_fit(fit):
        return "No Weibull line was fitted."
    shape = f"{number(fit['shape'])} ({number_range(fit['shape_lower'], fit['shape_upper'])})"
    scale = f"{number_range(fit['scale_lower'], fit['scale_upper'])}"
    return (
        f"{plural(fit['failures'], 'failure')}; fitted shape {shape}, scale "
        f"{amount(float(fit['scale']), clock)} ({scale}), shape from: {fit['shape_source']}."
    )

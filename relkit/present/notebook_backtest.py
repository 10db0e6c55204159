"""Displays of notebook 05: what past forecasts came to, and one interval's way back to the log.

Layer: present. Text and HTML of the same numbers, rounded as on the page.
"""

from __future__ import annotations

import html
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.plan.result import Plan
from relkit.plan.trail import IntervalTrail
from relkit.present.backtest_parts import (
    backtest_figures,
    backtest_sentences,
    coverage_shown,
    drift_shown,
    forecast_shown,
    scores_shown,
)
from relkit.present.columns import Column
from relkit.present.curves import probability_figure
from relkit.present.notebook import Display, displayed
from relkit.present.shown import ShownTable, shown_table
from relkit.present.template import new_figure
from relkit.present.traces import without_data
from relkit.present.unknown import item_names
from relkit.whatif.backtest import Backtest

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = [
    "figure_of",
    "paper",
    "show_coverage",
    "show_drift",
    "show_fit",
    "show_forecast",
    "show_scores",
    "show_trail_lives",
    "show_trail_parameters",
    "show_trail_rows",
    "show_verdict",
    "weibull_papers",
]

_TRAIL_LIVES = (
    Column("vehicle", "Vehicle"),
    Column("location", "Location"),
    Column("fitted_on", "Fitted", "date"),
    Column("ended_on", "Ended", "date"),
    Column("entry", "Seen from [{clock}]", "amount"),
    Column("age", "Age [{clock}]", "amount"),
    Column("ended_by", "Ended by"),
    Column("b10_change", "B10 life without this failure", "share"),
    Column("closed_by", "Rows"),
)
_TRAIL_ROWS = (
    Column("source", "Row"),
    Column("row_class", "Became"),
    Column("role", "For its life"),
    Column("text", "As written"),
)
_TRAIL_FIT = (
    Column("failures", "Failures", "count"),
    Column("lives", "Lives", "count"),
    Column("exposure", "Observed [{clock}]", "amount"),
    Column("shape", "Shape", "number", "shape_lower", "shape_upper"),
    Column("scale", "Scale [{clock}]", "amount", "scale_lower", "scale_upper"),
    Column("b10", "B10 life [{clock}]", "amount", "b10_lower", "b10_upper"),
    Column("shape_source", "Shape from"),
)


def show_verdict(backtest: Backtest) -> Display:
    """Show what came true and what did not, or why nothing can be said yet."""
    lines = backtest_sentences(backtest)
    listed = "".join(f"<li>{html.escape(line)}</li>" for line in lines)
    return Display("\n".join(f"- {line}" for line in lines), f"<ul>{listed}</ul>")


def show_forecast(backtest: Backtest) -> Display:
    """Show the latest whole forecast against what came."""
    return _shown(forecast_shown(backtest), backtest)


def show_coverage(backtest: Backtest) -> Display:
    """Show which share of the outcomes the ranges kept, by method."""
    return _nothing(backtest) or displayed(coverage_shown(backtest))


def show_scores(backtest: Backtest) -> Display:
    """Show the mean scores against naive forecasts."""
    return _nothing(backtest) or displayed(scores_shown(backtest))


def show_drift(backtest: Backtest) -> Display:
    """Show for each kind of item whether its truth seems to have changed."""
    return _nothing(backtest) or displayed(drift_shown(backtest))


def figure_of(backtest: Backtest, name: str) -> go.Figure:
    """Return a figure: ``backtest``, ``backtest_places`` or ``backtest_shares``."""
    figures = backtest_figures(backtest)
    if name in figures:
        return figures[name]
    reason = "Only one past date: too few outcomes for this figure."
    lines = backtest_sentences(backtest) if backtest.forecasts.empty else (reason,)
    return without_data(new_figure("", ""), lines[0])


def weibull_papers(plan: Plan, most: int = 3) -> dict[str, go.Figure]:
    """Return probability plots of the kinds with most failures, by name of the kind.

    Parameters
    ----------
    plan : Plan
        From :func:`relkit.build_plan`.
    most : int
        How many.
    """
    by = list(plan.study.by)
    fits = plan.fits.sort_values("failures", ascending=False, kind="stable").head(most)
    figures = {}
    for name, fit in zip(item_names(fits, plan.study.by), fits.to_dict("records"), strict=True):
        own = np.all([(plan.curves[key] == fit[key]).to_numpy() for key in by], axis=0)
        figures[name] = probability_figure(
            plan.curves.loc[np.asarray(own, dtype=bool)],
            pd.Series(fit),
            name=name,
            clock=plan.study.clock,
            confidence_level=plan.study.decision.confidence_level,
        )
    return figures


def paper(papers: dict[str, go.Figure], place: int) -> go.Figure:
    """Return the probability plot at a place, 0 being the kind with most failures."""
    figures = list(papers.values())
    if place < len(figures):
        return figures[place]
    return without_data(new_figure("", ""), "The study has no further kind of item.")


def show_fit(figures: dict[str, go.Figure]) -> Display:
    """Show in words what the probability plots say."""
    texts = [str(figure.layout.meta["alternative"]) for figure in figures.values()]
    listed = "".join(f"<li>{html.escape(text)}</li>" for text in texts)
    return Display("\n".join(texts), f"<ul>{listed}</ul>")


def show_trail_parameters(trail: IntervalTrail, clock: str) -> Display:
    """Show the parameters behind one interval."""
    return displayed(shown_table("fit", trail.fit, _TRAIL_FIT, clock))


def show_trail_lives(trail: IntervalTrail, clock: str, *, most: int = 12) -> Display:
    """Show the failures behind one interval and what each weighs: the heaviest first."""
    failed = trail.lives[trail.lives["failed"].astype(bool)]
    rows = failed.iloc[_heaviest_first(failed)]
    return displayed(shown_table("lives", rows, _TRAIL_LIVES, clock, most=most))


def show_trail_rows(trail: IntervalTrail, sources: Sequence[str] = (), *, most: int = 6) -> Display:
    """Show rows of the files behind one interval; those named, else the heaviest failure's.

    Parameters
    ----------
    trail : IntervalTrail
        From :func:`relkit.plan.trail.interval_trail`.
    sources : sequence of str
        Rows, as FILE:ROW.
    most : int
        Largest number of rows.
    """
    if not sources:
        failed = trail.lives[trail.lives["failed"].astype(bool)]
        if failed.empty:
            return Display("No failure stands behind this interval.", "<p>No failure.</p>")
        heaviest = failed.iloc[int(_heaviest_first(failed)[0])]
        both = (str(heaviest[name]).split("; ") for name in ("opened_by", "closed_by"))
        sources = [source for part in both for source in part]
    rows = trail.rows[trail.rows["source"].isin(list(sources))]
    return displayed(shown_table("rows", rows, _TRAIL_ROWS, "", most=most))


def _heaviest_first(failed: pd.DataFrame) -> NDArray[np.intp]:
    weight = failed["b10_change"].abs().fillna(0.0).to_numpy(dtype=np.float64)
    return np.argsort(-weight, kind="stable")


def _nothing(backtest: Backtest) -> Display | None:
    return show_verdict(backtest) if backtest.forecasts.empty else None


def _shown(table: ShownTable, backtest: Backtest) -> Display:
    return _nothing(backtest) or displayed(table)

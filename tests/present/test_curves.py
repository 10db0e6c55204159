"""Figures of lives show the numbers of their tables, and nothing else."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from relkit.plan.result import Plan
from relkit.present.curves import forest_figure, probability_figure, survival_figure
from relkit.present.unknown import item_names

CLOCK = "engine_hours"


@pytest.fixture
def chute(plan: Plan) -> tuple[pd.DataFrame, pd.Series]:
    curve = plan.curves[plan.curves["location"] == "spreader chute"]
    return curve, plan.fits[plan.fits["location"] == "spreader chute"].iloc[0]


def test_survival_steps_are_those_of_the_table(chute: tuple[pd.DataFrame, pd.Series]) -> None:
    # Source: the table itself; a curve starts at age 0 with all items working.
    curve, fit = chute
    figure = survival_figure(curve, fit, name="camera", clock=CLOCK)
    upper, lower, logged, fitted = figure.data
    np.testing.assert_array_equal(logged.x, np.r_[0, curve["age"]])
    np.testing.assert_array_equal(logged.y, np.r_[1, curve["survival"]])
    np.testing.assert_array_equal(upper.y, np.r_[1, curve["upper"]])
    np.testing.assert_array_equal(lower.y, np.r_[1, curve["lower"]])
    assert logged.line.shape == "hv"
    assert lower.name == "95% limits"
    assert fitted.line.dash != logged.line.dash


def test_fitted_curve_passes_through_known_points(chute: tuple[pd.DataFrame, pd.Series]) -> None:
    # Source: IEC 61649:2008, R(t) = exp(-(t / scale) ** shape): exp(-1) at the scale.
    curve, fit = chute
    curve = curve.assign(age=np.linspace(0.02, 2, len(curve)) * fit["scale"])
    fitted = survival_figure(curve, fit, name="camera", clock=CLOCK).data[-1]
    at_scale = np.interp(fit["scale"], fitted.x, fitted.y)
    assert at_scale == pytest.approx(math.exp(-1), abs=1e-3)


def test_numbers_at_risk_are_rows_of_the_table(chute: tuple[pd.DataFrame, pd.Series]) -> None:
    # Source: the table itself: nothing is interpolated between its steps.
    curve, fit = chute
    figure = survival_figure(curve, fit, name="camera", clock=CLOCK)
    told = [(a.x, a.text) for a in figure.layout.annotations if a.xref in (None, "x")]
    table = dict(zip(curve["age"], curve["at_risk"], strict=True))
    assert len(told) >= 3
    assert all(f"{table[age]:,.0f}" == text for age, text in told)


def test_survival_text_says_what_the_last_step_says(
    chute: tuple[pd.DataFrame, pd.Series],
) -> None:
    # Source: the table itself.
    curve, fit = chute
    text = survival_figure(curve, fit, name="camera", clock=CLOCK).layout.meta["alternative"]
    assert "45 failures" in text
    assert "37 %" in text


def test_weibull_line_is_straight_and_meets_the_points(
    chute: tuple[pd.DataFrame, pd.Series],
) -> None:
    # Source: IEC 61649:2008, log(-log R) = shape (log t - log scale); the made curve lies on it.
    curve, fit = chute
    points, _, _, line = probability_figure(curve, fit, name="camera", clock=CLOCK).data
    slope = (line.y[1] - line.y[0]) / math.log(line.x[1] / line.x[0])
    assert slope == pytest.approx(fit["shape"])
    expected = fit["shape"] * np.log(np.asarray(points.x) / fit["scale"])
    np.testing.assert_allclose(points.y, expected, atol=1e-9)


def test_probability_marks_are_shares(chute: tuple[pd.DataFrame, pd.Series]) -> None:
    # Source: own algebra, log(-log(1 - 0.1)) = -2.2504.
    axis = probability_figure(*chute, name="camera", clock=CLOCK).layout.yaxis
    marks = dict(zip(axis.ticktext, axis.tickvals, strict=True))
    assert marks["10 %"] == pytest.approx(-2.2504, abs=1e-4)


def test_a_curve_that_starts_late_is_placed_on_the_fitted_line(
    chute: tuple[pd.DataFrame, pd.Series],
) -> None:
    # Source: own algebra, R(t) = R(start) * R(t given start).
    curve, fit = chute
    start, late = 400.0, curve[curve["age"] > 400]
    reached = math.exp(-((start / fit["scale"]) ** fit["shape"]))
    given = late.assign(starts_at=start, survival=late["survival"] / reached)
    figure = survival_figure(given, fit, name="camera", clock=CLOCK)
    assert (figure.data[2].x[0], figure.data[2].y[0]) == (start, 1)
    np.testing.assert_allclose(figure.data[3].y[[0, -1]], [1, given["survival"].iloc[-1]])
    assert "of those that reached 400 h" in figure.layout.meta["alternative"]
    points = probability_figure(given, fit, name="camera", clock=CLOCK).data[0]
    expected = fit["shape"] * np.log(np.asarray(points.x) / fit["scale"])
    np.testing.assert_allclose(points.y, expected, atol=1e-9)


def test_forest_shows_values_limits_and_counts(plan: Plan) -> None:
    # Source: the table itself; the item with most failures comes last, that is on top.
    names = item_names(plan.fits, plan.study.by)
    figure = forest_figure(plan.fits, names, parameter="shape", clock=CLOCK)
    own, borrowed = figure.data
    assert (own.name, borrowed.name) == ("own failures", "shape borrowed")
    assert own.marker.symbol != borrowed.marker.symbol
    table = plan.fits.assign(name=names).sort_values(["failures", "name"])
    own_rows = table[table["shape_source"] == "own data"]
    np.testing.assert_array_equal(own.x, own_rows["shape"])
    np.testing.assert_allclose(
        own.x + np.asarray(own.error_x["array"]), own_rows["shape_upper"], rtol=1e-12
    )
    np.testing.assert_allclose(
        own.x - np.asarray(own.error_x["arrayminus"]), own_rows["shape_lower"], rtol=1e-12
    )
    assert figure.layout.yaxis.categoryarray[-1] == "cable<br>low mounts (n=86)"


def test_no_failures_are_said_not_drawn(plan: Plan) -> None:
    # Source: common practice.
    none = plan.curves.iloc[:0]
    for figure in (
        survival_figure(none, None, name="camera", clock=CLOCK),
        probability_figure(none, None, name="camera", clock=CLOCK),
    ):
        assert len(figure.data) == 0
        assert "no failure was seen" in figure.layout.annotations[0].text
        assert "no failure was seen" in figure.layout.meta["alternative"]
    blank = plan.fits.assign(shape=float("nan"))
    names = item_names(blank, plan.study.by)
    assert len(forest_figure(blank, names, parameter="shape", clock=CLOCK).data) == 0


def test_a_missing_fit_draws_no_line(chute: tuple[pd.DataFrame, pd.Series]) -> None:
    # Source: common practice.
    curve, fit = chute
    without = fit.copy()
    without["shape"] = float("nan")
    assert len(survival_figure(curve, without, name="camera", clock=CLOCK).data) == 3
    text = probability_figure(curve, without, name="camera", clock=CLOCK).layout.meta
    assert "No Weibull line" in text["alternative"]

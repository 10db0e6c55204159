"""Forecasts made on one past date, row by row with what came: own, plug-in and naive ones.

Layer: whatif. One row per horizon, stratum and method, and one for all strata together.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.plan.parts import PlanParts
from relkit.whatif.backtest_outcomes import counted_failures
from relkit.whatif.backtest_scores import LEVELS, histories_law, judged, poisson_law
from relkit.whatif.forecast import Forecast

__all__ = ["METHODS", "forecast_rows"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

#: Ways of forecasting: with parameter draws, with point estimates, and two naive ones.
METHODS = ("relkit", "plug-in", "last year's rate", "constant rate")
_YEAR_DAYS = 365.0


def forecast_rows(
    forecast: Forecast, parts: PlanParts, fits_now: pd.DataFrame, record: pd.DataFrame
) -> pd.DataFrame:
    """Forecasts of one date against the record.

    Parameters
    ----------
    forecast : Forecast
        Made from ``parts``.
    parts : PlanParts
        What was known on the date.
    fits_now : DataFrame
        One row per stratum of the whole log: those that the record counts by.
    record : DataFrame
        Failures of the whole log.

    Returns
    -------
    DataFrame
        ``made_on``, ``until``, ``months``, ``level`` ("stratum" or "all"), the columns that make
        a stratum, ``method``, ``positions``, ``failures_known``, ``expected``, ``low_50``,
        ``high_50`` and so on for 80 and 95, ``seen``, ``masked_seen``, ``place``,
        ``middle_place``, ``score``.
    """
    by, fits = list(parts.study.by), parts.found.fits
    ends = [forecast.made_on + pd.DateOffset(months=m) for m in forecast.months]
    seen, masked = _outcomes(forecast, record, by, fits, fits_now, ends)
    naive = _naive_means(forecast, parts)
    luck = np.random.default_rng(forecast.made_on.toordinal())
    tables = []
    for number, months in enumerate(forecast.months):
        counts = {"relkit": forecast.counts[number], "plug-in": forecast.plug_in[number]}
        means = {name: naive[name][number] for name in naive}
        strata = _frame(
            counts,
            means,
            seen[number],
            masked[number],
            luck.random(len(fits)),
            _names(fits[by], "stratum").assign(
                positions=forecast.of_stratum, failures_known=fits["failures"].to_numpy()
            ),
        )
        whole = _frame(
            {name: each.sum(axis=0, keepdims=True) for name, each in counts.items()},
            {name: each.sum(keepdims=True) for name, each in means.items()},
            seen[number].sum(keepdims=True),
            masked[number].sum(keepdims=True),
            luck.random(1),
            _names(pd.DataFrame({name: [""] for name in by}), "all").assign(
                positions=forecast.of_stratum.sum(), failures_known=fits["failures"].sum()
            ),
        )
        both = pd.concat([strata, whole])
        tables.append(both.assign(made_on=forecast.made_on, until=ends[number], months=months))
    return pd.concat(tables, ignore_index=True)


def _names(keys: pd.DataFrame, level: str) -> pd.DataFrame:
    return keys.reset_index(drop=True).assign(level=level)


def _outcomes(
    forecast: Forecast,
    record: pd.DataFrame,
    by: Sequence[str],
    fits: pd.DataFrame,
    fits_now: pd.DataFrame,
    ends: Sequence[pd.Timestamp],
) -> tuple[Integers, Integers]:
    """Outcomes by the strata that were known on the date; later ones have no forecast."""
    both = counted_failures(record, forecast.positions, len(fits_now), forecast.made_on, ends)
    names = pd.MultiIndex.from_frame(fits_now[list(by)].astype(str))
    row = names.get_indexer(pd.MultiIndex.from_frame(fits[list(by)].astype(str)))
    known = row >= 0
    found = []
    for counts in both:
        aligned = np.zeros((len(ends), len(fits)), dtype=np.int64)
        aligned[:, known] = counts[:, row[known]]
        found.append(aligned)
    return found[0], found[1]


def _naive_means(forecast: Forecast, parts: PlanParts) -> dict[str, Floats]:
    """Return the expected counts of the naive forecasts, (n_months, n_strata)."""
    fits = parts.found.fits
    exposure = fits["exposure"].to_numpy(dtype=np.float64)
    failures = fits["failures"].to_numpy(dtype=np.float64)
    year_failures, year_use = _last_year(parts, len(fits))
    constant = np.divide(failures, exposure, out=np.zeros(len(fits)), where=exposure > 0)
    last = np.divide(year_failures, year_use, out=constant.copy(), where=year_use > 0)
    return {"last year's rate": forecast.use * last, "constant rate": forecast.use * constant}


def _last_year(parts: PlanParts, count: int) -> tuple[Floats, Floats]:
    """Failures and use of the last year by stratum; a masked failure counts by its share."""
    lives, by = parts.found.lives, list(parts.study.by)
    until = pd.Timestamp(parts.tables.observed_until)
    since = until - pd.Timedelta(days=_YEAR_DAYS)
    keys = lives.assign(location=lives["stratum_location"])[by].astype(str)
    index = pd.MultiIndex.from_frame(parts.found.fits[by].astype(str))
    stratum = index.get_indexer(pd.MultiIndex.from_frame(keys))
    weight = lives["failed"].astype(float)
    if "failure_share" in lives:
        weight = weight.where(lives["failed"], lives["failure_share"].fillna(0.0))
    recent = (lives["ended_on"] >= since).to_numpy() & (stratum >= 0)
    failures = np.bincount(
        stratum[recent], weights=weight.to_numpy(dtype=np.float64)[recent], minlength=count
    )
    since = max(since, pd.Timestamp(parts.tables.observed_from))
    begin = lives["fitted_on"].where(lives["fitted_on"] > since, since)
    days = (lives["ended_on"] - begin).dt.total_seconds().to_numpy() / 86400
    clock = parts.study.clock
    rate = parts.rates[clock] if clock in parts.rates else pd.Series(1.0, index=parts.rates.index)
    use = np.maximum(days, 0.0) * lives["vehicle"].map(rate).fillna(0.0).to_numpy(dtype=np.float64)
    used = np.bincount(stratum[recent], weights=use[recent], minlength=count)
    return failures.astype(np.float64), used.astype(np.float64)


def _frame(
    counts: dict[str, Integers],
    means: dict[str, Floats],
    seen: Integers,
    masked: Integers,
    luck: Floats,
    names: pd.DataFrame,
) -> pd.DataFrame:
    """One row per stratum and method."""
    most = int(max(seen.max(), *(each.max() for each in counts.values()))) + 1
    largest = max(float(each.max()) for each in means.values())
    most = max(most, int(largest + 10 * np.sqrt(largest) + 10))
    laws = {name: histories_law(each, most) for name, each in counts.items()}
    laws |= {name: poisson_law(each, most) for name, each in means.items()}
    tables = []
    for method in METHODS:
        found = judged(laws[method], seen, luck)
        ends = {
            f"{side}_{level * 100:.0f}": values[row]
            for row, level in enumerate(LEVELS)
            for side, values in (("low", found.low), ("high", found.high))
        }
        tables.append(
            names.assign(
                method=method,
                expected=found.mean,
                **ends,
                seen=seen,
                masked_seen=masked,
                place=found.place,
                middle_place=found.middle_place,
                score=found.score,
            )
        )
    return pd.concat(tables, ignore_index=True)

"""What the histories of a fleet add up to, by history, stratum and quarter.

Layer: whatif. numpy and pandas.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri

from relkit.checks import share

__all__ = ["FleetHistories", "Measure", "fleet_difference", "fleet_totals"]

Floats = NDArray[np.float64]

Measure = Literal[
    "failures",
    "found",
    "planned",
    "prevented",
    "checks",
    "hidden",
    "use",
    "dark_demands",
    "downtime",
    "requests",
    "stock_outs",
    "bay_hours",
    "cost",
]
MEASURES: tuple[Measure, ...] = get_args(Measure)


@dataclass(frozen=True, slots=True, eq=False)
class FleetHistories:
    """Totals of each history; arrays (n_histories, n_strata, n_quarters).

    A position counts under the stratum of the item that it has at the start, whatever is fitted
    later, unless the simulation was asked to count under each item's own. Checks, use and bay
    hours of checks do not vary between histories.
    """

    failures: Floats  #: failures, hidden ones in the quarter in which they happen [1]
    found: Floats  #: hidden failures found by a check, a report or a replacement [1]
    planned: Floats  #: planned replacements of items that had not failed [1]
    prevented: Floats  #: replacements because a look found a defect [1]
    checks: Floats  #: checks and looks made [1]
    hidden: Floats  #: use with a hidden failure [clock]
    use: Floats  #: use in all, downtime included [clock]
    dark_demands: Floats  #: demands on a hidden failure [1]
    downtime: Floats  #: hours from a failure known to the end of its repair [h]
    requests: Floats  #: spares asked for [1]
    stock_outs: Floats  #: of these, found the shelf empty [1]
    bay_hours: Floats  #: hours worked in the bays [h]
    cost: Floats  #: all of it [money]
    strata: tuple[str, ...]  #: names of the strata
    years: float  #: length of each history [a]

    @property
    def histories(self) -> int:
        """Number of histories."""
        return int(self.failures.shape[0])


def fleet_totals(
    run: FleetHistories,
    *,
    by: Literal["fleet", "stratum", "quarter"] = "fleet",
    confidence_level: float = 0.95,
    interval_level: float = 0.8,
) -> pd.DataFrame:
    """Means of the totals over the histories, with limits.

    Parameters
    ----------
    run : FleetHistories
        From :func:`simulate_fleet`.
    by : {"fleet", "stratum", "quarter"}
        What each row stands for.
    confidence_level : float
        Of the limits of the mean: what more histories would narrow. [1]
    interval_level : float
        Central share of the histories between ``low`` and ``high``: what luck, and doubt about
        the parameters where they come as draws, may bring. [1]

    Returns
    -------
    DataFrame
        ``stratum`` or ``quarter`` (from 1), ``measure``, ``mean``, ``lower``, ``upper``, ``low``,
        ``high``, ``histories``.

    Raises
    ------
    ValueError
        A level is not strictly between 0 and 1, or ``by`` is something else.
    """
    return _table(
        run, {name: getattr(run, name) for name in MEASURES}, by, confidence_level, interval_level
    )


def fleet_difference(
    run: FleetHistories,
    today: FleetHistories,
    *,
    by: Literal["fleet", "stratum", "quarter"] = "fleet",
    confidence_level: float = 0.95,
    interval_level: float = 0.8,
) -> pd.DataFrame:
    """Mean difference between two variants, history by history, with limits.

    Parameters
    ----------
    run, today : FleetHistories
        Of the same number of histories, years and seed: the same luck on both sides.
    by, confidence_level, interval_level
        As in :func:`fleet_totals`.

    Returns
    -------
    DataFrame
        As :func:`fleet_totals`; positive: more than today.

    Raises
    ------
    ValueError
        The two do not go together; or ``by`` is "stratum" and their strata differ.
    """
    if run.histories != today.histories or run.years != today.years:
        raise ValueError("the two variants differ in histories or years: run them alike")
    if by == "stratum" and run.strata != today.strata:
        raise ValueError("the two variants have different strata: compare them by fleet or quarter")
    axis = () if by == "stratum" else 1
    pairs = {
        name: getattr(run, name).sum(axis, keepdims=True)
        - getattr(today, name).sum(axis, keepdims=True)
        for name in MEASURES
    }
    return _table(run, pairs, by, confidence_level, interval_level)


def _table(
    run: FleetHistories,
    values: dict[Measure, Floats],
    by: str,
    confidence_level: float,
    interval_level: float,
) -> pd.DataFrame:
    z = float(ndtri((1 + share("confidence_level", confidence_level)) / 2))
    tail = (1 - share("interval_level", interval_level)) / 2
    axes = {"fleet": (1, 2), "stratum": (2,), "quarter": (1,)}
    if by not in axes:
        raise ValueError(f"by is {by!r}: give one of {', '.join(axes)}")
    rows = []
    for measure, whole in values.items():
        each = whole.sum(axis=axes[by]).reshape(len(whole), -1)
        mean = each.mean(axis=0)
        error = each.std(axis=0, ddof=1) / np.sqrt(len(each)) if len(each) > 1 else np.nan * mean
        low, high = np.quantile(each, [tail, 1 - tail], axis=0)
        table = pd.DataFrame(
            {
                "measure": measure,
                "mean": mean,
                "lower": mean - z * error,
                "upper": mean + z * error,
                "low": low,
                "high": high,
            }
        )
        if by == "stratum":
            table.insert(0, "stratum", list(run.strata))
        if by == "quarter":
            table.insert(0, "quarter", np.arange(1, len(mean) + 1))
        rows.append(table)
    return pd.concat(rows, ignore_index=True).assign(histories=run.histories)

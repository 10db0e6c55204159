"""Condition inspection when delay, detection and rate of defects are only known as draws.

Layer: decisions. Arrays in, one frozen result out; numpy only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from relkit.checks import positive, within
from relkit.checks import share as checked_share
from relkit.decisions.condition_inspection import missed_share

__all__ = ["InspectionUnderUncertainty", "inspection_under_uncertainty"]

Floats = NDArray[np.float64]

#: Intervals tried, in mean delays: 1.5 % apart.
TRIED = np.exp(np.linspace(np.log(0.01), np.log(30.0), 534))


@dataclass(frozen=True, slots=True, eq=False)
class InspectionUnderUncertainty:
    """Interval between looks with the least average cost; one value per stratum."""

    interval: Floats  #: time between looks; inf where looking does not pay [h]
    lower: Floats  #: lower limit of the draws' own best intervals [h]
    upper: Floats  #: upper limit; inf where that many draws let defects fail [h]
    missed_share: Floats  #: mean share of defects that fail before they are seen, at it [1]
    cost_rate: Floats  #: mean cost of looks, mends and failures at it [money per h]
    run_to_failure_cost_rate: Floats  #: every defect fails [money per h]
    saving: Floats  #: share of the mean run-to-failure cost that looking saves [1]
    saving_lower: Floats  #: lower limit over the draws; below 0: a loss [1]
    saving_upper: Floats  #: upper limit [1]
    probability_of_saving: Floats  #: share of the draws where looking costs less [1]
    status: NDArray[np.str_]  #: "ok" or "looking costs more than it saves"


def inspection_under_uncertainty(
    *,
    defect_rate: ArrayLike,
    mean_delay: ArrayLike,
    detection: ArrayLike,
    cost_inspection: ArrayLike,
    cost_mend: ArrayLike,
    cost_failure: ArrayLike,
    confidence_level: float = 0.9,
) -> InspectionUnderUncertainty:
    """Interval between looks with the least cost averaged over what is not known.

    Delay-time model with exponential delays, as in ``inspection_cost_rate``.

    Parameters
    ----------
    defect_rate, mean_delay, detection : array_like of shape (n_strata, n_draws)
        Draws of the rate of defects [1/h], of the mean delay [h], above 0, and of the chance
        that a look sees a defect, above 0 and at most 1 [1].
    cost_inspection, cost_mend, cost_failure : array_like of shape () or (n_strata,)
        Cost of one look, of one mend of a found defect and of one failure, above 0. [money]
    confidence_level : float
        Central share of the draws that the limits enclose. [1]

    Returns
    -------
    InspectionUnderUncertainty
        ``interval`` is one of those tried, from 0.01 to 30 mean delays, 1.5 % apart.

    Raises
    ------
    ValueError
        A value is out of bounds: argument, position and value are named.

    References
    ----------
    As in ``missed_share``; least expected cost: common practice of decision theory.

    Examples
    --------
    >>> known = inspection_under_uncertainty(
    ...     defect_rate=[[1 / 4870]], mean_delay=[[400.0]], detection=[[0.7]],
    ...     cost_inspection=6.0, cost_mend=180.0, cost_failure=700.0,
    ... )
    >>> known.interval.round(-1).tolist(), known.saving.round(2).tolist()
    ([230.0], [0.29])
    """
    rate, delay, found = np.broadcast_arrays(
        np.atleast_2d(positive("defect_rate", defect_rate)),
        np.atleast_2d(positive("mean_delay", mean_delay)),
        np.atleast_2d(within("detection", detection, float(np.finfo(np.float64).tiny), 1.0)),
    )
    count = len(rate)
    look, mend, failure = (
        np.broadcast_to(positive(name, values), (count,))
        for name, values in (
            ("cost_inspection", cost_inspection),
            ("cost_mend", cost_mend),
            ("cost_failure", cost_failure),
        )
    )
    tail = (1 - checked_share("confidence_level", confidence_level)) / 2
    rows = np.array(
        [
            _one(rate[i], delay[i], found[i], look[i], mend[i], failure[i], tail)
            for i in range(count)
        ]
    )
    interval, lower, upper, missed, cost, endless, saving, low, high, chance = rows.T
    return InspectionUnderUncertainty(
        interval=interval,
        lower=lower,
        upper=upper,
        missed_share=missed,
        cost_rate=cost,
        run_to_failure_cost_rate=endless,
        saving=saving,
        saving_lower=low,
        saving_upper=high,
        probability_of_saving=chance,
        status=np.where(np.isfinite(interval), "ok", "looking costs more than it saves"),
    )


def _one(
    rate: Floats,
    delay: Floats,
    found: Floats,
    look: float,
    mend: float,
    failure: float,
    tail: float,
) -> tuple[float, ...]:
    """Fields of one stratum, in their order."""
    tried = TRIED * np.exp(np.log(delay).mean())
    missed = missed_share(tried[:, None], mean_delay=delay, detection=found)
    cost = look / tried[:, None] + rate * (mend + missed * (failure - mend))  # (tried, draws)
    endless = rate * failure
    place = int(np.argmin(cost.mean(axis=1)))
    pays = cost[place].mean() < endless.mean()
    saving = 1 - cost[place] / endless if pays else np.zeros(len(rate))
    own = np.where(cost.min(axis=0) < endless, tried[cost.argmin(axis=0)], np.inf)
    lower, upper = np.quantile(own, [tail, 1 - tail], method="inverted_cdf")
    low, high = np.quantile(saving, [tail, 1 - tail])
    return (
        float(tried[place]) if pays else np.inf,
        float(lower),
        float(upper),
        float(missed[place].mean()) if pays else 1.0,
        float(cost[place].mean() if pays else endless.mean()),
        float(endless.mean()),
        float(1 - cost[place].mean() / endless.mean()) if pays else 0.0,
        float(low),
        float(high),
        float((saving > 0).mean()),
    )

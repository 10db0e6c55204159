"""Failures and planned replacements to expect at positions over a time ahead, by their tasks.

Layer: whatif. Arrays in, arrays out: one row per group of positions, one column per draw.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gamma, gammainc

__all__ = ["Counts", "Laws", "Positions", "counts_ahead", "dark_share"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

#: Steps of the time ahead per median scale, and their fewest and most.
STEPS_PER_SCALE, LEAST_STEPS, MOST_STEPS = 20, 40, 160
#: Steps in which the present item's failure is followed.
FIRST_STEPS = 20
#: Product of rate and time below which the dark share is taken from its series.
SERIES = 1e-4


@dataclass(frozen=True, slots=True, eq=False)
class Laws:
    """Life laws: a Weibull, a mixture of two of them, or one with part of the early failures."""

    shape: Floats  #: (n_laws, draws) [1]
    scale: Floats  #: (n_laws, draws) [clock]
    other: Integers  #: (n_laws,) law that a share of new items follows; itself where none does
    other_share: Floats  #: (n_laws,) that share [1]
    early_share: Floats  #: (n_laws,) failures before ``early_age`` that remain; 1: all [1]
    early_age: Floats  #: (n_laws,) [clock]

    def hazards(self, law: Integers, age: Floats) -> Floats:
        """Cumulative hazard of each law row at ages of shape (n, 1 or draws, m)."""
        own = self._without_mixing(law, age)
        mixed = np.flatnonzero(self.other_share[law] > 0)
        if len(mixed):
            part = self.other_share[law[mixed]][:, None, None]
            other = self._without_mixing(self.other[law[mixed]], age[mixed])
            own[mixed] = -np.log((1 - part) * np.exp(-own[mixed]) + part * np.exp(-other))
        return own

    def mean_use(self, law: Integers, age: Floats) -> Floats:
        """Mean use of new items that are replaced at an age (n,): inf for at failure only."""
        own = self._mean_use_without_mixing(law, age)
        mixed = np.flatnonzero(self.other_share[law] > 0)
        if len(mixed):
            part = self.other_share[law[mixed]][:, None]
            other = self._mean_use_without_mixing(self.other[law[mixed]], age[mixed])
            own[mixed] = (1 - part) * own[mixed] + part * other
        return own

    def _mean_use_without_mixing(self, law: Integers, age: Floats) -> Floats:
        whole = self._weibull_use(law, age)
        fewer = np.flatnonzero(self.early_share[law] < 1)
        if len(fewer):
            rows, kept = law[fewer], self.early_share[law[fewer]][:, None]
            limit = np.minimum(self.early_age[rows], age[fewer])
            before = self._weibull_use(rows, limit)
            failed = -np.expm1(-self._weibull(rows, limit[:, None, None])[:, :, 0])
            later = (1 - kept * failed) / (1 - failed) * (whole[fewer] - before)
            whole[fewer] = (1 - kept) * limit[:, None] + kept * before + later
        return whole

    def _weibull_use(self, law: Integers, age: Floats) -> Floats:
        shape, scale = self.shape[law], self.scale[law]
        with np.errstate(over="ignore"):  # inf is the right limit: the whole mean life
            gained = (age[:, None] / scale) ** shape
        return np.asarray(scale * gamma(1 + 1 / shape) * gammainc(1 / shape, gained))

    def _without_mixing(self, law: Integers, age: Floats) -> Floats:
        hazard = self._weibull(law, age)
        fewer = np.flatnonzero(self.early_share[law] < 1)
        if len(fewer):
            # own algebra: of the failures up to the early age only a share happens; the other
            # items live on as those that had passed that age
            kept = self.early_share[law[fewer]][:, None, None]
            limit = self.early_age[law[fewer]][:, None, None]
            end = self._weibull(law[fewer], limit)
            early = -np.log1p(kept * np.expm1(-np.minimum(hazard[fewer], end)))
            hazard[fewer] = early + np.maximum(hazard[fewer] - end, 0.0)
        return hazard

    def _weibull(self, law: Integers, age: Floats) -> Floats:
        with np.errstate(over="ignore"):  # certain to have failed
            power = (age / self.scale[law][:, :, None]) ** self.shape[law][:, :, None]
        return np.minimum(power, 700.0)


@dataclass(frozen=True, slots=True, eq=False)
class Positions:
    """Groups of like positions; all fields (n_groups,)."""

    law: Integers  #: of the item present
    next_law: Integers  #: of items fitted later
    age: Floats  #: of the item present [clock]
    use: Floats  #: time ahead [clock]
    count: Floats  #: positions in the group [1]
    planned_age: Floats  #: at which items are replaced; inf: never [clock]
    first_planned: Floats  #: the present item's own replacement from now; NaN: by its age [clock]


@dataclass(frozen=True, slots=True, eq=False)
class Counts:
    """Means over all positions of each group, of shape (n_groups, draws)."""

    failures: Floats
    planned: Floats


def counts_ahead(positions: Positions, laws: Laws) -> Counts:
    """Return expected failures and planned replacements of each group over its time ahead.

    Assumes that a failed item is replaced at once. Items older than their planned age are
    replaced at the start, unless ``first_planned`` says when.

    Parameters
    ----------
    positions : Positions
        Groups of positions with their tasks.
    laws : Laws
        Life laws by draw.

    Notes
    -----
    Renewal equation with a life that ends at failure or at the planned age, solved on a grid
    with the trapezoid rule; the step of the planned age falls on the grid. Differs from the
    exact renewal function by less than 0.5 % (see the tests).

    References
    ----------
    .. [1] D. R. Cox, Renewal Theory, Methuen, 1962 (from memory). With planned replacement: own
       algebra.
    """
    after, number = np.unique(
        np.stack([positions.next_law.astype(np.float64), positions.planned_age]),
        axis=1,
        return_inverse=True,
    )
    number = np.ravel(number)
    longest = np.zeros(after.shape[1])
    np.maximum.at(longest, number, positions.use)
    later = _of_new_items(after[0].astype(np.int64), after[1], np.maximum(longest, 1e-9), laws)
    return _with_present_items(positions, number, later, laws)


@dataclass(frozen=True, slots=True, eq=False)
class _NewItems:
    """Counts from a new item on, on a grid from 0: values (2, n, draws, steps + 1)."""

    step: Floats
    values: Floats  # failures, planned replacements


def _of_new_items(law: Integers, planned_age: Floats, longest: Floats, laws: Laws) -> _NewItems:
    draws = laws.shape.shape[1]
    typical = np.median(laws.scale[law], axis=1)
    wanted = np.clip(STEPS_PER_SCALE * longest / typical, LEAST_STEPS, MOST_STEPS)
    step = longest / np.ceil(wanted)
    planned = planned_age < longest
    own_steps = np.ceil(np.where(planned, planned_age / step, 0.0)).astype(np.int64)
    step = np.where(planned, planned_age / np.maximum(own_steps, 1), step)
    steps = int(np.ceil(longest / step - 1e-9).max())
    grid = step[:, None] * np.arange(steps + 1)
    if planned.any():
        grid = np.where(planned[:, None], np.minimum(grid, planned_age[:, None]), grid)
    hazard = laws.hazards(law, np.broadcast_to(grid[:, None, :], (len(law), draws, steps + 1)))
    failed = -np.expm1(-hazard)
    survive = np.where(planned[:, None], np.exp(-hazard[:, :, -1]), 0.0)
    lag = np.where(planned, own_steps, steps + 1)
    return _NewItems(step, _renewed(failed, survive, lag))


def _renewed(failed: Floats, survive: Floats, lag: Integers) -> Floats:
    """Solve N(t) = source(t) + integral of N(t - s) dF(s) + survive N(t - lag) on the grid."""
    parts = np.diff(failed, axis=-1)  # nothing fails beyond the planned age: the grid stops there
    rows, draws, steps = parts.shape
    values = np.zeros((2, rows, draws, steps + 1))
    means = np.zeros((2, rows, draws, steps))  # of two neighbours, newest last
    here = np.arange(rows)
    implicit = 1 - parts[:, :, 0] / 2
    for k in range(1, steps + 1):
        back = k - lag
        reached = (back >= 0)[:, None]
        source = np.stack([failed[:, :, k], np.where(reached, survive, 0.0)])
        source += np.where(
            reached, survive * values[:, here, :, np.maximum(back, 0)].transpose(1, 0, 2), 0.0
        )
        if k > 1:
            earlier = parts[:, :, k - 1 : 0 : -1]
            source += np.einsum("rdj,crdj->crd", earlier, means[:, :, :, : k - 1])
        source += parts[:, :, 0] / 2 * values[:, :, :, k - 1]
        values[:, :, :, k] = source / implicit
        means[:, :, :, k - 1] = (values[:, :, :, k] + values[:, :, :, k - 1]) / 2
    return values


def _with_present_items(
    positions: Positions, number: Integers, later: _NewItems, laws: Laws
) -> Counts:
    by_age = np.maximum(positions.planned_age - positions.age, 0.0)
    rest = np.where(np.isnan(positions.first_planned), by_age, positions.first_planned)
    length = np.minimum(positions.use, rest)
    # shorter steps at first: old items, and young ones that fail early, go soon
    ends = length[:, None] * np.linspace(0.0, 1.0, FIRST_STEPS + 1) ** 2
    draws = laws.shape.shape[1]
    age = positions.age[:, None]
    shape = (len(age), draws, FIRST_STEPS + 1)
    hazard = laws.hazards(positions.law, np.broadcast_to((age + ends)[:, None, :], shape))
    failed = -np.expm1(-(hazard - hazard[:, :, :1]))
    left = positions.use[:, None] - (ends[:, 1:] + ends[:, :-1]) / 2
    replaced = np.where(rest < positions.use, 1.0, 0.0)[:, None] * (1 - failed[:, :, -1])
    totals = np.einsum("gdj,cgdj->cgd", np.diff(failed, axis=-1), _at(later, number, left))
    totals += replaced * _at(later, number, (positions.use - length)[:, None])[:, :, :, 0]
    totals += np.stack([failed[:, :, -1], replaced])
    totals *= positions.count[:, None]
    return Counts(failures=totals[0], planned=totals[1])


def _at(later: _NewItems, number: Integers, time: Floats) -> Floats:
    """Return counts of new items after times of shape (n_groups, m): (2, n_groups, draws, m)."""
    place = time / later.step[number][:, None]
    low = np.minimum(place.astype(np.int64), later.values.shape[-1] - 2)
    part = (place - low)[None, :, None, :]
    rows = number[:, None]
    # (2, g, m, d) after the fancy indices
    start = later.values.transpose(0, 1, 3, 2)[:, rows, low].transpose(0, 1, 3, 2)
    end = later.values.transpose(0, 1, 3, 2)[:, rows, low + 1].transpose(0, 1, 3, 2)
    return np.asarray(start + part * (end - start))


def dark_share(failure_rate: Floats, interval: Floats, report_rate: Floats) -> Floats:
    """Mean share of time that a hidden function is failed and nobody knows.

    Assumes a constant rate of failures between checks, reports at a constant rate while the
    fault is there, and that a fault is mended when it is found.

    Parameters
    ----------
    failure_rate, interval, report_rate : ndarray, broadcastable
        Failures of a good item [1 / clock], time between checks [clock], reports of a fault in
        use [1 / clock].

    Returns
    -------
    ndarray
        f / (f + r) (1 - (1 - exp(-(f + r) tau)) / ((f + r) tau)). [1]

    References
    ----------
    Two states with a constant rate each way, set back to good at each check: own algebra.
    Without reports and for short intervals it is half the interval times the rate; for
    ``failure_rate`` small beside 1 / interval it is ``unavailability_in_use``.
    """
    total = failure_rate + report_rate
    x = total * interval
    with np.errstate(divide="ignore", invalid="ignore"):
        whole = 1 + np.expm1(-x) / x
        share = failure_rate / total * np.where(x > SERIES, whole, x / 2 - x**2 / 6)
    return np.asarray(np.where(total > 0, share, 0.0))

"""Bootstrap limits of Weibull shape, scale and B10 life: many refits as strata of one batch.

Layer: survival. numpy only.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from relkit.survival.limits import B10_HAZARD, Limits
from relkit.survival.observed import ObservedLives
from relkit.survival.strata import strata_of_sizes
from relkit.survival.weibull_likelihood import weibull_likelihood
from relkit.survival.weibull_solve import maximum

__all__ = ["bootstrap_limits"]

#: Rows held at a time, refits times lives.
_ROWS = 2_000_000
#: Share of refits that must have a maximum for limits to be given.
_ENOUGH = 0.95


def bootstrap_limits(
    lives: ObservedLives,
    u: NDArray[np.float64],
    *,
    confidence_level: float,
    replicates: int,
    rng: np.random.Generator,
) -> Limits:
    """Percentile limits from refits in which every life has a random weight of mean 1.

    The weights are exponential (gamma for rows that stand for several lives), so that no refit
    loses all its failures, as resampling lives would with few of them. Refits without a maximum
    are left out; limits are NaN where more than 5 % are. Results depend on the generator and on
    the order of the strata.

    Parameters
    ----------
    lives : ObservedLives
        The lives, of ages above 0, each stratum with a maximum.
    u : ndarray, shape (n_strata,)
        Log shape at that maximum: the refits start there.
    confidence_level : float
        Of the two-sided limits. [1]
    replicates : int
        Number of refits of each stratum.
    rng : numpy.random.Generator
        Source of the weights.

    References
    ----------
    .. [1] L. Xu, C. Gotwalt, Y. Hong, C. B. King and W. Q. Meeker, Applications of the
       fractional-random-weight bootstrap, The American Statistician 74, 2020, 345-358.
    """
    found = np.full((3, replicates, len(u)), np.nan)
    for begin, end in _blocks(lives.strata.sizes, replicates):
        wanted = np.zeros(len(u), dtype=np.bool_)
        wanted[begin:end] = True
        block = lives.of_strata(wanted)
        at_once = max(1, _ROWS // max(1, len(block.age)))
        for first in range(0, replicates, at_once):
            times = min(at_once, replicates - first)
            refits = _refits(block, u[begin:end], times, rng)
            found[:, first : first + times, begin:end] = refits
    tail = (1 - confidence_level) / 2
    enough = np.isfinite(found[0]).mean(axis=0) >= _ENOUGH
    limits = np.full((3, 2, len(u)), np.nan)
    if enough.any():
        refits = found[:, :, enough]
        # nanquantile works stratum by stratum in Python, so it is kept for where it is needed
        of = np.nanquantile if np.isnan(refits).any() else np.quantile
        quantiles = of(refits, [tail, 1 - tail], axis=1)
        limits[:, :, enough] = np.exp(np.swapaxes(quantiles, 0, 1))
    return Limits(*(limits[i, j] for i in range(3) for j in range(2)))


def _blocks(sizes: NDArray[np.intp], replicates: int) -> list[tuple[int, int]]:
    """Return ranges of strata whose rows times refits fit in memory; at least one stratum each."""
    block = np.cumsum(sizes) // max(1, _ROWS // replicates)
    edges = np.flatnonzero(np.diff(block)) + 1
    return list(zip([0, *edges.tolist()], [*edges.tolist(), len(sizes)], strict=True))


def _refits(
    lives: ObservedLives, u: NDArray[np.float64], times: int, rng: np.random.Generator
) -> NDArray[np.float64]:
    """Log shape, log scale and log B10 life of each refit, shape (3, times, n_strata)."""
    rows = len(lives.age) * times
    count = (
        rng.standard_exponential(rows)
        if lives.count is None
        else rng.standard_gamma(np.tile(lives.count, times))
    )
    known = lives.counts() > 0
    share = np.where(known, lives.failures / np.where(known, lives.counts(), 1.0), 0.0)

    def tiled(values: NDArray[np.float64] | None) -> NDArray[np.float64] | None:
        return None if values is None else np.tile(values, times)

    refit = ObservedLives(
        strata=strata_of_sizes(np.tile(lives.strata.sizes, times)),
        age=np.tile(lives.age, times),
        failures=count * np.tile(share, times),
        entry=tiled(lives.entry),
        count=count,
        age_lower=tiled(lives.age_lower),
    )
    likelihood = weibull_likelihood(refit)
    best = maximum(likelihood, np.tile(u, times))
    shape = np.exp(best.u)
    log_scale = likelihood.log_reference - best.y / shape
    values = np.array([best.u, log_scale, log_scale + np.log(B10_HAZARD) / shape])
    return np.where(best.found, values, np.nan).reshape(3, times, len(u))

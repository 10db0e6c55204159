"""Fits where most strata have few failures: own shape, borrowed shape, or a bound only.

Layer: survival. Arrays in, one frozen result out; numpy only.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from relkit.survival.borrowed import borrowed_columns
from relkit.survival.draws import DrawLaw, draw_law
from relkit.survival.observed import ObservedLives
from relkit.survival.shape_posterior import (
    ShapePosterior,
    pooled_posterior,
    shape_table,
    stated_posterior,
)
from relkit.survival.status import Status
from relkit.survival.weibull import LimitsKind, own_fits
from relkit.survival.weibull_likelihood import weibull_likelihood
from relkit.survival.weibull_result import FEWEST_OWN, WeibullFits, aged_lives

__all__ = ["STATED_PRIOR", "PooledFits", "pooled_fits"]

#: Shape source where a pool has too few failures to lend a shape.
STATED_PRIOR = "stated prior, log shape normal about log 1.3 with standard deviation 0.45"


@dataclass(frozen=True, slots=True, eq=False)
class PooledFits:
    """Fits by the rules for few failures, and the law of shape and scale for decisions."""

    fits: WeibullFits
    law: DrawLaw


def pooled_fits(
    lives: ObservedLives,
    pool: NDArray[np.intp],
    pool_names: list[str],
    *,
    confidence_level: float = 0.95,
    limits: LimitsKind = "profile",
    rng: np.random.Generator | int = 0,
) -> PooledFits:
    """Weibull fits that borrow the shape from similar strata where failures are few.

    =============== ==================================================================
    failures        what is given
    =============== ==================================================================
    5 and more      own shape and scale with the limits asked for
    1 to 4          shape shared over the pool, own scale; limits hold the uncertainty of both
    0               shape of the pool, a one-sided lower bound of the scale, infinite upper
    =============== ==================================================================

    A pool's log shapes are taken as scattered normally about a common mean, and mean and
    scatter are estimated together: strata that are alike share one shape, unlike ones lend
    little. A pool with fewer than 5 failures lends nothing; the stated prior is used.
    Strata with more failures but no estimate of their own are treated as those with 1 to 4.

    Parameters
    ----------
    lives : ObservedLives
        The lives.
    pool : ndarray of int, shape (n_strata,)
        Pool of each stratum.
    pool_names : list of str
        Name of each pool, for ``shape_source``.
    confidence_level : float
        Level of the two-sided limits, between 0 and 1. [1]
    limits : {"fisher", "profile", "likelihood ratio", "bootstrap"}
        Kind of the limits of strata with their own shape.
    rng : numpy.random.Generator or int
        Only used by "bootstrap".

    Returns
    -------
    PooledFits
        Limits of borrowed shapes are quantiles of the posterior. Those of their scales and
        B10 lives average the chi-square limits of a known shape over it. The law for
        decisions borrows for every stratum, in the measure in which its own failures are few.

    References
    ----------
    .. [1] C. Lewis-Beck, Q. Tian and W. Q. Meeker, arXiv:2011.03140 (borrowing strength
       across groups of heavily censored field data); the form used here is our own algebra.
    """
    fits = own_fits(lives, confidence_level=confidence_level, limits=limits, rng=rng)
    likelihood = weibull_likelihood(aged_lives(lives))
    informative = (likelihood.failures > 0) & (fits.status != Status.EQUAL_AGES)
    table = shape_table(
        likelihood, fits.lives, informative, np.log(fits.shape), fits.log_shape_std_error
    )
    lent = np.bincount(pool, np.where(informative, fits.failures, 0.0), len(pool_names))
    lends = (lent >= FEWEST_OWN)[pool]
    posterior = ShapePosterior(
        np.where(
            lends[:, None],
            pooled_posterior(table, pool, len(pool_names)).probability,
            stated_posterior(table).probability,
        )
    )
    exposed = fits.status != Status.NO_EXPOSURE
    borrows = exposed & ((fits.failures < FEWEST_OWN) | np.isnan(fits.shape))
    names = np.array([f"shared over {name}" for name in pool_names], dtype=object)
    source = np.where(lends, names[pool], STATED_PRIOR)
    if borrows.any():
        part = ShapePosterior(posterior.probability[borrows])
        columns = borrowed_columns(
            part, table.of_strata(borrows), fits.failures[borrows], confidence_level
        )
        fits = _with_borrowed(fits, borrows, source, columns)
    return PooledFits(fits=fits, law=draw_law(table, posterior))


def _with_borrowed(
    fits: WeibullFits,
    borrows: NDArray[np.bool_],
    source: NDArray[np.object_],
    columns: dict[str, NDArray[np.float64]],
) -> WeibullFits:
    """Return the fits with those strata filled in that borrow their shape."""
    changed: dict[str, Any] = {}
    for name, numbers in columns.items():
        changed[name] = getattr(fits, name).copy()
        changed[name][borrows] = numbers
    reason = fits.reason.copy()
    reason[borrows] = _reasons(fits.status[borrows], source[borrows], fits.zero_ages[borrows] > 0)
    whence = np.where(borrows, source, fits.shape_source)
    return replace(fits, shape_source=whence, reason=reason, **changed)


def _reasons(
    status: NDArray[np.str_], source: NDArray[np.object_], zero_ages: NDArray[np.bool_]
) -> NDArray[np.object_]:
    """Return a sentence for each stratum that borrows its shape."""
    told = {
        Status.NO_FAILURES: (
            "nothing failed: only a lower bound of the scale exists, one-sided at the confidence "
            "level and averaged over the shapes borrowed"
        ),
    }
    few = "too few failures to tell a shape: it is borrowed, the scale is its own"
    sentences = [
        f"{told.get(Status(str(s)), few)} ({whence})"
        for s, whence in zip(status, source, strict=True)
    ]
    apart = "; failures at age 0 (dead on arrival) are counted apart, not in the fit"
    return np.array(
        [s + apart * bool(zero) for s, zero in zip(sentences, zero_ages, strict=True)], dtype=object
    )

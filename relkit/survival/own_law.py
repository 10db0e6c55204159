"""Do failures of a subgroup follow a worse law of their own: mean likelihood ratio, simulated.

Layer: survival. Arrays in, one frozen result out; numpy only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["OwnLawTest", "own_law_test"]

Floats = NDArray[np.float64]

#: Laws looked at: Weibull shapes, and failures over those expected if like the rest.
SHAPES = np.array([0.7, 1.0, 1.5, 2.2, 3.2])
RATIOS = np.array([1.3, 1.6, 2.0, 2.5, 3.2, 4.5])
#: Weight of laws in place of the stratum's, and of laws beside it.
_INSTEAD, _BESIDE = 0.8, 0.2
_SETS = 1_999  #: simulated sets of failures behind a p-value
_MANY = 2_000  #: failures from which the sets are drawn from the normal law of their scores
_HALVINGS = 24


@dataclass(frozen=True, slots=True, eq=False)
class OwnLawTest:
    """Evidence that the subgroup fails worse than its strata; numbers, not arrays."""

    statistic: float  #: log of the mean likelihood ratio [1]
    p_value: float  #: of so large a statistic where the subgroup is like the rest [1]


def own_law_test(
    hit: ArrayLike,
    log_odds: ArrayLike,
    log_hazard: ArrayLike,
    log_age: ArrayLike,
    *,
    weight: ArrayLike | None = None,
) -> OwnLawTest:
    """Mean likelihood ratio of laws of the subgroup's own against being like its strata.

    Each failure is the subgroup's with odds exp(log_odds) times r; r is 1 if it is like the
    rest. Looked at are r = h(t) / h0(t), with h the Weibull hazard of one law for the whole
    subgroup and h0 that of the stratum, and r = 1 + h(t) / h0(t), for a fixed set of shapes,
    with scales that make 1.3 to 4.5 times as many failures as expected.

    Parameters
    ----------
    hit : array_like of bool, shape (n_failures,)
        Whether the failure is one of the subgroup.
    log_odds : array_like
        Log of the numbers at risk in the subgroup over those outside. [1]
    log_hazard : array_like
        Log hazard of the stratum at the failure's age. [log 1/clock]
    log_age : array_like
        Log of the failure's age. [log clock]
    weight : array_like, optional
        How many like failures each stands for; 1 where left out. [1]

    Returns
    -------
    OwnLawTest
        Always the same for the same failures: the simulated sets are seeded.

    Raises
    ------
    ValueError
        Lengths differ, or there is no failure.

    Notes
    -----
    The mean ratio has mean 1 where the subgroup is like the rest, so exp(-statistic) bounds
    the p-value (Markov); it is used where none of 1,999 simulated sets reaches the statistic.
    Ratios of a fixed set of laws: own algebra, after Cox's partial likelihood.

    Examples
    --------
    >>> like = own_law_test([1, 0] * 20, [0.0] * 40, [-7.0] * 40, [6.0] * 40)
    >>> worse = own_law_test([1, 1, 1, 0] * 10, [0.0] * 40, [-7.0] * 40, [6.0] * 40)
    >>> like.p_value > 0.3, worse.p_value < 0.01
    (True, True)
    """
    given = [np.asarray(values, np.float64) for values in (hit, log_odds, log_hazard, log_age)]
    hits, odds, hazard, age = given
    heavy = np.ones(len(hits)) if weight is None else np.asarray(weight, np.float64)
    if not len(hits) or any(values.shape != hits.shape for values in (*given, heavy)):
        raise ValueError("give one value of each for every failure, and at least one failure")
    chance = 1 / (1 + np.exp(-odds))
    effect, share = _laws(odds, chance, hazard, age, heavy)
    base = np.log(share) - np.log1p(chance * np.expm1(np.minimum(effect, 30.0))) @ heavy
    score = effect.T * heavy[:, None]
    seen = float(_mean_ratio((hits @ score + base)[None, :])[0])
    by_chance = _mean_ratio(_simulated(chance, score) + base)
    as_large = int((by_chance >= seen - 1e-9).sum())
    p_value = (1 + as_large) / (_SETS + 1)
    if not as_large:
        p_value = min(p_value, float(np.exp(-seen)))
    return OwnLawTest(statistic=seen, p_value=p_value)


def _laws(
    odds: Floats, chance: Floats, hazard: Floats, age: Floats, weight: Floats
) -> tuple[Floats, Floats]:
    """Log of r at each failure, (n_laws, n_failures), and the share of each law."""
    usual = weight * chance
    form = (SHAPES[:, None] - 1) * age - hazard
    form = form - (form @ usual / usual.sum())[:, None]
    form = np.repeat(form, len(RATIOS), axis=0)
    # where most failures are the subgroup's anyway there is less room: half way at most
    goal = np.minimum(RATIOS * usual.sum(), (usual.sum() + weight.sum()) / 2)
    goal = np.tile(goal, len(SHAPES))
    instead = form + _level(form, goal, odds, weight, beside=False)[:, None]
    beside = np.logaddexp(0.0, form + _level(form, goal, odds, weight, beside=True)[:, None])
    size = len(goal)
    share = np.repeat([_INSTEAD / size, _BESIDE / size], size)
    return np.concatenate([instead, beside]), share


def _level(form: Floats, goal: Floats, odds: Floats, weight: Floats, *, beside: bool) -> Floats:
    """Level of each law at which as many failures are the subgroup's as wanted, by halving."""
    low, high = np.full(len(goal), -12.0), np.full(len(goal), 12.0)
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        effect = form + middle[:, None]
        if beside:
            effect = np.logaddexp(0.0, effect)
        expected = (1 / (1 + np.exp(-np.clip(odds + effect, -500, 500)))) @ weight
        low = np.where(expected < goal, middle, low)
        high = np.where(expected < goal, high, middle)
    level: Floats = (low + high) / 2
    return level


def _simulated(chance: Floats, score: Floats) -> Floats:
    """Scores of sets of failures where the subgroup is like the rest, (sets, n_laws)."""
    rng = np.random.default_rng(0)
    if len(chance) <= _MANY:
        drawn: Floats = (rng.random((_SETS, len(chance))) < chance).astype(np.float64) @ score
        return drawn
    spread = (score * (chance * (1 - chance))[:, None]).T @ score
    values, vectors = np.linalg.eigh(spread)
    normal = rng.standard_normal((_SETS, len(values)))
    far: Floats = chance @ score + (normal * np.sqrt(np.maximum(values, 0.0))) @ vectors.T
    return far


def _mean_ratio(logs: Floats) -> Floats:
    """Log of the sum of the laws' ratios, each with its share."""
    top = logs.max(axis=1)
    total: Floats = top + np.log(np.exp(logs - top[:, None]).sum(axis=1))
    return total

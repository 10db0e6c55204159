"""Frames in and out: which family to lean on, where families disagree, bias of small samples.

Layer: survival (door). pandas and numpy; the array functions know no frames.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import chdtrc

from relkit.checks import generator, share
from relkit.survival.families import FAMILIES, FamilyName
from relkit.survival.family_fits import FamilyFits, family_fit
from relkit.survival.frame_codes import By, life_columns, lives_of_strata, stratum_codes
from relkit.survival.goodness_tables import goodness_of_fit
from relkit.survival.shape_bias import FEWEST_TO_ADJUST, shape_bias
from relkit.survival.status import Status

__all__ = ["adjusted_shapes", "family_choice", "family_ratio_tests"]

Floats = NDArray[np.float64]
#: AICc above the best, up to which a family is as good as it.
_NEAR = 2.0
#: Families compared by default: two parameters each, so that none wins by bending more.
_USUAL: tuple[FamilyName, ...] = ("Weibull", "lognormal", "loglogistic", "gamma")
#: Narrow families and the wider ones that hold them; one parameter more each.
_NESTED: tuple[tuple[FamilyName, FamilyName], ...] = (
    ("exponential", "Weibull"),
    ("exponential", "gamma"),
    ("Weibull", "generalised gamma"),
    ("lognormal", "generalised gamma"),
    ("gamma", "generalised gamma"),
    ("Weibull", "Weibull with threshold"),
)
_THRESHOLD = (
    "the fit with a threshold says that nothing fails before it: look for another reason for a "
    "late start (mixed modes, ages cut off, checks) before believing it"
)


def family_choice(
    lives: pd.DataFrame,
    by: By = None,
    *,
    families: Sequence[FamilyName] = _USUAL,
    share_failed: float = 0.1,
    tolerance: float = 0.2,
    samples: int = 199,
    rng: np.random.Generator | int = 0,
    confidence_level: float = 0.95,
) -> pd.DataFrame:
    """Families that fit each stratum, and a warning where they disagree on the life that matters.

    A family fits if its AICc is within 2 of the least and the Anderson-Darling test does not
    reject it.

    Parameters
    ----------
    lives : DataFrame
        As for :func:`relkit.survival.family_tables.family_fits`.
    by : str or sequence of str, optional
        Columns that make the strata.
    families : sequence of str
        Families to compare.
    share_failed : float
        Share failed at the life on which they are compared: 0.1 for the B10 life. [1]
    tolerance : float
        Disagreement, greatest life over least less 1, above which a warning is given. [1]
    samples : int
        Samples of each test of fit, at least 19. [1]
    rng : numpy.random.Generator or int
        Source of the samples.
    confidence_level : float
        The test rejects below 1 less this. [1]

    Returns
    -------
    DataFrame
        Keys, ``best`` (least AICc of those that fit; blank where none does), ``fitting`` and
        ``rejected`` (names joined by "; "), ``life`` (by the best), ``life_least``,
        ``life_greatest``, ``disagreement``, ``failures``, ``warning`` (blank where there is
        none).

    Raises
    ------
    ValueError
        A family is unknown, or a value is out of its bounds.

    Notes
    -----
    Where failures lie between ages, or a family has a threshold, there is no test of fit: AICc
    alone decides then.

    Examples
    --------
    >>> lives = pd.DataFrame({"age": [3.0, 20.0, 31.0, 45.0, 52.0, 90.0], "failed": True})
    >>> family_choice(lives, families=["Weibull", "lognormal"], samples=49)["fitting"].tolist()
    ['Weibull; lognormal']
    """
    unknown = [name for name in families if name not in FAMILIES]
    if unknown:
        raise ValueError(f"family is {unknown[0]!r}: give one of {', '.join(FAMILIES)}")
    share("share_failed", share_failed)
    if not 0 < tolerance < np.inf:
        raise ValueError(f"tolerance is {tolerance:g}: must be finite and above 0")
    observed, keys = lives_of_strata(lives, by)
    source = generator(rng)
    fits = [family_fit(observed, name) for name in families]
    aicc = np.stack([np.where(f.status == Status.OK, f.aicc, np.nan) for f in fits])
    life = np.stack([_life(f, share_failed) for f in fits])
    with np.errstate(invalid="ignore"):  # strata without any fit stay NaN
        near = aicc - np.fmin.reduce(aicc, axis=0) <= _NEAR
    rejected = _rejected(lives, by, families, near, (samples, source, 1 - confidence_level))
    fitting = near & ~rejected
    best = np.argmin(np.where(fitting, aicc, np.inf), axis=0)
    some, place = fitting.any(axis=0), np.arange(len(keys))
    least = np.where(fitting, life, np.inf).min(axis=0)
    greatest = np.where(fitting, life, -np.inf).max(axis=0)
    names = np.array(families, dtype=object)
    table = keys.assign(
        best=np.where(some, names[best], ""),
        fitting=["; ".join(names[column]) for column in fitting.T],
        rejected=["; ".join(names[column]) for column in (near & rejected).T],
        life=np.where(some, life[best, place], np.nan),
        life_least=np.where(some, least, np.nan),
        life_greatest=np.where(some, greatest, np.nan),
        failures=fits[0].failures,
    )
    table.insert(
        len(table.columns) - 1, "disagreement", table["life_greatest"] / table["life_least"] - 1
    )
    return table.assign(warning=_warnings(table, fits, share_failed, tolerance))


def _life(fits: FamilyFits, share_failed: float) -> Floats:
    held = fits.status == Status.OK
    life = np.full(len(held), np.nan)
    level = np.full(int(held.sum()), np.log1p(-share_failed))
    life[held] = fits.threshold[held] + np.exp(
        FAMILIES[fits.family].log_age(fits.theta[held], level)
    )
    return life


def _rejected(
    lives: pd.DataFrame,
    by: By,
    families: Sequence[FamilyName],
    near: NDArray[np.bool_],
    how: tuple[int, np.random.Generator, float],
) -> NDArray[np.bool_]:
    samples, rng, level = how
    rejected = np.zeros(near.shape, dtype=np.bool_)
    codes, _ = stratum_codes(lives, by)
    for i, name in enumerate(families):
        if FAMILIES[name].threshold or not near[i].any():
            continue
        wanted = lives[near[i][codes]].reset_index(drop=True)
        tests = goodness_of_fit(wanted, by, family=name, samples=samples, rng=rng)
        rejected[i, near[i]] = tests["p_value"].to_numpy() < level  # False for NaN: no test
    return rejected


def _warnings(
    table: pd.DataFrame, fits: list[FamilyFits], share_failed: float, tolerance: float
) -> list[str]:
    with_threshold = [f.family for f in fits if FAMILIES[f.family].threshold]
    found = []
    for row in table.to_dict("records"):
        parts = []
        if not row["best"]:
            parts.append("no family fits" if row["rejected"] else "")
        elif row["disagreement"] > tolerance:
            parts.append(
                f"{row['fitting'].replace('; ', ', ')} fit alike but put the age by which "
                f"{share_failed:.0%} fail between {row['life_least']:.4g} and "
                f"{row['life_greatest']:.4g}"
            )
        if row["best"] in with_threshold:
            parts.append(_THRESHOLD)
        found.append("; ".join(filter(None, parts)))
    return found


def family_ratio_tests(lives: pd.DataFrame, by: By = None) -> pd.DataFrame:
    """Likelihood-ratio tests of families that are special cases of wider ones.

    Parameters
    ----------
    lives, by
        As for :func:`relkit.survival.family_tables.family_fits`.

    Returns
    -------
    DataFrame
        Per stratum a row for each pair: keys, ``narrow``, ``wide``, ``statistic`` (twice the
        gain of log-likelihood), ``degrees_of_freedom``, ``p_value`` (small: the narrow family
        does not do; too large for the threshold, which lies at the end of its range), blank
        where one of the two has no fit.

    Raises
    ------
    ValueError
        A column is missing, or a value is out of its bounds.

    Examples
    --------
    >>> lives = pd.DataFrame({"age": [60.0, 70.0, 75.0, 80.0, 85.0, 90.0], "failed": True})
    >>> family_ratio_tests(lives).loc[0, ["narrow", "wide"]].tolist()
    ['exponential', 'Weibull']
    """
    observed, keys = lives_of_strata(lives, by)
    names = list(dict.fromkeys(name for pair in _NESTED for name in pair))
    value = {}
    for name in names:
        fit = family_fit(observed, name)
        value[name] = np.where(fit.status == Status.OK, fit.log_likelihood, np.nan)
    parts = []
    for narrow, wide in _NESTED:
        statistic = np.maximum(2 * (value[wide] - value[narrow]), 0.0)  # rounding, if at all
        row = keys.assign(narrow=narrow, wide=wide, statistic=statistic, degrees_of_freedom=1)
        parts.append(row.assign(p_value=chdtrc(1, statistic)))
    return pd.concat(parts).sort_index(kind="stable").reset_index(drop=True)


@dataclass(frozen=True, slots=True)
class _Adjusted:
    shape: float
    bias_factor: float
    shape_adjusted: float
    method: str
    reason: str


def adjusted_shapes(
    lives: pd.DataFrame,
    by: By = None,
    *,
    samples: int = 500,
    rng: np.random.Generator | int = 0,
) -> pd.DataFrame:
    """How much the Weibull shape of each stratum is overstated, and the shape without it.

    Parameters
    ----------
    lives : DataFrame
        Columns ``age`` and ``failed``; ``entry`` and ``count`` (whole numbers) are used when
        present. [clock]
    by : str or sequence of str, optional
        Columns that make the strata.
    samples : int
        Simulated samples of each stratum that is not complete, at least 50. [1]
    rng : numpy.random.Generator or int
        Source of the samples.

    Returns
    -------
    DataFrame
        Keys, ``failures``, ``shape``, ``bias_factor`` (mean estimate over the truth),
        ``shape_adjusted``, ``method``, ``reason`` (why there is none, or what it costs).

    Raises
    ------
    ValueError
        A column is missing, a value is out of its bounds, or ``samples`` is below 50.

    Notes
    -----
    See :func:`relkit.survival.shape_bias.shape_bias`. Adjusting makes the mean right and is
    worth little besides: the error of the log shape of 10 complete lives falls from 0.30 to
    0.28 (own simulation). Limits by "profile" need no adjusting.

    Examples
    --------
    >>> lives = pd.DataFrame({"age": [3.0, 20.0, 31.0, 45.0, 52.0, 90.0], "failed": True})
    >>> adjusted_shapes(lives)[["bias_factor", "method"]].round(3).values.tolist()
    [[1.33, 'complete sample']]
    """
    if samples < 50:
        raise ValueError(f"samples is {samples}: give at least 50")
    observed, keys = lives_of_strata(lives, by)
    columns = life_columns(lives)
    codes, _ = stratum_codes(lives, by)
    count = np.ones(len(lives)) if columns.count is None else columns.count
    broken = np.flatnonzero(count != np.round(count))
    if len(broken):
        raise ValueError(f"count in row {broken[0]} is {count[broken[0]]:g}: give whole numbers")
    entry = np.zeros(len(lives)) if columns.entry is None else columns.entry
    between = columns.failed & (columns.age_lower < columns.age)
    source = generator(rng)
    rows = []
    for code in range(len(keys)):
        own = np.repeat(np.arange(len(lives)), np.where(codes == code, count, 0).astype(np.int64))
        own = own[columns.age[own] > 0]
        if between[own].any():
            rows.append(_Adjusted(np.nan, np.nan, np.nan, "", "failures lie between two ages"))
            continue
        found = shape_bias(
            columns.age[own], columns.failed[own], entry[own], samples=samples, rng=source
        )
        reason = "the mean is right then, single estimates hardly better"
        if not found.method:
            reason = f"fewer than {FEWEST_TO_ADJUST} failures, or no fit: no mean to speak of"
        rows.append(
            _Adjusted(found.shape, found.factor, found.shape / found.factor, found.method, reason)
        )
    table = pd.DataFrame(rows, columns=list(_Adjusted.__slots__), index=keys.index)
    table.insert(0, "failures", observed.strata.sums(observed.failures))
    return pd.concat([keys, table], axis=1)

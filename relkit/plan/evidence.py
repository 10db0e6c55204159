"""What the lives say of each stratum: curves, fits with borrowed shapes, parameter draws.

Layer: plan. Everything here is one call per step for all strata at once.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.errors import StudyError
from relkit.plan.stratum_settings import place_of
from relkit.study.settings import Study
from relkit.survival.tables import (
    parameter_draws,
    pooled_weibull_fits,
    shared_causes,
    survival_curves,
)

__all__ = ["DRAWS", "Evidence", "evidence", "with_places"]

#: Draws of the parameters per stratum: limits at 5 and 95 % rest on 20 draws outside each.
DRAWS = 400


#: A curve is drawn while so many items are watched; beyond, one failure would move it too far.
FEWEST_AT_RISK = 5.0


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """Curves, fits and draws; rows of ``fits`` and of the draws are in one order."""

    lives: pd.DataFrame  #: with ``stratum_location`` and, for masked failures, ``failure_share``
    fits: pd.DataFrame  #: one row per stratum, ``location`` being the planned place
    curves: pd.DataFrame  #: Kaplan-Meier steps
    shape: NDArray[np.float64]  #: (n_strata, draws) [1]
    scale: NDArray[np.float64]  #: (n_strata, draws) [clock]


def with_places(lives: pd.DataFrame, study: Study) -> pd.DataFrame:
    """Lives with ``stratum_location``: the place that each location is planned as."""
    pairs = lives[["component", "location"]].drop_duplicates()
    places = [
        place_of(component, location, study.location_groups)
        for component, location in zip(pairs["component"], pairs["location"], strict=True)
    ]
    return lives.merge(
        pairs.assign(stratum_location=places), on=["component", "location"], how="left"
    )


def _check_by(lives: pd.DataFrame, study: Study) -> None:
    """Refuse a study whose ``by`` names what no life has."""
    missing = [name for name in study.by if name not in lives]
    if missing:
        raise StudyError(
            f'"by" names "{missing[0]}", which the lives do not have',
            path=str(study.path),
            mend="Name component, location or a column kept under covariates of the register",
        )


def evidence(
    lives: pd.DataFrame, study: Study, *, progress: Callable[[str], None] | None = None
) -> Evidence:
    """Curves, fits and parameter draws of every stratum.

    Parameters
    ----------
    lives : DataFrame
        The study's lives.
    study : Study
        ``by``, ``location_groups``, ``treatments.masked`` and ``decision`` are used.
    progress : callable, optional
        Called with a few words before each step.
    """
    say = progress or (lambda _: None)
    level = study.decision.confidence_level
    _check_by(lives, study)
    lives = with_places(lives, study)
    strata = lives.assign(location=lives["stratum_location"])
    by = list(study.by)
    if study.treatments.masked == "shared" and (strata["masked_job"] != "").any():
        say("sharing out failures of unknown cause")
        strata["failure_share"] = _failure_shares(strata, by)
        lives = lives.assign(failure_share=strata["failure_share"])
    say("fitting Weibull models")
    pool = ["component"] if "component" in by else by
    fits = pooled_weibull_fits(strata, by, pool, confidence_level=level, limits="profile")
    say("drawing survival curves")
    curves = survival_curves(strata, by, confidence_level=level, fewest_at_risk=FEWEST_AT_RISK)
    shape, scale = parameter_draws(fits, DRAWS, rng=study.decision.seed)
    return Evidence(lives=lives, fits=fits, curves=curves, shape=shape, scale=scale)


def _failure_shares(lives: pd.DataFrame, by: list[str]) -> pd.Series[float]:
    """Shares of masked failures, also where a candidate's own life is not known.

    A job whose other candidates have no life (their start is unknown) tells nothing of how the
    failure is shared: its remaining candidates get the mean share of their component in the
    jobs that name the same candidates and have all their lives, else equal parts.
    """
    masked = lives["masked_job"] != ""
    named = lives["causes"].str.count(";") + 1
    present = lives.groupby("masked_job")["age"].transform("size")
    whole = masked & (present >= named)
    shares = shared_causes(lives.assign(masked_job=lives["masked_job"].where(whole, "")), by)
    keys = ["causes", "component"]
    usual = lives.assign(share=shares)[whole].groupby(keys)["share"].mean().rename("usual")
    partial = lives[masked & ~whole][keys].join(usual, on=keys)["usual"]
    shares[partial.index] = partial.fillna(1 / named[partial.index])
    return shares

"""What came after a past date: failures by stratum at the positions that were forecast.

Layer: whatif. Failures of unknown cause go to one of their candidates, drawn by their shares.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.plan.stratum_settings import base_component

__all__ = ["Outcomes", "counted_failures", "failures_on_record"]

Integers = NDArray[np.int64]

#: Failures on record: one row each.
Outcomes = pd.DataFrame


def failures_on_record(
    lives: pd.DataFrame, fits: pd.DataFrame, by: Sequence[str], rng: np.random.Generator
) -> Outcomes:
    """Every failure of the lives with its position and date; each masked job gives at most one.

    Parameters
    ----------
    lives : DataFrame
        Lives of the whole log, with ``stratum_location`` and, where failures were shared out,
        ``failure_share``.
    fits : DataFrame
        One row per stratum of the whole log.
    by : sequence of str
        Columns that make a stratum.
    rng : Generator
        Draws the candidate that failed where the cause is not known, by the candidates' shares:
        counts stay whole and add up to the failures that were.

    Returns
    -------
    DataFrame
        ``vehicle``, ``base``, ``location``, ``ended_on``, ``masked``, and the columns of ``by``
        with ``location`` of the stratum as ``place``.
    """
    failed = lives["failed"].to_numpy(dtype=bool)
    masked = (lives["masked_job"] != "").to_numpy() & ~failed
    if "failure_share" in lives and masked.any():
        failed = failed | _drawn(lives, masked, rng)
    table = lives[failed].assign(masked=masked[failed], place=lives["stratum_location"])
    table["base"] = table["component"].map(base_component)
    keys = table.assign(location=table["place"])[list(by)].astype(str)
    index = pd.MultiIndex.from_frame(fits[list(by)].astype(str))
    names = ["vehicle", "base", "location", "ended_on", "masked"]
    rows = table[names].assign(stratum=index.get_indexer(pd.MultiIndex.from_frame(keys)))
    return rows[rows["stratum"] >= 0].reset_index(drop=True)


def _drawn(
    lives: pd.DataFrame, masked: NDArray[np.bool_], rng: np.random.Generator
) -> NDArray[np.bool_]:
    """Candidates that failed, at most one per job; lives without a known start may have been it."""
    rows = lives.loc[masked, ["masked_job", "failure_share"]]
    share = rows["failure_share"].fillna(0.0)
    upto = share.groupby(rows["masked_job"]).cumsum()
    jobs, _ = pd.factorize(rows["masked_job"])
    luck = rng.random(jobs.max() + 1)[jobs]
    chosen = (upto - share <= luck) & (luck < upto)
    failed = np.zeros(len(lives), dtype=bool)
    failed[masked] = chosen.to_numpy()
    return failed


def counted_failures(
    record: Outcomes,
    positions: pd.DataFrame,
    strata: int,
    begin: pd.Timestamp,
    ends: Sequence[pd.Timestamp],
) -> tuple[Integers, Integers]:
    """Failures at some positions from a date to several later ones.

    Returns
    -------
    failures : ndarray of shape (n_ends, n_strata)
        Failures by stratum.
    masked : ndarray of shape (n_ends, n_strata)
        Of these, drawn among candidates.
    """
    there = pd.MultiIndex.from_frame(positions[["vehicle", "base", "location"]])
    here = pd.MultiIndex.from_frame(record[["vehicle", "base", "location"]]).isin(there)
    rows = record[here & (record["ended_on"] >= begin).to_numpy()]
    seen = np.zeros((2, len(ends), strata), dtype=np.int64)
    for number, end in enumerate(ends):
        until = rows[rows["ended_on"] < end]
        for kind, chosen in enumerate((until, until[until["masked"]])):
            seen[kind, number] = np.bincount(chosen["stratum"], minlength=strata)
    return seen[0], seen[1]

"""What one failure weighs: the fit of its stratum if that failure had not been one.

Layer: plan. All such fits of a stratum are made at once, as a batch of strata.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from relkit.survival.tables import weibull_fits

__all__ = ["MOST_ROWS", "influence_of_failures"]

#: Rows of the expanded batch from which single influences are not worked out.
MOST_ROWS = 4_000_000

_COLUMNS = ("shape_without", "scale_without", "b10_without", "b10_change")


def influence_of_failures(lives: pd.DataFrame) -> pd.DataFrame:
    """Fit of one stratum with each failure in turn taken as a life that goes on.

    Parameters
    ----------
    lives : DataFrame
        Lives of one stratum: ``age``, ``failed``, ``entry``, ``age_lower`` and, for masked
        failures, ``failure_share``.

    Returns
    -------
    DataFrame
        By the index of those lives that failed or carry a share of a failure:
        ``shape_without`` [1], ``scale_without``, ``b10_without`` [clock of the lives] and
        ``b10_change`` (share by which the B10 life would move). NaN where the others are too few
        to fit, where the stratum's own fit cannot be had, or where the stratum is so large
        (more than 4,000,000 rows in the batch) that one failure does not move it.

    Notes
    -----
    Deletion of one event, exact refit: no approximation. Own algebra.
    """
    share = lives["failure_share"] if "failure_share" in lives else pd.Series(0.0, lives.index)
    weighs = np.flatnonzero((lives["failed"].astype(bool) | (share.fillna(0) > 0)).to_numpy())
    table = pd.DataFrame(np.nan, index=lives.index[weighs], columns=list(_COLUMNS))
    count = len(lives)
    if not len(weighs) or count * (len(weighs) + 1) > MOST_ROWS:
        return table
    names = [n for n in ("entry", "age", "age_lower", "failed", "failure_share") if n in lives]
    copies = len(weighs) + 1  # the last copy is the stratum as it is
    batch = lives[names].iloc[np.tile(np.arange(count), copies)].reset_index(drop=True)
    batch["copy"] = np.repeat(np.arange(copies), count)
    changed = np.arange(len(weighs)) * count + weighs
    failed = batch["failed"].to_numpy(dtype=bool).copy()
    failed[changed] = False
    batch["failed"] = failed
    if "age_lower" in batch:
        lower = batch["age_lower"].to_numpy(dtype=float).copy()
        lower[changed] = batch["age"].to_numpy(dtype=float)[changed]
        batch["age_lower"] = lower
    if "failure_share" in batch:
        shares = batch["failure_share"].to_numpy(dtype=float).copy()
        shares[changed] = 0.0
        batch["failure_share"] = shares
    fits = weibull_fits(batch, by=["copy"]).sort_values("copy")
    b10 = fits["b10"].to_numpy(dtype=float)
    table["shape_without"] = fits["shape"].to_numpy(dtype=float)[:-1]
    table["scale_without"] = fits["scale"].to_numpy(dtype=float)[:-1]
    table["b10_without"] = b10[:-1]
    table["b10_change"] = b10[:-1] / b10[-1] - 1
    return table

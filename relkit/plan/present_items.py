"""What is fitted now: every position in service, its item's age, or that the age is not known.

Layer: plan. The due list, age mixes and spares all start from here.
"""

from __future__ import annotations

from collections.abc import Collection

import numpy as np
import pandas as pd

from relkit.plan.stratum_settings import base_component

__all__ = ["present_items"]

_POSITION = ["vehicle", "base", "location"]


def present_items(
    lives: pd.DataFrame,
    fitments: pd.DataFrame,
    rates: pd.DataFrame,
    clock: str,
    removals: Collection[str] = (),
) -> pd.DataFrame:
    """Positions in service at the end of the window, one row each.

    Parameters
    ----------
    lives : DataFrame
        The study's lives with ``stratum_location``.
    fitments : DataFrame
        The register.
    rates : DataFrame
        Use per day by vehicle, with a column for the clock.
    clock : str
        The study's clock.
    removals : collection of str, optional
        Rows of the log that took an item out and put none in: their positions are empty.

    Returns
    -------
    DataFrame
        The columns of ``lives`` that describe the position, ``age`` [clock; NaN: not known],
        ``base`` (component without the type of item) and ``rate`` [clock per day].
    """
    here = lives[lives["ended_by"] == "still in service"]
    here = here.assign(base=here["component"].map(base_component))
    left = fitments.loc[fitments["vehicle_left_on"].notna(), "vehicle"]
    here = here[~here["vehicle"].isin(left)].drop_duplicates(_POSITION, keep="last")
    columns = [c for c in lives.columns if c not in ("failed", "causes", "masked_job")]
    whole = pd.concat(
        [
            here[[*columns, "base"]],
            _of_unknown_age(here, lives, fitments, _emptied(lives, removals)),
        ]
    )
    per_day = rates[clock] if clock in rates else pd.Series(1.0, index=rates.index)
    whole["rate"] = whole["vehicle"].map(per_day).astype(float)
    return whole.reset_index(drop=True)


def _of_unknown_age(
    here: pd.DataFrame, lives: pd.DataFrame, fitments: pd.DataFrame, emptied: pd.DataFrame
) -> pd.DataFrame:
    """Positions of the register that are still fitted but have no life that goes on."""
    fitted = fitments[fitments["removed_on"].isna() & fitments["vehicle_left_on"].isna()]
    fitted = fitted.assign(
        base=fitted["component"].map(base_component), component=_with_type(fitted)
    ).drop_duplicates(_POSITION)
    closed = lives[lives["ended_by"] == "vehicle left fleet"]["vehicle"].unique()
    known = pd.MultiIndex.from_frame(pd.concat([here[_POSITION], emptied]))
    missing = ~pd.MultiIndex.from_frame(fitted[_POSITION]).isin(known)
    unknown = fitted[missing & ~fitted["vehicle"].isin(closed)].rename(
        columns={"source": "opened_by"}
    )
    kept = [c for c in unknown.columns if c in lives.columns or c == "base"]
    return unknown[kept].assign(age=np.nan)


def _emptied(lives: pd.DataFrame, removals: Collection[str]) -> pd.DataFrame:
    """Positions whose latest life ended with a removal."""
    latest = lives.assign(base=lives["component"].map(base_component))
    latest = latest.sort_values("ended_on", kind="stable").drop_duplicates(_POSITION, keep="last")
    removed = latest["closed_by"].str.split("; ").explode().isin(set(removals))
    return latest.loc[removed.groupby(level=0).any(), _POSITION]


def _with_type(fitted: pd.DataFrame) -> pd.Series:
    kind = fitted["type"].fillna("")
    return fitted["component"].where(kind == "", fitted["component"] + ", " + kind)

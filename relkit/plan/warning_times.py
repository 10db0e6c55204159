"""How long a visible defect lasts: from the log where looks saw defects, else as stated.

Layer: plan. A look is an inspection row; a result other than pass or fail is a defect seen.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.decisions.delay_time import DelayTime, delay_time
from relkit.plan.stratum_settings import base_component
from relkit.study.settings import Study

__all__ = ["SEEN_AND_REPLACED", "delay_times", "draws_of"]

#: Results of an inspection that say nothing of a defect.
_NO_DEFECT = ("pass", "fail", "")
#: Share of seen defects that were replaced before failure from which the log cannot tell [1].
SEEN_AND_REPLACED = 0.2


def delay_times(
    lives: pd.DataFrame, inspections: pd.DataFrame, study: Study
) -> dict[tuple[str, str], DelayTime]:
    """Delay from visible defect to failure of each stratum whose log holds enough of both.

    Parameters
    ----------
    lives : DataFrame
        The study's lives, with ``stratum_location``.
    inspections : DataFrame
        Inspections of the log.
    study : Study
        Its clock and seed.

    Returns
    -------
    dict
        (component, place) -> what the log tells; only where at least one defect was seen.
    """
    seen = inspections[~inspections["result"].isin(_NO_DEFECT) & (inspections["location"] != "")]
    if seen.empty:
        return {}
    pairs = set(zip(seen["component"], seen["location"], strict=True))
    names = zip(lives["component"].map(base_component), lives["location"], strict=True)
    known = np.array([(c, p) in pairs or ("", p) in pairs for c, p in names], dtype=np.bool_)
    candidates = lives[known]
    found = {}
    for (component, place), rows in candidates.groupby(["component", "stratum_location"]):
        looks = _looks(rows, inspections)
        if not looks["seen"].any():
            continue
        found[str(component), str(place)] = _estimate(rows, looks, study.decision.seed)
    return found


def _estimate(rows: pd.DataFrame, looks: pd.DataFrame, seed: int) -> DelayTime:
    """Delay of one stratum from the looks at its failed items."""
    sighted = looks[looks["seen"]]["life"].unique()
    failed = rows["failed"].to_numpy(dtype=np.bool_)
    taken_out = rows["ended_by"].isin(["removed unfailed"]).to_numpy()
    replaced = int(taken_out[sighted].sum())
    ended = replaced + int(failed[sighted].sum())
    before = looks[failed[looks["life"].to_numpy()] & (looks["lag"] > 0)]
    code, _ = pd.factorize(before["life"])
    ages = rows["age"].to_numpy(dtype=float)[before["life"].drop_duplicates().to_numpy()]
    result = delay_time(
        code,
        before["lag"].to_numpy(dtype=float),
        before["seen"].to_numpy(dtype=np.bool_),
        age=np.maximum(ages, 1e-9),
        rng=seed,
    )
    if result.status == "ok" and replaced > SEEN_AND_REPLACED * ended:
        status = (
            f"{replaced} of {ended} items with a seen defect were replaced before they failed: "
            "the delays that are left are too short to learn from"
        )
        return _without(result, status)
    return result


def _without(result: DelayTime, status: str) -> DelayTime:
    nan, empty = float("nan"), np.zeros(0)
    return DelayTime(
        nan, nan, nan, nan, nan, nan, empty, empty, result.failures, result.seen, status
    )


def _looks(rows: pd.DataFrame, inspections: pd.DataFrame) -> pd.DataFrame:
    """Every look at every life: ``life`` (place in rows), ``lag`` before its end, ``seen``.

    The age at a look is put evenly between fitting and end.
    """
    lives = pd.DataFrame(
        {
            "life": np.arange(len(rows)),
            "vehicle": rows["vehicle"].to_numpy(),
            "component": rows["component"].map(base_component).to_numpy(),
            "location": rows["location"].to_numpy(),
            "fitted_on": rows["fitted_on"].to_numpy(),
            "ended_on": rows["ended_on"].to_numpy(),
            "age": rows["age"].to_numpy(dtype=float),
        }
    )
    looks = inspections[["vehicle", "date", "location", "component", "result"]]
    whole = looks[(looks["location"] == "") & (looks["component"] == "")]
    own = looks[looks["location"] != ""]
    joined = pd.concat(
        [
            lives.merge(whole[["vehicle", "date", "result"]], on="vehicle"),
            _of_component(lives, own),
        ]
    )
    inside = (joined["date"] > joined["fitted_on"]) & (joined["date"] < joined["ended_on"])
    joined = joined[inside]
    span = (joined["ended_on"] - joined["fitted_on"]).dt.total_seconds()
    left = (joined["ended_on"] - joined["date"]).dt.total_seconds()
    joined = joined.assign(lag=joined["age"] * left / span, seen=~joined["result"].isin(_NO_DEFECT))
    # a visit that saw a defect is a row of its own beside the vehicle's pass: one look
    grouped = joined.groupby(["life", "date"], as_index=False).agg(
        lag=("lag", "min"), seen=("seen", "max")
    )
    return grouped


def _of_component(lives: pd.DataFrame, own: pd.DataFrame) -> pd.DataFrame:
    both = lives.merge(own, on=["vehicle", "location"], suffixes=("", "_seen"))
    fits = (both["component_seen"] == "") | (both["component_seen"] == both["component"])
    return both.loc[fits, [*lives.columns, "date", "result"]]


def draws_of(
    known: Mapping[tuple[str, str], DelayTime], component: str, place: str
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Draws of mean delay and detection that the log gives for a stratum; None: it gives none."""
    result = known.get((component, place))
    if result is None or result.status != "ok":
        return None
    return result.means, result.detections

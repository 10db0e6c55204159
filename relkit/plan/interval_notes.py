"""What stands behind each interval: method, assumptions, source of the formula, data leaned on.

Layer: plan. Words for what was computed elsewhere; the shares are counts of lives.
"""

from __future__ import annotations

import pandas as pd

from relkit.plan.choices import RANGE_LEVEL, Choices
from relkit.plan.evidence import Evidence
from relkit.plan.looking import SHORTEST_SHARE
from relkit.plan.stratum_settings import StratumSettings
from relkit.study.settings import Study

__all__ = ["interval_notes", "leans_on"]

_SOURCES = {
    "planned replacement": "cost by age: Barlow and Hunter 1960, policy I; averaged over draws",
    "failure-finding": "mean of 1 - R over an interval: Rausand and Hoyland 2004; of used items, "
    "missed faults, harm and reports: own algebra",
    "condition inspection": "delay-time model: Christer and Waller 1984; imperfect looks: own "
    "algebra",
    "run to failure": "questions of reliability-centred maintenance: Nowlan and Heap 1978",
    "find the cause": "questions of reliability-centred maintenance: Nowlan and Heap 1978",
    "too few failures to tell": "questions of reliability-centred maintenance: Nowlan and Heap "
    "1978",
}
_WARNING_RULE = "looks that must fall into the warning time: NAVAIR 00-25-403"
_ASSUMED = {
    "planned replacement": "a new item goes in at the planned age or at failure; new items live "
    "like those in the log; what a failure costs does not change",
    "run to failure": "the driver notices and reports at once",
    "find the cause": "early failures go on as in the log until their cause is found",
    "too few failures to tell": "nothing beyond the bounds is assumed",
}


def interval_notes(
    found: Evidence, chosen: Choices, table: pd.DataFrame, study: Study
) -> pd.DataFrame:
    """Return ``method``, ``assumptions``, ``formula_source`` and ``leans_on`` of each stratum.

    Parameters
    ----------
    found, chosen : Evidence, Choices
        Lives and decisions.
    table : DataFrame
        The intervals so far: ``task``, ``shape_source``.
    study : Study
        The study.
    """
    rows = []
    sources = table["shape_source"].astype(str).tolist()
    for i, task in enumerate(table["task"].tolist()):
        one = chosen.settings[i]
        by_rule = task == "condition inspection" and chosen.inspection_row[i] < 0
        rows.append(
            (
                _method(task, sources[i], found.shape.shape[1], by_rule=by_rule),
                _assumptions(task, one, by_rule=by_rule),
                _WARNING_RULE if by_rule else _SOURCES.get(task, ""),
            )
        )
    notes = pd.DataFrame(
        rows, columns=["method", "assumptions", "formula_source"], index=table.index
    )
    return notes.assign(leans_on=leans_on(found, list(study.by)))


def _method(task: str, shape_source: str, draws: int, *, by_rule: bool) -> str:
    if task == "too few failures to tell":
        return "bounds only"
    law = f"Weibull life, shape: {shape_source}"
    if by_rule:
        return f"{law}; costs not known: looks within the shortest credible warning time"
    words = {
        "planned replacement": f"least cost on average over {draws} draws of the parameters",
        "failure-finding": f"target met on average over present ages and {draws} draws",
        "condition inspection": "least cost on average over draws of delay, detection and rate",
    }
    span = f"range: {RANGE_LEVEL:.0%} of the draws".replace("%", " %")
    return f"{law}; {words[task]}; {span}" if task in words else law


def _assumptions(task: str, one: StratumSettings, *, by_rule: bool) -> str:
    if task == "failure-finding":
        return _of_tests(one)
    if task != "condition inspection":
        return _ASSUMED.get(task, "")
    if by_rule and one.warning_range is None:
        return (
            "shortest credible warning time taken as "
            f"{SHORTEST_SHARE:g} of the stated mean, for want of a range"
        )
    return "defects arise at random and show for an exponential time; a found defect is mended"


def _of_tests(one: StratumSettings) -> str:
    parts = ["a good item stays in place and wears on"]
    if one.test_detection < 1:
        parts.append(f"a test finds {one.test_detection:.0%} of the faults".replace("%", " %"))
    else:
        parts.append("a test finds every fault")
    if one.test_harm > 0:
        parts.append(f"{100 * one.test_harm:.2g} % of the tests spoil a good item")
    if one.reported_per_day > 0:
        parts.append(f"drivers report {one.reported_per_day:.2g} demands a day on a fault")
    else:
        parts.append("nobody reports a fault between tests")
    if one.target_source == "harm":
        parts.append("target from the tolerable harm")
    return "; ".join(parts)


#: Column that marks a treatment -> the words for it.
_TREATMENTS = {
    "late": "late entry: {} of {} lives were watched only from an age above 0 on, which the fit "
    "allows for",
    "masked": "failures of unknown cause: {} of {} lives ended on a job that replaced several "
    "items, shared out by likelihood",
    "estimated": "estimated meters: the ages of {} of {} lives rest on interpolated readings",
    "interval": "failures found at a check: {} of {} lives ended at an unknown time between looks",
    "removed": "items taken out unfailed: {} of {} lives count as still good when they went",
}


def leans_on(found: Evidence, by: list[str]) -> list[str]:
    """Return the data treatment that concerns most lives of each stratum, in words with counts."""
    lives = found.lives
    marks = pd.DataFrame(
        {
            "late": lives["entry"] > 0,
            "masked": lives["masked_job"] != "",
            "estimated": lives["age_estimated"].astype(bool),
            "interval": lives["failed"].astype(bool) & (lives["age_lower"] < lives["age"]),
            "removed": lives["ended_by"] == "removed unfailed",
        }
        if len(lives)
        else {name: pd.Series(dtype=bool) for name in _TREATMENTS}
    )
    keys = ["stratum_location" if name == "location" else name for name in by]
    if lives.empty:
        return [""] * len(found.fits)
    counts = marks.groupby([lives[key].astype(str) for key in keys]).sum()
    sizes = marks.groupby([lives[key].astype(str) for key in keys]).size()
    wanted = found.fits[by].astype(str)
    index = pd.MultiIndex.from_frame(wanted) if len(by) > 1 else pd.Index(wanted.iloc[:, 0])
    counts, sizes = counts.reindex(index), sizes.reindex(index)
    words = []
    for most, name, size in zip(
        counts.max(axis=1).fillna(0), counts.fillna(0).idxmax(axis=1), sizes, strict=True
    ):
        text = _TREATMENTS[str(name)].format(f"{most:,.0f}", f"{size:,.0f}") if most > 0 else ""
        words.append(text or "none: every life was seen from fitting to its end")
    return words

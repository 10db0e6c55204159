"""How far the data carry: a grade with its reason, and the plan's warnings in plain sentences.

Layer: plan. Written rules on counts; no statistics.
"""

from __future__ import annotations

import pandas as pd

from relkit.study.settings import Study

__all__ = ["data_grade", "plan_warnings"]

#: Share of log rows set aside, of lives with estimated meters and of masked lives from which
#: the data are to be used with care, and from which they are limited [1].
CARE, LIMITED = 0.05, 0.25
_USED_AS = {"duplicate", "superseded by a newer export", "not a job"}


def data_grade(lives: pd.DataFrame, row_classes: pd.DataFrame, findings: pd.DataFrame) -> str:
    """Grade of the data with its reason: good, usable with care, or limited.

    Duplicates and total rows that were set aside lose nothing and do not count against it.
    """
    log = row_classes[row_classes["kind"] == "log"]
    lost = (log["row_class"] == "set aside") & ~log["detail"].isin(_USED_AS)
    masked = lives["masked_job"] != ""
    shares = {
        "of the log rows were set aside": lost.mean() if len(log) else 1.0,
        "of the lives rest on estimated meter values": lives["age_estimated"].mean(),
        "of the lives ended on jobs that replaced several items": masked.mean(),
    }
    worst = max(shares, key=lambda name: shares[name])
    share = float(shares[worst]) if len(lives) else 1.0
    limits = findings.loc[findings["severity"] == "limits", "what"].tolist()
    reason = f"{100 * share:.0f} % {worst}"
    if limits or share >= LIMITED:
        return f"limited: {limits[0] if limits else reason}"
    if share >= CARE:
        return f"usable with care: {reason}"
    if share == 0:
        return "good: no log row was lost, no meter value estimated, no failure without a cause"
    return f"good: at most {100 * share:.1f} % {worst}"


def plan_warnings(study: Study, intervals: pd.DataFrame, items: pd.DataFrame) -> tuple[str, ...]:
    """Return what the reader of the first page must know besides the table.

    What would cure it follows after ``Mend:``.
    """
    words = []
    if not study.rules:
        words.append(
            "No statutory, maker's or company maximum was entered: compare every interval with "
            "them before use; they come first and are never lengthened. Mend: enter each maximum "
            "with its authority under [[rules]]."
        )
    unchecked = [rule.name for rule in study.rules if rule.checked is None]
    if unchecked:
        names = ", ".join(dict.fromkeys(unchecked))
        words.append(
            f"Nobody has noted when these rules were last checked: {names}. Mend: compare each "
            "with its authority and enter the date under checked."
        )
    if not study.services:
        words.append(
            "No services were entered: intervals are not fitted to visits. Mend: enter the visits "
            "that the workshop makes under [[services]]."
        )
    if not study.costs.items:
        words.append(
            "No costs were entered: planned replacement cannot be judged. Mend: enter the costs of "
            "a planned replacement and of a failure under [[costs.items]]."
        )
    few = intervals[intervals["failures"] < 5]
    if len(few):
        words.append(
            f"{len(few)} of {len(intervals)} component-and-location groups have fewer than "
            "5 failures: their figures are bounds or borrow from similar items. Mend: time; the "
            "date and serial number of every change."
        )
    unknown = int(items["age"].isna().sum())
    if unknown:
        words.append(
            f"{unknown} of {len(items)} items in service have no known age. Mend: enter in the "
            "register when they were fitted; else the next change tells."
        )
    return tuple(words)

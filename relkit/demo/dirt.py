"""Dirt in the rows of the log: one function per planted problem, each of which marks the key.

Layer: demo. Rows in, rows out; ``row_class`` is the class that a careful reader gives the row,
``planted`` names the problems. Shares are of all rows, counts are for a fleet of size 1.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from relkit.demo.dirt_added import (
    LAST_FULL_MONTH_END,
    LOG_GAP,
    NEIGHBOUR_DAYS,
    drawn_rows,
    duplicates,
    free_days,
    mark,
    plain_single,
    power_feeds,
    shorted_cables,
    split_jobs,
    swap_tests,
    views_not_fitted,
)
from relkit.demo.fleet import DEPOTS, LOG_START, day_number, scaled
from relkit.demo.frames import DemoHistory
from relkit.demo.jobs import instants, item_serials, job_rows
from relkit.demo.notes import shorthand_notes

__all__ = ["dirty_rows"]

_EXPORT_CUT = day_number("2025-06-13")
_CLOSING_SHARE = 0.08
_SYMPTOM_SHARE = 0.55  #: of the failures, reported as a symptom only
_WARRANTY_RETURNS = 10
_SERIAL_SWAPS = 6
_WRONG_YEARS = 4


def dirty_rows(history: DemoHistory, rng: np.random.Generator, *, size: float) -> pd.DataFrame:
    """Return the rows of a log with all problems that are planted before words are misspelt.

    Returns
    -------
    DataFrame
        As ``relkit.demo.jobs.job_rows``, with ``planted`` (problems, joined by "; ") and
        ``file_day`` (the day under which the row was exported); by ``file_day``.
    """
    rows = job_rows(history.positions, history.vehicles, history.usage, history.stays, rng=rng)
    day = np.floor(rows["day"])
    rows = one_day_apart(rows.assign(planted="", other="", day=day, file_day=day))
    rows = log_gap(swapped_serials(rows, history, size))
    rows = rows[rows["file_day"] < _EXPORT_CUT].reset_index(drop=True)
    rows = warranty_returns(guess_chains(two_parts_on_one_job(rows)), size)
    rows = symptoms(deferred_jobs(found_at_service(rows)), rng)
    rows = shorted_cables(rows, history, rng)
    rows = swap_tests(rows, history, rng, size)
    rows = dates_before_service(rows, history, rng, size)
    rows = closing_dates(rows, history, rng)
    rows = duplicates(split_jobs(rows, rng), rng)
    rows = views_not_fitted(rows, history, rng, size)
    rows = power_feeds(rows, history, rng)
    rows = after_the_last_full_month(log_gap(rows))  # dates have moved into the gap
    rows["date"] = instants(rows["day"].to_numpy())
    texts = (rows[name].to_numpy(dtype=object) for name in ("what", "component", "location"))
    notes = zip(shorthand_notes(rng, *texts), rows["other"], strict=True)
    rows["note"] = [note.replace("{other}", other) for note, other in notes]
    return rows.sort_values(["file_day", "job"], kind="stable", ignore_index=True)


def one_day_apart(rows: pd.DataFrame) -> pd.DataFrame:
    """Date the second of two lives of one position that ended on one day a day later."""
    ends = rows["row_class"].ne("recurrence")
    ordered = rows[ends].sort_values(["position", "day"], kind="stable")
    same = ordered.duplicated(["position", "day"])
    rows.loc[same.index[same], ["day", "file_day"]] += 1.0
    return rows


def log_gap(rows: pd.DataFrame) -> pd.DataFrame:
    """Plant a gap: two months of rows of Quillmoor were never exported."""
    inside = rows["file_day"].ge(LOG_GAP[0]) & rows["file_day"].lt(LOG_GAP[1])
    return rows[~(inside & rows["depot"].eq("Quillmoor"))].reset_index(drop=True)


def swapped_serials(rows: pd.DataFrame, history: DemoHistory, size: float) -> pd.DataFrame:
    """Plant failed cameras replaced by one from another vehicle, which got the new one.

    Only items that then stay to the end are exchanged, so all other rows remain true.
    """
    stays, positions, vehicles = history.stays, history.positions, history.vehicles
    last = stays.assign(serial=item_serials(positions, stays))
    last = last[last["ended"].eq("in service")].set_index("position")
    fitting = rows["row_class"].eq("failure") & rows["component"].eq("camera")
    fitting &= rows["what"].eq("failed") & ~rows["job"].duplicated(keep=False)
    fitting &= rows["serial_in"].eq(rows["position"].map(last["serial"]))
    pairs = _donors(rows[fitting], positions, last).head(scaled(_SERIAL_SWAPS, size))
    donor = pairs["donor"].to_numpy()
    owner = positions["vehicle"].to_numpy()[donor]
    taken = last.loc[donor, "serial"].to_numpy()
    added = rows.loc[pairs.index].assign(
        job=[f"JS{number:05d}" for number in range(1, len(pairs) + 1)],
        vehicle=vehicles.name[owner],
        owner=owner,
        position=donor,
        depot=np.array(DEPOTS)[vehicles.depot[owner]],
        finding="planned",
        serial_out=taken,
        what="taken",
        other=rows.loc[pairs.index, "vehicle"],
        row_class="censored",
        truth="unfailed",
    )
    added["engine_hours"] = history.usage.hours_on(owner, added["day"].to_numpy()).round(1)
    rows.loc[pairs.index, "serial_in"] = taken
    rows.loc[pairs.index, "what"] = "given"
    rows.loc[pairs.index, "other"] = vehicles.name[owner]
    rows = pd.concat([rows, added], ignore_index=True)
    mark(rows, rows["what"].isin(["given", "taken"]), "serial on two vehicles")
    return rows


def _donors(received: pd.DataFrame, positions: pd.DataFrame, last: pd.DataFrame) -> pd.DataFrame:
    """Rows with the position from which their camera is taken: same place, other vehicle."""
    camera = positions["component"].eq("camera").to_numpy()[last.index]
    able = last[camera & last["failed"].isna() & ~last["serial"].str.startswith("M3")]
    able = able[~able.index.isin(received["position"])].sort_values("start_day", kind="stable")
    donors = pd.DataFrame(
        {
            "location": positions["location"].to_numpy()[able.index],
            "donor": able.index,
            "since": able["start_day"].to_numpy(),
            "until": able["end_day"].to_numpy(),
        }
    )
    donors["rank"] = donors.groupby("location").cumcount()
    table = received[["location", "day"]].sort_values("day", kind="stable")
    table = table.assign(label=table.index, rank=table.groupby("location").cumcount())
    pairs = table.merge(donors, on=["location", "rank"]).sort_values("day", kind="stable")
    far = pairs["since"].lt(pairs["day"] - 200) & pairs["until"].gt(pairs["day"] + 200)
    far &= pairs["day"].gt(LOG_START + 200)
    return pairs[far].set_index("label")[["donor"]]


def two_parts_on_one_job(rows: pd.DataFrame) -> pd.DataFrame:
    """Plant jobs that replaced camera and cable: whichever failed, both are candidates."""
    partner = rows["what"].eq("with partner")
    pairs = rows["job"].isin(rows.loc[partner, "job"])
    rows.loc[pairs, ["row_class", "finding"]] = ["masked", "one view dark"]
    mark(rows, pairs, "two parts on one job")
    return rows


def guess_chains(rows: pd.DataFrame) -> pd.DataFrame:
    """Plant guess chains: one part replaced on suspicion, the other cured it days later."""
    first = rows["what"].eq("guessed")
    cure = rows["group"].gt(0) & rows["group"].mod(2).eq(1)
    rows.loc[first, "finding"] = "one view dark"
    rows.loc[cure, ["finding", "what"]] = ["one view dark", "cured"]
    mark(rows, first | cure, "guess chain")
    return rows


def warranty_returns(rows: pd.DataFrame, size: float) -> pd.DataFrame:
    """Plant cameras that were replaced on suspicion and that the supplier tested as good."""
    fitting = rows["what"].eq("guessed") & rows["component"].eq("camera")
    fitting &= fitting.cumsum().le(scaled(_WARRANTY_RETURNS, size))
    rows.loc[fitting, "what"] = "returned good"
    mark(rows, fitting, "warranty return tested good")
    return rows


def found_at_service(rows: pd.DataFrame) -> pd.DataFrame:
    """Mark failures that a service found; Harnfield kept no record of services that passed."""
    found, bare = rows["what"].eq("checked"), rows["depot"].eq("Harnfield")
    mark(rows, found & bare, "found at service, no pass record")
    mark(rows, found & ~bare, "found at service")
    return rows


def deferred_jobs(rows: pd.DataFrame) -> pd.DataFrame:
    """Mark jobs done a month or more after the report; the log is dated by the report."""
    late = rows["truth"].eq("failure") & rows["done_day"].gt(rows["day"] + 20)
    mark(rows, late & rows["planted"].eq(""), "deferred job")
    return rows


def symptoms(rows: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Plant what was seen in place of what had failed, in plain words."""
    draw, kind = rng.random((2, len(rows)))
    told = rows["finding"].eq("failed") & (draw < _SYMPTOM_SHARE)
    cases = {
        "all views dark": rows["component"].isin(["switcher", "main video lead"]),
        "display dead": rows["component"].eq("display"),
        "no view on reverse": rows["location"].eq("reverse"),
        "failed": rows["location"].eq("turn signal"),
        "foggy picture": rows["component"].eq("camera") & (kind > 0.85),
        "intermittent picture": pd.Series(kind > 0.6, index=rows.index),
    }
    words = np.select(list(cases.values()), list(cases), "one view dark")
    rows.loc[told, "finding"] = words[told]
    return rows


def dates_before_service(
    rows: pd.DataFrame, history: DemoHistory, rng: np.random.Generator, size: float
) -> pd.DataFrame:
    """Plant years typed wrong: the failure lies before the vehicle came, a negative life."""
    came = history.vehicles.in_service[rows["owner"].to_numpy(dtype=np.int64)]
    earlier = rows["day"] - 365.0 * np.ceil((rows["day"] - came + 30.0) / 365.0)
    fitting = plain_single(rows) & rows["row_class"].eq("failure") & rows["what"].eq("failed")
    fitting &= (came > LOG_START) & earlier.gt(LOG_START - 700)
    chosen = drawn_rows(rng, fitting, scaled(_WRONG_YEARS, size))
    rows.loc[chosen, "day"] = earlier[chosen]
    rows.loc[chosen, "row_class"] = "set aside"
    mark(rows, chosen, "date before in-service")
    return rows


def closing_dates(
    rows: pd.DataFrame, history: DemoHistory, rng: np.random.Generator
) -> pd.DataFrame:
    """Plant jobs dated by their closing, days or weeks after they were opened."""
    shift = np.floor(rng.uniform(3, 22, len(rows)))
    left = history.vehicles.left[rows["owner"].to_numpy(dtype=np.int64)]
    fitting = plain_single(rows) & (free_days(rows) > shift + NEIGHBOUR_DAYS)
    fitting &= rows["day"] + shift + 1 < np.minimum(left, LAST_FULL_MONTH_END)
    chosen = drawn_rows(rng, fitting, round(_CLOSING_SHARE * len(rows)))
    rows.loc[chosen, "day"] += shift[chosen]
    rows.loc[chosen, "file_day"] += shift[chosen]
    mark(rows, chosen, "closing date")
    return rows


def after_the_last_full_month(rows: pd.DataFrame) -> pd.DataFrame:
    """Mark the month in which the export was cut, June 2025: it counts for nothing."""
    late = rows["day"] >= LAST_FULL_MONTH_END
    rows.loc[late, "row_class"] = "set aside"
    mark(rows, late, "last month incomplete")
    return rows

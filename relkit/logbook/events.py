"""Rows that belong to one event: lines of one job, and files that tell of the same instant.

Layer: logbook. All rows stay; they share the id of the earliest one.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.logbook.findings import Finding, finding
from relkit.logbook.positions import group_codes
from relkit.logbook.set_aside import Sifted, with_columns

__all__ = ["with_events", "with_position_of_job"]

#: A job number that comes again after so long is another job (numbers are used anew). [d]
JOB_DAYS = 180

_POSITION = ("vehicle", "component", "location")


def with_position_of_job(rows: pd.DataFrame) -> Sifted:
    """Rows with a blank component or location filled from the other rows of their job.

    Only where the job's other rows leave no choice, and nothing that the row states differs.

    Parameters
    ----------
    rows : DataFrame
        Typed rows of the log, in order of time.
    """
    numbered = (rows["job"] != "").to_numpy()
    open_rows = numbered & ((rows["component"] == "") | (rows["location"] == "")).to_numpy()
    if not open_rows.any():
        return Sifted(rows)
    component, location = (rows[name].to_numpy(dtype=object) for name in ("component", "location"))
    job = _job_codes(rows)
    take = numbered & (component == "")
    by_job = _only_value(job, component, numbered & (component != ""))
    placed = numbered & (component != "") & (location != "")
    place = _only_value(job, location, placed)
    place = np.where(np.isin(job, job[placed]), place, "")
    agrees = (location == "") | (location == place)
    fill = take & pd.notna(by_job) & pd.notna(place) & agrees
    component = np.where(fill, by_job, component)
    location = np.where(fill, place, location)
    pair, _ = pd.factorize(pd.Series(list(zip(job, component, strict=True))))
    only = _only_value(pair, location, numbered & (location != ""))
    found = numbered & (component != "") & (location == "") & pd.notna(only)
    location = np.where(found, only, location)
    filled = fill | found
    if not filled.any():
        return Sifted(rows)
    one = finding(
        "position from the job",
        "Rows leave the component or location blank that other rows of their job name",
        sources=rows["source"][filled],
        done="Taken from the other rows of the job",
    )
    return Sifted(with_columns(rows, {"component": component, "location": location}), (), (one,))


def _only_value(
    codes: NDArray[np.int64], values: NDArray[np.object_], among: NDArray[np.bool_]
) -> NDArray[np.object_]:
    """Return for each row the one value of its group, NaN where there is none or several."""
    table = pd.DataFrame({"code": codes[among], "value": values[among]}).drop_duplicates()
    single = table[~table["code"].duplicated(keep=False)].set_index("code")["value"]
    found: NDArray[np.object_] = single.reindex(codes).to_numpy(dtype=object)
    return found


def _job_codes(rows: pd.DataFrame) -> NDArray[np.int64]:
    """Return a number for each job of each vehicle; a number used anew much later is another."""
    codes = group_codes(rows, ("job", "vehicle"))
    date = rows["date"].to_numpy(dtype="datetime64[ns]")
    order = np.argsort(codes, kind="stable")  # rows are in order of time
    new = np.ones(len(order), dtype=bool)
    later = (date[order][1:] - date[order][:-1]) > np.timedelta64(JOB_DAYS, "D")
    new[1:] = (codes[order][1:] != codes[order][:-1]) | later
    numbers = np.empty(len(order), dtype=np.int64)
    numbers[order] = np.cumsum(new)
    return numbers


def with_events(rows: pd.DataFrame, *, by_job: bool = True) -> Sifted:
    """Rows with ``event``: the source of the earliest row of the same event.

    One event are the rows of one job at one position, and rows at one position and instant,
    whatever file they stand in; where one of them gives only the day, those of that day.

    Parameters
    ----------
    rows : DataFrame
        Typed rows of the log, in order of time, duplicates set aside.
    by_job : bool
        False: a job number joins nothing.
    """
    named = (rows["component"] != "").to_numpy()
    position = group_codes(rows, _POSITION)
    keys_of = {"_position": position, "_day": rows["date"].dt.normalize()}
    keyed = with_columns(rows[["date", "date_is_day"]], {**keys_of, "_job": _job_codes(rows)})
    instant = group_codes(keyed, ("_position", "date"))
    keys = [np.where(named, instant, -1)]
    keys.append(_day_keys(keyed, named))
    numbered = named & (rows["job"] != "").to_numpy() & by_job
    line = group_codes(keyed, ("_position", "_job"))
    keys.append(np.where(numbered, line, -1))
    first = _first_of_joined(keys, len(rows))
    event = rows["source"].to_numpy(dtype=object)[first]
    findings = _findings(rows, first, keys[-1])
    return Sifted(with_columns(rows, {"event": event}), (), findings)


def _day_keys(keyed: pd.DataFrame, named: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Position and day, only where one of the rows gives no more than the day; else -1."""
    if not keyed["date_is_day"].any():
        return np.full(len(keyed), -1, dtype=np.int64)
    codes = group_codes(keyed, ("_position", "_day"))
    day_only = np.zeros(int(codes.max(initial=0)) + 1, dtype=bool)
    day_only[codes[keyed["date_is_day"].to_numpy(dtype=bool)]] = True
    return np.where(named & day_only[codes], codes, -1)


def _first_of_joined(keys: list[NDArray[np.int64]], count: int) -> NDArray[np.int64]:
    """Return for each row the first row that any key joins it with; a key of -1 joins none."""
    first = np.arange(count)
    while True:
        before = first.copy()
        for key in keys:
            chosen = key >= 0
            if not chosen.any():
                continue
            least = np.full(int(key.max()) + 1, count, dtype=np.int64)
            np.minimum.at(least, key[chosen], first[chosen])
            first[chosen] = np.minimum(first[chosen], least[key[chosen]])
        first = first[first]
        if np.array_equal(first, before):
            return first


def _findings(
    rows: pd.DataFrame, first: NDArray[np.int64], line: NDArray[np.int64]
) -> tuple[Finding, ...]:
    folded = np.flatnonzero(first != np.arange(len(rows)))
    if not len(folded):
        return ()
    source, began = rows["source"].iloc[folded], rows["source"].iloc[first[folded]]
    across = _file(source) != _file(began)
    of_job = ~across & (line[folded] >= 0) & (line[folded] == line[first[folded]])
    rest = ~across & ~of_job
    said = (
        (of_job, "split jobs", "Rows are further lines of a job at the same position"),
        (across, "several files", "Rows tell of a position and instant that another file has too"),
        (rest, "same instant", "Rows tell of the same position and instant as another row"),
    )
    return tuple(
        finding(rule, what, sources=source[chosen], done="Joined to one event")
        for chosen, rule, what in said
        if chosen.any()
    )


def _file(sources: pd.Series[str]) -> NDArray[np.object_]:
    files: NDArray[np.object_] = sources.str.rsplit(":", n=1).str[0].to_numpy(dtype=object)
    return files

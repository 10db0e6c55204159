"""Events over the calendar: campaigns, common causes, trends and mean cumulative functions.

Layer: plan. Screens of relkit.survival in, rows and curves of what the log shows out.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Any

import pandas as pd

from relkit.plan.noticed_rows import (
    FOUND,
    NOT_FOUND,
    NOT_LOOKED,
    SHOWN,
    answer,
    counted,
    figure,
    limits_text,
    sources,
)
from relkit.plan.stratum_settings import place_of
from relkit.study.settings import Study
from relkit.survival.campaign_tables import campaign_screen, common_cause_screen
from relkit.survival.event_tables import mean_cumulative, power_law_fits, trend_tests

__all__ = [
    "CAMPAIGN", "COMMON_CAUSE", "TREND", "campaigns", "common_causes", "covariates_of",
    "failure_rows",
    "fleet_events", "position_events", "recurrence", "recurrence_rows", "trend_rows", "trends",
]  # fmt: skip

CAMPAIGN = "campaign or retrofit"
COMMON_CAUSE = "common cause"
TREND = "better or worse"
_DAY = pd.Timedelta(days=1)
_FAILING = ("failure", "failure found at check", "cause unknown")
_SETS = 499  #: simulated sets behind the p-value of a campaign
_MOST_GROUPS = 8  #: values of a covariate that are compared
_MOST_REMOVALS = 3_000  #: a larger log is not searched for campaigns


def campaigns(lives: pd.DataFrame, study: Study) -> list[dict[str, Any]]:
    """Rows for unfailed removals crowded in some months, by kind of item."""
    removed = lives["ended_by"].eq("removed unfailed")
    if not removed.any():
        note = "No item was taken out unfailed, so there was no campaign."
        return [answer(CAMPAIGN, NOT_FOUND, "no unfailed removals", note)]
    if removed.sum() > _MOST_REMOVALS:
        note = f"{removed.sum():,} unfailed removals are too many to search for campaigns."
        return [answer(CAMPAIGN, NOT_LOOKED, "log too large", note)]
    screen = campaign_screen(
        lives, samples=_SETS, rng=study.decision.seed,
        confidence_level=study.decision.confidence_level,
    )  # fmt: skip
    return [_campaign_row(record, lives) for record in screen.to_dict("records")]


def _campaign_row(record: Mapping[Hashable, Any], lives: pd.DataFrame) -> dict[str, Any]:
    name = str(record["component"])
    own = lives[lives["component"].eq(name) & lives["ended_by"].eq("removed unfailed")]
    common = {"component": name, "lives": float(len(own)), "p_value": record["p_value_adjusted"]}
    if record["finding"] == "not tested":
        note = f"{name}: {counted(len(own), 'unfailed removal')}, too few to tell a campaign."
        return answer(CAMPAIGN, NOT_LOOKED, "too few removals to tell", _capital(note), **common)
    if record["finding"] == "nothing found":
        note = f"{name}: {counted(len(own), 'unfailed removal')}, spread over the log."
        return answer(CAMPAIGN, NOT_FOUND, "no campaign", _capital(note), **common)
    months = f"{record['first_on']:%Y-%m-%d} to {record['last_on']:%Y-%m-%d}"
    inside = own[own["ended_on"].dt.normalize().between(record["first_on"], record["last_on"])]
    retrofit = record["finding"] == "retrofit"
    by = f", replaced by {record['replaced_by']}" if retrofit else ""
    note = (
        f"{name}: {counted(record['in_window'], 'unfailed removal')} from {months} where "
        f"{figure(record['expected'])} would be expected: a {record['finding']}{by}. "
        "Their lives count as ended unfailed at that age, not as failures."
    )
    return answer(
        CAMPAIGN, FOUND, f"a {record['finding']}", _capital(note), **common, group=months,
        measure="removals over those expected", unit="times",
        estimate=record["in_window"] / record["expected"], rows=sources(inside["closed_by"]),
    )  # fmt: skip


def common_causes(jobs: pd.DataFrame, lives: pd.DataFrame, level: float) -> list[dict[str, Any]]:
    """Rows for components whose failures take other places of the vehicle down with them."""
    base = lives["component"].astype(str).str.split(",").str[0].str.strip()
    screen = common_cause_screen(jobs, lives.assign(component=base), confidence_level=level)
    rows = []
    for record in screen.to_dict("records"):
        name = str(record["component"])
        common = {
            "component": name, "failures": float(record["failures"]),
            "p_value": record["p_value_adjusted"],
        }  # fmt: skip
        if record["finding"] != "pulls others down":
            if record["accompanied"]:
                note = f"{name}: {record['accompanied']} accompanied failures, as by chance."
                rows.append(answer(COMMON_CAUSE, NOT_FOUND, "no sign", _capital(note), **common))
            continue
        note = (
            f"{name}: {counted(record['accompanied'], 'failure')} of {record['failures']:,} took "
            "other places of the vehicle dark with it, which came back without a new item there "
            f"(by chance {figure(record['expected'])} would be expected). Look at the {name} first "
            "when several views are dark; the other places did not fail."
        )
        rows.append(
            answer(
                COMMON_CAUSE, FOUND, "takes others down", _capital(note), **common,
                measure="share of its failures that take others down",
                estimate=100 * record["accompanied"] / record["failures"], unit="%",
                rows=str(record["where"]).replace(", ", "; "),
            )
        )  # fmt: skip
    if not rows:
        note = "No failure was told at several places at once more often than by chance."
        rows = [answer(COMMON_CAUSE, NOT_FOUND, "none found", note)]
    return rows


def position_events(lives: pd.DataFrame, study: Study) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Failures of each position on its own clock, and its time under observation.

    A position's clock begins with the age of its first item and runs on through the items after
    it; items of all types of a component follow one another there.
    """
    base = lives["component"].astype(str).str.split(",").str[0].str.strip()
    pairs = pd.DataFrame({"component": base, "location": lives["location"]}).drop_duplicates()
    place = {
        (a, b): place_of(a, b, study.location_groups)
        for a, b in pairs.itertuples(index=False, name=None)
    }
    table = pd.DataFrame(
        {
            "vehicle": lives["vehicle"],
            "component": base,
            "spot": lives["location"],
            "fitted_on": lives["fitted_on"],
            "entry": lives["entry"],
            "length": lives["age"] - lives["entry"],
            "failed": lives["failed"].astype(bool),
        }
    )
    table = table.sort_values(["vehicle", "component", "spot", "fitted_on"], kind="stable")
    codes = table.groupby(["vehicle", "component", "spot"], sort=False).ngroup()
    own = table.groupby(codes)
    start = own["entry"].transform("first")
    table = table.assign(
        system=codes, start=start, age=start + own["length"].cumsum(),
        location=[place[pair] for pair in zip(table["component"], table["spot"], strict=True)],
    )  # fmt: skip
    names = ["system", "component", "location"]
    ends = table.groupby(codes).agg(
        system=("system", "first"), component=("component", "first"),
        location=("location", "first"), start=("start", "first"), end=("age", "last"),
    )  # fmt: skip
    return table.loc[table["failed"], [*names, "age"]], ends[ends["end"] > ends["start"]]


def fleet_events(
    lives: pd.DataFrame, failures: pd.DataFrame, start: pd.Timestamp, until: pd.Timestamp
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Failures of each vehicle by day of the log, and the days on which it was watched."""
    begin = ((lives["fitted_on"] - start) / _DAY).astype(float).clip(lower=0.0)
    end = ((lives["ended_on"] - start) / _DAY).astype(float).clip(upper=(until - start) / _DAY)
    days = pd.DataFrame({"system": lives["vehicle"], "start": begin, "end": end})
    ends = days.groupby("system").agg(start=("start", "min"), end=("end", "max")).reset_index()
    ends = ends[ends["end"] > ends["start"]]
    day = ((failures["date"] - start) / _DAY).astype(float)
    events = pd.DataFrame({"system": failures["vehicle"], "age": day}).merge(ends, on="system")
    inside = events["age"].between(events["start"], events["end"], inclusive="right")
    return events.loc[inside, ["system", "age"]], ends


def failure_rows(jobs: pd.DataFrame, row_classes: pd.DataFrame, study: Study) -> pd.DataFrame:
    """Rows of the log that tell of a failure, known life before it or not; masked jobs once.

    A failure whose item has no known start ends no life. Left out, the first years of a log
    would look better than they were.
    """
    classes = row_classes.drop_duplicates("source").set_index("source")["row_class"]
    own = jobs.assign(row_class=jobs["source"].map(classes).fillna(""))
    words = own["finding"].map(study.treatments.findings).where(own["finding"].ne(""))
    failing = words.fillna(study.treatments.blank_finding).isin(_FAILING)
    kept = own["row_class"].isin(("failure", "interval"))
    kept |= own["row_class"].eq("opens life") & failing
    masked = own[own["row_class"].eq("masked")].drop_duplicates(["vehicle", "date"])
    return pd.concat([own[kept], masked])[["vehicle", "date"]]


def trends(
    lives: pd.DataFrame,
    failures: pd.DataFrame,
    study: Study,
    start: pd.Timestamp,
    until: pd.Timestamp,
) -> pd.DataFrame:
    """Trend tests and power law: of the whole fleet by day, and of each place by age.

    Columns: scope ("vehicles, by day" or "positions, by age"), component, location, systems,
    events, Laplace, Lewis-Robinson, military handbook with p-values, verdict, reason, growth
    (power of the power law) with limits.
    """
    level = study.decision.confidence_level
    events, ends = fleet_events(lives, failures, start, until)
    whole = _trend(events, ends, [], level, level).assign(
        scope="vehicles, by day", component="all", location=""
    )
    events, ends = position_events(lives, study)
    cells = len(ends.drop_duplicates(["component", "location"]))
    strict = 1 - (1 - level) / max(cells, 1)  # so many places are looked at (Bonferroni)
    places = _trend(events, ends, ["component", "location"], strict, level)
    table = pd.concat([whole, places.assign(scope="positions, by age")], ignore_index=True)
    return table[["scope", "component", "location", *_TREND_COLUMNS]]


_TREND_COLUMNS = (
    "systems", "events", "laplace", "laplace_p_value", "lewis_robinson",
    "lewis_robinson_p_value", "military_handbook", "military_handbook_p_value", "gap_trend",
    "gap_trend_p_value", "growth", "growth_lower", "growth_upper", "verdict", "reason",
)  # fmt: skip


def _trend(
    events: pd.DataFrame, ends: pd.DataFrame, by: list[str], strict: float, level: float
) -> pd.DataFrame:
    tests = trend_tests(events, ends, by, confidence_level=strict)
    power = power_law_fits(events, ends, by, limits="fisher", confidence_level=level)
    return tests.assign(
        growth=power["shape"], growth_lower=power["shape_lower"], growth_upper=power["shape_upper"]
    )


_TREND_WORDS = {
    "worsening": "failures come more and more often",
    "improving": "failures come less and less often",
    "no trend shown": "no trend is shown",
    "tests disagree": "the tests for a trend disagree (failures may come in bursts)",
}


def trend_rows(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows for the fleet, and for places whose events show a trend."""
    rows = []
    for record in table.to_dict("records"):
        fleet = record["scope"] == "vehicles, by day"
        shown = record["verdict"] in ("worsening", "improving")
        if not fleet and not shown:
            continue
        name = "All vehicles" if fleet else f"{record['component']} {record['location']}".strip()
        limits = limits_text(record["growth_lower"], record["growth_upper"])
        word = _TREND_WORDS.get(str(record["verdict"]), str(record["verdict"]))
        over = "over the log" if fleet else "as its positions grow older"
        note = (
            f"{_capital(name)}: {word} {over} ({counted(record['events'], 'failure')} of "
            f"{counted(record['systems'], 'vehicle' if fleet else 'position')}; power law t^"
            f"{figure(record['growth'])}, {limits}; above 1: more and more often)."
        )
        if shown and not fleet:
            note += " Its gaps are not one life distribution: read its fitted life with care."
        rows.append(
            answer(
                TREND, SHOWN, str(record["verdict"]), note, component=str(record["component"]),
                location=str(record["location"]), group=str(record["scope"]),
                measure="power of the power law", estimate=record["growth"],
                lower=record["growth_lower"], upper=record["growth_upper"], unit="1",
                lives=float(record["systems"]), failures=float(record["events"]),
                p_value=record["lewis_robinson_p_value"],
            )
        )  # fmt: skip
    still = table[table["scope"].eq("positions, by age")]
    quiet = int(still["verdict"].eq("no trend shown").sum())
    if quiet:
        note = f"{counted(quiet, 'place')} of {len(still):,} show no trend: gaps there are lives."
        rows.append(answer(TREND, NOT_FOUND, "no trend shown", note, group="positions, by age"))
    return rows


def recurrence(
    lives: pd.DataFrame,
    failures: pd.DataFrame,
    covariates: list[str],
    start: pd.Timestamp,
    until: pd.Timestamp,
    level: float,
) -> pd.DataFrame:
    """Mean cumulative failures of a vehicle by day of the log: all, and by each covariate.

    Columns: grouping ("all vehicles" or the covariate), group, age [d], at_risk, events,
    mean_cumulative, lower, upper (robust).
    """
    events, ends = fleet_events(lives, failures, start, until)
    shown = ["age", "at_risk", "events", "mean_cumulative", "lower", "upper"]
    tables = [
        mean_cumulative(events, ends, confidence_level=level)[shown].assign(
            grouping="all vehicles", group="all"
        )
    ]
    for name in covariates:
        known = lives.drop_duplicates("vehicle").set_index("vehicle")[name].astype(str)
        own = ends.assign(group=ends["system"].map(known))
        if not 2 <= own["group"].nunique() <= _MOST_GROUPS:
            continue
        curve = mean_cumulative(events, own, "group", confidence_level=level)
        tables.append(curve[["group", *shown]].assign(grouping=name))
    table = pd.concat(tables, ignore_index=True)
    return table[["grouping", "group", *shown]]


def recurrence_rows(table: pd.DataFrame) -> list[dict[str, Any]]:
    """One row per covariate: which group of vehicles has most failures by the end of the log."""
    rows = []
    for name, own in table[table["grouping"].ne("all vehicles")].groupby("grouping", sort=False):
        last = own[own["at_risk"] >= 2].groupby("group").tail(1)
        last = last.sort_values("mean_cumulative", ascending=False)
        if len(last) < 2:
            continue
        parts = [
            f"{r['group']} {figure(r['mean_cumulative'])} ({limits_text(r['lower'], r['upper'])})"
            for r in last.to_dict("records")
        ]
        note = f"Failures per vehicle up to the end of the log, by {name}: {'; '.join(parts)}."
        top = last.iloc[0]
        rows.append(
            answer(
                TREND, SHOWN, f"most: {top['group']}", note, group=f"by {name}",
                measure="mean failures per vehicle", estimate=top["mean_cumulative"],
                lower=top["lower"], upper=top["upper"], unit="1",
                failures=float(own["events"].sum()),
            )
        )  # fmt: skip
    return rows


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def covariates_of(lives: pd.DataFrame, study: Study) -> list[str]:
    """Covariate columns of the register that the lives carry."""
    names = [name for source in study.files.register for name in source.covariates]
    columns = [name if name in lives else f"register_{name}" for name in dict.fromkeys(names)]
    kept: list[str] = [name for name in columns if name in lives]
    return kept

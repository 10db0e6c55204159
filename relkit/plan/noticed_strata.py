"""What each stratum's failures are: verdict and grade, modes, clock, families, places, candidates.

Layer: plan. One call of relkit.survival per table for all strata at once.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from relkit.lives.instants import as_instant, instants
from relkit.lives.meters import Meters, meter_values
from relkit.plan.noticed_rows import (
    NOT_FOUND,
    NOT_LOOKED,
    SHOWN,
    answer,
    counted,
    figure,
    limits_text,
    some,
)
from relkit.study.settings import Study
from relkit.survival.clock_tables import calendar_ages, clock_comparison
from relkit.survival.comparison import holm
from relkit.survival.curve_tables import cumulative_incidence, group_comparison, pair_comparison
from relkit.survival.families import FamilyName
from relkit.survival.family_tables import family_fits
from relkit.survival.finding_tables import failure_verdicts
from relkit.survival.masked_tables import candidate_probabilities
from relkit.units import clock_symbol

__all__ = [
    "CAUSES", "CLOCK", "FAMILIES", "MODES", "PLACES", "VERDICT", "candidate_rows", "candidates",
    "clock_rows", "clocks", "families", "family_rows", "incidence", "incidence_rows",
    "place_pairs", "place_rows",
    "verdict_rows", "verdicts",
]  # fmt: skip

VERDICT, MODES = "how it fails", "wear or damage"
CAUSES = "which item had failed"
CLOCK, FAMILIES, PLACES = "which clock", "which life distribution", "may places be pooled"

_OWN, _DAMAGE = "own failure", "external damage"
#: Failures from which a clock, a family or a place is compared.
_FEWEST = 10
#: Strata whose families are fitted, and places of a component that are compared in pairs.
_MOST_FITTED, _MOST_PLACES = 60, 16
_COMPARED: tuple[FamilyName, ...] = ("Weibull", "lognormal", "loglogistic", "gamma")
#: AICc difference up to which a family is not told from the best, and B10 ratio that matters.
_FEWEST_HITS = 3  #: losses from outside of a place that are worth a sentence
_LIKE_BEST, _APART = 2.0, 1.25
_MOST_MASKED = 2_000  #: masked jobs whose candidates are weighed


def verdicts(strata: pd.DataFrame, study: Study) -> pd.DataFrame:
    """Early-life, random, wearing out, mixed or too few to tell, with a grade, per stratum."""
    return failure_verdicts(
        strata, list(study.by), confidence_level=study.decision.confidence_level
    )


def verdict_rows(table: pd.DataFrame, by: list[str]) -> list[dict[str, Any]]:
    """One row per verdict: which strata have it."""
    names = table[by].astype(str).agg(", ".join, axis=1)
    rows = []
    for word, sense in _VERDICTS.items():
        own = table["verdict"].eq(word)
        if not own.any():
            continue
        weak = table["grade"].eq("weak") & (word != "too few to tell")
        listed = names.mask(weak, names + " (weak evidence)")[own]
        note = f"{sense}: {some(list(listed), 12, '; ')}."
        rows.append(
            answer(
                VERDICT, SHOWN if word != "too few to tell" else NOT_LOOKED, word, note,
                group=f"{counted(int(own.sum()), 'kind', 'kinds')} of item",
                failures=float(table.loc[own, "failures"].sum()),
            )
        )  # fmt: skip
    return rows


_VERDICTS = {
    "wearing out": "Wear out, so replacing in time can help",
    "mixed": "Fail early and wear out as well",
    "early-life": "Fail early, so a new item is the worse one: replacing in time does harm",
    "random": "Fail at random, whatever their age: replacing in time cannot help",
    "too few to tell": "Too few failures to tell how they fail",
}


def incidence(lives: pd.DataFrame, study: Study) -> pd.DataFrame:
    """Share failed by own failure and by external damage, by age, where damage was seen."""
    damaged = lives["ended_by"].eq(_DAMAGE)
    by = ["component", "stratum_location"]
    struck = pd.MultiIndex.from_frame(lives.loc[damaged, by]).unique()
    own = lives[pd.MultiIndex.from_frame(lives[by]).isin(struck)] if len(struck) else lives[:0]
    own = own.assign(
        failed=own["failed"].astype(bool) | own["ended_by"].eq(_DAMAGE),
        mode=np.where(own["ended_by"].eq(_DAMAGE), _DAMAGE, _OWN),
    )
    shown = ["mode", "age", "at_risk", "failures", "cumulative_incidence", "lower", "upper"]
    table = cumulative_incidence(
        own, by, "mode", confidence_level=study.decision.confidence_level
    ).rename(columns={"stratum_location": "location"})
    return table[["component", "location", *shown]]


def incidence_rows(table: pd.DataFrame, study: Study) -> list[dict[str, Any]]:
    """Rows for places where items are damaged: how many are lost to it, and how many to wear."""
    unit = clock_symbol(study.clock)
    rows = []
    for (component, location), own in table.groupby(["component", "location"], sort=False):
        enough = own[own["at_risk"] >= 5]
        if enough.empty:
            continue
        last = {str(r["mode"]): r for r in enough.groupby("mode").tail(1).to_dict("records")}
        if set(last) != {_OWN, _DAMAGE}:
            continue
        hit, worn = last[_DAMAGE], last[_OWN]
        numbers = own.groupby("mode")["failures"].sum()
        if numbers[_DAMAGE] < _FEWEST_HITS:
            continue
        name = f"{component} {location}".strip()
        note = (
            f"{_capital(name)}: by {figure(hit['age'], 3)} {unit} {_share(hit)} are lost to damage "
            f"from outside and {_share(worn)} fail of themselves ({numbers[_DAMAGE]:.0f} and "
            f"{numbers[_OWN]:.0f} seen). A guard helps against the first, a change in time "
            "against the second."
        )
        rows.append(
            answer(
                MODES, SHOWN, "damage and own failures", note, component=str(component),
                location=str(location), measure=f"share lost to damage by {figure(hit['age'], 3)} "
                f"{unit}", estimate=100 * hit["cumulative_incidence"], lower=100 * hit["lower"],
                upper=100 * hit["upper"], unit="%", failures=float(numbers.sum()),
            )
        )  # fmt: skip
    if not rows:
        note = "At no place were three or more items lost to damage from outside."
        rows = [answer(MODES, NOT_FOUND, "no damage seen", note)]
    return rows


def _share(row: Mapping[Hashable, Any]) -> str:
    value, lower, upper = (100 * row[n] for n in ("cumulative_incidence", "lower", "upper"))
    return f"{figure(value)} % ({limits_text(lower, upper)})"


def clocks(
    lives: pd.DataFrame, meters: Meters, study: Study, observed_from: pd.Timestamp
) -> pd.DataFrame:
    """Log-likelihood of each clock per component: the study's, days and every other counter."""
    table = lives[lives["masked_job"].eq("") & ~lives["age_estimated"].astype(bool)]
    names = {study.clock: ("entry", "age")}
    aged = calendar_ages(table, observed_from=observed_from)
    table = pd.concat([table, aged], axis=1)
    if study.clock != "days":
        names["days"] = ("entry_days", "age_days")
    for counter in sorted(set(meters.knots["counter"]) - {study.clock}):
        ages = _counter_ages(table, meters, counter, observed_from)
        known = np.isfinite(ages).all(axis=1)
        if known.mean() < 0.5:  # most vehicles have no such meter
            continue
        table = table.assign(**{f"entry_{counter}": ages[:, 0], f"age_{counter}": ages[:, 1]})[
            known
        ]
        names[counter] = (f"entry_{counter}", f"age_{counter}")
    failures = table["failed"].groupby(table["component"]).transform("sum")
    table = table[failures >= _FEWEST]
    if len(names) < 2 or table.empty:
        return pd.DataFrame()
    found = clock_comparison(table, names, confidence_level=study.decision.confidence_level)
    adjusted = holm(found["p_value"].to_numpy(np.float64))  # many pairs are looked at
    sure = adjusted < 1 - study.decision.confidence_level
    words = found["finding"].mask(found["finding"].eq("decisively worse") & ~sure, "not decisive")
    return found.assign(p_value_adjusted=adjusted, finding=words)


def _counter_ages(
    table: pd.DataFrame, meters: Meters, counter: str, start: pd.Timestamp
) -> np.ndarray:
    """Entry and age in another counter, (n_lives, 2); NaN where it is not known."""
    vehicles = table["vehicle"].to_numpy(object)
    late = (table["entry"] > 0).to_numpy()
    times = [instants(table[name]) for name in ("fitted_on", "ended_on")]
    first, last = (meter_values(meters, vehicles, at, counter=counter)[0] for at in times)
    seen = np.full(len(table), as_instant(start.to_pydatetime()), dtype=np.int64)
    opened = meter_values(meters, vehicles, seen, counter=counter)[0]
    entry = np.where(late, opened - first, 0.0)
    good = (last - first > entry) & (entry >= 0)
    return np.where(good[:, None], np.column_stack([entry, last - first]), np.nan)


def clock_rows(table: pd.DataFrame, study: Study) -> list[dict[str, Any]]:
    """Rows per component: does another clock tell its failures decisively better."""
    if table.empty:
        note = "Too few failures, or one clock only: the clocks could not be compared."
        return [answer(CLOCK, NOT_LOOKED, "too few failures to tell", note)]
    rows = []
    for component, own in table.groupby("component", sort=False):
        best = own[own["finding"].eq("best")]
        mine = own[own["clock"].eq(study.clock)].iloc[0]
        if best.empty:
            continue
        name = str(best["clock"].iloc[0])
        others = own[own["clock"].ne(name)]
        sure = others["finding"].eq("decisively worse")
        if name == study.clock:
            end = "decisively" if sure.all() else "though not decisively"
            note = f"{component}: failures follow {_clock(name)} best, {end}."
            verdict = f"{_clock(name)}{'' if sure.all() else ' (not decisive)'}"
        elif mine["finding"] == "decisively worse":
            note = (
                f"{component}: failures follow {_clock(name)} decisively better than "
                f"{_clock(study.clock)}, in which this plan counts. That can also mean that its "
                f"{_clock(study.clock)} are badly kept: look at the meters, then plan it in "
                f"{_clock(name)}."
            )
            verdict = f"{_clock(name)}, decisively"
        else:
            note = (
                f"{component}: {_clock(name)} tells its failures a little better than "
                f"{_clock(study.clock)}, but the difference is not decisive."
            )
            verdict = f"{_clock(name)} (not decisive)"
        rows.append(
            answer(
                CLOCK, SHOWN, verdict, _capital(note), component=str(component),
                measure=f"log-likelihood of {_clock(study.clock)} less the best",
                estimate=float(mine["difference"]), unit="1", lives=float(mine["lives"]),
                failures=float(mine["failures"]), p_value=float(mine["p_value"]),
            )
        )  # fmt: skip
    return rows


def _clock(name: str) -> str:
    return {"engine_hours": "engine hours", "days": "calendar days", "km": "kilometres"}.get(
        name, name.replace("_", " ")
    )


def families(strata: pd.DataFrame, fits: pd.DataFrame, study: Study) -> pd.DataFrame:
    """Weibull, lognormal, loglogistic and gamma of the strata with most failures, side by side."""
    by = list(study.by)
    most = fits[fits["failures"] >= _FEWEST].nlargest(_MOST_FITTED, "failures")[by]
    if most.empty:
        return pd.DataFrame()
    own = strata.merge(most.drop_duplicates(), on=by)
    shown = [
        "family", "aicc", "aicc_difference", "b10", "b10_lower", "b10_upper", "lives", "failures",
        "status",
    ]  # fmt: skip
    table = family_fits(
        own, by, families=_COMPARED, confidence_level=study.decision.confidence_level
    )
    return table[[*by, *shown]]


def family_rows(table: pd.DataFrame, by: list[str], study: Study) -> list[dict[str, Any]]:
    """Rows for strata where families that fit alike disagree on early life."""
    if table.empty:
        note = f"No kind of item has {_FEWEST} failures: families were not compared."
        return [answer(FAMILIES, NOT_LOOKED, "too few failures to tell", note)]
    rows, unit = [], clock_symbol(study.clock)
    for key, own in table[table["aicc_difference"] < _LIKE_BEST].groupby(by, sort=False):
        good = own[np.isfinite(own["b10"]) & (own["b10"] > 0)].sort_values("b10")
        if len(good) < 2 or good["b10"].iloc[-1] < _APART * good["b10"].iloc[0]:
            continue
        low, high = good.iloc[0], good.iloc[-1]
        name = ", ".join(map(str, key))
        note = (
            f"{name}: {low['family']} and {high['family']} fit equally well but differ on early "
            f"life: 10 % have failed by {figure(low['b10'], 3)} or by {figure(high['b10'], 3)} "
            f"{unit}. An interval that rests on the first 10 % is uncertain by that much more."
        )
        place = dict(zip(by, key, strict=True))
        rows.append(
            answer(
                FAMILIES, SHOWN, "families disagree", _capital(note),
                component=str(place.get("component", "")), location=str(place.get("location", "")),
                measure="B10 life, largest over smallest of the families that fit",
                estimate=high["b10"] / low["b10"], unit="times", failures=float(low["failures"]),
                lives=float(low["lives"]),
            )
        )  # fmt: skip
    asked = len(table.drop_duplicates(by))
    note = (
        f"{counted(asked - len(rows), 'kind')} of item: the families that fit agree (the "
        f"{_MOST_FITTED} with most failures are looked at)."
    )
    rows.append(answer(FAMILIES, NOT_FOUND, "families agree", note, group="the others"))
    return rows


def place_pairs(lives: pd.DataFrame) -> pd.DataFrame:
    """Log-rank test of each pair of places of a component, p-values adjusted by Holm."""
    base = lives.assign(component=lives["component"].astype(str))
    cells = base.groupby(["component", "location"])["failed"].sum().reset_index()
    cells = cells[cells["failed"] > 0]
    number = cells["component"].value_counts()
    kept = number.index[(number >= 2) & (number <= _MOST_PLACES)]
    cells = cells[cells["component"].isin(kept)]
    failures = cells.groupby("component")["failed"].transform("sum")
    own = base.merge(cells.loc[failures >= _FEWEST, ["component", "location"]])
    if own.empty:
        return pd.DataFrame()
    return pair_comparison(own, "location", "component").merge(
        group_comparison(own, "location", "component")
        .drop_duplicates("component")[["component", "p_value", "degrees_of_freedom"]]
        .rename(columns={"p_value": "overall_p_value", "degrees_of_freedom": "overall_df"}),
        on="component",
    )


def place_rows(table: pd.DataFrame, lives: pd.DataFrame, level: float) -> list[dict[str, Any]]:
    """Rows per component: do its places differ, and which do not."""
    places = lives.loc[lives["failed"].astype(bool)].groupby("component")["location"].nunique()
    many = sorted(map(str, places.index[places > _MOST_PLACES]))
    rows = []
    if many:
        note = f"More than {_MOST_PLACES} places, too many to compare in pairs: {some(many)}."
        rows.append(answer(PLACES, NOT_LOOKED, "too many places", note))
    if table.empty and not many:
        note = f"No component has {_FEWEST} failures at two places or more."
        rows.append(answer(PLACES, NOT_LOOKED, "too few failures to tell", note))
    if table.empty:
        return rows
    for component, own in table.groupby("component", sort=False):
        differ = own[own["p_value_adjusted"] < 1 - level]
        sure = float(own["overall_p_value"].iloc[0]) < 1 - level
        head = f"{_capital(str(component))}: lives"
        if sure or len(differ):
            note = (
                f"{head} differ by place: {len(differ)} of {counted(len(own), 'pair')} of places "
                "differ beyond chance, so one life for all would mislead."
            )
            verdict = "places differ"
        else:
            note = f"{head} do not differ by place beyond chance: they may be planned as one."
            verdict = "no difference shown"
        rows.append(
            answer(
                PLACES, SHOWN, verdict, note, component=str(component),
                measure="pairs of places that differ", estimate=float(len(differ)), unit="1",
                p_value=float(own["overall_p_value"].iloc[0]),
            )
        )  # fmt: skip
    return rows


def candidates(strata: pd.DataFrame, study: Study) -> pd.DataFrame:
    """Probability of each candidate of a job whose cause is unknown to be the one that failed."""
    masked = strata["masked_job"].ne("")
    jobs = strata.loc[masked, "masked_job"].nunique()
    if not 0 < jobs <= _MOST_MASKED or not strata["failed"].any():
        return pd.DataFrame()
    by = list(study.by)
    keys = pd.MultiIndex.from_frame(strata[by].astype(str))
    linked = keys[masked.to_numpy()].unique()
    own = strata[keys.isin(linked)].drop(columns="failure_share", errors="ignore")
    found = candidate_probabilities(own, by)
    told = own.loc[found.index, ["vehicle", "ended_on", "closed_by"]]
    table = pd.concat([found, told], axis=1)
    names = ["masked_job", "vehicle", "ended_on", *by, "age", "probability", "closed_by"]
    return table[names].sort_values(["masked_job", "probability"], ascending=[True, False])


def candidate_rows(strata: pd.DataFrame, table: pd.DataFrame) -> list[dict[str, Any]]:
    """One row: how many jobs have an unknown cause, and whether their candidates were weighed."""
    masked = strata.loc[strata["masked_job"].ne(""), "masked_job"]
    jobs = masked.nunique()
    if not jobs:
        note = "Every failure has one cause: no job replaced several items without saying which."
        return [answer(CAUSES, NOT_FOUND, "none unknown", note)]
    told = f"{counted(jobs, 'job')} replaced several items, of which one had failed"
    if table.empty:
        note = f"{told}: too many, or too few known failures, to weigh the candidates one by one."
        return [answer(CAUSES, NOT_LOOKED, "not weighed", note, lives=float(len(masked)))]
    sure = int(table.groupby("masked_job")["probability"].max().gt(0.8).sum())
    note = (
        f"{told}; in {sure:,} of them one candidate is more than 80 % likely. The candidates of "
        "each are in tables/candidates.csv. To know, say on the job which item had failed."
    )
    return [answer(CAUSES, SHOWN, "shared out", note, lives=float(len(masked)))]


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]

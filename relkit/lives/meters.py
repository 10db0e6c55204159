"""Meter readings as one cumulative counter per vehicle, readable at any instant.

Layer: lives. Cleaned by meter_rules.py and meter_chains.py; corrections are kept, old and new.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.lives.instants import DAY, NOT_KNOWN, Instants, instants
from relkit.lives.meter_chains import Chains, chained_readings, interpolated
from relkit.lives.meter_rules import Readings
from relkit.lives.meter_units import in_kilometres, of_other_counters
from relkit.lives.set_aside import with_noun
from relkit.logbook.findings import Finding, finding
from relkit.study.settings import Study

__all__ = ["Meters", "cleaned_meters", "meter_values"]

#: Days in a mean year [d].
_YEAR = 365.25

_TYPED, _FROZEN, _EXCHANGED = "meter typing error", "meter stood still", "meter exchanged"
_OTHER, _MILES = "reading of another counter", "miles among kilometres"
_CORRECTIONS = ["rule", "source", "vehicle", "counter", "date", "old", "new"]
_WORDS = {
    _TYPED: (
        "contradict the readings before and after them",
        "Removed; the counter was interpolated",
    ),
    _OTHER: (
        "are what another counter of the vehicle reads, such as km written as hours",
        "Not used for this counter, which was interpolated (treatments.problems.other_counter)",
    ),
    _MILES: (
        "fall by the ratio of kilometre and mile",
        "Taken as miles and made kilometres (treatments.problems.other_unit)",
    ),
    _FROZEN: (
        "repeat one value for long while the vehicle worked (treatments.problems.frozen_days)",
        "Removed; the counter was interpolated, or ran on at the vehicle's mean rate",
    ),
    _EXCHANGED: (
        "follow a drop, or a jump that no use explains, which the next readings confirm: the "
        "meter was exchanged or set",
        "The counter was chained: mean rate of the vehicle across the exchange, own use after it",
    ),
}


@dataclass(frozen=True, slots=True, eq=False)
class Meters:
    """Cumulative counters of all vehicles."""

    #: ``counter``, ``vehicle``, ``time`` (instant), ``value``, sorted by the first three
    knots: pd.DataFrame
    #: ``counter``, ``vehicle``, ``per_day`` (mean use), ``per_day_before`` (the first reading);
    #: [counter units / d]
    rates: pd.DataFrame
    #: ``rule``, ``source``, ``vehicle``, ``counter``, ``date``, ``old``, ``new``
    corrections: pd.DataFrame
    fallback: Mapping[str, float]  #: counter -> use of a vehicle without rate [counter units / d]
    estimated_days: float  #: a value farther than this from a reading is estimated [d]
    findings: tuple[Finding, ...]


def cleaned_meters(
    readings: pd.DataFrame, study: Study, *, in_service: pd.Series | None = None
) -> Meters:
    """Cumulative counters from readings.

    Exchanged meters are chained: across the drop, or the jump that no use explains, the vehicle's
    mean rate is assumed. Single typing errors and values of a meter that stood still are removed.

    Parameters
    ----------
    readings : DataFrame
        The repair log's ``readings``, long form.
    study : Study
        ``treatments.largest_daily_use`` and ``usage`` are used.
    in_service : Series of int, optional
        Instant by vehicle from which it ran: a counter that the mean rate would put below 0 there
        is taken to have begun at 0.
    """
    fallback = {counter: use / _YEAR for counter, use in study.usage.items()}
    table = readings[readings["date"].notna() & readings["reading"].notna()]
    table = table.drop_duplicates(["counter", "vehicle", "date", "reading"])
    table, series = _numbered(table.reset_index(drop=True))
    problems = study.treatments.problems
    given = _sorted_readings(table, series, study.treatments.largest_daily_use)
    written = given
    in_miles = np.zeros(len(given.value), dtype=bool)
    if problems.other_unit == "convert":
        distance = series["counter"].str.contains("km", case=False).to_numpy(dtype=bool)
        given, in_miles = in_kilometres(given, distance)
    usual = np.asarray(series["counter"].map(fallback), dtype=np.float64)
    vehicle = pd.factorize(series["vehicle"])[0].astype(np.int64)
    chains = chained_readings(given, vehicle, usual, problems)
    knots = _knots(chains, series)
    corrections = _corrections(table, chains)
    if problems.other_counter == "move":
        corrections = _of_other_counters(corrections, series, vehicle, chains)
    corrections = pd.concat([corrections, _in_km(table, written, given, in_miles)])
    corrections = corrections.reset_index(drop=True)
    return Meters(
        knots=knots,
        rates=_rates(knots, fallback, in_service),
        corrections=corrections,
        fallback=fallback,
        estimated_days=problems.estimated_days,
        findings=_findings(corrections, series[chains.unusable]),
    )


def _numbered(table: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return readings with the number of their series, and the series by counter and vehicle."""
    groups = table.groupby(["counter", "vehicle"], sort=True)
    series = groups.size().reset_index()[["counter", "vehicle"]]
    return table.assign(series=groups.ngroup().to_numpy(dtype=np.int64)), series


def _sorted_readings(
    table: pd.DataFrame, series: pd.DataFrame, largest: Mapping[str, float]
) -> Readings:
    """Return readings by series, time and value, each with the largest use of its counter."""
    code, time = table["series"].to_numpy(), instants(table["date"])
    value = table["reading"].to_numpy(dtype=np.float64)
    most = series["counter"].map(dict(largest)).astype(np.float64).fillna(np.inf).to_numpy()
    order = np.lexsort((value, time, code))
    return Readings(code[order], time[order], value[order], most[code[order]], order)


def _knots(chains: Chains, series: pd.DataFrame) -> pd.DataFrame:
    """Knots of the counters; of several at one instant the last."""
    code, time = chains.readings.series, chains.readings.time
    last = np.append((np.diff(code) != 0) | (np.diff(time) != 0), True)[: len(code)]
    names = series.iloc[code[last]]
    return pd.DataFrame(
        {
            "counter": names["counter"].to_numpy(dtype=object),
            "vehicle": names["vehicle"].to_numpy(dtype=object),
            "time": time[last],
            "value": chains.whole[last],
        }
    )


def _rates(
    knots: pd.DataFrame, fallback: Mapping[str, float], in_service: pd.Series | None
) -> pd.DataFrame:
    """Mean use of each counter of each vehicle, and its use before the first reading."""
    groups = knots.groupby(["counter", "vehicle"], sort=True)[["time", "value"]]
    first, last = groups.first(), groups.last()
    days = (last["time"] - first["time"]) / DAY
    usual = first.index.get_level_values("counter").map(fallback).to_numpy(dtype=np.float64)
    rise = (last["value"] - first["value"]).to_numpy()
    span = days.to_numpy()
    rate = np.where(span >= 1, rise / np.maximum(span, 1.0), usual)
    before = rate.copy()
    if in_service is not None:
        names = first.index.get_level_values("vehicle")
        since = in_service.reindex(names, fill_value=NOT_KNOWN).to_numpy(dtype=np.int64)
        earlier = (since != NOT_KNOWN) & (since < first["time"].to_numpy())
        ran = np.maximum((first["time"].to_numpy() - since) / DAY, 1e-9)
        from_nothing = first["value"].to_numpy() / ran
        before = np.where(earlier & ~(from_nothing >= rate), from_nothing, rate)
    rates = first.reset_index()[["counter", "vehicle"]]
    return rates.assign(per_day=rate, per_day_before=before)


def _corrections(table: pd.DataFrame, chains: Chains) -> pd.DataFrame:
    """Every reading that was corrected, with what it read and what is used instead."""
    kept = chains.readings
    parts = []
    for rule, rows in (
        (_TYPED, chains.typed),
        (_FROZEN, chains.frozen),
        (_EXCHANGED, kept.row[chains.exchanged]),
    ):
        lines = table.iloc[rows]
        old = lines["reading"].to_numpy(dtype=np.float64)
        new = np.full(len(rows), np.nan)
        code = lines["series"].to_numpy()
        known = np.isin(code, kept.series)
        time = instants(lines["date"])
        value, before, _ = interpolated(
            code[known], time[known], kept.series, kept.time, chains.whole
        )
        if rule == _EXCHANGED:
            new[known] = value
        else:  # back to the scale of the meter that was read
            new[known] = value - (chains.whole - kept.value)[before]
        names = lines[["source", "vehicle", "counter", "date"]]
        parts.append(names.assign(rule=rule, old=old, new=new))
    return pd.concat(parts, ignore_index=True)[_CORRECTIONS]


def _in_km(
    table: pd.DataFrame, written: Readings, given: Readings, in_miles: NDArray[np.bool_]
) -> pd.DataFrame:
    """Return readings in miles as corrections."""
    names = ["source", "vehicle", "counter", "date"]
    lines = table.iloc[given.row[in_miles]][names]
    old, new = written.value[in_miles], given.value[in_miles]
    return lines.assign(rule=_MILES, old=old, new=new)[_CORRECTIONS]


def _of_other_counters(
    corrections: pd.DataFrame, series: pd.DataFrame, vehicle: NDArray[np.int64], chains: Chains
) -> pd.DataFrame:
    """Corrections with those named apart that are readings of another counter of the vehicle."""
    at = np.flatnonzero((corrections["rule"] == _TYPED).to_numpy())
    if len(at) == 0:
        return corrections
    lines = corrections.iloc[at]
    index = pd.MultiIndex.from_frame(series[["counter", "vehicle"]])
    own = index.get_indexer(pd.MultiIndex.from_frame(lines[["counter", "vehicle"]]))
    wrong = Readings(
        own.astype(np.int64),
        instants(lines["date"]),
        lines["old"].to_numpy(dtype=np.float64),
        np.zeros(len(at)),
        at,
    )
    kept = chains.readings
    found = of_other_counters(wrong, vehicle, kept.series, kept.time, kept.value)
    rule = corrections["rule"].to_numpy(dtype=object).copy()
    rule[at[found >= 0]] = _OTHER
    return corrections.assign(rule=rule)


def _findings(corrections: pd.DataFrame, unusable: pd.DataFrame) -> tuple[Finding, ...]:
    found = []
    for rule, (what, done) in _WORDS.items():
        lines = corrections[corrections["rule"] == rule]
        if lines.empty:
            continue
        changes = zip(lines["source"], lines["old"], lines["new"], strict=True)
        where = [f"{source}: {old:,.10g} -> {new:,.6g}" for source, old, new in changes]
        if rule == _TYPED:
            note = finding(rule, f"Readings {what}", sources=where, done=done)
        else:
            note = finding(rule, f"Readings {what}", sources=where, done=done, severity="look")
        found.append(note)
    if len(unusable):
        places = (unusable["vehicle"] + ", " + unusable["counter"]).tolist()
        found.append(
            finding(
                "meter unusable",
                f"The readings of {with_noun(len(places), 'meter')} rise faster than anything can "
                "run: the unit may be wrong, such as km written as hours",
                sources=places,
                done="None of these readings was used. Mend the column or [treatments] "
                "largest_daily_use",
                severity="look",
            )
        )
    return tuple(found)


def meter_values(
    meters: Meters, vehicles: NDArray[np.object_], times: Instants, *, counter: str
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Value of a counter of each vehicle at each instant.

    Between readings the counter is taken as running evenly; beyond them at the vehicle's mean
    rate; without any, at the rate that the study gives.

    Returns
    -------
    values : array of float
        NaN where nothing is known of the vehicle's use [counter units].
    estimated : array of bool
        True where the nearest reading is more than ``meters.estimated_days`` away.
    """
    knots = meters.knots[(meters.knots["counter"] == counter).to_numpy(dtype=bool)]
    rates = meters.rates[(meters.rates["counter"] == counter).to_numpy(dtype=bool)]
    names = pd.Index(rates["vehicle"].to_numpy(dtype=object))
    code = names.get_indexer(pd.Index(vehicles))
    read = np.flatnonzero(code >= 0)
    values = np.full(len(times), np.nan)
    if counter in meters.fallback:
        values = times / DAY * meters.fallback[counter]
    estimated = np.ones(len(times), dtype=bool)
    if len(read) == 0:
        return values, estimated
    at, knot_time = times[read], knots["time"].to_numpy()
    knot_code = names.get_indexer(pd.Index(knots["vehicle"]))
    knot_value = knots["value"].to_numpy()
    inside, before, after = interpolated(code[read], at, knot_code, knot_time, knot_value)
    late = np.maximum(at - knot_time[after], 0) / DAY
    early = np.maximum(knot_time[before] - at, 0) / DAY
    per_day = rates["per_day"].to_numpy()[code[read]]
    per_day_before = rates["per_day_before"].to_numpy()[code[read]]
    run_on = np.where(late > 0, late * per_day, 0.0) - np.where(
        early > 0, early * per_day_before, 0.0
    )
    values[read] = inside + run_on
    nearest = np.minimum(np.abs(at - knot_time[before]), np.abs(at - knot_time[after]))
    estimated[read] = nearest > meters.estimated_days * DAY
    return values, estimated

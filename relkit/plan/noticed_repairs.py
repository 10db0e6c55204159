"""Do repairs hold: item types against new ones, places that come back, vehicles that keep failing.

Layer: plan. Screens of relkit.survival in, rows of what the log shows out.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from relkit.plan.noticed_rows import (
    FOUND,
    NOT_FOUND,
    NOT_LOOKED,
    answer,
    counted,
    figure,
    limits_text,
    sources,
    strict,
)
from relkit.plan.usage import ServiceGrid
from relkit.study.settings import Study
from relkit.survival.rates import failure_rates
from relkit.survival.return_tables import return_screen
from relkit.survival.screen_tables import batch_screen, repair_screen, repeat_failure_screen
from relkit.units import clock_symbol, parse_quantity

__all__ = ["REPAIRS", "RETURNS", "VEHICLES", "early_age", "failing_vehicles", "repairs", "returns"]

REPAIRS = "do repairs hold"
RETURNS = "fixed first time"
VEHICLES = "vehicles that keep failing"
#: Days within which the same place with a new complaint counts as not fixed [d].
RETURN_DAYS = 30.0
_COMPLAINTS = ("failure", "failure found at check", "cause unknown", "no failure")
_MOST_VEHICLES = 20


def early_age(study: Study, grids: tuple[ServiceGrid, ...]) -> float:
    """Age up to which a failure is early: the shortest service interval; NaN if there is none."""
    stated = [parse_quantity(text) for service in study.services for text in service.every]
    own = [quantity.value for quantity in stated if quantity.unit == study.clock]
    spaced = [grid.spacing for grid in grids if grid.spacing > 0]
    return min(own or spaced, default=float("nan"))


def repairs(lives: pd.DataFrame, early: float, study: Study) -> list[dict[str, Any]]:
    """Rows for item types (a re-made joint, a new design) and kinds that fail early."""
    level, unit = study.decision.confidence_level, clock_symbol(study.clock)
    if not early > 0:
        note = "No service interval is entered, so no age is known up to which failures are early."
        return [answer(REPAIRS, NOT_LOOKED, "no service interval", note)]
    component = lives["component"].astype(str)
    base = component.str.split(",").str[0].str.strip()
    kind = component.where(component.ne(base), "")
    typed = lives.assign(base=base, kind=kind)
    screen = repair_screen(lives, early, confidence_level=level)
    first = {str(row["component"]): row for row in screen.to_dict("records")}
    rows = []
    compared = batch_screen(
        typed, "kind", within="base", confidence_level=level, fewest_expected=_FEWEST
    )
    for record in compared.to_dict("records"):
        own = lives[component.eq(str(record["kind"]))]
        rows.append(_type_row(record, first[str(record["kind"])], own, early, unit))
    done = {str(row["component"]) for row in rows if row["finding"] == FOUND}
    for name, screened in first.items():
        if screened["finding"] == "fails early" and name not in done:
            rows.append(
                _early_row(str(name), screened, lives[component.eq(str(name))], early, unit)
            )
    if not rows:
        note = "The log tells of one type of item only, and none fails early."
        rows = [answer(REPAIRS, NOT_FOUND, "nothing to compare", note)]
    return rows


#: Item types are few, so they are tested from the first expected fraction of a failure on.
_FEWEST = 0.1


def _type_row(
    record: Mapping[Hashable, Any],
    first: Mapping[Hashable, Any],
    own: pd.DataFrame,
    early: float,
    unit: str,
) -> dict[str, Any]:
    name, base = str(record["kind"]), str(record["base"])
    other = f"other {base}s"
    counts = (
        f"{counted(record['failures'], 'failure')} where {figure(record['expected'])} would be "
        f"expected of {other} at equal age and place"
    )
    common = {
        "component": name, "group": f"against {other}", "lives": record["lives"],
        "failures": record["failures"], "measure": f"failure rate against {other}",
        "estimate": record["hazard_ratio"], "lower": record["hazard_ratio_lower"],
        "upper": record["hazard_ratio_upper"], "unit": "times",
        "p_value": record["p_value_adjusted"],
    }  # fmt: skip
    share = _early_share(first, early, unit)
    shown = own[own["failed"].astype(bool)]
    if record["finding"] == "fails more often":
        note = f"{name}: does not hold like new: {counts}{_times(record)}. {share}"
        return answer(
            REPAIRS, FOUND, "does not hold like new", _capital(note), **common,
            rows=sources(shown["closed_by"]),
        )  # fmt: skip
    if first["finding"] == "fails early":
        return _early_row(name, first, own, early, unit)
    if record["finding"] == "not tested":
        note = f"{name}: too few failures to tell whether it holds like {other}. {share}"
        return answer(REPAIRS, NOT_LOOKED, "too few failures to tell", _capital(note), **common)
    note = f"{name}: {counts}: no sign that it fails sooner. {share}"
    return answer(REPAIRS, NOT_FOUND, "holds like the others", _capital(note), **common)


def _times(record: Mapping[Hashable, Any]) -> str:
    ratio = float(record["hazard_ratio"])
    if not np.isfinite(ratio):
        return ""
    limits = limits_text(record["hazard_ratio_lower"], record["hazard_ratio_upper"])
    return f", {figure(ratio)} times the rate ({limits})"


def _early_share(first: Mapping[Hashable, Any], early: float, unit: str) -> str:
    """Share failing in the first phase, from a steady rate over it."""
    if not first["early_exposure"] > 0:
        return ""
    found = failure_rates(
        np.array([round(first["early_failures"])]), np.array([first["early_exposure"]])
    )
    rates = (found.rate[0], found.lower[0], found.upper[0])
    share, lower, upper = (100 * -np.expm1(-rate * early) for rate in rates)
    return (
        f"In the first {figure(early, 3)} {unit} {figure(share)} % fail "
        f"({limits_text(lower, upper)} %)."
    )


def _early_row(
    name: str, first: Mapping[Hashable, Any], own: pd.DataFrame, early: float, unit: str
) -> dict[str, Any]:
    which = "early" if first["early_p_value_adjusted"] <= first["others_p_value_adjusted"] else ""
    which = which or ("others" if np.isfinite(first["others_p_value_adjusted"]) else "early")
    against = "its later life" if which == "early" else "the component's other types"
    note = (
        f"{name}: fails early: in the first {figure(early, 3)} {unit} at "
        f"{figure(first[f'{which}_ratio'])} times the rate of {against} "
        f"({limits_text(first[f'{which}_ratio_lower'], first[f'{which}_ratio_upper'])}). "
        f"{_early_share(first, early, unit)}"
    )
    shown = own[own["failed"].astype(bool) & own["age"].le(early)]
    return answer(
        REPAIRS, FOUND, "fails early", _capital(note), component=name, lives=float(len(own)),
        failures=float(first["early_failures"] + first["later_failures"]),
        measure=f"early rate against {against}", estimate=first[f"{which}_ratio"],
        lower=first[f"{which}_ratio_lower"], upper=first[f"{which}_ratio_upper"], unit="times",
        p_value=first[f"{which}_p_value_adjusted"], rows=sources(shown["closed_by"]),
    )  # fmt: skip


def returns(jobs: pd.DataFrame, study: Study, until: pd.Timestamp) -> list[dict[str, Any]]:
    """Rows for each kind of work: how often the same place has a complaint again within days."""
    outcomes = study.treatments.findings
    words = jobs["finding"].map(outcomes).where(jobs["finding"].ne(""))
    words = words.fillna(study.treatments.blank_finding)
    told = jobs.assign(complaint=words.isin(_COMPLAINTS), where=jobs["location"])
    if not len(told) or not told["complaint"].any():
        note = "The log holds no complaint after which a place could come back."
        return [answer(RETURNS, NOT_LOOKED, "no complaints", note)]
    screen = return_screen(
        told, "action", longest=RETURN_DAYS, ends=until,
        confidence_level=study.decision.confidence_level,
    )  # fmt: skip
    least = 1 - strict(study.decision.confidence_level)
    return [_return_row(record, least) for record in screen.to_dict("records")]


def _return_row(record: Mapping[Hashable, Any], least: float) -> dict[str, Any]:
    name = str(record["action"])
    expected = record["expected"] / record["jobs"]
    text = (
        f"After {name}: the same place has a new complaint within {RETURN_DAYS:.0f} days in "
        f"{record['returns']:,.0f} of {counted(record['jobs'], 'job')}, "
        f"{figure(100 * record['return_share'])} % "
        f"({limits_text(100 * record['lower'], 100 * record['upper'])} %); by chance it would be "
        f"{figure(100 * expected)} %."
    )
    back = record["p_value_adjusted"] < least
    return answer(
        RETURNS, FOUND if back else NOT_FOUND,
        "comes back more often than by chance" if back else "no more than by chance", text,
        group=name, lives=record["jobs"], failures=record["returns"],
        measure=f"share with a new complaint within {RETURN_DAYS:.0f} days",
        estimate=100 * record["return_share"], lower=100 * record["lower"],
        upper=100 * record["upper"], unit="%", p_value=record["p_value_adjusted"],
    )  # fmt: skip


def failing_vehicles(lives: pd.DataFrame, level: float) -> list[dict[str, Any]]:
    """Rows for vehicles with more failures than exposure and ages of their items explain."""
    screen = repeat_failure_screen(lives, confidence_level=level)
    found = screen[screen["p_value_adjusted"] < 1 - strict(level)]
    rows = [_vehicle_row(record, lives) for record in found.head(_MOST_VEHICLES).to_dict("records")]
    tested = int(screen["finding"].ne("not tested").sum())
    if rows:
        return rows
    note = (
        f"None of {counted(tested, 'vehicle')} has more failures than the exposure and ages of "
        "its items explain."
    )
    return [
        answer(VEHICLES, NOT_FOUND, "none stands out", note, lives=float(len(lives)),
               failures=float(lives["failed"].sum()))
    ]  # fmt: skip


def _vehicle_row(record: Mapping[Hashable, Any], lives: pd.DataFrame) -> dict[str, Any]:
    name = str(record["vehicle"])
    own = lives[lives["vehicle"].eq(record["vehicle"])]
    failed = own[own["failed"].astype(bool)]
    worst = (failed["component"] + " " + failed["location"]).value_counts()
    most = ", ".join(f"{place} {n}" for place, n in worst.head(2).items())
    note = (
        f"{name} keeps failing: {counted(record['failures'], 'failure')} where "
        f"{figure(record['expected'])} would be expected ({figure(record['ratio'])} times, "
        f"{limits_text(record['lower'], record['upper'])}); most: {most}."
    )
    return answer(
        VEHICLES, FOUND, "keeps failing", note, group=name, lives=float(len(own)),
        failures=record["failures"], measure="failures over those expected",
        estimate=record["ratio"], lower=record["lower"], upper=record["upper"], unit="times",
        p_value=record["p_value_adjusted"], rows=sources(failed["closed_by"]),
    )  # fmt: skip


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]

"""How people write the words of the log: variants, vehicle ids, missing codes, typing errors.

Layer: demo. The same variants go into the study file, so that every word can be read.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from relkit.demo.dirt_added import mark
from relkit.demo.fleet import day_number
from relkit.demo.notes import mistyped

__all__ = ["SYMPTOMS", "VARIANTS", "misspelt"]

#: Findings that only say what was seen.
SYMPTOMS = (
    "one view dark",
    "several views dark",
    "all views dark",
    "display dead",
    "intermittent picture",
    "foggy picture",
    "no view on reverse",
)

#: Column -> our word -> how the log also writes it.
VARIANTS: dict[str, dict[str, tuple[str, ...]]] = {
    "component": {
        "camera": ("cam", "view camera"),
        "cable": ("camera cable", "cam lead"),
        "switcher": ("switch box",),
        "main video lead": ("main lead",),
        "display": ("monitor", "screen"),
        "trigger wire": ("feed wire",),
    },
    "location": {
        "rear high": ("rear",),
        "kerb side": ("nearside",),
        "road side": ("offside",),
        "kerb-side brush": ("nearside brush",),
        "road-side brush": ("offside brush",),
    },
    "finding": {
        "failed": ("defective", "u/s"),
        "found failed at check": ("found at service",),
        "no fault found": ("NFF",),
        "dirty": ("dirty lens",),
        "loose connection": ("loose plug",),
        "external damage": ("impact damage",),
    },
    "action": {
        "replaced": ("renewed", "changed"),
        "reseated": ("plug reseated",),
        "tested": ("test ok",),
        "cleaned": ("wiped",),
    },
}

_TECHNICIANS = ("B. Thrupwick", "A. Ovendell", "C. Garrowmere", "D. Lindqvale", "E. Pellowby")
_DRIVERS = ("F. Askerdale", "G. Wintrop", "H. Mossleigh", "I. Brackendene")
_SIDE_WRITER = _TECHNICIANS[0]  #: writes nearside and offside
_RENAMED_ON = day_number("2022-05-01")
_NO_CODE_SHARE = 0.10
_VARIANT_SHARE = 0.25
_SPELLING_SHARES = (0.6, 0.2)  #: of "GR-07" and "GR7"; the rest is "gr 07"
_TYPING_SHARE = 0.3
#: Rows whose codes are always written.
_CODED = ("campaign", "external damage", "planned", "found failed at check", "not fitted")


def misspelt(rows: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Return the rows as people wrote them, with the columns technician and driver."""
    people = rng.integers(0, [[len(_TECHNICIANS)], [len(_DRIVERS)]], (2, len(rows)))
    rows = rows.assign(
        technician=np.array(_TECHNICIANS)[people[0]], driver=np.array(_DRIVERS)[people[1]]
    )
    rows = missing_codes(rows, rng)
    rows = renamed_location(rows)
    rows = side_words(rows)
    for column in ("component", "finding", "action"):
        rows[column] = _varied(rows[column], VARIANTS[column], rng)
    rows = vehicle_spellings(rows, rng)
    rows["note"] = mistyped(rng, rows["note"].tolist(), share=_TYPING_SHARE)
    return rows


def missing_codes(rows: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Plant rows whose text alone tells the finding, and the action too if it was a new item."""
    able = ~rows["finding"].isin([*_CODED, "power feed", ""])
    bare = able & (rng.random(len(rows)) < _NO_CODE_SHARE)
    rows.loc[bare, "finding"] = ""
    rows.loc[bare & rows["action"].eq("replaced"), "action"] = ""
    mark(rows, bare, "no code")
    return rows


def renamed_location(rows: pd.DataFrame) -> pd.DataFrame:
    """Plant the old name of a place: rear, until May 2022."""
    early = rows["location"].eq("rear high") & rows["file_day"].lt(_RENAMED_ON)
    rows.loc[early, "location"] = "rear"
    mark(rows, early, "renamed location")
    return rows


def side_words(rows: pd.DataFrame) -> pd.DataFrame:
    """Plant the words of one technician, who writes nearside and offside."""
    words = {ours: theirs[0] for ours, theirs in VARIANTS["location"].items() if "side" in ours}
    chosen = rows["technician"].eq(_SIDE_WRITER) & rows["location"].isin(words)
    rows.loc[chosen, "location"] = rows.loc[chosen, "location"].map(words)
    mark(rows, chosen, "nearside or offside")
    return rows


def vehicle_spellings(rows: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Plant three spellings of vehicle ids: GR-07, GR7 and gr 07."""
    parts = rows["vehicle"].str.partition("-")
    draw = rng.random(len(rows))
    short = parts[0] + parts[2].str.lstrip("0")
    small = parts[0].str.lower() + " " + parts[2]
    plain, other = draw < _SPELLING_SHARES[0], draw > sum(_SPELLING_SHARES)
    rows["vehicle"] = np.select([plain, other], [rows["vehicle"], small], short)
    mark(rows, ~plain, "vehicle id spelling")
    return rows


def _varied(
    words: pd.Series, variants: dict[str, tuple[str, ...]], rng: np.random.Generator
) -> pd.Series:
    """Return the words, a quarter of them replaced by one of their variants."""
    draw, number = rng.random(len(words)), rng.integers(0, 60, len(words))
    result = words.copy()
    for ours, theirs in variants.items():
        chosen = words.eq(ours) & (draw < _VARIANT_SHARE)
        result[chosen] = np.array(theirs)[number[chosen] % len(theirs)]
    return result

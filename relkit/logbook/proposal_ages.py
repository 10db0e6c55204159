"""Tables of ages without dates: how they are analysed, as lines of Python that run.

Layer: logbook. Such a table cannot become a study: it does not say when what was fitted where.
"""

from __future__ import annotations

import re

import pandas as pd

from relkit.logbook.proposal_columns import GuessedColumns
from relkit.logbook.proposal_headers import LEAST_LIKENESS, header_likeness
from relkit.logbook.proposal_text import quoted
from relkit.logbook.workbooks import ENDINGS

__all__ = ["lines_for_ages"]

#: Words for items that had not failed, or for the end of a system's observation.
_CENSORED = re.compile(
    r"(?i)^(0(\.0)?|censor(ed)?|suspended|suspension|survived|running|right|end|none|no|false|"
    r"unfailed|in service|retired)$"
)


def lines_for_ages(guess: GuessedColumns) -> str:
    """Lines of Python that analyse a table of ages.

    Systems with several rows are repaired ones, whose events are counted; other rows are lives.
    """
    texts, names = guess.found.texts, guess.found.names
    age = next((name for name in names if f'"{name}"' in guess.reason), names[0])
    lower = {name.casefold(): name for name in names}
    own = age.casefold().rsplit("_", 1)[0] + "_event"
    event = next((lower[n] for n in (own, "event", "status", "mode", "type") if n in lower), "")
    ended = [word for word in texts[event].unique() if _CENSORED.match(word)] if event else []
    system = max(guess.found.names, key=lambda name: header_likeness(name, "vehicle"))
    several = (
        header_likeness(system, "vehicle") >= LEAST_LIKENESS and texts[system].duplicated().any()
    )
    lines = ["import pandas, relkit", f"table = {_reading(guess)}"]
    if {"lower", "upper"} <= set(lower):
        lines += _between_looks(lower, event, texts)
    elif several:
        lines += _repaired(str(system), age, event, ended)
    else:
        lines += _lives(age, event, ended, lower)
    return "\n".join("    " + line for line in lines)


def _reading(guess: GuessedColumns) -> str:
    """Return the call that reads the file."""
    found = guess.found
    suffix = found.path.suffix.lower()
    header = f", header={found.header_row - 1}" if found.header_row > 1 else ""
    if suffix == ".parquet":
        return f"pandas.read_parquet({quoted(found.file)})"
    if suffix in ENDINGS:
        sheet = f", sheet_name={quoted(found.sheet)}" if found.sheet else ""
        return f'pandas.read_excel({quoted(found.file)}{sheet}{header}, engine="calamine")'
    sign = f", sep={quoted(found.delimiter)}" if found.delimiter not in ("", ",") else ""
    return f"pandas.read_csv({quoted(found.file)}{sign}{header})"


def _isin(event: str, words: list[str]) -> str:
    listed = ", ".join(quoted(str(word)) for word in words)
    return f"table[{quoted(event)}].astype(str).isin([{listed}])"


def _repaired(system: str, age: str, event: str, ended: list[str]) -> list[str]:
    chosen = f"[~{_isin(event, ended)}]" if ended else ""
    return [
        f'table = table.rename(columns={{{quoted(system)}: "system", {quoted(age)}: "age"}})',
        f"events = table{chosen}",
        'ends = table.groupby("system")["age"].max().rename("end").reset_index()',
        "print(relkit.mean_cumulative(events, ends))",
    ]


def _lives(age: str, event: str, ended: list[str], lower: dict[str, str]) -> list[str]:
    failed = f"~{_isin(event, ended)}" if ended else "True"
    lines = [f'lives = pandas.DataFrame({{"age": table[{quoted(age)}], "failed": {failed}}})']
    if "count" in lower:
        lines.append(f'lives["count"] = table[{quoted(lower["count"])}]')
    return [*lines, "print(relkit.weibull_fits(lives))"]


def _between_looks(lower: dict[str, str], event: str, texts: pd.DataFrame) -> list[str]:
    """Failures found at looks: somewhere between the last good look and the one that found it."""
    ended = [word for word in texts[event].unique() if _CENSORED.match(word)] if event else []
    left = [word for word in texts[event].unique() if word.casefold() == "left"] if event else []
    failed = f"~{_isin(event, ended)}" if ended else "True"
    lines = [
        f'lives = pandas.DataFrame({{"age": table[{quoted(lower["upper"])}], "failed": {failed}}})',
        f'lives["age_lower"] = table[{quoted(lower["lower"])}].astype(float)',
    ]
    if left:
        lines.append(f'lives.loc[{_isin(event, left)}, "age_lower"] = 0.0')
    if "count" in lower:
        lines.append(f'lives["count"] = table[{quoted(lower["count"])}]')
    return [*lines, "print(relkit.weibull_fits(lives))"]

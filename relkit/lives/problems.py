"""The problems that repair logs have: what is looked for, what is done, and how to switch it.

Layer: lives. A list for people and for tests; the rules themselves stand where they work.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

__all__ = ["PROBLEMS", "Problem", "problems_frame", "settings_without"]


@dataclass(frozen=True, slots=True)
class Problem:
    """One problem of a repair log."""

    name: str  #: short and plain; the tests are named by it
    what: str  #: what it is
    detected: str  #: by what it is found
    treatment: str  #: what is done unless the study says otherwise
    setting: str  #: key of the study by which it is switched or declared
    #: settings of a study under which the rule does not apply
    other: Mapping[str, Any] = field(default_factory=dict)
    rules: tuple[str, ...] = ()  #: names under which findings, rows set aside or changes stand


def _problems(**choice: Any) -> dict[str, Any]:
    return {"treatments": {"problems": choice}}


def _treatments(**choice: Any) -> dict[str, Any]:
    return {"treatments": choice}


def _outcome(finding: str, outcome: str) -> dict[str, Any]:
    return {"treatments": {"findings": {finding: outcome}}}


PROBLEMS: tuple[Problem, ...] = (
    Problem(
        "same job entered twice", "one piece of work stands in two rows",
        "same position within days, and serial numbers, notes or amounts that agree",
        "merged; the earliest row stays", "treatments.duplicate_days",
        _treatments(duplicate_days=0.0), ("duplicate", "possible duplicates"),
    ),
    Problem(
        "job split over rows", "part, labour and invoice of one job are rows of their own",
        "same job number, position and time", "one event at the earliest opening",
        "treatments.problems.split_jobs", _problems(split_jobs="keep apart"), ("split jobs",),
    ),
    Problem(
        "repeat visit", "the same item replaced as failed again within days",
        "same position within repeat_days", "each counts; pointed out as not fixed the first time",
        "treatments.problems.repeat_visits", _problems(repeat_visits="recurrence"),
        ("not fixed the first time",),
    ),
    Problem(
        "closing date", "a job has the date on which it was closed", "a column closed is given",
        "the opening date is the date of the event", "treatments.problems.event_date",
        _problems(event_date="closed"), ("opening and closing dates", "closed before opened"),
    ),
    Problem(
        "meter exchanged", "a meter falls or jumps and the next readings confirm it",
        "a step that no use explains", "chained at the vehicle's mean rate",
        "treatments.problems.meter_exchanges", _problems(meter_exchanges="vehicle unusable"),
        ("meter exchanged",),
    ),
    Problem(
        "meter typing error", "one reading contradicts those before and after it",
        "more use than a day allows, or less than none", "removed and interpolated",
        "treatments.problems.meter_errors", _problems(meter_errors="keep"),
        ("meter typing error",),
    ),
    Problem(
        "meter stood still", "one value copied while the vehicle worked",
        "flat for frozen_days, then a step that catches up, or another counter ran",
        "removed and interpolated", "treatments.problems.frozen_meters",
        _problems(frozen_meters="keep"), ("meter stood still",),
    ),
    Problem(
        "kilometres as hours", "a reading of one counter in the column of another",
        "it contradicts its own counter and agrees with another of the vehicle",
        "not used for the wrong counter", "treatments.problems.other_counter",
        _problems(other_counter="as typing error"), ("reading of another counter",),
    ),
    Problem(
        "miles among kilometres", "readings fall by the ratio of kilometre and mile",
        "a step by 0.621 in a counter of km", "made kilometres",
        "treatments.problems.other_unit", _problems(other_unit="keep"),
        ("miles among kilometres",),
    ),
    Problem(
        "no meter at job", "a job gives no reading", "blank",
        "read from the vehicle's other readings; counted as estimated beyond estimated_days",
        "treatments.problems.estimated_days", _problems(estimated_days=3650.0),
        ("age estimated",),
    ),
    Problem(
        "unknown date fitted", "the register does not know since when an item is fitted",
        "blank, a default date, or one date for a whole depot", "the first spell is dropped",
        "treatments.problems.unknown_start", _problems(unknown_start="start of the log"),
        ("unknown start", "default date", "common date"),
    ),
    Problem(
        "default date fitted", "a date such as 1900-01-01 stands for not known", "its value",
        "taken as not known", "treatments.default_dates", _treatments(default_dates=[]),
        ("default date",),
    ),
    Problem(
        "date of a whole depot", "many items of one depot or fleet have one date fitted",
        "its share", "taken as not known", "treatments.common_date_share",
        _treatments(common_date_share=1.0), ("common date",),
    ),
    Problem(
        "fitted before the log", "items were in use before the log began",
        "fitted before the window", "they enter at the age they had",
        "treatments.problems.late_entry", _problems(late_entry="ignore"), ("late entry",),
    ),
    Problem(
        "data migration", "a pile of rows on the log's first day", "several times any other day",
        "set aside; the log begins after it", "treatments.problems.migrated_rows",
        _problems(migrated_rows="keep"), ("data migration",),
    ),
    Problem(
        "date of the import", "items are dated when the log was set up",
        "a date near the start of the window, on vehicles with older items", "taken as not known",
        "treatments.problems.import_dates", _problems(import_dates="keep"), ("import date",),
    ),
    Problem(
        "coverage by depot", "the log covers some vehicles for a part of the time only",
        "stated, or months without a row of a depot", "those vehicles leave observation",
        "window.parts", _problems(silent_gaps="ignore"), ("silent time of the log",),
    ),
    Problem(
        "gap in the log", "months in which nothing was written",
        "no row where other years have many", "items leave observation and come back later",
        "treatments.problems.silent_gaps", _problems(silent_gaps="ignore"),
        ("silent time of the log", "gap in the log"),
    ),
    Problem(
        "vehicle sold or scrapped", "a vehicle leaves, its date stated or not",
        "vehicle_left_on, or regular rows that end silent_days before the end",
        "observation ends then", "treatments.problems.silent_vehicles",
        _problems(silent_vehicles="ignore"), ("vehicle fell silent",),
    ),
    Problem(
        "vehicle off the road", "a vehicle stands for months", "a meter flat for off_road_days",
        "left out of calendar ages", "treatments.problems.off_road", _problems(off_road="count"),
        ("off the road",),
    ),
    Problem(
        "scrapped while dark", "a vehicle left with an item that had failed",
        "a fault reported within dark_days before, never mended", "failed at the report",
        "treatments.problems.dark_at_disposal", _problems(dark_at_disposal="as written"),
        ("dark at disposal",),
    ),
    Problem(
        "position renamed", "a word meant another place before or after a date", "stated",
        "read by its date", "words.renamed",
        {"words": {"renamed": [{"column": "location", "old": "rear", "new": "front"}]}},
        ("renamed",),
    ),
    Problem(
        "left, right and kerb", "sides named by the driver's seat or by left and right",
        "words that name a side", "near side is the kerb side; left and right by the traffic",
        "treatments.problems.side_words", _problems(side_words="right-hand traffic"),
        ("side words", "side not clear"),
    ),
    Problem(
        "free text only", "finding and action are blank and the note tells", "blank words",
        "left as they are; read by the lexicon where the study asks for it",
        "treatments.read_notes", _treatments(read_notes=True), ("read from the note",),
    ),
    Problem(
        "item moved between vehicles", "an item went from one position to another",
        "its serial number", "the life follows the number and enters late",
        "treatments.problems.transfers", _problems(transfers="new at each place"),
        ("item moved", "taken without a row"),
    ),
    Problem(
        "swapped to test", "items exchanged to see whether the fault follows", "the note",
        "followed: the item failed; stayed: it was good", "treatments.problems.test_swaps",
        _problems(test_swaps="as written"), ("test swap",),
    ),
    Problem(
        "two parts on one job", "several items replaced, none named as the cause",
        "one job, several components", "one failure shared by the candidates",
        "treatments.masked", _treatments(masked="all failed"),
        ("several replaced, cause unknown", "replaced beside a failed item"),
    ),
    Problem(
        "guess chain", "one part replaced on a symptom, another part of the view cured it",
        "another component of the view within chain_days", "the last one failed",
        "treatments.problems.guess_chains", _problems(guess_chains="as written"), ("guess chain",),
    ),
    Problem(
        "no fault found", "a report without a fault",
        "finding, no new item; a failure within undiagnosed_days",
        "ends no life; shortly before a failure it is no evidence of a good item",
        "treatments.problems.undiagnosed", _problems(undiagnosed="as written"),
        ("undiagnosed", "no fault found"),
    ),
    Problem(
        "reconnected or dried", "a plug pushed home or dried out", "finding, no new item",
        "ends no life: the connection is outside the items", "treatments.findings",
        _outcome("loose connection", "failure"), (),
    ),
    Problem(
        "cleaned", "a lens wiped", "finding, no new item", "ends no life", "treatments.findings",
        _outcome("dirty", "failure"), (),
    ),
    Problem(
        "view not fitted", "a report of a view that the vehicle never had",
        "finding, or a position that the register does not have", "set aside",
        "treatments.findings", _outcome("not fitted", "no failure"),
        ("not fitted", "position not fitted"),
    ),
    Problem(
        "planned replacement", "an item taken out while good", "finding", "ends the life unfailed",
        "treatments.findings", _outcome("planned", "failure"), (),
    ),
    Problem(
        "campaign", "many unfailed items replaced by a new design", "finding and action",
        "end unfailed; the new design is a type of its own", "treatments.findings",
        _outcome("campaign", "failure"), (),
    ),
    Problem(
        "supplier's verdict", "a returned item was tested later", "column verdict",
        "confirmed: failed; good: unfailed; waiting: a candidate", "treatments.problems.verdicts",
        _problems(verdicts="ignore"), ("supplier's verdict", "waiting for the supplier"),
    ),
    Problem(
        "repaired and put back", "an item that had failed comes back", "its serial number",
        "of the type repaired, apart from new items", "treatments.problems.returned_items",
        _problems(returned_items="as new"), ("repaired and put back",),
    ),
    Problem(
        "impact and vandalism", "damage from outside", "finding",
        "ends the life unfailed, as damage", "treatments.findings",
        _outcome("external damage", "failure"), ("damage from outside",),
    ),
    Problem(
        "damaged at work", "damage by technician or wash lance", "finding",
        "ends the life unfailed, as damage", "treatments.findings",
        _outcome("damaged at work", "failure"), ("damage from outside",),
    ),
    Problem(
        "shorted cable", "one cable takes other views down", "other views tested, cable replaced",
        "the cable failed, the cameras go on", "treatments.blank_action",
        _treatments(blank_action="continues"), (),
    ),
    Problem(
        "power feed", "fuse, battery or supply", "finding", "set aside: no item of the study",
        "treatments.findings", _outcome("power feed", "failure"), ("outside boundary",),
    ),
    Problem(
        "found at a check", "a failure found by a service or test", "finding",
        "failed since the last good check", "treatments.findings",
        _outcome("found failed at check", "failure"), ("no pass record",),
    ),
    Problem(
        "hidden failure", "a function that nobody notices to be dark", "functions.evident = false",
        "failed at the report, unless found at a check", "treatments.problems.hidden_failures",
        _problems(hidden_failures="interval"), ("hidden failure",),
    ),
    Problem(
        "deferred job", "reported in one month, done in another",
        "closed more than deferred_days after it opened",
        "failed at the report; the new item begins when it was done",
        "treatments.problems.event_date", _problems(event_date="closed"), ("deferred jobs",),
    ),
    Problem(
        "useless serial numbers", "numbers that say not known, or are at two places at once",
        "no_serials, one repeated digit, overlapping stays", "not followed",
        "treatments.problems.no_serials", _problems(no_serials=[]),
        ("serial says nothing", "serial at two places"),
    ),
    Problem(
        "batch", "items of one delivery fail alike", "the beginning of the serial number",
        "shown; a type of its own where the study names it", "treatments.problems.batches",
        _problems(batches=["M3"]), ("batch",),
    ),
    Problem(
        "unknown word", "a finding or action that the study does not know", "not among its words",
        "set aside with the nearest known word", "words",
        {"words": {"finding": {"failed": ["gone"]}}}, ("unknown finding", "unknown action"),
    ),
    Problem(
        "date order", "day and month in either order", "counted over the whole source",
        "refused where another order fits better", "files.log.date_format",
        {"files": {"log": [{"path": "log.csv", "date_format": "month first"}]}},
        ("mixed date orders",),
    ),
    Problem(
        "forms of dates", "two-digit years, serial day numbers, text dates, 0/1/00",
        "their form, by the declared order", "read by the order, or set aside",
        "files.log.date_format",
        {"files": {"log": [{"path": "log.csv", "date_format": "%d.%m.%Y"}]}},
        ("dates: two-digit year", "dates: spreadsheet serial number", "unusable date"),
    ),
    Problem(
        "time zones", "times of several zones", "an offset in the text, or declared",
        "brought to the study's zone, where it declares one", "time_zone",
        {"time_zone": "Europe/Dublin"}, ("time zone", "dates: time zone"),
    ),
    Problem(
        "decimal comma", "1.250 h or 1,250 h", "counted over the whole source",
        "refused where other signs fit", "files.log.decimal",
        {"files": {"log": [{"path": "log.csv", "decimal": ","}]}}, ("thousands or decimals",),
    ),
    Problem(
        "merged cells", "a value stands in the first of several rows", "declared columns only",
        "filled from above", "files.log.fill_down",
        {"files": {"log": [{"path": "log.csv", "fill_down": ["vehicle"]}]}}, ("filled down",),
    ),
    Problem(
        "totals and footers", "sums and page ends stand among the rows", "their words, no date",
        "set aside", "files.log.fixed",
        {"files": {"log": [{"path": "log.csv", "fixed": {"finding": "failed"}}]}}, ("not a job",),
    ),
    Problem(
        "odd characters", "no-break spaces, dashes and codes of another time",
        "keys that differ only by look", "one word", "files.log.encoding",
        {"files": {"log": [{"path": "log.csv", "encoding": "cp1252"}]}},
        ("spellings",),
    ),
    Problem(
        "spellings of vehicles", "GR-07, GR7 and gr 07", "signs, case and leading zeros",
        "one vehicle, as the register writes it", "words.vehicle",
        {"words": {"vehicle": {"GR-07": ["the old one"]}}},
        ("vehicle spellings", "unknown vehicle"),
    ),
    Problem(
        "impossible lives", "a failure before the fitting or after the vehicle left",
        "order of the dates", "set aside; a failure on arrival has a count of its own",
        "treatments.zero_life_days", _treatments(zero_life_days=5.0),
        ("before the item was fitted", "after the vehicle left", "dead on arrival"),
    ),
    Problem(
        "several items in one row", "quantity above one", "column quantity",
        "one row for each position where the register explains it",
        "treatments.problems.quantities", _problems(quantities="one"), ("quantity",),
    ),
    Problem(
        "only failed vehicles", "the register holds only what failed",
        "every unit has a failure, which a full register would hardly show", "refused",
        "treatments.problems.only_failed", _problems(only_failed="warn"),
        ("only failed vehicles", "only failed positions"),
    ),
    Problem(
        "export cut early", "the last month is incomplete", "few rows, or none at its end",
        "observation ends with the last complete month", "treatments.problems.last_month",
        _problems(last_month="to the last row"), ("observation window", "after the window"),
    ),
    Problem(
        "names of persons", "columns of drivers and technicians", "their headers", "not read",
        "treatments.problems.not_persons", _problems(not_persons=["Operator"]),
        ("names of persons",),
    ),
)  # fmt: skip


def settings_without(name: str) -> Mapping[str, Any]:
    """Return settings of a study under which the rule of one problem does not apply.

    Raises
    ------
    KeyError
        No problem has that name.
    """
    return {one.name: one.other for one in PROBLEMS}[name]


def problems_frame() -> pd.DataFrame:
    """Return the problems as a table: name, what, detected, treatment, setting.

    Examples
    --------
    >>> problems_frame().columns.tolist()
    ['name', 'what', 'detected', 'treatment', 'setting']
    """
    names = ["name", "what", "detected", "treatment", "setting"]
    return pd.DataFrame([{name: getattr(one, name) for name in names} for one in PROBLEMS])

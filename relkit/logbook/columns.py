"""Which column of a file is which of ours: the study's column map, checked against the header.

Layer: logbook. A column that is not there is refused by file, name and nearest name.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from rapidfuzz import fuzz, process

from relkit.errors import InputError, StudyError
from relkit.logbook.persons import holds_persons, is_plain_name
from relkit.logbook.text_table import TextTable, tidy_name
from relkit.study.settings import Source, Study

__all__ = ["COUNTER", "OUR_COLUMNS", "ColumnMap", "check_source", "map_columns", "wanted_names"]

#: Our columns of each kind of table; those that each row must have come first.
OUR_COLUMNS = {
    "log": (
        *("date", "vehicle", "job", "component", "location", "finding", "action", "reading"),
        *("serial_out", "serial_in", "downtime_hours", "labour_hours", "cost", "note"),
        *("closed", "quantity", "verdict"),
    ),
    "register": (
        *("vehicle", "component", "location", "fitted_on", "serial", "type", "removed_on"),
        "vehicle_left_on",
    ),
    "readings": ("date", "vehicle", "counter", "reading"),
    "inspections": ("date", "vehicle", "location", "component", "result"),
}

#: Columns without which a row of the kind says nothing.
REQUIRED = {
    "log": ("date", "vehicle"),
    "register": ("vehicle",),
    "readings": ("date", "vehicle"),
    "inspections": ("date", "vehicle"),
}

#: What else can give a column that is asked for.
_OTHERWISE = {
    "component": " or list what each vehicle carries under carries",
    "reading": " or name the counters under counters",
}

#: What stands before a counter's name among our columns.
COUNTER = "counter:"


@dataclass(frozen=True, slots=True, eq=False)
class ColumnMap:
    """Where our columns stand in one file."""

    places: Mapping[str, int]  #: our name -> place of the column
    called: Mapping[str, str]  #: our name -> what the file calls it
    by_own_name: tuple[str, ...]  #: taken because the file calls them as we do
    ignored: tuple[str, ...]  #: columns of the file that are not read
    dropped: tuple[str, ...]  #: columns that are not read because they hold names of persons


def wanted_names(kind: str, source: Source) -> tuple[str, ...]:
    """Names that the source's files should have in their headers."""
    named = [*source.columns.values(), *source.covariates.values(), *source.counters.values()]
    return tuple(name for name in named if name) or OUR_COLUMNS[kind]


def check_source(kind: str, source: Source, study: Study) -> None:
    """Refuse column names of ours that do not exist, or that are given twice.

    Raises
    ------
    StudyError
        Naming the key and the nearest known one.
    """
    known = OUR_COLUMNS[kind]
    path = str(study.path)
    for part, names in (
        ("columns", tuple(source.columns)),
        ("fixed", tuple(source.fixed)),
        ("fill_down", source.fill_down),
    ):
        for name in names:
            if name not in known:
                near = _nearest(name, known)
                mend = f'The nearest is "{near}"; known are: {", ".join(known)}'
                problem = f'{part} of "{source.label}" names "{name}", which the {kind} has not'
                raise StudyError(problem, path=path, mend=mend)
    for name in source.fixed:
        if source.columns.get(name):
            problem = f'"{name}" of "{source.label}" has a column and a fixed value'
            raise StudyError(problem, path=path, mend="Remove one of the two")
    for part, holders, mend in (
        ("covariates", ("register",), "They are of items: give them to the register"),
        ("carries", ("register",), "Give it to the register"),
        ("counters", ("log", "readings"), "Give them to the log or the readings"),
    ):
        if getattr(source, part) and kind not in holders:
            problem = f'{part} of "{source.label}" says nothing about the {kind}'
            raise StudyError(problem, path=path, mend=mend)
    for name in source.covariates:
        if name in known or name in ("source", "event") or name.startswith(COUNTER):
            problem = f'covariate "{name}" of "{source.label}" has the name of a column of ours'
            raise StudyError(problem, path=path, mend="Give the covariate another name")


def map_columns(kind: str, table: TextTable, source: Source, study: Study) -> ColumnMap:
    """Places of our columns in a file, by the study's column map.

    Names match whatever their case, blanks and line breaks. A column that the file calls as we
    do needs no entry; ``name = ""`` in the map leaves it out.

    Raises
    ------
    InputError
        A column of the map is not in the file or stands there twice, or the file gives no column
        for what each row must have: file, column and nearest name are named.
    StudyError
        The map asks for a column that holds names of persons.
    """
    places: dict[str, int] = {}
    for our, theirs in _asked(source).items():
        place = _place(our, theirs, table, source)
        _refuse_persons(our, table.names[place], source, study)
        places[our] = place
    own = []
    for our in OUR_COLUMNS[kind]:
        if our in source.columns or our in source.fixed:
            continue
        same = _place_by_own_name(our, table)
        if same is not None and same not in places.values():
            places[our] = same
            own.append(our)
    _require(kind, places, table, source)
    unread = [n for place, n in enumerate(table.names) if n and place not in places.values()]
    dropped = tuple(name for name in unread if _of_persons(name, study))
    return ColumnMap(
        places=places,
        called={our: table.names[place] for our, place in places.items()},
        by_own_name=tuple(own),
        ignored=tuple(name for name in unread if name not in dropped),
        dropped=dropped,
    )


def _asked(source: Source) -> dict[str, str]:
    counters = {COUNTER + name: theirs for name, theirs in source.counters.items()}
    named = {**source.columns, **source.covariates, **counters}
    return {our: theirs for our, theirs in named.items() if theirs}


def _key(name: str) -> str:
    return tidy_name(name).casefold()


def _place(our: str, theirs: str, table: TextTable, source: Source) -> int:
    """Place of a column by its exact name, its name, or the last header row alone."""
    exact = [place for place, name in enumerate(table.names) if name == tidy_name(theirs)]
    for found in (exact, _places(table.names, theirs), _places(table.last_names, theirs)):
        if len(found) == 1:
            return found[0]
        if found:
            numbers = " and ".join(str(place + 1) for place in found)
            raise InputError(
                f"the name stands twice in the header, in columns {numbers}",
                file=table.file,
                row=source.header_row,
                column=theirs,
                mend="Rename one of them, or join two header rows by header_rows = 2",
            )
    raise _missing(our, theirs, table, source)


def _place_by_own_name(our: str, table: TextTable) -> int | None:
    found = {*_places(table.names, our), *_places(table.names, our.replace("_", " "))}
    return found.pop() if len(found) == 1 else None


def _places(names: tuple[str, ...], theirs: str) -> list[int]:
    return [place for place, name in enumerate(names) if name and _key(name) == _key(theirs)]


def _missing(our: str, theirs: str, table: TextTable, source: Source) -> InputError:
    names = [name for name in table.names if name]
    elsewhere = _row_with(theirs, table)
    if elsewhere:
        mend = f"The name stands in row {elsewhere}: write header_row = {elsewhere}"
    elif len(names) == 1:
        mend = f'The whole header reads "{names[0][:60]}": give the delimiter of this source'
    else:
        mend = f'The nearest name is "{_nearest(theirs, names)}"; correct columns in the study'
    return InputError(
        f"there is no such column in the header (the study takes {our.replace(':', ' ')} from it)",
        file=table.file,
        row=source.header_row,
        column=theirs,
        mend=mend,
    )


def _row_with(name: str, table: TextTable) -> int:
    """Return the number of the first row that has a cell of this name, 0 if none has."""
    rows = enumerate(table.head, start=1)
    return next((n for n, row in rows if _key(name) in [_key(cell) for cell in row]), 0)


def _nearest(name: str, known: tuple[str, ...] | list[str]) -> str:
    found = process.extractOne(name, known, scorer=fuzz.WRatio, processor=_key)
    return str(found[0]) if found else ""


def _refuse_persons(our: str, theirs: str, source: Source, study: Study) -> None:
    naming_a_thing = our in ("vehicle", "component", "location") and is_plain_name(theirs)
    if _of_persons(theirs, study) and not naming_a_thing:
        raise StudyError(
            f'"{our}" of "{source.label}" is taken from column "{theirs}", which holds names of '
            "persons: relkit does not read those",
            path=str(study.path),
            mend="Remove it from the column map; if it holds none, name it under "
            "treatments.problems.not_persons",
        )


def _of_persons(name: str, study: Study) -> bool:
    """Whether a column holds names of persons, unless the study says that it does not."""
    free = {_key(one) for one in study.treatments.problems.not_persons}
    return holds_persons(name) and _key(name) not in free


def _require(kind: str, places: dict[str, int], table: TextTable, source: Source) -> None:
    names = [name for name in table.names if name]
    for our in REQUIRED[kind]:
        if our not in places and our not in source.fixed:
            raise _nothing_for(our, kind, names, table, source)
    if kind == "register" and not source.carries and "component" not in {*places, *source.fixed}:
        raise _nothing_for("component", kind, names, table, source)
    counted = any(our.startswith(COUNTER) for our in places)
    if kind == "readings" and not counted and "reading" not in places:
        raise _nothing_for("reading", kind, names, table, source)


def _nothing_for(
    our: str, kind: str, names: list[str], table: TextTable, source: Source
) -> InputError:
    elsewhere = _row_with(our, table)
    if elsewhere:
        mend = f"The name stands in row {elsewhere}: write header_row = {elsewhere}"
    else:
        shown = ", ".join(name for name in names if not holds_persons(name))[:200]
        mend = (
            f"Name its column under columns.{our}{_OTHERWISE.get(our, '')}; the file has: {shown}"
        )
    return InputError(
        f'the study names no column for "{our}", which each row of the {kind} needs',
        file=table.file,
        row=source.header_row,
        mend=mend,
    )

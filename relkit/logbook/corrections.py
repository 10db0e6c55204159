"""Rows that a person corrected: an edited copy of the table of rows set aside, fed back.

Layer: logbook. A correction replaces cells of a row that was read; the row keeps its id, and the
old cells are kept beside the new ones.
"""

from __future__ import annotations

import difflib
from collections.abc import Collection, Mapping
from dataclasses import dataclass

import pandas as pd

from relkit.errors import InputError
from relkit.logbook.changes import change_lines
from relkit.logbook.findings import Finding, finding
from relkit.logbook.sources import read_source
from relkit.logbook.text_table import TextTable, tidy_name
from relkit.logbook.words import word_key
from relkit.study.settings import Corrections, Source, Study

__all__ = [
    "Corrected",
    "Correction",
    "corrected_texts",
    "read_corrections",
    "refuse_other_files",
    "refuse_rows_not_there",
]

#: Columns of a corrections file; the other columns of the table of rows set aside say nothing.
_NEEDED, _OTHER = ("source", "corrected"), ("kind", "column", "original")

#: Columns by which a row is known again if its other cells are shown in another form.
_TELLING = ("job", "serial_out", "serial_in", "serial", "note")

_FORMULA_SIGNS = "=+-@\t\r\n\uff1d\uff0b\uff0d\uff20"


@dataclass(frozen=True, slots=True)
class Correction:
    """One line of a corrections file that states something."""

    source: str  #: row that it corrects, "FILE:ROW"
    kind: str  #: log, register, readings or inspections; blank: whichever has the row
    column: str  #: column at fault, as the table of rows set aside names it
    text: str  #: the corrected value, or "name=value | name=value"
    original: str  #: the row as it was when it was corrected
    file: str  #: the corrections file
    row: int  #: its row

    @property
    def of_file(self) -> str:
        """File of the row that is corrected."""
        return self.source.rpartition(":")[0]

    def error(self, problem: str, mend: str) -> InputError:
        """Return the error that names this line of the corrections file."""
        return InputError(f"{self.source}: {problem}", file=self.file, row=self.row, mend=mend)


@dataclass(frozen=True, slots=True, eq=False)
class Corrected:
    """What corrections did to the rows of one source."""

    changes: pd.DataFrame  #: lines of the change list and ``ours``; the index is the row's place
    whole: pd.Index[int]  #: places of the rows that were corrected
    findings: tuple[Finding, ...] = ()


def read_corrections(study: Study) -> tuple[Correction, ...]:
    """Return the corrections that a study names; lines whose ``corrected`` is blank say nothing.

    Raises
    ------
    InputError
        A file cannot be used, lacks a column, or corrects one row twice.
    """
    found: list[Correction] = []
    for part in study.files.corrections:
        for table in read_source(_as_source(part), study, wanted=(*_NEEDED, *_OTHER)):
            found.extend(_corrections(table))
    seen: dict[tuple[str, str], Correction] = {}
    for one in found:
        before = seen.setdefault((one.source, one.kind), one)
        if before is not one:
            mend = f"Keep one of the two: the other is in {before.file}, row {before.row}"
            raise one.error("the row is corrected twice", mend)
    return tuple(found)


def _as_source(part: Corrections) -> Source:
    return Source(
        path=part.path, sheet=part.sheet, delimiter=part.delimiter, encoding=part.encoding
    )


def _corrections(table: TextTable) -> list[Correction]:
    places = {tidy_name(name).casefold(): place for place, name in enumerate(table.names)}
    for name in _NEEDED:
        if name not in places:
            mend = "Copy the table of rows set aside, and write into its column corrected"
            raise InputError("there is no such column", file=table.file, column=name, mend=mend)
    for broken in table.broken:
        raise InputError(
            f"{broken.reason}: {broken.value}", file=table.file, row=broken.row, mend=broken.mend
        )
    columns = {
        name: table.cells.column(places[name]).to_pylist() if name in places else None
        for name in (*_NEEDED, *_OTHER)
    }
    found = []
    for number, row in enumerate(table.rows.tolist()):
        cells = {
            name: _unguarded(column[number]) if column is not None else ""
            for name, column in columns.items()
        }
        if not cells["corrected"]:
            continue
        found.append(
            Correction(
                source=cells["source"],
                kind=cells["kind"].lower(),
                column=cells["column"],
                text=cells["corrected"],
                original=cells["original"],
                file=table.file,
                row=row,
            )
        )
    return found


def _unguarded(cell: str) -> str:
    """Cell without the apostrophe that keeps a spreadsheet from taking it for a formula."""
    cell = " ".join(cell.split())
    return cell[1:] if cell[:1] == "'" and cell[1:2] and cell[1] in _FORMULA_SIGNS else cell


def corrected_texts(
    kind: str,
    texts: pd.DataFrame,
    called: Mapping[str, Mapping[str, str]],
    corrections: Collection[Correction],
) -> Corrected:
    """Put the corrections of one source into its texts, in place.

    Parameters
    ----------
    kind : str
        log, register, readings or inspections.
    texts : DataFrame
        All rows of the source as text, with ``source``; changed in place.
    called : Mapping
        File -> our name -> what the file calls the column.
    corrections : collection of Correction
        Of the whole study.

    Raises
    ------
    InputError
        A correction names a column that the file has not, or was made for another row than the
        one that now stands there.
    """
    ours = {one.source: one for one in corrections if one.of_file in called and _fits(one, kind)}
    chosen = texts.index[texts["source"].isin(ours.keys()).to_numpy()] if ours else texts.index[:0]
    places: list[int] = []
    lines: list[tuple[str, str, str, str, str]] = []
    for place in chosen:
        one = ours[str(texts.loc[place, "source"])]
        row = {str(name): str(texts.loc[place, name]) for name in texts.columns}
        _refuse_another_row(one, row)
        names = called[one.of_file]
        for name, value in _values(one, [*row], names).items():
            if row[name] != value:
                texts.loc[place, name] = value
                places.append(place)
                lines.append((one.source, names.get(name, name), row[name], value, name))
    sources, columns, old, new, own = zip(*lines, strict=True) if lines else ((),) * 5
    changes = change_lines("corrected by a person", sources, columns, old, new)
    changes = changes.set_axis(pd.Index(places, dtype="int64")).assign(ours=list(own))
    return Corrected(changes, pd.Index(chosen), _findings(ours, texts.loc[chosen, "source"]))


def _fits(one: Correction, kind: str) -> bool:
    return one.kind in ("", kind)


def _findings(ours: Mapping[str, Correction], rows: pd.Series[str]) -> tuple[Finding, ...]:
    files: dict[str, list[str]] = {}
    for source in rows:
        files.setdefault(ours[source].file, []).append(source)
    return tuple(
        finding(
            "corrected by a person",
            f"Rows are corrected by {file}",
            sources=sources,
            done="Read as corrected; old and new cells are in the change list",
        )
        for file, sources in files.items()
    )


def _values(one: Correction, columns: list[str], names: Mapping[str, str]) -> dict[str, str]:
    """Our columns that a correction states, with their new texts."""
    known: dict[str, str] = {}
    for name in columns:
        if name != "source":
            plain = name.removeprefix("counter:")
            known[word_key(plain)] = known[word_key(names.get(name, plain))] = name
    values: dict[str, str] = {}
    last = ""
    for piece in one.text.split(" | "):
        name, equals, value = piece.partition("=")
        ours = known.get(word_key(name)) if equals else None
        if ours is not None:
            last = ours
            values[ours] = value.strip()
        elif last:
            values[last] += f" | {piece}"  # the value holds the sign itself
        else:
            break
    if values:
        return values
    ours = known.get(word_key(one.column)) if one.column else None
    if ours is None:
        shown = ", ".join(name.removeprefix("counter:") for name in columns if name != "source")
        mend = f'Write corrected as "name=value | name=value"; names are: {shown}'
        raise one.error(f'"{one.column}" is no column of the row', mend)
    return {ours: one.text}


def _refuse_another_row(one: Correction, row: Mapping[str, str]) -> None:
    """Refuse a correction made for a row that has other cells than the one that stands there."""
    if not one.original:
        return
    stated = dict(
        piece.split("=", 1) for piece in one.original.split(" | ") if "=" in piece.split(" ")[0]
    )
    here = {name.removeprefix("counter:"): text for name, text in row.items()}
    pairs = {name: word_key(text) == word_key(here.get(name, "")) for name, text in stated.items()}
    if all(pairs.values()):
        return
    telling = [equal for name, equal in pairs.items() if name in _TELLING and here.get(name)]
    if any(pairs.values()) and all(telling):
        return  # the same row, dates or words shown in another form
    now = " | ".join(f"{name}={text}" for name, text in here.items() if text and name != "source")
    raise one.error(
        f"the row is another one now: {now[:200]}",
        "Look for the row in the table of rows set aside of today, and correct its source",
    )


def refuse_rows_not_there(
    kind: str, corrections: Collection[Correction], rows: Mapping[str, pd.Series[str]]
) -> None:
    """Refuse corrections of rows that the files of a kind have not.

    Parameters
    ----------
    kind : str
        log, register, readings or inspections.
    corrections : collection of Correction
        Of the whole study.
    rows : Mapping
        File -> row ids that it has.

    Raises
    ------
    InputError
        Naming the line of the corrections file.
    """
    for one in corrections:
        if _fits(one, kind) and one.of_file in rows and not rows[one.of_file].eq(one.source).any():
            mend = f"{one.of_file} has {len(rows[one.of_file]):,} rows; correct the row's id"
            raise one.error("there is no such row", mend)


def refuse_other_files(corrections: Collection[Correction], files: pd.DataFrame) -> None:
    """Refuse corrections of files that the study does not read.

    Raises
    ------
    InputError
        Naming the line of the corrections file, and the nearest file.
    """
    read = set(zip(files["file"], files["kind"], strict=True))
    names = sorted({name for name, _ in read})
    for one in corrections:
        if not any(name == one.of_file and _fits(one, kind) for name, kind in read):
            near = difflib.get_close_matches(one.of_file, names, n=1, cutoff=0.0)
            mend = f'A row id is FILE:ROW; the nearest file is "{near[0]}"' if near else ""
            what = f"{one.kind} file" if one.kind else "file"
            raise one.error(f"the study reads no such {what}", mend)

"""From a source of the study to the text tables of its files.

Layer: logbook. A new kind of source is one more reader here that returns text tables; nothing
after this file knows where rows came from.
"""

from __future__ import annotations

import difflib
import os
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from relkit.errors import InputError, StudyError
from relkit.logbook.databases import read_database
from relkit.logbook.json_lines import ENDINGS as JSON_ENDINGS
from relkit.logbook.json_lines import read_json_lines
from relkit.logbook.packed_files import form_of
from relkit.logbook.parquet_files import read_parquet_file
from relkit.logbook.text_files import read_text_file
from relkit.logbook.text_table import TextTable
from relkit.logbook.workbooks import ENDINGS, read_workbook
from relkit.study.settings import Files, Source, Study

__all__ = ["file_labels", "read_source", "source_paths"]

_GLOB = re.compile(r"[*?\[]")
_TAB = {"tab": "\t", "\\t": "\t"}


def read_source(
    source: Source,
    study: Study,
    *,
    wanted: tuple[str, ...],
    progress: Callable[[str], None] | None = None,
) -> tuple[TextTable, ...]:
    """Text tables of the files of one source, in the order of their names.

    Parameters
    ----------
    source : Source
        Path or glob, and the form of the files.
    study : Study
        For the folder that paths are relative to.
    wanted : tuple of str
        Column names that the study asks for.
    progress : callable, optional
        Called with a sentence before each file.

    Raises
    ------
    InputError
        A file is missing or cannot be used.
    StudyError
        The source's settings cannot be used.
    """
    if source.url:
        if progress is not None:
            progress(f"reading {source.label}")
        return (read_database(_one_place(source, study), study),)
    source = replace(_one_place(source, study), delimiter=_one_character(source.delimiter, study))
    labels = file_labels(study.files)
    tables = []
    for path in source_paths(source, study):
        label = _relative(path, study) + labels.get((source.path, source.sheet or ""), "")
        if progress is not None:
            progress(f"reading {label}")
        tables.append(_read_file(path, label, source, wanted, study))
    return tuple(tables)


def _read_file(
    path: Path, label: str, source: Source, wanted: tuple[str, ...], study: Study
) -> TextTable:
    ending = form_of(path)
    packed = path.suffix.lower() == ".gz" and ending in (*ENDINGS, ".parquet")
    if packed:
        raise InputError("the file is packed", file=label, mend="Unpack it first")
    try:
        if ending in ENDINGS:
            return read_workbook(path, file=label, source=source)
        if ending == ".parquet":
            return read_parquet_file(path, file=label, source=source)
        by_lines = read_json_lines if ending in JSON_ENDINGS else read_text_file
        return by_lines(path, file=label, source=source, wanted=wanted, study_path=str(study.path))
    except PermissionError:
        mend = "Ask for the right to read it, or copy it beside the study file"
        raise InputError("the file may not be read", file=label, mend=mend) from None


def _one_place(source: Source, study: Study) -> Source:
    """Return the source, if it names a file or a database, not both, and no settings of the other.

    Raises
    ------
    StudyError
        Naming the setting.
    """
    if bool(source.url) == bool(source.path):
        problem = f'source "{source.label}" names both path and url'
        if not source.path:
            problem = "a source names neither a path nor the url of a database"
        raise StudyError(problem, path=str(study.path), mend='Write path = "FILE", or url = "..."')
    of_databases = ("table", "query", "name")
    of_files = ("sheet", "delimiter", "encoding", "export_order")
    for setting in of_files if source.url else of_databases:
        if getattr(source, setting):
            kind = "database" if source.url else "file"
            problem = f'"{setting}" of "{source.label}" says nothing about a {kind}'
            raise StudyError(problem, path=str(study.path), mend="Remove it")
    return source


def _one_character(delimiter: str | None, study: Study) -> str | None:
    if delimiter is None or len(delimiter) == 1:
        return delimiter
    if delimiter.lower() in _TAB:
        return _TAB[delimiter.lower()]
    raise StudyError(
        f'delimiter "{delimiter}" is not one character',
        path=str(study.path),
        mend='Write one character, such as ";", or "tab", or leave it out to have it found out',
    )


def source_paths(source: Source, study: Study) -> tuple[Path, ...]:
    """Files that a source names, a glob's in the order of their names.

    Raises
    ------
    InputError
        There is none, or the path is a folder: the nearest file name is given.
    """
    whole = study.folder / source.path
    if not _GLOB.search(source.path) or whole.exists():
        paths = [whole] if whole.is_file() else []
    else:
        anchor = Path(whole.anchor)
        pattern = str(whole.relative_to(anchor)) if whole.is_absolute() else str(whole)
        base = anchor if whole.is_absolute() else Path()
        # editors and office programs leave lock files (~$name) beside open ones
        found = (path for path in base.glob(pattern) if path.is_file())
        paths = sorted(path for path in found if not path.name.startswith(("~$", ".")))
        _refuse_links_away(paths, source, study)
    if paths:
        return tuple(paths)
    problem = "is a folder, not a file" if whole.is_dir() else "there is no such file"
    raise InputError(problem, file=source.path, mend=_nearest_file(whole, study))


def _refuse_links_away(paths: list[Path], source: Source, study: Study) -> None:
    """Refuse links that a glob finds and that lead out of the folder which the glob names.

    Raises
    ------
    InputError
        Naming the link: a file elsewhere is read only if the study names it itself.
    """
    fixed = _GLOB.split(source.path, maxsplit=1)[0]
    within = (study.folder / fixed.rpartition("/")[0]).resolve()
    for path in paths:
        if not path.resolve().is_relative_to(within):
            mend = "Name it in the study by its own path, or take the link away"
            problem = f'"{source.path}" finds a link that leads to another folder'
            raise InputError(problem, file=_relative(path, study), mend=mend)


def _nearest_file(whole: Path, study: Study) -> str:
    folder = whole.parent
    if not folder.is_dir():
        return f"There is no folder {Path(_relative(folder, study)).as_posix()} either"
    names = sorted(path.name for path in folder.iterdir() if path.is_file())
    near = difflib.get_close_matches(whole.name, names, n=1, cutoff=0.0)
    if not near:
        return "The folder is empty; paths are relative to the study file"
    return f'The nearest name there is "{near[0]}"; paths are relative to the study file'


def _relative(path: Path, study: Study) -> str:
    try:
        return Path(os.path.relpath(path, study.folder)).as_posix()
    except ValueError:  # another drive
        return path.as_posix()


def file_labels(files: Files) -> dict[tuple[str, str], str]:
    """Return what follows the file name in row ids, for each path and sheet of the study.

    Nothing, or the sheet in brackets where the study reads several sheets of one workbook; so a
    row id stands for one row only.
    """
    sheets: dict[str, set[str]] = {}
    for kind in (files.log, files.register, files.readings, files.inspections):
        for source in kind:
            sheets.setdefault(source.path, set()).add(source.sheet or "")
    return {
        (path, sheet): f"[{sheet or 'first sheet'}]" if len(names) > 1 else ""
        for path, names in sheets.items()
        for sheet in names
    }

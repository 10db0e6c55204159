"""A study with a scenario's keys put over its own: the same models, the same refusals.

Layer: whatif. Entries of a list are put over the entry of the same name, component and location.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import MISSING, fields, is_dataclass
from typing import Any

from relkit.errors import StudyError
from relkit.study.read import study_from_mapping
from relkit.study.settings import Study

__all__ = ["REFITTED_KEYS", "changed_study"]

#: Keys that change the lives or the fits; the others change decisions only.
REFITTED_KEYS = frozenset({"clock", "by", "window", "treatments", "location_groups", "usage"})
#: Keys that change what is read from the files.
_READ_KEYS = frozenset({"files", "words", "time_zone", "name"})
#: Fields by which an entry of a list is known.
_IDENTITY = ("name", "component", "location")


def changed_study(study: Study, over: Mapping[str, Any]) -> Study:
    """Return the study with other values for some of its keys.

    Parameters
    ----------
    study : Study
        Today's.
    over : mapping
        Keys of a study file, nested as there. An entry of a list of tables is put over the entry
        with the same name, component and location, and added where there is none; a list whose
        entries have none of these is put in the place of the old one.

    Raises
    ------
    StudyError
        A key is unknown (the nearest is named), a value is of the wrong kind, or a key changes
        which files are read, which takes a study of its own.
    """
    barred = sorted(_READ_KEYS & set(over))
    if barred:
        raise StudyError(
            f'a scenario cannot change "{barred[0]}"',
            path="scenario",
            mend="Write a second study file and plan it beside this one",
        )
    whole = {
        item.name: getattr(study, item.name)
        for item in fields(study)
        if item.name not in ("folder", "path")
    }
    given = {key: _over(_plain(whole.get(key)), value) for key, value in over.items()}
    return study_from_mapping({**whole, **given}, path=study.path)


def _over(old: Any, new: Any) -> Any:
    """Put new values over old ones, table by table."""
    if isinstance(new, Mapping) and isinstance(old, Mapping):
        return {**old, **{key: _over(old.get(key), value) for key, value in new.items()}}
    if _is_tables(new) and _is_tables(old) and any(set(_IDENTITY) & set(one) for one in new):
        return list(_entries(list(old), new))
    return new


def _is_tables(value: Any) -> bool:
    listed = isinstance(value, Sequence) and not isinstance(value, str)
    return listed and bool(value) and all(isinstance(item, Mapping) for item in value)


def _entries(old: list[Mapping[str, Any]], new: Sequence[Mapping[str, Any]]) -> Iterator[Any]:
    names = {_name(entry): place for place, entry in enumerate(old)}
    placed = {names[_name(entry)]: entry for entry in new if _name(entry) in names}
    for place, entry in enumerate(old):
        yield _over(entry, placed[place]) if place in placed else entry
    yield from (entry for entry in new if _name(entry) not in names)


def _name(entry: Mapping[str, Any]) -> tuple[str, ...]:
    return tuple(str(entry.get(key) or "") for key in _IDENTITY)


def _as_mapping(settings: Any) -> dict[str, Any]:
    """Fields of a settings dataclass that differ from their defaults, nested ones likewise."""
    kept = {}
    for item in fields(settings):
        value = getattr(settings, item.name)
        factory = item.default_factory
        default = item.default if factory is MISSING else factory()
        if value is not None and (default is MISSING or value != default):
            kept[item.name] = _plain(value)
    return kept


def _plain(value: Any) -> Any:
    if is_dataclass(value):
        return _as_mapping(value)
    if isinstance(value, Mapping):
        return {key: _plain(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(inner) for inner in value]
    return value

"""Reading a study file: TOML to frozen settings, unknown keys refused with the nearest name.

Layer: study. The one place that reads a study file.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any, get_args, get_type_hints

from pydantic import TypeAdapter, ValidationError

from relkit.errors import StudyError
from relkit.study.settings import Study

__all__ = ["read_study", "read_toml", "settings_problems", "study_from_mapping"]

_SET_BY_READER = ("folder", "path")


def read_study(path: str | Path) -> Study:
    """Study that a TOML file describes.

    Parameters
    ----------
    path : str or Path
        The study file; the paths in it are relative to its folder.

    Raises
    ------
    StudyError
        The file is missing or not TOML, a key is unknown (the nearest known key is named), or a
        value is of the wrong kind; all wrong keys are listed at once.
    """
    return study_from_mapping(read_toml(path, "study file"), path=path)


def read_toml(path: str | Path, what: str) -> dict[str, Any]:
    """Keys and values of a settings file; ``what`` it is stands in the message if it is missing.

    Raises
    ------
    StudyError
        The file is missing, not text or not TOML.
    """
    path = Path(path)
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise StudyError(f"there is no such {what}", path=str(path)) from None
    except (IsADirectoryError, PermissionError, UnicodeDecodeError) as error:
        raise StudyError(f"cannot be read as text: {error}", path=str(path)) from None
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        mend = "Compare the line with the study file that `relkit demo` writes"
        raise StudyError(f"is not valid TOML: {error}", path=str(path), mend=mend) from None


def study_from_mapping(given: Mapping[str, Any], *, path: str | Path = "study.toml") -> Study:
    """Study from the keys and values of a study file; raises like :func:`read_study`."""
    path = Path(path)
    for key in _SET_BY_READER:
        if key in given:
            raise StudyError(f'unknown key "{key}"', path=str(path), mend="Remove it")
    whole = {**given, "folder": path.parent, "path": path}
    try:
        study = TypeAdapter(Study).validate_python(_with_default_treatments(whole))
    except ValidationError as error:
        raise StudyError(settings_problems(error, Study), path=str(path)) from None
    _refuse_unconfirmed(study)
    return study


def _refuse_unconfirmed(study: Study) -> None:
    """Refuse a study with statements that nobody has looked at, naming each."""
    waiting = [statement for statement, seen in study.confirm.items() if not seen]
    if waiting:
        listed = "".join(f"\n  - {statement}" for statement in waiting)
        raise StudyError(
            f"{len(waiting)} of the statements under [confirm] wait for a person: look at each, "
            f"correct the study where it is wrong, and write true after it{listed}",
            path=str(study.path),
        )
    kinds = (study.files.log, study.files.register, study.files.readings, study.files.inspections)
    for source in (source for sources in kinds for source in sources):
        if source.date_format.endswith("?"):
            raise StudyError(
                f'date_format of "{source.label}" is still a question: {source.date_format}',
                path=str(study.path),
                mend="Ask whoever exported the file, and write the answer in its place",
            )


def _with_default_treatments(given: dict[str, Any]) -> dict[str, Any]:
    """Own findings and actions add to the default ones; the same name replaces it."""
    treatments = given.get("treatments")
    if not isinstance(treatments, Mapping):
        return given
    merged = dict(treatments)
    defaults = Study(name="", files={"log": ()}).treatments  # type: ignore[arg-type]
    for part in ("findings", "actions", "verdicts"):
        own = merged.get(part)
        if isinstance(own, Mapping):
            merged[part] = {**getattr(defaults, part), **own}
    return {**given, "treatments": merged}


def settings_problems(error: ValidationError, root: type) -> str:
    """Return all wrong keys of settings of one dataclass, each with what is wrong with it."""
    return "; ".join(_problem(item["loc"], item, root) for item in error.errors())


def _problem(location: tuple[int | str, ...], item: Mapping[str, Any], root: type) -> str:
    key = ".".join(str(part + 1) if isinstance(part, int) else part for part in location)
    if item["type"] == "unexpected_keyword_argument":
        near = _nearest_key(location, root)
        return f'unknown key "{key}"' + (f' (nearest known key: "{near}")' if near else "")
    if item["type"] in ("missing", "missing_argument"):
        return f'"{key}" is missing'
    value = item.get("input")
    shown = f" is {value!r}" if isinstance(value, str | int | float | bool) else ""
    message = str(item["msg"]).removeprefix("Value error, ")
    return f'"{key}"{shown}: {message[:1].lower()}{message[1:]}'


def _nearest_key(location: tuple[int | str, ...], root: type) -> str:
    """Known key that is most like the last one of a place in the settings."""
    kind: Any = root
    for part in location[:-1]:
        if isinstance(part, int):
            continue
        kind = _dataclass_within(get_type_hints(kind)[part]) if is_dataclass(kind) else None
    if not is_dataclass(kind):
        return ""
    known = [item.name for item in fields(kind) if item.name not in _SET_BY_READER]
    return next(iter(difflib.get_close_matches(str(location[-1]), known, n=1, cutoff=0.0)), "")


def _dataclass_within(hint: Any) -> Any:
    if is_dataclass(hint):
        return hint
    return next((found for inner in get_args(hint) if (found := _dataclass_within(inner))), None)

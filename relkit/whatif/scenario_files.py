"""Scenarios from and to TOML: unknown keys are refused with the nearest known name.

Layer: whatif. Texts in and out; the file itself is read by study and written by present.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import MISSING, fields, is_dataclass
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter, ValidationError

from relkit.errors import StudyError
from relkit.study.read import read_toml, settings_problems
from relkit.whatif.scenario import Scenario

__all__ = ["read_scenario", "scenario_from_mapping", "scenario_text"]

_BARE = re.compile(r"^[A-Za-z0-9_-]+$")


def read_scenario(path: str | Path) -> Scenario:
    """Scenario that a TOML file describes.

    Parameters
    ----------
    path : str or Path
        The scenario file.

    Raises
    ------
    StudyError
        The file is missing or not TOML, a key is unknown (the nearest known key is named) or a
        value is of the wrong kind. Keys under ``changes.study`` are those of a study file; they
        are checked when the scenario is put to a study.
    """
    return scenario_from_mapping(read_toml(path, "scenario file"), path=path)


def scenario_from_mapping(
    given: Mapping[str, Any], *, path: str | Path = "scenario.toml"
) -> Scenario:
    """Scenario from the keys and values of its file; raises like :func:`read_scenario`."""
    try:
        return TypeAdapter(Scenario).validate_python(dict(given))
    except ValidationError as error:
        raise StudyError(settings_problems(error, Scenario), path=str(path)) from None


def scenario_text(scenario: Scenario) -> str:
    """Return the scenario as the text of its TOML file, without what is left at its default.

    Examples
    --------
    >>> print(scenario_text(Scenario(name="Doubled lead time")), end="")
    name = "Doubled lead time"
    """
    return "\n".join(_table(_given(scenario), ())).lstrip("\n") + "\n"


def _given(settings: Any) -> dict[str, Any]:
    """Fields of a dataclass that differ from their defaults, nested ones likewise."""
    kept = {}
    for item in fields(settings):
        value = getattr(settings, item.name)
        default = item.default if item.default_factory is MISSING else item.default_factory()
        if value != default and value is not None:
            kept[item.name] = _plain(value)
    return kept


def _plain(value: Any) -> Any:
    if is_dataclass(value):
        return _given(value)
    if isinstance(value, Mapping):
        return {key: _plain(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(inner) for inner in value]
    return value


def _table(values: Mapping[str, Any], path: tuple[str, ...]) -> Iterator[str]:
    """Lines of one table: its own values first, then the tables in it."""
    inner = {key: value for key, value in values.items() if _is_table(value)}
    for key, value in values.items():
        if key not in inner:
            yield f"{_key(key)} = {_value(value)}"
    for key, value in inner.items():
        name = ".".join(_key(part) for part in (*path, key))
        for one in value if isinstance(value, list) else [value]:
            if isinstance(value, list) or not all(_is_table(part) for part in one.values()):
                yield ""
                yield f"[[{name}]]" if isinstance(value, list) else f"[{name}]"
            yield from _table(one, (*path, key))


def _is_table(value: Any) -> bool:
    if isinstance(value, Mapping):
        return True
    return isinstance(value, list) and bool(value) and isinstance(value[0], Mapping)


def _key(key: str) -> str:
    return key if _BARE.match(key) else _quoted(key)


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return _quoted(value)
    if isinstance(value, list):
        return "[" + ", ".join(_value(inner) for inner in value) + "]"
    if isinstance(value, int | float):
        return repr(value)
    return str(value.isoformat())


def _quoted(text: str) -> str:
    plain = text.replace("\\", "\\\\").replace('"', '\\"')
    plain = plain.replace("\n", "\\n").replace("\t", "\\t").replace("\r", "\\r")
    return f'"{plain}"'

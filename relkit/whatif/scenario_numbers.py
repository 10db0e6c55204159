"""One number of a scenario by its path, such as changes.lives.1.scale_factor: read it, set it.

Layer: whatif. Break-even values and sensitivities move such numbers.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from typing import Any

from relkit.errors import StudyError
from relkit.whatif.scenario import Scenario
from relkit.whatif.scenario_files import scenario_from_mapping
from relkit.whatif.scenario_match import nearest

__all__ = ["number_at", "with_number"]


def number_at(scenario: Scenario, path: str) -> float:
    """Return the number at a path; positions in lists are counted from 1.

    Raises
    ------
    StudyError
        There is no such key (the nearest is named), or its value is no number.

    Examples
    --------
    >>> from relkit.whatif.scenario import Changes, LifeChange
    >>> longer = Scenario("Longer", changes=Changes(lives=(LifeChange(scale_factor=1.6),)))
    >>> number_at(longer, "changes.lives.1.scale_factor")
    1.6
    """
    value: Any = scenario
    for part in path.split("."):
        value = _step(value, part, path)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise StudyError(f'"{path}" is {value!r}, not a number', path="scenario")
    return float(value)


def with_number(scenario: Scenario, path: str, value: float) -> Scenario:
    """Return the scenario with another number at a path; raises like :func:`number_at`.

    The key may be one that the scenario leaves at its default.
    """
    whole = _mapping(scenario)
    place: Any = whole
    *before, last = path.split(".")
    for part in before:
        place = _step(place, part, path)
    if isinstance(place, list):
        raise StudyError(f'"{path}" ends in a list', path="scenario")
    if last not in place:
        raise _unknown(last, list(place), path)
    old = place[last]
    whole_number = isinstance(old, int) and not isinstance(old, bool)
    place[last] = round(value) if whole_number else value
    return scenario_from_mapping(whole)


def _step(value: Any, part: str, path: str) -> Any:
    if isinstance(value, list | tuple):
        if not part.isdigit() or not 1 <= int(part) <= len(value):
            raise StudyError(
                f'"{path}": there are {len(value)} entries, none is "{part}"', path="scenario"
            )
        return value[int(part) - 1]
    keys = _keys(value)
    if part not in keys:
        raise _unknown(part, keys, path)
    return value[part] if isinstance(value, Mapping) else getattr(value, part)


def _keys(value: Any) -> list[str]:
    if isinstance(value, Mapping):
        return [str(key) for key in value]
    return [item.name for item in fields(value)] if is_dataclass(value) else []


def _unknown(part: str, keys: list[str], path: str) -> StudyError:
    near = nearest(part, keys)
    hint = f' (nearest known key: "{near}")' if near else ""
    return StudyError(f'unknown key "{part}" in "{path}"{hint}', path="scenario")


def _mapping(value: Any) -> Any:
    """Return settings as plain dictionaries and lists, defaults included."""
    if is_dataclass(value):
        return {item.name: _mapping(getattr(value, item.name)) for item in fields(value)}
    if isinstance(value, Mapping):
        return {key: _mapping(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_mapping(inner) for inner in value]
    return value

"""The study files of the demo: everything that is particular to the made-up fleet, as TOML.

Layer: demo. Text only; the clean and the dirty log differ in files, words and treatments.
"""

from __future__ import annotations

import json
from collections.abc import Mapping

from relkit.demo.spelling import SYMPTOMS, VARIANTS
from relkit.demo.truth import FIX_DAY, LOCATION_GROUPS, STRATUM_TRUTHS, TYPE_TRUTHS, ItemTruth

__all__ = ["clean_study_text", "dirty_study_text"]

_CHECK_COST = 6  #: one view test [money units]

_SERVICES: tuple[tuple[str, str, list[str], list[str]], ...] = (
    ("gritter service", "gritter", ["250 engine_hours"], ["10-01"]),
    ("sweeper service", "road sweeper", ["500 engine_hours"], []),
    ("tanker service", "drain tanker", ["500 engine_hours", "13 weeks"], []),
    ("tipper service", "tipper", ["20000 km", "26 weeks"], []),
    ("shovel service", "loading shovel", ["250 engine_hours"], []),
)

_FUNCTIONS: tuple[Mapping[str, object], ...] = (
    {
        "component": "trigger wire",
        "evident": False,
        "safety": True,
        "target_unavailability": 0.01,
        "daily_check": 0.9,
        "test": "Reverse gear or turn signal on: the right view comes up by itself within 1 s",
    },
    {
        "component": "camera",
        "location": "boom arm",
        "evident": False,
        "safety": True,
        "target_unavailability": 0.05,
        "daily_check": 0.5,
        "test": "Boom out: the picture is there, sharp, and moves with the boom",
    },
    {
        "location": "rear high",
        "component": "camera",
        "safety": True,
        "test": "Reverse gear on: a stick of 1 m height, 1 m behind the vehicle, is seen",
    },
    {"location": "tailboard", "component": "camera", "safety": True},
    {
        "component": "cable",
        "location": "low mounts",
        "warning_time": "400 engine_hours",
        "warning_time_range": ["250 engine_hours", "650 engine_hours"],
        "detection": 0.7,
    },
    {
        "component": "camera",
        "location": "spreader chute",
        "warning_time": "400 engine_hours",
        "warning_time_range": ["250 engine_hours", "650 engine_hours"],
        "detection": 0.7,
    },
)

_RULES: tuple[Mapping[str, object], ...] = (
    *(
        {
            "name": "view test of reversing views",
            "authority": "company",
            "maximum": ["13 weeks"],
            "component": component,
            "location": location,
        }
        for component, location in (
            ("camera", "rear high"),
            ("camera", "tailboard"),
            ("trigger wire", "reverse"),
        )
    ),
    {
        "name": "pre-winter test of gritters by 1 October",
        "authority": "company",
        "maximum": ["1 year"],
        "where": {"class": ["gritter"]},
    },
)


_DOWNTIME: tuple[Mapping[str, object], ...] = (
    {"per_hour": 50},
    {"per_hour": 55, "where": {"class": ["road sweeper"]}},
    {"per_hour": 140, "where": {"class": ["gritter"]}, "months": [11, 12, 1, 2, 3]},
)

_BAYS: tuple[Mapping[str, object], ...] = tuple(
    {"hours_per_week": 38, "where": {"depot": [depot]}} for depot in ("Quillmoor", "Harnfield")
)

_PRACTICE: tuple[Mapping[str, object], ...] = (
    {"task": "run to failure"},
    {"component": "trigger wire", "task": "failure-finding"},
    {"component": "camera", "location": "boom arm", "task": "failure-finding"},
)

#: Terms that are made up, like all else here; no job of the log was ever claimed.
_WARRANTY: tuple[Mapping[str, object], ...] = (
    {
        "component": "camera",
        "months": 24,
        "most_use": "2000 engine_hours",
        "claimed": ["warranty claim"],
    },
    {"component": "display", "months": 36, "claimed": ["warranty claim"]},
)

_VIEWS: tuple[Mapping[str, object], ...] = (
    {
        "name": "reversing view",
        "where": {"class": ["gritter", "road sweeper", "drain tanker", "loading shovel"]},
        "target_unavailability": 0.02,
        "items": [
            {"component": "camera", "location": "rear high"},
            {"component": "cable", "location": "rear high"},
            {"component": "trigger wire", "location": "reverse"},
            {"component": "switcher", "shared": True},
            {"component": "main video lead", "shared": True},
            {"component": "display", "shared": True},
        ],
    },
    {
        "name": "boom view",
        "where": {"class": ["drain tanker"]},
        "target_unavailability": 0.06,
        "items": [
            {"component": "camera", "location": "boom arm"},
            {"component": "cable", "location": "boom arm"},
            {"component": "switcher", "shared": True},
            {"component": "main video lead", "shared": True},
            {"component": "display", "shared": True},
        ],
    },
)

#: Bay hours of a planned replacement and of a check, by component [h].
_HOURS = {"camera": 1.5, "cable": 2.0, "main video lead": 4.0, "switcher": 2.0, "display": 1.0}
_CHECK_HOURS = 0.1


def clean_study_text() -> str:
    """Study file of the clean log."""
    files = [
        _table(
            "[files.log]",
            {
                "path": "log.csv",
                "counters": {"engine_hours": "engine_hours"},
            },
        ),
        _register({"path": "register.csv"}),
        _readings({"path": "readings.csv"}),
        _table("[files.inspections]", {"path": "inspections.csv"}),
    ]
    window = _table("window", {"start": "2021-01-01", "end": "2025-06-30"}, dates=True)
    once = "# No job stands twice in this log: two failures days apart are two failures.\n"
    once += _table("treatments", {"duplicate_days": 0}) + "\n"
    return _joined("clean log", window, files, once + _treatments({}))


def dirty_study_text() -> str:
    """Study file of the dirty log."""
    later = {
        "job": "Job", "date": "Date", "vehicle": "Vehicle", "component": "Item",
        "location": "Mounted at", "finding": "Fault", "action": "Work",
        "serial_out": "Old serial", "serial_in": "New serial", "downtime_hours": "Downtime h",
        "labour_hours": "Labour h", "cost": "Cost", "note": "Note",
    }  # fmt: skip
    of_2022 = {
        "job": "Job no.", "date": "Opened", "vehicle": "Vehicle", "component": "Part",
        "location": "Position", "finding": "Found", "action": "Done", "serial_out": "Serial off",
        "serial_in": "Serial on", "downtime_hours": "Down h", "labour_hours": "Labour h",
        "cost": "Cost", "note": "Remarks",
    }  # fmt: skip
    of_2021 = {
        "job": "Job number", "date": "Job opened", "vehicle": "Vehicle",
        "component": "Item part", "location": "Item position", "finding": "Work found",
        "action": "Work done", "serial_out": "Serial off", "serial_in": "Serial on",
        "downtime_hours": "Time down", "labour_hours": "Time labour", "cost": "Cost",
        "note": "Remarks",
    }  # fmt: skip
    files = [
        "# A title, a blank row, two header rows; one cell names the vehicle of several rows.",
        _table(
            "[files.log]",
            {
                "path": "log_2021.xlsx",
                "sheet": "Repairs",
                "header_row": 3,
                "header_rows": 2,
                "fill_down": ["vehicle"],
                "date_format": "day first",
                "columns": of_2021,
                "counters": {"engine_hours": "Meter hours"},
            },
        ),
        "# Semicolons, decimal commas and the encoding of an old office program.",
        _table(
            "[files.log]",
            {
                "path": "log_2022.csv",
                "delimiter": ";",
                "decimal": ",",
                "encoding": "cp1252",
                "date_format": "day first",
                "columns": of_2022,
                "counters": {"engine_hours": "Hours"},
            },
        ),
        "# From 2023 on each depot keeps its own files: one writes 31/12, the other 12/31.",
        *(
            _table(
                "[files.log]",
                {
                    "path": f"log_20??_{depot}.csv",
                    "date_format": order,
                    "columns": later,
                    "counters": {"engine_hours": "Engine hours"},
                },
            )
            for depot, order in (("quillmoor", "day first"), ("harnfield", "month first"))
        ),
        _register({"path": "register.csv"}),
        _readings({"path": "readings.csv"}),
        "# Harnfield kept no checklists.",
        _table("[files.inspections]", {"path": "inspections.csv"}),
    ]
    window = (
        _table("window", {"start": "2021-01-01"}, dates=True)
        + "# end: the last complete month of the log; the export was cut within June 2025\n"
    )
    words = "\n".join(
        _table(f"words.{column}", {word: list(other) for word, other in variants.items()})
        for column, variants in VARIANTS.items()
    )
    symptoms = dict.fromkeys(SYMPTOMS, "cause unknown")
    return _joined("dirty log", window, files, words + "\n" + _treatments(symptoms))


def _register(source: dict[str, object]) -> str:
    columns = {"class": "class", "depot": "depot"}
    return _table("[files.register]", {**source, "covariates": columns})


def _readings(source: dict[str, object]) -> str:
    counters = {"engine_hours": "engine_hours", "km": "km"}
    return _table("[files.readings]", {**source, "counters": counters})


def _treatments(findings: dict[str, str]) -> str:
    text = "# What findings and actions mean, beside the usual ones.\n"
    if findings:
        text += _table("treatments.findings", dict(findings)) + "\n"
    joint = {"effect": "new item", "type": "re-made joint"}
    return text + _table('treatments.actions."joint re-made"', dict(joint))


def _joined(log: str, window: str, files: list[str], own: str) -> str:
    head = (
        "# Tarnholt Roads: a made-up winter and street-cleaning fleet with known truth.\n"
        f"# Study of the {log}; written by relkit demo.\n\n"
        f"name = {_value('Tarnholt Roads, ' + log)}\n"
        'clock = "engine_hours"  # ages and intervals are in operating hours\n'
        'by = ["component", "location"]\n'
    )
    parts = [
        head, window, *files, own, _groups(), _functions(), _services(), _rules(), _costs(),
        _fixes(),
        _table("decision", {"horizon_months": 12, "seed": 1}),
        _table("[spares]", {"lead_time_days": 14}),
        _table("[spares]", {"component": "camera", "lead_time_days": 21}),
        _work(),
    ]  # fmt: skip
    return "\n".join(parts)


def _groups() -> str:
    everywhere = [place for places in LOCATION_GROUPS.values() for place in places]
    joints = {
        "name": "any mount",
        "component": "cable, re-made joint",
        "locations": everywhere,
    }
    groups = [
        {"name": name, "component": "cable", "locations": list(places)}
        for name, places in LOCATION_GROUPS.items()
    ]
    text = "# Cables are planned by where they run, re-made joints all together.\n"
    return text + "\n".join(_table("[location_groups]", group) for group in [joints, *groups])


def _functions() -> str:
    text = "# What a failure means for the driver; evident and no safety function unless said.\n"
    return text + "\n".join(_table("[functions]", dict(one)) for one in _FUNCTIONS)


def _services() -> str:
    text = "# Visits that the workshop makes anyway: the first limit reached makes one due.\n"
    tables = []
    for name, kind, every, days in _SERVICES:
        service: dict[str, object] = {"name": name, "every": every, "where": {"class": [kind]}}
        tables.append(_table("[services]", {**service, **({"on": days} if days else {})}))
    return text + "\n".join(tables)


def _rules() -> str:
    text = "# Maxima that this company set itself; relkit supplies none of its own.\n"
    return text + "\n".join(_table("[rules]", dict(one)) for one in _RULES)


def _fixes() -> str:
    text = "# Fixes whose effect is judged from the log: before and after, at equal age.\n"
    training = {
        "name": '"training on cable joints"',
        "date": FIX_DAY,
        "component": '"cable, re-made joint"',
        "scope": '"items fitted since"',
    }
    return text + _table("[fixes]", training, dates=True)


def _costs() -> str:
    head = {"currency": "money units", "visit": 45}
    truths = [*STRATUM_TRUTHS, *(TYPE_TRUTHS[code] for code in (1, 4))]
    downtime = [_table("[costs.downtime]", dict(one)) for one in _DOWNTIME]
    return "\n".join([_table("costs", head), *downtime, *(_cost_item(truth) for truth in truths)])


def _work() -> str:
    """Bays, today's practice, warranties, views and what one spare serves."""
    parts = ["# Bay hours that each depot can give to planned work."]
    parts += [_table("[bays]", dict(one)) for one in _BAYS]
    parts.append("# What is done today: the last entry that fits an item counts.")
    parts += [_table("[practice]", dict(one)) for one in _PRACTICE]
    parts.append("# Warranty of new items from the day of fitting.")
    parts += [_table("[warranty]", dict(one)) for one in _WARRANTY]
    parts.append("# A view works only while all its items do.")
    parts += [_table("[views]", dict(one)) for one in _VIEWS]
    parts.append("# One spare serves both: cables are cut to length.")
    cables = {"name": "cable, any run", "components": ["cable", "cable, re-made joint"]}
    return "\n".join([*parts, _table("[stock]", cables)])


def _cost_item(truth: ItemTruth) -> str:
    return _table(
        "[costs.items]",
        {
            "component": truth.component,
            "location": truth.location,
            "planned": truth.cost_planned,
            "failure": truth.cost_failure,
            "check": _CHECK_COST,
            "planned_hours": _HOURS.get(truth.component.split(",")[0], 1.0),
            "check_hours": _CHECK_HOURS,
        },
    )


def _table(name: str, values: Mapping[str, object], *, dates: bool = False) -> str:
    """One TOML table; a name in brackets is one of an array of tables."""
    lines = [f"[{name}]"]
    for key, value in values.items():
        text = str(value) if dates else _value(value)
        lines.append(f"{_key(key)} = {text}")
    return "\n".join(lines) + "\n"


def _key(key: str) -> str:
    return key if key.replace("_", "").isalnum() and key.isascii() else json.dumps(key)


def _value(value: object) -> str:
    """Write a value as TOML; its strings, numbers and lists are those of JSON."""
    if isinstance(value, Mapping):
        inner = ", ".join(f"{_key(key)} = {_value(item)}" for key, item in value.items())
        return "{ " + inner + " }"
    if isinstance(value, list):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    return json.dumps(value)

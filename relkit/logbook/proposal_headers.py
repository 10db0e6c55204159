"""What people call the columns of a log, a register, readings and inspections.

Layer: logbook. The words are common practice of workshop and fleet records.
"""

from __future__ import annotations

import re

from rapidfuzz import fuzz

__all__ = ["HEADERS", "counter_of_header", "header_likeness", "is_header_word"]

#: Our column -> what it may be called, the plainest first.
HEADERS: dict[str, tuple[str, ...]] = {
    "date": (
        *("date", "date opened", "opened", "job opened", "opened on", "reported", "date reported"),
        *("reported on", "datetime", "date time", "timestamp", "when", "start date", "started"),
        *("order date", "work date", "job date", "repair date", "failure date", "basic start date"),
        *("date in", "day", "created", "created on", "date raised", "raised", "read on", "visit"),
        *("reading date", "inspection date", "visit date", "datum", "fecha", "data", "start"),
        *("actual start date", "work order date", "event date", "date of repair"),
    ),
    "closed": (
        *("closed", "finished", "date done", "done on", "completed", "date closed", "date out"),
        *("finish date", "end date", "completed on", "closing date", "actual finish date"),
    ),
    "vehicle": (
        *("vehicle", "vehicle id", "vehicle no", "vehicle number", "fleet no", "fleet number"),
        *("fleet id", "machine", "machine id", "machineid", "unit", "unit no", "unit number"),
        *("asset", "asset id", "assetid", "asset no", "asset number", "equipment", "equipment no"),
        *(
            "equipment id",
            "truck",
            "truck no",
            "plant no",
            "plant",
            "registration",
            "reg",
            "reg no",
        ),
        *("bus", "car", "loco", "locomotive", "tractor", "engine", "system", "station", "rig"),
        *("fahrzeug", "kennzeichen", "veh", "veh no", "bus no", "machine no", "wagon"),
    ),
    "job": (
        *("job", "job no", "job number", "job id", "work order", "work order no", "wo", "wo no"),
        *("wo number", "order", "order no", "order number", "ponumber", "po number", "ticket"),
        *("ticket no", "case", "work order number", "auftrag", "job ref", "ref", "docket"),
    ),
    "component": (
        *("component", "comp", "part", "part replaced", "item", "item part", "assembly", "module"),
        *("sub assembly", "subsystem", "object part", "maintainable item", "component type"),
        *("part name", "failure", "failed part", "failed component", "bauteil", "teil", "object"),
        *("functional location description", "part description", "component name", "replaced"),
    ),
    "location": (
        *("location", "position", "pos", "mounted at", "where", "place", "side", "mounting"),
        *("fitted at", "item position", "part position", "mounting location", "mount", "ort"),
    ),
    "finding": (
        *("finding", "found", "fault", "defect", "problem", "cause", "symptom", "failure mode"),
        *("mode", "complaint", "damage code", "fault code", "reason", "work found", "fault found"),
        *(
            "failure type",
            "event",
            "job type",
            "diagnosis",
            "befund",
            "failure cause",
            "type of job",
        ),
    ),
    "action": (
        *("action", "done", "work done", "work", "activity", "repair", "remedy", "action taken"),
        *("task", "measure", "work carried out", "repair type", "massnahme", "maintenance type"),
        *("type of work", "arbeit", "correction", "corrective action", "work performed"),
    ),
    "note": (
        *("note", "notes", "remarks", "remark", "description", "text", "short text", "shorttext"),
        *("comment", "comments", "details", "narrative", "work description", "free text"),
        *("job description", "bemerkung", "long text", "memo", "what happened"),
    ),
    "serial_out": ("serial off", "old serial", "serial out", "serial removed", "removed serial"),
    "serial_in": ("serial on", "new serial", "serial in", "serial fitted", "installed serial"),
    "downtime_hours": ("downtime", "downtime hours", "downtime h", "down h", "time down"),
    "labour_hours": (
        "labour",
        "labour hours",
        "labour h",
        "labor hours",
        "man hours",
        "time labour",
    ),
    "cost": (
        "cost",
        "total cost",
        "costs",
        "amount",
        "total actual cost",
        "price",
        "kosten",
        "total",
    ),
    "quantity": ("quantity", "qty", "number of items", "pieces"),
    "reading": (
        "reading",
        "meter",
        "meter reading",
        "smu",
        "odometer",
        "mileage",
        "counter reading",
    ),
    "counter": ("counter", "meter type", "counter type", "reading type"),
    "fitted_on": (
        *("fitted on", "fitted", "since", "installed", "install date", "installed on"),
        *("date fitted", "in service", "in service on", "in service date", "commissioned"),
        *(
            "commissioning date",
            "installation date",
            "start of service",
            "delivered",
            "built on",
            "installiert",
            "eingebaut",
        ),
    ),
    "removed_on": ("removed on", "removed", "date removed", "taken off on"),
    "vehicle_left_on": (
        *("vehicle left on", "left", "sold", "sold on", "disposal date", "disposed", "scrapped"),
        *("out of service", "left fleet", "disposal", "retired", "off fleet"),
    ),
    "serial": ("serial", "serial no", "serial number", "serialno"),
    "type": ("type", "item type", "variant", "design"),
    "result": ("result", "outcome", "pass/fail", "pass fail", "check result", "ok"),
    "verdict": ("verdict", "supplier verdict", "warranty result", "return result"),
}

#: What a counter's header says of its unit -> name of the counter.
_COUNTERS = (
    (r"\b(hours?|hrs?|hmr|h|betriebsstunden)\b", "engine_hours"),
    (r"\b(km|kms|kilomet(er|re)s?|odometer km)\b", "km"),
    (r"\b(miles?|mi)\b", "miles"),
)
_NO_COUNTER = re.compile(r"\b(down|labou?r|work|man|repair|travel|time)\b")

#: Words that say little within a longer header.
_WHOLE_ONLY = frozenset(
    (
        *("work", "done", "found", "mode", "type", "event", "side", "text", "start", "data"),
        *("task", "repair", "order", "object", "system", "station", "unit", "item", "result"),
        *("outcome", "cause", "reason", "where", "place", "name", "open", "plant"),
    )
)

#: So much of a header is looked at.
_LONGEST = 80

#: From this likeness on a header is taken for the word [0 to 100].
LEAST_LIKENESS = 88.0


def _plain(header: str) -> str:
    """Return a header in small letters, words parted: "MachineID (no.)" -> "machine id no"."""
    parted = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", header[:_LONGEST])
    return " ".join(re.findall(r"[^\W_]+", parted.casefold()))


def header_likeness(header: str, our: str) -> float:
    """Likeness of a header to what people call one of our columns [0 to 100].

    Examples
    --------
    >>> header_likeness("Date Opened", "date"), header_likeness("Part", "date")
    (99.8, 0.0)
    """
    plain, joined = _plain(header), "".join(_plain(header).split())
    best = 0.0
    for place, word in enumerate((our.replace("_", " "), *HEADERS.get(our, ()))):
        wanted = _plain(word)
        if plain == wanted or joined == "".join(wanted.split()):
            return 100.0 - min(place, 20) / 10
        whole = fuzz.ratio(plain, wanted) - 5
        part = wanted not in _WHOLE_ONLY and len(wanted) > 3
        inside = 90.0 if part and re.search(rf"\b{re.escape(wanted)}\b", plain) else 0.0
        extra = len(plain.split()) - len(wanted.split())
        best = max(best, whole, inside - 3 * max(extra, 0))
    return best if best >= LEAST_LIKENESS - 15 else 0.0


def counter_of_header(header: str) -> str:
    """Return the counter whose unit a header names; blank where it names none.

    Examples
    --------
    >>> [counter_of_header(name) for name in ("Engine hours", "KM", "Labour h", "Meter")]
    ['engine_hours', 'km', '', '']
    """
    plain = _plain(header)
    if _NO_COUNTER.search(plain):
        return ""
    return next((name for pattern, name in _COUNTERS if re.search(pattern, plain)), "")


def is_header_word(cell: str) -> bool:
    """Whether a cell is one of the words that columns are called by."""
    plain = _plain(cell)
    if not plain:
        return False
    known = any(plain in map(_plain, words) for words in HEADERS.values())
    return known or bool(counter_of_header(cell)) or plain in ("number", "no", "id", "name")

"""Columns that hold names of persons: known by their headers, never read into a table.

Layer: logbook. The list of words is common practice of workshop and fleet records.
"""

from __future__ import annotations

import re

__all__ = ["holds_persons", "is_plain_name"]


def _words(text: str) -> frozenset[str]:
    return frozenset(re.findall("[a-z]+", text.casefold()))


_PERSONS = _words(
    "driver drivers technician technicians tech mechanic mechanics fitter fitters operator "
    "operators employee employees inspector foreman supervisor worker crew surname forename "
    "firstname lastname fullname signature initials email mail phone mobile reporter requester "
    "contact person staff user username"
)
_BY = re.compile(
    r"\b(reported|done|entered|created|checked|signed|approved|raised|closed|completed|inspected|"
    r"repaired|fitted|requested|written|opened|changed|updated|performed|found|assigned) (by|to)\b"
)
_NAME = re.compile(r"^(first|last|full|family|given|contact|user)? ?names?$")
#: A header with one of these tells of work or words, not of who did it.
_NOT_A_PERSON = _words(
    "remark remarks comment comments note notes text description hours hour cost costs rate "
    "time count report reports complaint fault defect door seat cab side camera display view "
    "panel station position date mileage odometer"
)


def holds_persons(name: str) -> bool:
    """Whether a column of this name holds names, numbers or addresses of persons.

    Examples
    --------
    >>> [holds_persons(name) for name in ("Technician", "Reported by", "Driver remarks", "Name")]
    [True, True, False, True]
    """
    words = _words(name)
    plain = " ".join(re.findall("[a-z]+", name.casefold()))
    if _NOT_A_PERSON & words:
        return False
    return bool(_PERSONS & words or _BY.search(plain) or is_plain_name(name))


def is_plain_name(name: str) -> bool:
    """Whether the column is only called "name": a person's, or a vehicle's if the study says so."""
    return bool(_NAME.match(" ".join(re.findall(r"[a-z]+", name.casefold()))))

"""Kinds of value that settings have: shares, money, quantities with units, days of the year.

Layer: study. Each refuses what is out of its bounds, and the study file's reader names the key.
"""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

from pydantic import AfterValidator, ConfigDict, Field

from relkit.units import parse_quantity

__all__ = [
    "CONFIG",
    "Money",
    "Month",
    "MonthDay",
    "Positive",
    "Probability",
    "QuantityText",
    "Share",
]

CONFIG = ConfigDict(extra="forbid")


def _quantity(text: str) -> str:
    parse_quantity(text)
    return text


def _month_day(text: str) -> str:
    datetime.strptime(f"2000-{text}", "%Y-%m-%d")
    return text


Probability = Annotated[float, Field(gt=0, lt=1)]
Share = Annotated[float, Field(gt=0, le=1)]
Money = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
Month = Annotated[int, Field(ge=1, le=12)]
QuantityText = Annotated[str, AfterValidator(_quantity)]
MonthDay = Annotated[str, AfterValidator(_month_day)]

"""Safety lines that stand on every page, workbook, notebook and set of tables.

Layer: present. Text only. relkit states no law: people enter their own rules in the study file.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["CAUTIONS", "Caution"]


@dataclass(frozen=True, slots=True)
class Caution:
    """One safety line: a heading of a few words and what to do."""

    heading: str
    text: str


CAUTIONS: tuple[Caution, ...] = (
    Caution(
        "Qualified people only",
        "Work on vehicles and their electrical systems is for people trained and authorised for "
        "it, to the vehicle manufacturer's instructions.",
    ),
    Caution(
        "Secure the vehicle",
        "Chock the wheels, apply the parking brake, stop the engine, isolate and lock off "
        "electrical, hydraulic and air supplies, and keep other people clear.",
    ),
    Caution(
        "Bodies and booms",
        "Never work under or beside a raised body, plough, bucket or boom unless it is propped "
        "or locked; guard against anything that can still move, drop or start by itself.",
    ),
    Caution("Protect yourself", "Wear eye protection, gloves and safety shoes."),
    Caution(
        "A dark view stays in",
        "A vehicle whose required view is dark is not sent out. A picture on the screen is not "
        "enough: the view must show what it has to show.",
    ),
    Caution(
        "A camera never replaces a lookout",
        "Where a lookout, a mirror check or a banksman is required, it stays required however "
        "well the camera works.",
    ),
    Caution(
        "Statutory and manufacturer's checks come first",
        "No interval here lengthens or replaces a check that the law, the manufacturer or the "
        "company requires. Follow local codes; enter your maximum intervals in the study file.",
    ),
    Caution(
        "A model of the log, not of one vehicle",
        "Intervals are averages with a range. Signs of wear, a driver's report or a change of "
        "duty come before any interval.",
    ),
)

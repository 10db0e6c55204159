"""Settings for free text and symptoms: own words and phrases, and what a symptom points to.

Layer: study. Parts of the study file, kept beside settings.py.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field

from pydantic import ConfigDict
from pydantic.dataclasses import dataclass

__all__ = ["Lexicon", "LexiconEntry", "Symptom", "default_symptoms"]

_CONFIG = ConfigDict(extra="forbid")


@dataclass(config=_CONFIG, frozen=True)
class LexiconEntry:
    """How notes say one finding or action."""

    counts_as: str = ""  #: word of the study used where it has no meaning of its own for this one
    phrases: tuple[str, ...] = ()  #: "..." stands for up to three words, "|" parts words
    unsure: tuple[str, ...] = ()  #: phrases that are read with little confidence


@dataclass(config=_CONFIG, frozen=True)
class Lexicon:
    """Words and phrases by which notes are read; a study adds its own to those of relkit."""

    leave_alone: tuple[str, ...] = ()  #: words that are never taken for a mistyped one
    set_phrases: tuple[str, ...] = ()  #: where they stand, nothing else is read from their words
    words: Mapping[str, tuple[str, ...]] = field(default_factory=dict)  #: word -> other forms
    findings: Mapping[str, LexiconEntry] = field(default_factory=dict)
    actions: Mapping[str, LexiconEntry] = field(default_factory=dict)
    components: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


@dataclass(config=_CONFIG, frozen=True)
class Symptom:
    """Components that a symptom points to: candidates, not a verdict."""

    finding: str  #: the symptom, a finding of the study
    candidates: tuple[str, ...]  #: component types; those not in the register do not act


def default_symptoms() -> tuple[Symptom, ...]:
    """Return first guesses of the place of a fault in a chain of views (common practice)."""
    chain = ("camera", "cable", "connector")
    return (
        Symptom("one view dark", chain),
        Symptom("all views dark", ("switcher", "main video lead", "main lead", "display")),
        Symptom("several views dark", ("cable", "switcher")),
        Symptom("no view on trigger", ("trigger wire", *chain)),
        Symptom("no view on reverse", ("trigger wire", *chain)),
    )

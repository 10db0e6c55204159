"""The lexicon: forms, shorthand, mistyped words, and what a study adds to it."""

from __future__ import annotations

import pytest

from relkit.errors import StudyError
from relkit.logbook.lexicon import base_words, compiled_lexicon, standard_lexicon, tokens_of
from relkit.study.note_settings import Lexicon, LexiconEntry
from relkit.study.settings import Treatments


def based(text: str) -> list[str]:
    return base_words(tokens_of(text), compiled_lexicon())[0]


def test_shorthand_becomes_whole_words() -> None:
    assert based("cam u/s, chngd + ftd") == [
        *("camera", "defective", ",", "replace", "and", "fit"),
    ]


@pytest.mark.parametrize(
    ("mistyped", "base"),
    [("repalce", "replace"), ("overheeting", "overheat"), ("leakng", "leak"), ("csrew", "csrew")],
)
def test_one_or_two_slips_are_mended(mistyped: str, base: str) -> None:
    assert based(mistyped) == [base]


@pytest.mark.parametrize("word", ["track", "lever", "injection", "rubber", "hose", "beaks", "can"])
def test_right_words_stay_as_they_are(word: str) -> None:
    # each is one or two letters away from crack, level, inspection, rubbed, loose, breaks, cam
    assert based(word) == [word]


def test_apostrophes_of_denials_are_no_words() -> None:
    assert based('won"t start') == ["not", "operate"]
    assert based("doesn\u2019t work") == ["not", "work"]


def test_every_meaning_of_the_lexicon_is_known_to_a_study_without_settings() -> None:
    lexicon, treatments = compiled_lexicon(), Treatments()
    for (kind, name), word in lexicon.counts_as.items():
        treated = treatments.findings if kind == "finding" else treatments.actions
        assert word in treated, f"{kind} {name}"


def test_no_phrase_stands_for_two_findings_or_two_actions() -> None:
    whole = standard_lexicon()
    for entries in (whole.findings, whole.actions):
        phrases = [text for entry in entries.values() for text in (*entry.phrases, *entry.unsure)]
        assert not {text for text in phrases if phrases.count(text) > 1}


def test_a_study_adds_phrases_and_findings_of_its_own() -> None:
    own = Lexicon(
        words={"camera": ("eye",)},
        findings={
            "water in": LexiconEntry(phrases=("drowned",)),
            "swallowed a bird": LexiconEntry("external damage", ("bird",)),
        },
    )
    lexicon = compiled_lexicon(own)
    assert lexicon.bases["eye"] == "camera"
    assert lexicon.counts_as["finding", "water in"] == "failed"
    assert lexicon.counts_as["finding", "swallowed a bird"] == "external damage"
    assert {phrase.name for phrase in lexicon.by_first_word["drowned"]} == {"water in"}


@pytest.mark.parametrize(
    ("own", "message"),
    [
        (Lexicon(words={"camera": ("monitor",)}), '"monitor" stands for'),
        (Lexicon(words={"camera": ("rear view",)}), "is not one word"),
        (Lexicon(findings={"odd": LexiconEntry(phrases=("... x",))}), "does not begin with a word"),
    ],
)
def test_wrong_entries_are_named(own: Lexicon, message: str) -> None:
    with pytest.raises(StudyError, match=message):
        compiled_lexicon(own)

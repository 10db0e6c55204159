"""Words of a log proposed as variants of the register's, and findings given a meaning."""

from __future__ import annotations

import pytest

from relkit.logbook.lexicon import compiled_lexicon
from relkit.logbook.proposal_words import (
    ProposedWords,
    matched_meanings,
    matched_names,
    matched_vehicles,
)
from relkit.study.settings import Treatments


def proposed(words: ProposedWords) -> dict[str, list[str]]:
    return {ours: [text for text, _ in texts] for ours, texts in words.variants.items()}


@pytest.mark.parametrize(
    ("word", "known", "expected"),
    [
        ("hyd pmp", ["hydraulic pump", "hydraulic motor"], "hydraulic pump"),
        ("alternater", ["alternator", "starter"], "alternator"),
        ("rear", ["rear high", "front"], "rear high"),
        ("view camera", ["camera", "cable"], "camera"),
        ("pump, hydraulic", ["hydraulic pump"], "hydraulic pump"),
    ],
)
def test_likely_variants_are_proposed(word: str, known: list[str], expected: str) -> None:
    assert proposed(matched_names([word], known, {})) == {expected: [word]}


@pytest.mark.parametrize(
    ("word", "known"),
    [
        ("left mirror", ["right mirror"]),
        ("comp1", ["comp2"]),
        ("upper hose", ["lower hose"]),
        ("rear", ["rear high", "rear low"]),  # could be either
        ("nearside brush", ["kerb-side brush", "road-side brush"]),
        ("gearbox", ["camera"]),
    ],
)
def test_opposites_numbers_and_ties_are_not(word: str, known: list[str]) -> None:
    found = matched_names([word, word], known, {})
    assert not found.variants
    assert found.unmatched == ((word, 2),)


def test_case_blanks_and_dashes_need_no_entry() -> None:
    found = matched_names(["Kerb-Side", "kerb side"], ["kerb side"], {})
    assert not found.variants
    assert not found.unmatched


def test_without_a_register_rare_spellings_go_to_frequent_ones() -> None:
    found = matched_names(["alternator"] * 9 + ["alternatr", "pump"], [], {})
    assert proposed(found) == {"alternator": ["alternatr"]}


def meanings(kind: str, *words: str) -> ProposedWords:
    return matched_meanings(kind, words, Treatments(), compiled_lexicon())


def test_findings_are_read_by_the_lexicon() -> None:
    found = meanings("finding", "U/S", "leaking", "NFF", "impact damage", "failed", "wobbly")
    assert proposed(found) == {
        "failed": ["U/S", "leaking"],
        "no fault found": ["NFF"],
        "external damage": ["impact damage"],
    }
    assert found.known == ("failed",)
    assert found.meanings["wobbly"][0] == "cause unknown"
    assert "not understood" in found.meanings["wobbly"][1]


def test_symptoms_keep_their_names() -> None:
    found = meanings("finding", "One view dark", "all views blk")
    assert set(found.meanings) == {"one view dark", "all views dark"}
    assert proposed(found) == {"all views dark": ["all views blk"]}


def test_an_action_that_is_not_understood_leaves_the_item_in_place() -> None:
    found = meanings("action", "changed", "zorbed")
    assert proposed(found) == {"replaced": ["changed"]}
    assert found.meanings["zorbed"][0] == "continues"


def test_vehicles_with_the_same_number_are_proposed_unless_two_have_it() -> None:
    found = matched_vehicles(
        ["Truck 12", "t-07", "Lorry 3", "Total", "T99"], ["T07", "T12", "T03", "V3"]
    )
    assert proposed(found) == {"T12": ["Truck 12"]}
    assert {word for word, _ in found.unmatched} == {"Lorry 3", "Total", "T99"}

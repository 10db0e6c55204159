"""The safety lines that every output has to carry."""

from __future__ import annotations

import pytest

from relkit.present.cautions import CAUTIONS


@pytest.mark.parametrize(
    "words",
    [
        "trained and authorised",
        "Chock the wheels",
        "parking brake",
        "isolate",
        "eye protection, gloves and safety shoes",
        "boom",
        "never replaces a lookout",
        "not sent out",
        "Statutory and manufacturer's checks come first",
        "No interval here lengthens",
        "local codes",
    ],
)
def test_nothing_is_missing(words: str) -> None:
    # Source: the safety lines that the job asks for on every due list and job card.
    assert words in " ".join(f"{caution.heading}. {caution.text}" for caution in CAUTIONS)

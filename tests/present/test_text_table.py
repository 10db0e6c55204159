"""Tables as text: fit the width, lose nothing, steer no terminal."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from relkit.present.text_table import text_table


def test_columns_are_set_out_and_wrapped() -> None:
    # Source: set out by hand.
    text = text_table(
        ["item", "failures", "why"],
        [["camera", "45", "it wears out with use"], ["display", "3", "chance"]],
        numeric=[False, True, False],
        width=32,
    )
    assert text.splitlines() == [
        "item     failures  why",
        "-------  --------  -------------",
        "camera         45  it wears out",
        "                   with use",
        "display         3  chance",
    ]


@given(st.lists(st.tuples(st.text(max_size=60), st.integers(0, 10**6)), min_size=1, max_size=5))
def test_lines_fit_and_no_sign_steers_the_terminal(rows: list[tuple[str, int]]) -> None:
    # Source: own algebra.
    table = [[text, f"{value:,}"] for text, value in rows]
    text = text_table(["words", "count"], table, numeric=[False, True], width=50)
    assert all(len(line) <= 50 for line in text.split("\n"))
    assert all(sign.isprintable() or sign == "\n" for sign in text)
    assert all(f"{value:,}" in text for _, value in rows)

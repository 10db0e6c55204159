"""Lines that are no whole rows: cells over several lines joined, broken ones on their own."""

from __future__ import annotations

import pytest

from relkit.logbook.text_lines import (
    SettledLines,
    odd_lines,
    row_of_text,
    settled_lines,
    split_lines,
)

NAMES = ("date", "vehicle", "note")


def settle(text: str) -> SettledLines:
    lines = split_lines(text)
    odd = odd_lines(lines, ",")
    return settled_lines(lines, odd, delimiter=",", names=NAMES, first_row=2)


def test_a_cell_over_several_lines_is_one_row() -> None:
    settled = settle('1,a,"x\ny\nz"\n2,b,c\n')
    assert settled.records == [["1", "a", "x\ny\nz"]]
    assert settled.taken.tolist() == [True, True, True, False]
    assert settled.rows.tolist() == [2, 2, 2, 3]


def test_a_missing_quote_does_not_swallow_the_next_row() -> None:
    settled = settle('1,a,"x\n2,b,"y"\n3,c,z\n')
    assert settled.taken.tolist() == [True, False, False]
    assert [(one.row, one.reason) for one in settled.broken] == [(2, "broken quotes")]


def test_a_quote_that_would_take_in_a_whole_row_is_an_open_one() -> None:
    settled = settle('1,a,"x\n2,b,y\n3,c,z",d\n')
    assert [one.row for one in settled.broken] == [2]
    assert settled.taken.tolist() == [True, False, False]


def test_a_quote_open_to_the_end_ends_after_its_line() -> None:
    settled = settle('1,a,"x\n' + "".join(f"{n},b,c\n" for n in range(300)))
    assert settled.taken.sum() == 1
    assert settled.rows.tolist() == list(range(2, 303))


@pytest.mark.parametrize(
    ("line", "odd"),
    [
        ("a,b,c", False),
        ("", False),
        ('"a","b, c",""', False),
        ('a,"say ""hi""",c', False),
        ('a,5" pipe,c', False),
        ('a,"b"x,c', True),
        ('a,"b,c', True),
        ('a,""b",c', True),
        ("a,\x00,c", True),
        ("a,\udc84,c", True),
        ("é,à,ç", False),
    ],
)
def test_lines_are_whole_rows_or_odd(line: str, odd: bool) -> None:
    # Source: RFC 4180, section 2, rules 5 to 7; quotes inside plain cells are allowed besides.
    assert (len(odd_lines([line], ",")) == 1) is odd


def test_text_of_a_broken_row_is_not_shown() -> None:
    settled = settle('1,a,"Wilma Vardle\n2,\x01,Ned Ostrow\n')
    shown = " ".join(one.value for one in settled.broken)
    assert shown == "a quotation mark without its pair byte 01 at character 3"


def test_row_of_text_says_what_is_wrong() -> None:
    assert row_of_text('a,"b, c",d', ",") == (["a", "b, c", "d"], "")
    assert row_of_text('a,"b', ",")[1]


@pytest.mark.parametrize(
    ("text", "lines"),
    [("", []), ("a", ["a"]), ("a\r\nb\rc\n", ["a", "b", "c"]), ("a\n\n", ["a", ""])],
)
def test_lines_of_a_text(text: str, lines: list[str]) -> None:
    assert split_lines(text) == lines

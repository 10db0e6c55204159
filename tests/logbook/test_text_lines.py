"""The careful reader: each physical line on its own unless a quoted cell truly spans several."""

from __future__ import annotations

from relkit.logbook.text_lines import read_lines, row_of_text

NAMES = ("date", "vehicle", "note")


def test_a_cell_over_several_lines_is_one_row() -> None:
    read = read_lines('1,a,"x\ny\nz"\n2,b,c\n', delimiter=",", names=NAMES, first_row=2)
    assert read.records == [["1", "a", "x\ny\nz"], ["2", "b", "c"]]
    assert read.rows == [2, 3]


def test_a_missing_quote_does_not_swallow_the_next_row() -> None:
    text = '1,a,"x\n2,b,"y"\n3,c,z\n'
    read = read_lines(text, delimiter=",", names=NAMES, first_row=2)
    assert read.rows == [3, 4]
    assert [(one.row, one.value) for one in read.broken] == [
        (2, "a quotation mark without its pair")
    ]


def test_a_quote_that_would_take_in_a_whole_row_is_an_open_one() -> None:
    text = '1,a,"x\n2,b,y\n3,c,z",d\n'
    read = read_lines(text, delimiter=",", names=NAMES, first_row=2)
    assert [one.row for one in read.broken] == [2, 4]
    assert read.rows == [3]


def test_a_quote_open_to_the_end_ends_after_its_line() -> None:
    lines = "".join(f"{n},b,c\n" for n in range(300))
    read = read_lines('1,a,"x\n' + lines, delimiter=",", names=NAMES, first_row=2)
    assert len(read.records) == 300
    assert len(read.broken) == 1


def test_row_of_text_says_what_is_wrong() -> None:
    assert row_of_text('a,"b, c",d', ",") == (["a", "b, c", "d"], "")
    assert row_of_text('a,"b', ",")[1]

"""Tables as plain text for terminals and logs: columns fitted to a width, words wrapped.

Layer: present. Standard library only.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

__all__ = ["text_table"]

_GAP = "  "


def text_table(
    titles: Sequence[str],
    rows: Sequence[Sequence[str]],
    *,
    numeric: Sequence[bool],
    width: int = 100,
) -> str:
    """Return a table as text that is at most ``width`` characters wide where that can be.

    Text columns are wrapped, the widest first; numbers are flush right and never broken.

    Parameters
    ----------
    titles : sequence of str
        Headings.
    rows : sequence of sequences of str
        Cells, one sequence per row.
    numeric : sequence of bool
        Which columns are set flush right and not wrapped.
    width : int
        Characters to a line.

    Examples
    --------
    >>> print(text_table(["item", "h"], [["camera", "1,000"]], numeric=[False, True]))
    item        h
    ------  -----
    camera  1,000
    """
    cells = [[*map(_clean, titles)], *([*map(_clean, row)] for row in rows)]
    widths = _fitted(cells, numeric, width)
    lines = _wrapped(cells[0], widths, numeric)
    lines.append(_GAP.join("-" * size for size in widths))
    for row in cells[1:]:
        lines += _wrapped(row, widths, numeric)
    return "\n".join(lines)


def _clean(text: str) -> str:
    """One line of printable signs: what a log holds must not steer a terminal."""
    return "".join(sign if sign.isprintable() else " " for sign in text)


def _fitted(cells: list[list[str]], numeric: Sequence[bool], width: int) -> list[int]:
    """Narrow the columns one sign at a time, each time where it costs the fewest lines."""
    columns = list(zip(*cells, strict=True))
    widths = [max(map(len, column)) for column in columns]
    least = [_least(column, number) for column, number in zip(columns, numeric, strict=True)]
    lengths = [[len(text) for text in row] for row in cells]
    while sum(widths) + len(_GAP) * (len(widths) - 1) > width:
        choices = [i for i, size in enumerate(widths) if size > least[i]]
        if not choices:
            break
        narrower = {i: [size - (k == i) for k, size in enumerate(widths)] for i in choices}
        place = min(choices, key=lambda i: (_lines(lengths, narrower[i]), -widths[i]))
        widths = narrower[place]
    return widths


def _least(column: Sequence[str], number: bool) -> int:
    """Return the width below which a number, or a word of usual length, would be broken."""
    if number:
        words = [*column[0].split(), *column[1:]]
        return max(map(len, words), default=0)
    words = [word for text in column for word in text.split()]
    return min(max(map(len, words), default=0), 24)


def _lines(lengths: list[list[int]], widths: list[int]) -> int:
    """Return about how many lines the rows take at these widths."""
    pairs = [zip(row, widths, strict=True) for row in lengths]
    return sum(max((-(-size // max(room, 1)) for size, room in row), default=1) for row in pairs)


def _wrapped(row: list[str], widths: list[int], numeric: Sequence[bool]) -> list[str]:
    parts = [
        textwrap.wrap(text, size, break_long_words=True) or [""]
        for text, size in zip(row, widths, strict=True)
    ]
    lines = []
    for k in range(max(map(len, parts))):
        pieces = [part[k] if k < len(part) else "" for part in parts]
        set_out = [
            piece.rjust(size) if number else piece.ljust(size)
            for piece, size, number in zip(pieces, widths, numeric, strict=True)
        ]
        lines.append(_GAP.join(set_out).rstrip())
    return lines

"""Queries that only read: one SELECT with a stable order, or they are refused.

Layer: logbook. Text only; the database is held to reading besides, by its own means.
"""

from __future__ import annotations

import re

from relkit.errors import StudyError

__all__ = ["checked_select"]

#: Texts, quoted names and comments, which hold no words of the query.
_QUOTED = re.compile(
    r"(?s)--[^\n]*|/\*.*?\*/|\$(\w*)\$.*?\$\1\$|[eE]'(?:[^'\\]|\\.|'')*'|'(?:[^']|'')*'"
    r'|"(?:[^"]|"")*"|`[^`]*`'
)

#: Words of statements that change something.
_CHANGES = (
    *("insert", "update", "delete", "merge", "replace", "into", "create", "alter", "drop"),
    *("truncate", "grant", "revoke", "copy", "call", "do", "lock", "attach", "detach", "pragma"),
    *("vacuum", "set", "begin", "commit", "rollback", "execute", "prepare", "listen", "notify"),
)
_CHANGING = re.compile(rf"(?i)(?<![\w.])({'|'.join(_CHANGES)})\b(?!\s*\()")


def checked_select(query: str, *, path: str, label: str) -> str:
    """Return the query without the semicolon at its end, if it is one SELECT in a stable order.

    A semicolon anywhere else is refused, within quotes too: so no second statement can hide,
    however a database reads quotes.

    Parameters
    ----------
    query : str
        As the study states it.
    path, label : str
        The study file and the name of the source, for messages.

    Raises
    ------
    StudyError
        The query is blank, holds several statements, could change something, or does not say in
        which order its rows come.
    """
    text = query.strip().removesuffix(";").strip()
    plain = _QUOTED.sub(" ", text)
    words = plain.replace("(", " ").split()
    changing = _CHANGING.search(plain)
    problem = mend = ""
    if ";" in text:
        problem = "holds a semicolon within"
        mend = "Write one SELECT; a name with a semicolon is read by table = instead of a query"
    elif not words or words[0].lower() not in ("select", "with"):
        problem = f'begins with "{words[0]}", not with SELECT' if words else "is blank"
        mend = "relkit only reads: write one SELECT"
    elif changing:
        problem = f'holds the word "{changing[1]}", which changes something'
        mend = "relkit only reads: write one plain SELECT; put a column of this name in quotes"
    elif not _is_ordered(plain):
        problem = "does not say in which order its rows come"
        mend = (
            "End it in ORDER BY and a column without ties, such as the primary key: a row id "
            "must name the same row each time"
        )
    if problem:
        raise StudyError(f'the query of "{label}" {problem}', path=path, mend=mend)
    return text


def _is_ordered(plain: str) -> bool:
    """Whether ORDER BY stands outside all brackets."""
    before = ""
    while before != plain:
        before, plain = plain, re.sub(r"\([^()]*\)", " ", plain)
    return bool(re.search(r"(?i)\border\s+by\b", plain))

"""Error types that a person can act on: what is wrong, where, and the mend.

Layer: errors. Imports nothing of relkit.
"""

from __future__ import annotations

__all__ = ["InputError", "RelkitError", "StudyError"]


class RelkitError(Exception):
    """Base of all errors that relkit raises about a person's data."""


class StudyError(RelkitError):
    """The study file is wrong (command line exit code 2).

    Parameters
    ----------
    problem : str
        What is wrong, naming the key.
    path : str, optional
        The study file.
    mend : str, optional
        What to write instead.
    """

    def __init__(self, problem: str, *, path: str = "", mend: str = "") -> None:
        self.problem, self.path, self.mend = problem, path, mend
        super().__init__(_sentence(path, problem, mend))


class InputError(RelkitError):
    """A file of the study cannot be used (command line exit code 3).

    Parameters
    ----------
    problem : str
        What is wrong, naming the value.
    file : str, optional
        The file at fault.
    row : int, optional
        Its row as a person counts it: the first line or sheet row is 1.
    column : str, optional
        Its column, as the file writes it.
    mend : str, optional
        What to do about it.
    """

    def __init__(
        self,
        problem: str,
        *,
        file: str = "",
        row: int | None = None,
        column: str = "",
        mend: str = "",
    ) -> None:
        self.problem, self.file, self.row = problem, file, row
        self.column, self.mend = column, mend
        parts = [file, f"row {row}" if row is not None else "", f'column "{column}"' * bool(column)]
        super().__init__(_sentence(", ".join(part for part in parts if part), problem, mend))


def _sentence(place: str, problem: str, mend: str) -> str:
    head = f"{place}: {problem}" if place else problem
    return f"{head}. {mend}" if mend else head

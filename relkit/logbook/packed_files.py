"""Bytes of a file, unpacked where its name ends in .gz.

Layer: logbook. Standard library only.
"""

from __future__ import annotations

import gzip
import zlib
from pathlib import Path

from relkit.errors import InputError

__all__ = ["file_bytes", "form_of"]


def file_bytes(path: Path, file: str) -> bytes:
    """Return the bytes of a file, unpacked where its name ends in .gz.

    Raises
    ------
    InputError
        The packed file is damaged or none.
    """
    data = path.read_bytes()
    if path.suffix.lower() != ".gz":
        return data
    try:
        return gzip.decompress(data)
    except (OSError, EOFError, zlib.error):
        mend = "Pack it again, or give the unpacked file"
        raise InputError("the packed file cannot be unpacked", file=file, mend=mend) from None


def form_of(path: Path) -> str:
    """Return the ending that tells what a file holds, in lower case, without .gz.

    Examples
    --------
    >>> form_of(Path("jobs.JSONL.gz")), form_of(Path("jobs.csv")), form_of(Path("jobs.gz"))
    ('.jsonl', '.csv', '')
    """
    ending = path.suffix.lower()
    return Path(path.stem).suffix.lower() if ending == ".gz" else ending

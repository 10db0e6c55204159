"""Files of one run that take their places together, and those of an earlier run that go.

Layer: present. Standard library only. All files are written into a hidden folder first; only when
each is whole are they moved, one rename after the other. A run that is killed among the renames
is finished by the next one.
"""

from __future__ import annotations

import json
import os
import shutil
import sys
import tempfile
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

__all__ = ["finish_interrupted", "taking_their_places"]

_PREFIX, _READY, _LOCK = ".new_", ".ready", ".lock"


@contextmanager
def taking_their_places(folder: str | Path, *, may_go: Collection[str] = ()) -> Iterator[Path]:
    """Give an empty folder whose files take their places in ``folder`` once the block ends well.

    After an error, or if the process is killed before the end of the block, everything in
    ``folder`` is as it was. What an interrupted run left behind is finished or removed first.

    Parameters
    ----------
    folder : str or Path
        Made where it is missing; files of other names in it are left alone.
    may_go : collection of str
        Paths relative to ``folder`` that an earlier run may have written: those that this one
        does not write are removed.

    Raises
    ------
    OSError
        A folder or file cannot be written.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    finish_interrupted(folder)
    stage = Path(tempfile.mkdtemp(prefix=_PREFIX, dir=folder))
    try:
        with _held(stage / _LOCK):
            yield stage
            made = {path.relative_to(stage).as_posix() for path in _files(stage)}
            gone = json.dumps(sorted(set(may_go) - made))
            unmarked = stage / f"{_READY}_unmarked"
            unmarked.write_text(gone, encoding="utf-8")
            unmarked.replace(stage / _READY)  # from here on the run counts
            _move(stage, folder)
    finally:
        if not (stage / _READY).exists():
            shutil.rmtree(stage, ignore_errors=True)


def finish_interrupted(folder: Path) -> None:
    """Finish a run that was killed while its files were moved; remove one killed before.

    Raises
    ------
    OSError
        A file cannot be moved.
    """
    for stage in sorted(folder.glob(f"{_PREFIX}*")):
        if not stage.is_dir() or _is_held(stage / _LOCK):
            continue
        if (stage / _READY).exists():
            _move(stage, folder)
        shutil.rmtree(stage, ignore_errors=True)


def _files(stage: Path) -> list[Path]:
    """Files of a run, in the order in which they are moved."""
    own = (_READY, _LOCK)
    return sorted(path for path in stage.rglob("*") if path.is_file() and path.name not in own)


def _move(stage: Path, folder: Path) -> None:
    """Move a run's files to their places, and take away those that it does not make."""
    gone = json.loads((stage / _READY).read_text(encoding="utf-8"))
    moves = [(path, folder / path.relative_to(stage)) for path in _files(stage)]
    for parent in {target.parent for _, target in moves}:
        parent.mkdir(parents=True, exist_ok=True)
    for path, target in moves:
        path.replace(target)
    for name in gone:
        (folder / name).unlink(missing_ok=True)
    (stage / _READY).unlink()


@contextmanager
def _held(lock: Path) -> Iterator[None]:
    """Keep a file open and locked, which ends with the process however that ends."""
    with lock.open("w") as file:
        _lock(file)
        yield


if sys.platform == "win32":

    def _lock(file: IO[str]) -> None:
        """Do nothing: an open file cannot be removed there, which serves as the lock."""

    def _is_held(lock: Path) -> bool:
        try:
            lock.unlink(missing_ok=True)
        except OSError:
            return True
        return False

else:
    import fcntl

    def _lock(file: IO[str]) -> None:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)

    def _is_held(lock: Path) -> bool:
        try:
            handle = os.open(lock, os.O_RDWR)
        except FileNotFoundError:
            return False
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            return True
        finally:
            os.close(handle)
        return False

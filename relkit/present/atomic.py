"""Files that appear whole or not at all: written under a temporary name, then renamed.

Layer: present. Standard library only.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

__all__ = ["replacing", "write_bytes"]


@contextmanager
def replacing(path: str | Path) -> Iterator[Path]:
    """Give a temporary path beside ``path`` that takes its place once the block has ended well.

    The folder is made where it is missing. After an error the old file is still there and the
    temporary one is gone.

    Raises
    ------
    OSError
        The folder cannot be made or written to.
    """
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=path.suffix, dir=path.parent)
    os.close(handle)
    temporary = Path(name)
    try:
        yield temporary
        temporary.chmod(0o666 & ~_mask())  # mkstemp makes files that only their owner can read
        temporary.replace(path)
    finally:
        temporary.unlink(missing_ok=True)


def write_bytes(path: str | Path, content: bytes) -> Path:
    """Write bytes to a file that appears whole or not at all; raises like :func:`replacing`."""
    path = Path(path)
    with replacing(path) as temporary:
        temporary.write_bytes(content)
    return path


def _mask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask

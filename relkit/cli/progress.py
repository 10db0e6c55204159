"""Progress on standard error: what is being done, and for how long, where it takes a while.

Layer: cli. On a terminal one line that goes away again; elsewhere one plain line per stage.
"""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TextIO

__all__ = ["stages"]

#: How long something may take before anything is said [s].
_PATIENCE = 1.0


@contextmanager
def stages(*, quiet: bool = False, stream: TextIO | None = None) -> Iterator[Callable[[str], None]]:
    """Give a function that is told the name of each stage as it begins.

    Nothing is shown of what ends within a second.

    Parameters
    ----------
    quiet : bool
        True: show nothing at all.
    stream : text file, optional
        Where to write; default: standard error.
    """
    stream = sys.stderr if stream is None else stream
    if quiet:
        yield _say_nothing
    elif stream.isatty():
        with _terminal(stream) as tell:
            yield tell
    else:
        with _plain(stream) as tell:
            yield tell


@contextmanager
def _terminal(stream: TextIO) -> Iterator[Callable[[str], None]]:
    from rich.console import Console
    from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

    columns = (SpinnerColumn(), TextColumn("{task.description}"), TimeElapsedColumn())
    bar = Progress(*columns, console=Console(file=stream), transient=True)
    task = bar.add_task("starting")
    timer = threading.Timer(_PATIENCE, bar.start)
    timer.daemon = True
    timer.start()
    try:
        yield lambda stage: bar.update(task, description=stage)
    finally:
        timer.cancel()
        bar.stop()


@contextmanager
def _plain(stream: TextIO) -> Iterator[Callable[[str], None]]:
    """Lines of stages that began after the first second; before it nobody needs to know."""
    start = time.monotonic()

    def tell(stage: str) -> None:
        elapsed = time.monotonic() - start
        if elapsed >= _PATIENCE:
            stream.write(f"[{elapsed:.0f} s] {stage}\n")
            stream.flush()

    yield tell


def _say_nothing(stage: str) -> None:
    """Take a stage's name without a word."""
    del stage

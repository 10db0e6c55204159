"""Progress: silent when quick or quiet, plain lines where there is no terminal."""

from __future__ import annotations

import io
import time

import pytest

from relkit.cli.progress import stages


def clock(monkeypatch: pytest.MonkeyPatch, *seconds: float) -> None:
    """Let the machine's clock tell these seconds one after the other."""
    told = iter(seconds)
    monkeypatch.setattr(time, "monotonic", lambda: next(told))


def test_nothing_is_said_within_the_first_second(monkeypatch: pytest.MonkeyPatch) -> None:
    # Source: progress on anything over a second.
    clock(monkeypatch, 0.0, 0.3, 0.9)
    stream = io.StringIO()
    with stages(stream=stream) as tell:
        tell("reading")
        tell("fitting")
    assert stream.getvalue() == ""


def test_later_stages_are_plain_lines(monkeypatch: pytest.MonkeyPatch) -> None:
    # Source: plain output when not a terminal.
    clock(monkeypatch, 0.0, 0.3, 2.4)
    stream = io.StringIO()
    with stages(stream=stream) as tell:
        tell("reading")
        tell("fitting")
    assert stream.getvalue() == "[2 s] fitting\n"


def test_quiet_is_quiet(monkeypatch: pytest.MonkeyPatch) -> None:
    # Source: what --help says of --quiet.
    clock(monkeypatch, 0.0, 5.0)
    stream = io.StringIO()
    with stages(quiet=True, stream=stream) as tell:
        tell("reading")
    assert stream.getvalue() == ""


class Terminal(io.StringIO):
    """Something that says it is a terminal."""

    def isatty(self) -> bool:
        """Return True."""
        return True


def test_a_terminal_gets_one_line_that_goes_away(monkeypatch: pytest.MonkeyPatch) -> None:
    # Source: common practice; with no patience the line starts at once.
    monkeypatch.setattr("relkit.cli.progress._PATIENCE", 0.0)
    stream = Terminal()
    with stages(stream=stream) as tell:
        tell("fitting")
        for _ in range(200):
            if "fitting" in stream.getvalue():
                break
            time.sleep(0.01)
    assert "fitting" in stream.getvalue()


def test_a_quick_end_on_a_terminal_leaves_nothing() -> None:
    # Source: progress on anything over a second.
    stream = Terminal()
    with stages(stream=stream) as tell:
        tell("fitting")
    assert "fitting" not in stream.getvalue()

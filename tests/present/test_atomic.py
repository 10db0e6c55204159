"""Files appear whole or not at all."""

from __future__ import annotations

from pathlib import Path

import pytest

from relkit.present.atomic import replacing, write_bytes


def test_the_file_takes_its_place_and_nothing_else_is_left(tmp_path: Path) -> None:
    # Source: common practice.
    path = write_bytes(tmp_path / "new" / "plan.html", b"first")
    write_bytes(path, b"second")
    assert path.read_bytes() == b"second"
    assert [p.name for p in path.parent.iterdir()] == ["plan.html"]
    assert path.stat().st_mode & 0o400


def interrupted(path: Path) -> None:
    with replacing(path) as temporary:
        temporary.write_bytes(b"half")
        raise OSError("no space left")


def test_an_error_leaves_the_old_file_and_no_temporary_one(tmp_path: Path) -> None:
    # Source: common practice.
    path = write_bytes(tmp_path / "plan.html", b"old")
    with pytest.raises(OSError, match="no space left"):
        interrupted(path)
    assert path.read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["plan.html"]

"""Files of one run take their places together, also after a kill at any moment."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from relkit.present.together import finish_interrupted, taking_their_places

MADE = ("plan.html", "plan.xlsx", "tables/about.csv", "tables/due.csv")
MAY_GO = ("tables/due.csv", "tables/old.csv")

#: Writes a run and kills itself at the n-th rename or removal from the moment it counts.
KILLED = """
import os, signal, sys
from pathlib import Path
from relkit.present.together import taking_their_places
left = int(sys.argv[2])
def counted(done):
    def move(self, *given, **named):
        global left
        left -= 1
        if left < 0:
            os.kill(os.getpid(), signal.SIGKILL)
        return done(self, *given, **named)
    return move
with taking_their_places(sys.argv[1], may_go=("tables/due.csv", "tables/old.csv")) as stage:
    for name in ("plan.html", "plan.xlsx", "tables/about.csv", "tables/due.csv"):
        (stage / name).parent.mkdir(exist_ok=True)
        (stage / name).write_text("new " + name)
    Path.replace = counted(Path.replace)
    Path.unlink = counted(Path.unlink)
"""


def write(folder: Path, word: str, names: tuple[str, ...] = MADE) -> None:
    with taking_their_places(folder, may_go=MAY_GO) as stage:
        for name in names:
            (stage / name).parent.mkdir(exist_ok=True)
            (stage / name).write_text(f"{word} {name}")


def contents(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): path.read_text()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and not path.relative_to(folder).parts[0].startswith(".new_")
    }


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Path]:
    out = tmp_path / "out"
    write(out, "old", (*MADE, "tables/old.csv"))
    (out / "mine.txt").write_text("mine")
    yield out
    assert (out / "mine.txt").read_text() == "mine"


OLD = {name: f"old {name}" for name in (*MADE, "tables/old.csv")} | {"mine.txt": "mine"}
NEW = {name: f"new {name}" for name in MADE} | {"mine.txt": "mine"}


def test_the_new_run_replaces_the_old_one_and_what_it_no_longer_makes_goes(folder: Path) -> None:
    # Source: common practice.
    assert contents(folder) == OLD
    write(folder, "new")
    assert contents(folder) == NEW
    assert not list(folder.glob(".*"))


def fail(folder: Path) -> None:
    with taking_their_places(folder, may_go=MAY_GO) as stage:
        (stage / "plan.html").write_text("half")
        raise OSError("no space left")


def test_an_error_leaves_the_old_run(folder: Path) -> None:
    # Source: common practice.
    with pytest.raises(OSError, match="no space left"):
        fail(folder)
    assert contents(folder) == OLD
    assert not list(folder.glob(".*"))


# the run counts with the first rename; four files, one removal and the mark follow
@pytest.mark.parametrize("moment", range(7))
def test_killed_at_any_step_each_file_is_whole_and_the_next_run_mends_the_set(
    folder: Path, moment: int
) -> None:
    # Source: every step of the program is tried.
    done = subprocess.run([sys.executable, "-c", KILLED, str(folder), str(moment)], check=False)
    assert done.returncode == -9
    seen = contents(folder)
    for name, text in seen.items():
        assert text in (OLD.get(name), NEW.get(name))
    assert set(NEW) <= set(seen)
    finish_interrupted(folder)
    assert contents(folder) == (OLD if moment == 0 else NEW)
    assert not list(folder.glob(".*"))


def test_a_run_that_is_not_killed_ends_well(folder: Path) -> None:
    # Source: the check of the test above.
    subprocess.run([sys.executable, "-c", KILLED, str(folder), "99"], check=True)
    assert contents(folder) == NEW


def test_a_run_at_work_is_left_alone_by_another(folder: Path) -> None:
    # Source: common practice: two runs into one folder.
    with taking_their_places(folder, may_go=MAY_GO) as stage:
        (stage / "plan.html").write_text("slow")
        write(folder, "new")
        assert stage.exists()
    assert contents(folder)["plan.html"] == "slow"

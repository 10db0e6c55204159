"""Kill `relkit plan` at random moments and look whether its outputs are the old or the new ones.

Run by hand for many kills: python tests/cli/kill_moments.py STUDY KILLS
"""

from __future__ import annotations

import hashlib
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import numpy as np

__all__ = ["killed_at_random", "outputs"]


def outputs(folder: Path) -> dict[str, str]:
    """Return the digest of every output below a folder; hidden folders of runs are none."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and not path.relative_to(folder).parts[0].startswith(".")
    }


def start(study: Path, out: Path) -> subprocess.Popen[bytes]:
    words = [sys.executable, "-m", "relkit", "plan", str(study), "--out", str(out), "-q"]
    return subprocess.Popen(
        [*words, "--quick"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )


def whole_run(study: Path, out: Path) -> tuple[dict[str, str], float]:
    started = time.perf_counter()
    assert start(study, out).wait() == 0
    return outputs(out), time.perf_counter() - started


def killed_at_random(
    studies: tuple[Path, Path], out: Path, kills: int, rng: np.random.Generator
) -> Counter[str]:
    """Return how often a killed run left the old outputs, the new ones, or something else.

    Each run is of the study whose outputs are not there. One is killed at a moment uniform over
    the length of a whole run and a little beyond, the next within the time that writing takes.
    """
    (other, _), (there, length) = (whole_run(study, out) for study in studies)
    sets, now = [other, there], 1
    assert sets[0] != sets[1]
    seen: Counter[str] = Counter()
    for number in range(kills):
        run = start(studies[1 - now], out)
        if number % 2:
            before = set(out.glob(".new_*"))
            while run.poll() is None and not set(out.glob(".new_*")) - before:
                time.sleep(0.002)
            time.sleep(rng.uniform(0, 0.25 * length))
        else:
            time.sleep(rng.uniform(0, 1.2 * length))
        os.kill(run.pid, signal.SIGKILL)
        run.wait()
        found = outputs(out)
        if found == sets[now]:
            seen["old"] += 1
        elif found == sets[1 - now]:
            seen["new"] += 1
            now = 1 - now
        else:
            seen["mixed"] += 1
            _, now = whole_run(studies[0], out), 0
    return seen


if __name__ == "__main__":
    study, kills = Path(sys.argv[1]), int(sys.argv[2])
    with tempfile.TemporaryDirectory() as name:
        second = study.with_name(".killed_study.toml")
        text = study.read_text(encoding="utf-8")
        second.write_text(text.replace('name = "', 'name = "Again: ', 1), encoding="utf-8")
        try:
            pair = (study, second)
            seen = killed_at_random(pair, Path(name) / "out", kills, np.random.default_rng(1))
        finally:
            second.unlink()
    sys.stdout.write(f"{kills} kills: {dict(seen)}\n")

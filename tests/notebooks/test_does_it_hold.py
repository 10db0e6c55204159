"""Notebook 05 runs on any study: on one whose log is too short for its question, it says so."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

NOTEBOOK = Path(__file__).parents[2] / "notebooks" / "05_does_it_hold.ipynb"
STUDY = """name = "short"
[files]
log = [{ path = "jobs.csv" }]
register = [{ path = "items.csv" }]
[window]
start = 2023-01-01
end = 2023-10-31
"""


def shown_by_cells(path: Path) -> list[Any]:
    """Run the code cells one by one and return what each shows last."""
    names: dict[str, Any] = {}
    shown = []
    for cell in json.loads(path.read_text(encoding="utf-8"))["cells"]:
        if cell["cell_type"] == "code":
            *lines, last = "".join(cell["source"]).splitlines()
            exec("\n".join(lines), names)
            if " = " in last or last.startswith(("import", "from", " ")):
                exec(last, names)
            else:
                shown.append(eval(last, names))
    return shown


def test_a_log_that_is_too_short_is_told_in_every_part(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Source: a year before the first forecast and a quarter after it are 15 months; here are 10.
    jobs = [
        f"2023-{1 + i % 10:02d}-{1 + i % 28:02d},V{i % 9},camera,rear,failed,replaced"
        for i in range(12)
    ]
    head = "date,vehicle,component,location,finding,action\n"
    (tmp_path / "jobs.csv").write_text(head + "\n".join(jobs) + "\n")
    items = [f"V{i},camera,rear,2022-0{1 + i % 9}-01" for i in range(9)]
    (tmp_path / "items.csv").write_text("vehicle,component,location,fitted_on\n" + "\n".join(items))
    (tmp_path / "study.toml").write_text(STUDY)
    monkeypatch.setenv("RELKIT_STUDY", str(tmp_path / "study.toml"))
    shown = shown_by_cells(NOTEBOOK)
    told = [one for one in shown if "too short for this test" in str(getattr(one, "text", ""))]
    assert len(told) == 5  # verdict, forecast, coverage, scores, change
    figures = [one.layout.meta["alternative"] for one in shown if hasattr(one, "layout")]
    assert len(figures) == 6
    assert sum("too short for this test" in text for text in figures) == 3
    assert sum("no further kind of item" in text for text in figures) == 2

"""Notebooks are fit to be compared: opened with a question, short cells, figures without output.

Their numbers are compared by nbval: pytest --nbval notebooks.
"""

from __future__ import annotations

import importlib.util
import json
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

ROOT = Path(__file__).parents[2]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))


@pytest.fixture(scope="module")
def stripper() -> ModuleType:
    spec = importlib.util.spec_from_file_location("strip", ROOT / ".ci" / "strip_notebooks.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def read(path: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return found


def test_there_are_six() -> None:
    # Source: check the log, failure curves, inspection intervals, does it hold, and so on.
    assert [path.name[:2] for path in NOTEBOOKS] == ["01", "02", "03", "04", "05", "06"]


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_each_is_stripped_and_carries_its_numbers(path: Path, stripper: ModuleType) -> None:
    # Source: what cannot be compared is not committed; what is shown is compared.
    notebook = read(path)
    assert stripper.problems(notebook) == []
    assert json.loads(json.dumps(stripper.stripped(notebook))) == notebook


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_each_opens_with_reader_and_question_and_ends_with_cautions(path: Path) -> None:
    # Source: a notebook says who it is for and what it answers; cautions on every output.
    cells = read(path)["cells"]
    opening = "".join(cells[0]["source"])
    assert "**For**" in opening
    assert "**Question:**" in opening
    assert any("show_cautions" in "".join(cell["source"]) for cell in cells[-3:])
    sources = ["".join(cell["source"]) for cell in cells if cell["cell_type"] == "code"]
    settings = [source for source in sources if "RELKIT_STUDY" in source]
    assert len(settings) == 1


def test_stripping_finds_what_a_person_must_mend(stripper: ModuleType) -> None:
    # Source: made cells.
    def cell(source: str, tags: list[str], outputs: list[dict[str, Any]]) -> dict[str, Any]:
        kept = {"cell_type": "code", "metadata": {"tags": tags, "x": 1}, "source": source}
        return kept | {"outputs": outputs, "execution_count": 7}

    out = {"output_type": "execute_result", "execution_count": 7, "data": {}, "metadata": {}}
    cells = [
        cell("1 + 1", [], []),
        cell("figure", [stripper.FIGURE], [out]),
        cell("x = 1", [], []),
        cell("\n".join("x = 1" for _ in range(6)), [], []),
        cell("2", [], [out]),
    ]
    notebook = {"cells": cells, "metadata": {"widgets": {}}}
    assert stripper.problems(notebook) == [
        "cell 0 shows numbers but carries no output: run the notebook",
        "cell 3 has more than 5 lines of code",
    ]
    clean = stripper.stripped(notebook)
    assert clean["metadata"] == stripper.METADATA
    assert clean["cells"][1]["outputs"] == []
    assert clean["cells"][4]["outputs"][0]["execution_count"] == 4
    assert clean["cells"][4]["metadata"] == {}

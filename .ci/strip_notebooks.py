"""Strip from notebooks what cannot be compared; with --check, fail where something would change.

Kept: sources, tags, and outputs of number cells, which nbval compares. Removed: outputs of cells
tagged ``nbval-ignore-output`` (figures), widget states, machine metadata. Execution counts become
the place of the cell (nbval takes a cell without one for a cell that was never run). Also an
error: a number cell without output, more than five lines of code in a cell.
"""

from __future__ import annotations

import ast
import json
import sys
from pathlib import Path
from typing import Any

FIGURE = "nbval-ignore-output"
MOST_LINES = 5
METADATA = {
    "kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
    "language_info": {"name": "python"},
}


def stripped(notebook: dict[str, Any]) -> dict[str, Any]:
    """Return the notebook without what cannot be compared."""
    cells = [_cell(number, cell) for number, cell in enumerate(notebook["cells"])]
    return {"cells": cells, "metadata": METADATA, "nbformat": 4, "nbformat_minor": 5}


def _cell(number: int, cell: dict[str, Any]) -> dict[str, Any]:
    tags = cell["metadata"].get("tags", [])
    kept: dict[str, Any] = {
        "cell_type": cell["cell_type"],
        "id": f"cell-{number:02d}",
        "metadata": {"tags": tags} if tags else {},
        "source": cell["source"],
    }
    if cell["cell_type"] == "code":
        outputs = [] if FIGURE in tags else [_output(out, number) for out in cell["outputs"]]
        kept["outputs"] = outputs
        kept["execution_count"] = number if outputs else None
    return kept


def _output(output: dict[str, Any], number: int) -> dict[str, Any]:
    return output | {"execution_count": number} if "execution_count" in output else output


def problems(notebook: dict[str, Any]) -> list[str]:
    """Return what a person has to mend: cells that are too long, numbers that are not compared."""
    found = []
    for number, cell in enumerate(notebook["cells"]):
        if cell["cell_type"] != "code":
            continue
        source = "".join(cell["source"])
        if len(source.splitlines()) > MOST_LINES:
            found.append(f"cell {number} has more than {MOST_LINES} lines of code")
        figure = FIGURE in cell["metadata"].get("tags", [])
        if _shows(source) and not figure and not cell["outputs"]:
            found.append(f"cell {number} shows numbers but carries no output: run the notebook")
    return found


def _shows(source: str) -> bool:
    """Whether the last statement of a cell is an expression, which a notebook displays."""
    body = ast.parse(source).body
    return bool(body) and isinstance(body[-1], ast.Expr)


def main(arguments: list[str]) -> int:
    """Strip the notebooks that are named; with --check only report."""
    check = "--check" in arguments
    wrong = 0
    for path in [Path(name) for name in arguments if name != "--check"]:
        old = path.read_text(encoding="utf-8")
        notebook = json.loads(old)
        new = json.dumps(stripped(notebook), indent=1, ensure_ascii=False, sort_keys=True) + "\n"
        for problem in problems(notebook):
            print(f"{path}: {problem}")
            wrong += 1
        if new != old and check:
            print(f"{path}: not stripped: run python .ci/strip_notebooks.py {path}")
            wrong += 1
        elif new != old:
            path.write_text(new, encoding="utf-8")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

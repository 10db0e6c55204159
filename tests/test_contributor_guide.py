"""The contributor guide and the README say what the code is: layout, glossary, commands."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
import re
from pathlib import Path

import relkit

ROOT = Path(__file__).parent.parent
GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
README = (ROOT / "README.md").read_text(encoding="utf-8")


def table_under(heading: str) -> list[list[str]]:
    section = GUIDE.split(f"## {heading}\n", 1)[1].split("\n## ", 1)[0]
    rows = [line for line in section.splitlines() if line.startswith("| ")]
    return [[cell.strip() for cell in row.strip("|").split(" | ")] for row in rows[2:]]


def test_layout_table_names_every_package_and_nothing_else() -> None:
    # Source: the project's own rule: the map is compared with the ground.
    named = {name for row in table_under("Layout") for name in re.findall(r"`([^`]+)`", row[0])}
    packages = {f"relkit/{m.name}" for m in pkgutil.iter_modules(relkit.__path__) if m.ispkg}
    modules = {
        f"relkit/{m.name}.py"
        for m in pkgutil.iter_modules(relkit.__path__)
        if not m.ispkg and m.name != "__main__"
    }
    assert named == packages | modules | {"notebooks", "data_demo", "tests"}


def test_public_parameters_use_the_glossary() -> None:
    # Source: the project's own rule: one word for one thing, listed in the guide.
    words = set(re.findall(r"`([a-z_0-9]+)`", GUIDE.split("## Glossary")[1].split("\n## ")[0]))
    listed = {part.strip() for row in table_under("Glossary") for part in row[0].split(",")}
    known = words | listed | {part.replace(" ", "_") for part in listed}
    for name in relkit.__all__:
        parameters = set(inspect.signature(getattr(relkit, name)).parameters)
        assert parameters <= known, f"{name}: {sorted(parameters - known)} not in the glossary"


def test_public_docstrings_state_what_they_need() -> None:
    # Source: the project's own rule (numpydoc sections of public functions).
    for name in relkit.__all__:
        text = inspect.getdoc(getattr(relkit, name)) or ""
        assert "Raises" in text or "raises like" in text, f"{name} does not say what it raises"


def test_readme_opens_with_the_job_and_links_to_files_that_exist() -> None:
    # Source: the project's own rule.
    assert README.splitlines()[2].startswith("A fleet of heavy working vehicles")
    for target in re.findall(r"\]\(([^)#]+)\)", README):
        assert (ROOT / target).exists(), f"README links to {target}, which is not there"


def test_readme_shows_two_commands() -> None:
    # Source: the project's own rule: one to see the demo, one to run the tests.
    blocks = re.findall(r"^```bash\n(.+?)\n```$", README, flags=re.MULTILINE | re.DOTALL)
    assert len(blocks) == 2
    assert "relkit demo" in blocks[0]
    assert "pytest" in blocks[1]
    assert all("\n" not in block for block in blocks)


def test_every_module_says_its_layer() -> None:
    # Source: the project's own rule: two lines at the top of each file.
    for module in pkgutil.walk_packages(relkit.__path__, "relkit."):
        if module.ispkg or module.name.endswith("__main__"):
            continue
        text = importlib.import_module(module.name).__doc__ or ""
        assert "Layer:" in text, f"{module.name} does not name its layer"

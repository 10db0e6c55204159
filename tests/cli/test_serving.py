"""The commands notebooks and serve, without a browser: copies, settings, refusals."""

from __future__ import annotations

import json
import stat
import tomllib
from pathlib import Path

import pytest

from relkit.cli.commands import main
from relkit.cli.notebook_files import (
    copied_notebooks,
    lab_settings,
    notebook_folder,
    page_settings,
    served_notebooks,
)

ROOT = Path(__file__).parents[2]
STUDY = str(ROOT / "data_demo" / "clean" / "study.toml")


def _run(words: list[str], capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as left:
        main(words)
    seen = capsys.readouterr()
    return int(left.value.code or 0), seen.out, seen.err


def test_copies_keep_what_was_changed(tmp_path: Path) -> None:
    copied, kept = copied_notebooks(tmp_path / "mine")
    assert [path.name for path in copied] == sorted(
        path.name for path in (ROOT / "notebooks").glob("0*.ipynb")
    )
    assert kept == ()
    copied[0].write_text("changed")
    again, there = copied_notebooks(tmp_path / "mine")
    assert again == ()
    assert there == copied
    assert copied[0].read_text() == "changed"


def test_notebooks_are_part_of_the_wheel() -> None:
    # The folder beside the package is installed inside it; every package is listed.
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]
    folders = {
        ".".join(path.parent.relative_to(ROOT).parts)
        for path in (ROOT / "relkit").rglob("__init__.py")
    }
    assert set(settings["packages"]) == folders | {"relkit.notebooks"}
    assert settings["package-dir"] == {"relkit.notebooks": "notebooks"}
    assert settings["package-data"]["relkit.notebooks"] == ["*.ipynb"]
    assert notebook_folder() == ROOT / "notebooks"


def test_copy_only_starts_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["notebooks", STUDY, "--out", str(tmp_path / "n"), "--copy-only"]
    code, out, _ = _run(words, capsys)
    assert code == 0
    assert "notebooks copied" in out
    assert STUDY in out


def test_a_wrong_study_starts_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for command in ("notebooks", "serve"):
        code, _, err = _run([command, str(tmp_path / "none.toml")], capsys)
        assert code == 2
        assert "none.toml" in err


def test_served_pages_have_names_and_settings(tmp_path: Path) -> None:
    pages = served_notebooks(tmp_path / "pages")
    assert "Inspection intervals" in [page.stem for page in pages]
    own = page_settings(tmp_path / "s", address="127.0.0.1", port=8123, token="secret")
    settings = json.loads((Path(own["JUPYTER_CONFIG_PATH"]) / "voila.json").read_text())
    assert settings["Voila"]["token"] == "secret"
    assert settings["Voila"]["ip"] == "127.0.0.1"
    assert settings["VoilaConfiguration"]["show_tracebacks"] is False
    page = Path(own["JUPYTER_PATH"]) / "voila" / "templates" / "relkit" / "index.html.j2"
    assert "http" not in page.read_text()


def test_settings_can_be_read_by_their_owner_only(tmp_path: Path) -> None:
    own = page_settings(tmp_path / "s", address="127.0.0.1", port=8123, token="secret")
    mode = (Path(own["JUPYTER_CONFIG_PATH"]) / "voila.json").stat().st_mode
    assert stat.S_IMODE(mode) == 0o600


def test_lab_asks_for_no_news(tmp_path: Path) -> None:
    folder = lab_settings(tmp_path)
    text = (folder / "labconfig" / "page_config.json").read_text()
    assert json.loads(text)["disabledExtensions"] == {
        "@jupyterlab/apputils-extension:announcements": True
    }

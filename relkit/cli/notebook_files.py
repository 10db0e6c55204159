"""What showing notebooks needs on disk: copies of them, and settings of what shows them.

Layer: cli. Everything is written into folders that the caller names.
"""

from __future__ import annotations

import json
import shutil
from importlib import resources
from pathlib import Path

import relkit
from relkit.errors import InputError

__all__ = [
    "copied_notebooks",
    "lab_settings",
    "notebook_folder",
    "page_settings",
    "served_notebooks",
]

#: Notebooks that are shown as pages, by the start of their names, and what each page is called.
_SERVED = {"03": "Inspection intervals", "04": "What if"}


def notebook_folder() -> Path:
    """Return the folder of the notebooks that came with relkit.

    Raises
    ------
    InputError
        The installation has none.
    """
    home = Path(relkit.__file__).parent
    for folder in (home / "notebooks", home.parent / "notebooks"):
        if any(folder.glob("0*.ipynb")):
            return folder
    raise InputError("the notebooks are missing", mend="Install relkit again from its wheel")


def copied_notebooks(folder: Path) -> tuple[tuple[Path, ...], tuple[Path, ...]]:
    """Copy the notebooks into a folder: those copied, and those kept because they were there."""
    folder.mkdir(parents=True, exist_ok=True)
    copied: list[Path] = []
    kept: list[Path] = []
    for source in sorted(notebook_folder().glob("0*.ipynb")):
        target = folder / source.name
        (kept if target.exists() else copied).append(target)
        if not target.exists():
            shutil.copyfile(source, target)
    return tuple(copied), tuple(kept)


def served_notebooks(folder: Path) -> tuple[Path, ...]:
    """Copy the notebooks that are shown as pages into a folder, under names that people read."""
    folder.mkdir(parents=True, exist_ok=True)
    made = []
    for start, title in _SERVED.items():
        for source in sorted(notebook_folder().glob(f"{start}*.ipynb")):
            made.append(folder / f"{title}.ipynb")
            shutil.copyfile(source, made[-1])
    return tuple(made)


def lab_settings(folder: Path) -> Path:
    """Write settings with which JupyterLab asks for no news; returns a path of settings."""
    config = folder / "labconfig"
    config.mkdir(parents=True, exist_ok=True)
    text = json.dumps(
        {"disabledExtensions": {"@jupyterlab/apputils-extension:announcements": True}}
    )
    (config / "page_config.json").write_text(text, encoding="utf-8")
    return folder


def page_settings(folder: Path, *, address: str, port: int, token: str) -> dict[str, str]:
    """Write what shows notebooks as pages, and return the environment variables that name it.

    Parameters
    ----------
    folder : Path
        Folder of the settings; the file with the token can be read by its owner only.
    address, port
        Where the pages are served.
    token : str
        Without it nobody sees a page.
    """
    template = folder / "share" / "voila" / "templates" / "relkit"
    template.mkdir(parents=True, exist_ok=True)
    page = resources.files("relkit.present") / "served" / "index.html.j2"
    (template / "index.html.j2").write_text(page.read_text(encoding="utf-8"), encoding="utf-8")
    (template / "conf.json").write_text(json.dumps({"base_template": "lab"}), encoding="utf-8")
    startup = folder / "ipython" / "profile_default" / "startup"
    startup.mkdir(parents=True, exist_ok=True)
    (startup / "00_figures.py").write_text(
        "from relkit.present.served_figures import draw_in_page\n\ndraw_in_page()\n",
        encoding="utf-8",
    )
    config = folder / "config"
    config.mkdir(exist_ok=True)
    settings = {
        "Voila": {"ip": address, "port": port, "port_retries": 0, "token": token},
        "VoilaConfiguration": {"template": "relkit", "show_tracebacks": False},
    }
    secret = config / "voila.json"
    secret.touch(mode=0o600)
    secret.write_text(json.dumps(settings), encoding="utf-8")
    return {
        "JUPYTER_PATH": str(folder / "share"),
        "JUPYTER_CONFIG_PATH": str(config),
        "IPYTHONDIR": str(folder / "ipython"),
    }

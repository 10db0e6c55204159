"""The commands notebooks and serve: JupyterLab on copies, and notebooks as pages without code.

Layer: cli. Both listen on this machine only unless told otherwise, and always ask for a token.
"""

from __future__ import annotations

import importlib.util
import os
import secrets
import signal
import socket
import subprocess
import sys
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated

import typer

from relkit.cli.notebook_files import (
    copied_notebooks,
    lab_settings,
    page_settings,
    served_notebooks,
)
from relkit.errors import InputError

__all__ = ["notebooks", "serve"]

#: How long a server may take to end its kernels before it is ended itself.
_PATIENCE_SECONDS = 10

_LOOPBACK = ("127.0.0.1", "::1", "localhost")

StudyFile = Annotated[
    Path, typer.Argument(metavar="STUDY", help="The study file (TOML).", show_default=False)
]
Port = Annotated[int, typer.Option(min=0, max=65535, help="Port; 0: any that is free.")]
NoBrowser = Annotated[
    bool, typer.Option("--no-browser", help="Open no browser; print the address.")
]


def notebooks(
    study: StudyFile,
    out: Annotated[
        Path, typer.Option("--out", help="Folder for the copies; made where it is missing.")
    ] = Path("relkit_notebooks"),
    copy_only: Annotated[
        bool, typer.Option("--copy-only", help="Copy the notebooks and start nothing.")
    ] = False,
    no_browser: NoBrowser = False,
    port: Port = 8888,
) -> None:
    """Open the notebooks on a study in JupyterLab: the work, step by step, to change at will.

    The notebooks are copied to OUT; copies that are there already are kept as they are. JupyterLab
    listens on this machine only and asks for its token.
    """
    path = _checked(study)
    copied, kept = copied_notebooks(out)
    typer.echo(f"{len(copied)} notebooks copied to {out}, {len(kept)} kept as they were.")
    if copy_only:
        typer.echo(f"They read the study named by the variable RELKIT_STUDY: {path}")
        return
    _needs("jupyterlab")
    with tempfile.TemporaryDirectory(prefix="relkit_") as folder:
        settings = str(lab_settings(Path(folder)))
        others = os.environ.get("JUPYTER_CONFIG_PATH", "")
        own = {
            "RELKIT_STUDY": str(path),
            "JUPYTER_CONFIG_PATH": os.pathsep.join(part for part in (settings, others) if part),
        }
        words = ["jupyterlab", f"--ServerApp.root_dir={out.resolve()}", "--ServerApp.ip=127.0.0.1"]
        words.append(f"--ServerApp.port={port}")
        words += ["--no-browser"] if no_browser else []
        raise typer.Exit(_run(words, own))


def serve(
    study: StudyFile,
    port: Port = 8866,
    address: Annotated[
        str,
        typer.Option(help="Address to listen on; any but this machine's own is for you to guard."),
    ] = "127.0.0.1",
    no_browser: NoBrowser = False,
) -> None:
    """Show the intervals and the what-ifs of a study as pages without code, in a browser.

    The pages are served from this machine to itself; the printed address carries a token,
    without which nobody sees them. Ends with Ctrl-C. Files of the study are only read; a
    scenario that is saved on a page is written to the folder "scenarios" beside the study.
    """
    path = _checked(study)
    _needs("voila")
    port = port or _free_port(address)
    if address not in _LOOPBACK:
        typer.echo(
            f"Warning: the pages can be reached from other machines at {address}. The connection "
            "is not encrypted: whoever can listen on this network can read the token.",
            err=True,
        )
    token = secrets.token_urlsafe(24)
    with tempfile.TemporaryDirectory(prefix="relkit_") as name:
        folder = Path(name)
        pages = served_notebooks(folder / "pages")
        own = page_settings(folder, address=address, port=port, token=token)
        shown = address if address not in ("0.0.0.0", "::") else socket.gethostname()
        typer.echo("\n".join(_addresses(pages, shown, port, token)))
        words = ["voila", str(folder / "pages")]
        words += ["--no-browser"] if no_browser else []
        others = os.environ.get("JUPYTER_PATH", "")
        if others:
            own["JUPYTER_PATH"] += os.pathsep + others
        own["RELKIT_STUDY"] = str(path)
        own["RELKIT_SCENARIOS"] = os.environ.get("RELKIT_SCENARIOS", str(path.parent / "scenarios"))
        raise typer.Exit(_run(words, own))


def _addresses(pages: Sequence[Path], address: str, port: int, token: str) -> list[str]:
    """Return the lines that say where the pages are."""
    from urllib.parse import quote

    host = f"[{address}]" if ":" in address else address
    lines = ["Pages, each computed afresh when it is opened; Ctrl-C ends them:"]
    for page in pages:
        where = f"http://{host}:{port}/voila/render/{quote(page.name)}?token={token}"
        lines.append(f"  {page.stem}  {where}")
    return lines


def _checked(study: Path) -> Path:
    """Return the whole path of a study that can be read."""
    from relkit.study.read import read_study

    return read_study(study).path.resolve()


def _needs(module: str) -> None:
    if importlib.util.find_spec(module) is None:
        raise InputError(
            f"{module} is not installed",
            mend='Install the extra "notebooks": pip install "relkit[notebooks]"',
        )


def _free_port(address: str) -> int:
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    with socket.socket(family) as probe:
        probe.bind((address, 0))
        return int(probe.getsockname()[1])


def _run(words: Sequence[str], own: Mapping[str, str]) -> int:
    """Run a module of Python until it ends or is told to; return its exit code."""
    process = subprocess.Popen([sys.executable, "-m", *words], env={**os.environ, **own})
    previous = signal.signal(signal.SIGTERM, _interrupt)
    try:
        return process.wait()
    except KeyboardInterrupt:
        process.terminate()
        try:
            process.wait(_PATIENCE_SECONDS)
        except subprocess.TimeoutExpired:  # a kernel that computes does not listen
            process.kill()
            process.wait()
        return 0
    finally:
        signal.signal(signal.SIGTERM, previous)


def _interrupt(*_: object) -> None:
    """Take being told to end as Ctrl-C."""
    raise KeyboardInterrupt

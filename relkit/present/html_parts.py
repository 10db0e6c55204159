"""Pieces that every HTML page of this package shares: templates, scripts, policy, figure data.

Layer: present. Nothing in a page asks the network for anything.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Mapping
from importlib import resources
from typing import TYPE_CHECKING, Any

from relkit.present.template import figure_template

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = [
    "asset",
    "environment",
    "figures_as_data",
    "json_in_script",
    "plotly_script",
    "policy",
]


def figures_as_data(figures: Mapping[str, go.Figure]) -> dict[str, Any]:
    """Return figures as plain data; the template they share is kept once."""
    plain = {name: json.loads(figure.to_json(engine="json")) for name, figure in figures.items()}
    for figure in plain.values():
        figure["layout"].pop("template", None)
    return {"template": figure_template().to_plotly_json(), "figures": plain}


def environment() -> Any:
    """Return the template environment: everything shown is escaped, a missing name is an error."""
    import jinja2

    return jinja2.Environment(
        loader=jinja2.FunctionLoader(asset),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def asset(name: str) -> str:
    """Return the text of a template, style sheet or script that comes with the package."""
    return (resources.files("relkit.present") / "templates" / name).read_text(encoding="utf-8")


def plotly_script() -> str:
    """Return the script that draws figures; it goes into the page, nothing is fetched."""
    import plotly.offline

    return str(plotly.offline.get_plotlyjs()).replace("\r\n", "\n")


def policy(scripts: Any) -> str:
    """Return the content security policy: nothing is fetched, only our own scripts run."""
    digests = (hashlib.sha256(script.encode("utf-8")).digest() for script in scripts)
    allowed = " ".join(f"'sha256-{base64.b64encode(digest).decode()}'" for digest in digests)
    return (
        f"default-src 'none'; script-src {allowed}; style-src 'unsafe-inline'; "
        "img-src data: blob:; base-uri 'none'; form-action 'none'"
    )


def json_in_script(value: object) -> Any:
    """Return JSON that cannot end the script element it stands in."""
    import markupsafe

    text = json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    for sign in "<>&":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return markupsafe.Markup(text)  # no sign of markup is left in it

"""The page: one self-contained HTML file that works offline, on a phone and on paper.

Layer: present. Nothing in the file asks the network for anything; everything shown is escaped.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Mapping
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

from relkit.plan.result import Plan
from relkit.present.atomic import write_bytes
from relkit.present.cautions import CAUTIONS
from relkit.present.columns import DUE, FILES, FINDINGS, FITS, SET_ASIDE, SPARES, Column
from relkit.present.decision_figures import STATES
from relkit.present.page_parts import (
    assumptions,
    facts,
    interval_table,
    item_panels,
    item_table,
    overview_figures,
    row_accounts,
    used_by_class,
)
from relkit.present.shown import ShownTable, shown_table
from relkit.present.summary import (
    due_counts,
    hurts,
    left_alone,
    service_cards,
    short_answers,
)
from relkit.present.template import figure_template
from relkit.present.unknown import unknowns
from relkit.present.wording import day, rate_unit

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = ["write_page"]

#: Most rows of the due list, and of other long tables, that the page carries; files have all.
_MOST_DUE, _MOST_ROWS, _MOST_PANELS = 1_500, 200, 60


def write_page(plan: Plan, path: str | Path) -> Path:
    """Write the plan as one HTML file and return its path.

    The first screen answers in plain words what to do, where it hurts, what is not known and
    what is due; tables, curves, data quality and settings follow. The same plan gives the same
    bytes.

    Parameters
    ----------
    plan : Plan
        From :func:`relkit.build_plan`.
    path : str or Path
        The file; it appears whole or not at all.

    Raises
    ------
    OSError
        The file cannot be written.
    """
    return write_bytes(path, _page(plan).encode("utf-8"))


def _page(plan: Plan) -> str:
    panels = tuple(item_panels(plan, most=_MOST_PANELS))
    overview = overview_figures(plan)
    figures = dict(overview)
    for i, panel in enumerate(panels):
        figures |= {f"item-{i}-{j}": figure for j, (_, figure) in enumerate(panel.figures)}
    scripts = {"plotly": _plotly(), "own": _asset("page.js")}
    template = _environment().get_template("page.html.j2")
    text = template.render(
        plan=plan,
        csp=_policy(scripts.values()),
        css=_asset("page.css"),
        scripts=scripts,
        figures_json=_json_in_script(_figures(figures)),
        texts={name: figure.layout.meta["alternative"] for name, figure in figures.items()},
        panels=panels,
        until=day(plan.observed_until),
        **_manager_parts(plan),
        **_engineer_parts(plan),
    )
    return str(text)


def _manager_parts(plan: Plan) -> dict[str, Any]:
    return {
        "facts": facts(plan),
        "answers": short_answers(plan),
        "cautions": CAUTIONS,
        "cards": service_cards(plan),
        "left_alone": left_alone(plan),
        "hurts": hurts(plan),
        "rate_per": rate_unit(plan.study.clock)[1],
        "unknowns": unknowns(plan),
        "due_counts": due_counts(plan),
        "states": STATES,
    }


def _engineer_parts(plan: Plan) -> dict[str, Any]:
    clock = plan.study.clock

    def table(name: str, columns: tuple[Column, ...]) -> ShownTable:
        return shown_table(name, getattr(plan, name), columns, clock, most=_MOST_ROWS)

    return {
        "due": item_table(plan, "due", DUE, most=_MOST_DUE),
        "intervals": interval_table(plan),
        "spares": table("spares", SPARES),
        "fits": item_table(plan, "fits", FITS),
        "findings": table("findings", FINDINGS),
        "set_aside": table("set_aside", SET_ASIDE),
        "files": table("files", FILES),
        "accounts": row_accounts(plan.row_classes),
        "classes": used_by_class(plan.row_classes),
        "assumptions": assumptions(plan),
    }


def _figures(figures: Mapping[str, go.Figure]) -> dict[str, Any]:
    """Return figures as plain data; the template they share is kept once."""
    plain = {name: json.loads(figure.to_json(engine="json")) for name, figure in figures.items()}
    for figure in plain.values():
        figure["layout"].pop("template", None)
    return {"template": figure_template().to_plotly_json(), "figures": plain}


def _environment() -> Any:
    import jinja2

    return jinja2.Environment(
        loader=jinja2.FunctionLoader(_asset),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _asset(name: str) -> str:
    return (resources.files("relkit.present") / "templates" / name).read_text(encoding="utf-8")


def _plotly() -> str:
    import plotly.offline

    return str(plotly.offline.get_plotlyjs()).replace("\r\n", "\n")


def _policy(scripts: Any) -> str:
    """Return the content security policy: nothing is fetched, only our own scripts run."""
    digests = (hashlib.sha256(script.encode("utf-8")).digest() for script in scripts)
    allowed = " ".join(f"'sha256-{base64.b64encode(digest).decode()}'" for digest in digests)
    return (
        f"default-src 'none'; script-src {allowed}; style-src 'unsafe-inline'; "
        "img-src data: blob:; base-uri 'none'; form-action 'none'"
    )


def _json_in_script(value: object) -> Any:
    """Return JSON that cannot end the script element it stands in."""
    import markupsafe

    text = json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    for sign in "<>&":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return markupsafe.Markup(text)  # no sign of markup is left in it

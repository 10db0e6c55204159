"""The page: one self-contained HTML file that works offline, on a phone and on paper.

Layer: present. Nothing in the file asks the network for anything; everything shown is escaped.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from relkit.plan.result import Plan
from relkit.present.atomic import write_bytes
from relkit.present.backtest_parts import backtest_context, backtest_figures
from relkit.present.cautions import CAUTIONS
from relkit.present.columns import DUE, FILES, FINDINGS, FITS, SET_ASIDE, SPARES, Column
from relkit.present.decision_figures import STATES
from relkit.present.html_parts import (
    asset,
    environment,
    figures_as_data,
    json_in_script,
    plotly_script,
    policy,
)
from relkit.present.matter_parts import matter_sentence, tried_each
from relkit.present.noticed_parts import noticed_context, noticed_figures
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
from relkit.present.unknown import unknowns
from relkit.present.wording import day, rate_unit
from relkit.present.work_parts import work_context
from relkit.whatif.backtest import Backtest

__all__ = ["write_page"]

#: Most rows of the due list, and of other long tables, that the page carries; files have all.
_MOST_DUE, _MOST_ROWS, _MOST_PANELS = 1_500, 200, 60


def write_page(plan: Plan, path: str | Path, *, backtest: Backtest | None = None) -> Path:
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
    backtest : Backtest, optional
        Past forecasts of the same study and what came of them; a section of its own.

    Raises
    ------
    OSError
        The file cannot be written.
    """
    return write_bytes(path, _page(plan, backtest).encode("utf-8"))


def _page(plan: Plan, backtest: Backtest | None) -> str:
    panels = tuple(item_panels(plan, most=_MOST_PANELS))
    overview = overview_figures(plan)
    figures = dict(overview) | ({} if backtest is None else backtest_figures(backtest))
    figures |= noticed_figures(plan)
    for i, panel in enumerate(panels):
        figures |= {f"item-{i}-{j}": figure for j, (_, figure) in enumerate(panel.figures)}
    scripts = {"plotly": plotly_script(), "own": asset("page.js")}
    template = environment().get_template("page.html.j2")
    text = template.render(
        plan=plan,
        csp=policy(scripts.values()),
        css=asset("page.css"),
        scripts=scripts,
        figures_json=json_in_script(figures_as_data(figures)),
        texts={name: figure.layout.meta["alternative"] for name, figure in figures.items()},
        panels=panels,
        until=day(plan.observed_until),
        **_manager_parts(plan),
        **_engineer_parts(plan),
        **backtest_context(backtest),
        **work_context(plan),
        **noticed_context(plan),
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
        "matter_sentence": matter_sentence(plan),
        "tried_each": tried_each(plan),
    }

"""Displays for notebooks: what other treatments of the data would change.

Layer: present.
"""

from __future__ import annotations

import pandas as pd

from relkit.plan.result import Plan
from relkit.present.columns import Column
from relkit.present.matter_parts import tried_each
from relkit.present.notebook import Display, displayed
from relkit.present.shown import shown_table

__all__ = ["show_matter"]


def show_matter(plan: Plan) -> Display:
    """Show each other treatment of the data that was tried and what it would change."""
    rows = [
        (one.treatment, one.now, one.then, one.rows, one.changed or "nothing")
        for one in tried_each(plan)
    ]
    names = ("treatment", "now", "then", "rows", "changed")
    titles = ("What", "Now", "Tried instead", "Concerns", "Would change")
    columns = tuple(Column(name, title) for name, title in zip(names, titles, strict=True))
    return displayed(shown_table("tried", pd.DataFrame(rows, columns=list(names)), columns, ""))

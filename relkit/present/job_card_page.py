"""The job cards as one printable file: one card per vehicle and sheet of paper.

Layer: present. Works offline; everything shown is escaped.
"""

from __future__ import annotations

from pathlib import Path

from relkit.plan.result import Plan
from relkit.present.atomic import write_bytes
from relkit.present.cautions import CAUTIONS
from relkit.present.html_parts import asset, environment, policy
from relkit.present.page_parts import facts
from relkit.present.wording import day
from relkit.present.work_parts import cards_of

__all__ = ["write_job_cards"]


def write_job_cards(plan: Plan, path: str | Path) -> Path:
    """Write the job cards of each vehicle's next visit as one HTML file and return its path.

    Each card stands on a sheet of its own when printed: vehicle, date, service, jobs, the test of
    the function, the safety lines and the rows behind each job.

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
    template = environment().get_template("job_card_page.html.j2")
    text = template.render(
        plan=plan,
        csp=policy(()),
        css=asset("job_cards.css"),
        cards=cards_of(plan),
        cautions=CAUTIONS,
        facts=facts(plan),
        until=day(plan.observed_until),
    )
    return write_bytes(path, str(text).encode("utf-8"))

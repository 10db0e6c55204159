"""Sliders for what-ifs in a notebook: each change is answered at once and can be saved.

Layer: present. ipywidgets and plotly are loaded when the sliders are made.
"""

from __future__ import annotations

import html
import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from relkit.errors import RelkitError
from relkit.plan.parts import PlanParts
from relkit.present.scenario_files import scenario_file_name, write_scenario
from relkit.present.whatif_figures import relative_figure
from relkit.present.whatif_wording import change_range_text, change_text, interval_sentences
from relkit.present.wording import number, percent, sentence
from relkit.whatif.comparison import Comparison, Today, compared, comparison_of, today_of
from relkit.whatif.scenario import (
    Changes,
    CostChange,
    IntervalChange,
    LifeChange,
    Scenario,
    StockChange,
    UseChange,
)

if TYPE_CHECKING:
    import ipywidgets

__all__ = ["ALL_ITEMS", "Levers", "slider_answer", "slider_scenario", "sliders"]

ALL_ITEMS = "all items"
#: Draws behind each answer: enough for its range, few enough to be quick.
SLIDER_DRAWS = 100
_MEASURES = ("failures", "planned", "checks", "dark_time", "dark_demands", "cost", "yearly_cost",
             "late_spares", "waiting_days")  # fmt: skip


@dataclass(frozen=True, slots=True)
class Levers:
    """Where the sliders stand; these defaults change nothing."""

    item: str = ALL_ITEMS
    failure_factor: float = 1.0  #: cost of a failure
    downtime_factor: float = 1.0  #: what a failure costs above a planned replacement
    life_factor: float = 1.0
    interval_factor: float = 1.0  #: of tests, looks and replacements
    usage_factor: float = 1.0
    reported_share: float = 0.0  #: of demands on a fault that nobody knew of
    lead_time_days: float | None = None
    plan: str = "kept"


def slider_scenario(parts: PlanParts, levers: Levers, name: str = "From the sliders") -> Scenario:
    """Return the scenario that a stand of the sliders means.

    Parameters
    ----------
    parts : PlanParts
        Steps of today's plan.
    levers : Levers
        Where the sliders stand.
    name : str
        Of the scenario.
    """
    component, location = _items(parts).get(levers.item, (None, None))
    plain = Levers()
    costs = CostChange(
        component=component,
        location=location,
        failure_factor=levers.failure_factor,
        downtime_factor=levers.downtime_factor,
    )
    lives = LifeChange(component=component, location=location, scale_factor=levers.life_factor)
    interval = IntervalChange(component=component, location=location, factor=levers.interval_factor)
    use = UseChange(
        factor=levers.usage_factor,
        reported_share=levers.reported_share or None,
        demands_per_day=_demands(parts) if levers.reported_share else None,
    )
    priced = (levers.failure_factor, levers.downtime_factor) != (1.0, 1.0)
    used = (levers.usage_factor, levers.reported_share) != (1.0, 0.0)
    changes = Changes(
        lives=(lives,) if levers.life_factor != plain.life_factor else (),
        costs=(costs,) if priced else (),
        intervals=(interval,) if levers.interval_factor != 1 else (),
        use=(use,) if used else (),
        stock=(StockChange(lead_time_days=levers.lead_time_days),) if levers.lead_time_days else (),
        plan="made afresh" if levers.plan == "made afresh" else "kept",
    )
    return Scenario(name=name, component=component, location=location, changes=changes)


def _items(parts: PlanParts) -> dict[str, tuple[str | None, str | None]]:
    """Names of all items with their component and place."""
    fits = parts.found.fits
    blank = pd.Series("", index=fits.index)
    pairs = zip(fits.get("component", blank), fits.get("location", blank), strict=True)
    here = set(parts.items["stratum"])
    return {
        ", ".join(part for part in pair if part): (pair[0] or None, pair[1] or None)
        for row, pair in enumerate(pairs)
        if row in here
    }


def _demands(parts: PlanParts) -> float | None:
    """Demands a day: those of the study, else one a day is assumed."""
    given = [s.demands_per_day for s in parts.chosen.settings if s.demands_per_day > 0]
    return None if given else 1.0


def slider_answer(
    parts: PlanParts, levers: Levers, known: dict[str, Today], name: str = "From the sliders"
) -> tuple[Comparison, float]:
    """Return the comparison for a stand of the sliders, and how long it took [s].

    ``known`` keeps today's side of each item that was asked before.
    """
    start = time.perf_counter()
    scenario = replace(slider_scenario(parts, levers, name), measures=_MEASURES)
    if levers.item not in known:
        known[levers.item] = today_of(parts, scenario, draws=SLIDER_DRAWS)
    today = known[levers.item]
    cell = compared(parts, scenario, draws=SLIDER_DRAWS, today=today)
    comparison = comparison_of(parts, [scenario], [cell])
    return comparison, time.perf_counter() - start


def sliders(parts: PlanParts, folder: str | Path = "scenarios") -> ipywidgets.Widget:
    """Return sliders with their answer: a table, a figure, and a button that saves the scenario.

    Parameters
    ----------
    parts : PlanParts
        From :func:`relkit.present.notebook_whatif.plan_steps`.
    folder : str or Path
        Where saved scenarios go, one TOML file each.
    """
    return _Sliders(parts, Path(folder)).box


class _Sliders:
    """The controls and what they show; holds widgets only, no numbers of its own."""

    def __init__(self, parts: PlanParts, folder: Path) -> None:
        import ipywidgets as widgets
        import plotly.graph_objects as go

        self.parts, self.folder = parts, folder
        self.known: dict[str, Today] = {}
        self.controls, self.usual = _controls(parts), _lead_time(parts)
        self.name = widgets.Text(
            value="", placeholder="Name of the scenario", description="Save as"
        )
        self.button = widgets.Button(description="Save scenario", icon="save")
        self.reset = widgets.Button(description="Back to today", icon="undo")
        self.status, self.table = widgets.HTML(), widgets.HTML()
        comparison, _ = slider_answer(parts, Levers(), self.known)
        # the whole figure first: what is changed before a widget is shown would be lost
        self.figure = go.FigureWidget(relative_figure(comparison.measures))
        self.quiet = False
        self.answer()
        for control in self.controls.values():
            control.observe(self.changed, names="value")
        self.button.on_click(self.saved)
        self.reset.on_click(self.back)
        self.box = self.laid_out(widgets)

    def laid_out(self, widgets: Any) -> Any:
        """Return the controls above what they answer."""
        rows = list(self.controls.values())
        half = (len(rows) + 1) // 2
        left, right = widgets.VBox(rows[:half]), widgets.VBox(rows[half:])
        wrap = widgets.Layout(flex_flow="row wrap", align_items="flex-start")
        return widgets.VBox(
            [
                widgets.Box([left, right], layout=wrap),
                widgets.Box([self.name, self.button, self.reset], layout=wrap),
                self.status,
                self.table,
                self.figure,
            ]
        )

    def levers(self) -> Levers:
        """Return where the sliders stand."""
        given = {name: control.value for name, control in self.controls.items()}
        lead = float(given.pop("lead_time_days"))
        return Levers(**given, lead_time_days=None if lead == self.usual else lead)

    def changed(self, change: dict[str, Any]) -> None:
        """Answer a change, unless the controls are being set back together."""
        del change
        if not self.quiet:
            self.answer()

    def answer(self) -> None:
        """Show what the sliders mean."""
        try:
            comparison, seconds = slider_answer(self.parts, self.levers(), self.known)
        except RelkitError as error:
            self.status.value = f"<b>{html.escape(str(error))}</b>"
            return
        self.status.value = f"Answered in {1000 * seconds:.0f} ms."
        self.table.value = _answer_html(comparison)
        _update(self.figure, comparison.measures)

    def saved(self, button: Any) -> None:
        """Write the scenario that the sliders mean."""
        del button
        name = self.name.value.strip()
        if not name:
            self.status.value = "<b>Give the scenario a name first.</b>"
            return
        scenario = slider_scenario(self.parts, self.levers(), name)
        path = write_scenario(scenario, self.folder / scenario_file_name(name))
        self.status.value = f"Saved as <code>{html.escape(str(path))}</code>."

    def back(self, button: Any) -> None:
        """Set all sliders back to today."""
        del button
        self.quiet = True
        plain = Levers()
        for name, control in self.controls.items():
            control.value = self.usual if name == "lead_time_days" else getattr(plain, name)
        self.quiet = False
        self.answer()


def _controls(parts: PlanParts) -> dict[str, Any]:
    import ipywidgets as widgets

    style = {"description_width": "50%"}
    layout = widgets.Layout(width="500px", max_width="88vw")

    def slider(words: str, least: float, most: float, value: float, step: float) -> Any:
        return widgets.FloatSlider(
            value=value, min=least, max=most, step=step, description=words, style=style,
            layout=layout, continuous_update=False, readout_format=".2f",
        )  # fmt: skip

    usual = _lead_time(parts)
    lead = slider("Lead time [days]", 1.0, max(60.0, usual), usual, 1.0)
    lead.readout_format = ".0f"
    return {
        "item": widgets.Dropdown(
            options=[ALL_ITEMS, *_items(parts)], description="Items", style=style, layout=layout
        ),
        "life_factor": slider("Lives, factor", 0.5, 3.0, 1.0, 0.05),
        "usage_factor": slider("Use, factor", 0.5, 1.5, 1.0, 0.05),
        "interval_factor": slider("Intervals, factor", 0.25, 4.0, 1.0, 0.05),
        "failure_factor": slider("Failure cost, factor", 0.5, 3.0, 1.0, 0.05),
        "downtime_factor": slider("Downtime, factor", 0.5, 3.0, 1.0, 0.05),
        "reported_share": slider("Reported share", 0.0, 1.0, 0.0, 0.05),
        "lead_time_days": lead,
        "plan": widgets.Dropdown(
            options=["kept", "made afresh"], description="Plan", style=style, layout=layout
        ),
    }


def _lead_time(parts: PlanParts) -> float:
    """Longest lead time of the study, at which the slider starts."""
    return max((s.lead_time_days for s in parts.chosen.settings), default=14.0)


def _answer_html(comparison: Comparison) -> str:
    titles = ("", "Today", "Then", "Difference", "Range", "Chance that it is better")
    rows = []
    for row in comparison.measures.to_dict("records"):
        unit = str(row["unit"])
        chance = float(row["probability"])
        rows.append(
            (
                str(row["words"]).capitalize() + (f" [{unit}]" if unit else ""),
                number(row["today"]),
                number(row["then"]),
                change_text(row["difference"]),
                change_range_text(row["lower"], row["upper"]),
                "" if chance != chance else percent(chance),  # NaN: nothing differs
            )
        )
    head = "".join(f'<th style="text-align:left;padding:2px 12px 2px 0">{t}</th>' for t in titles)
    body = "".join(
        "<tr>"
        + "".join(f'<td style="padding:2px 12px 2px 0">{html.escape(t)}</td>' for t in row)
        + "</tr>"
        for row in rows
    )
    name = comparison.scenarios[0].name
    said = " ".join(sentence(text) for text in interval_sentences(comparison, name))
    table = f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
    return f'<div style="overflow-x:auto">{table}</div>' + (
        f"<p>{html.escape(said)}</p>" if said else ""
    )


def _update(figure: Any, measures: pd.DataFrame) -> None:
    """Put new numbers into the figure that is shown."""
    new = relative_figure(measures)
    if len(new.data) != len(figure.data):
        return
    with figure.batch_update():
        for old, trace in zip(figure.data, new.data, strict=True):
            old.x, old.y, old.customdata = trace.x, trace.y, trace.customdata
            old.error_x.array, old.error_x.arrayminus = (
                trace.error_x.array,
                trace.error_x.arrayminus,
            )
        figure.layout.xaxis.range = new.layout.xaxis.range

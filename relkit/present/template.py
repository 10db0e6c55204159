"""The look of all figures: colours that colour-blind people can tell apart, never colour alone.

Layer: present. Every series also has its own dash and marker; plotly is loaded when used.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from relkit.present.wording import sentence

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = [
    "ACCENT",
    "INK",
    "MUTED",
    "STYLES",
    "SeriesStyle",
    "alternative",
    "band",
    "figure_template",
    "new_figure",
]

INK, MUTED, GRID = "#1d2b33", "#55656f", "#e3e9ec"
ACCENT = "#005f86"
_FONT = "system-ui, -apple-system, 'Segoe UI', Roboto, 'Helvetica Neue', Arial, sans-serif"


@dataclass(frozen=True, slots=True)
class SeriesStyle:
    """How one series looks: colour, dash, marker and pattern differ from the other series."""

    colour: str
    dash: str
    symbol: str
    pattern: str  #: of a bar


#: From the palette of M. Okabe and K. Ito, Color Universal Design, 2008 (from memory), its blue,
#: vermillion, bluish green and reddish purple made darker so that thin lines stand out on white.
STYLES: tuple[SeriesStyle, ...] = (
    SeriesStyle("#005f9e", "solid", "circle", ""),
    SeriesStyle("#b84500", "dash", "square", "/"),
    SeriesStyle("#00745a", "dot", "diamond", "."),
    SeriesStyle("#9c4a7c", "dashdot", "triangle-up", "x"),
    SeriesStyle("#1d2b33", "longdash", "x", "-"),
)


def figure_template() -> go.layout.Template:
    """Return the plotly template of all figures: quiet grid, no frame, legend below."""
    import plotly.graph_objects as go

    axis = {
        "gridcolor": GRID,
        "linecolor": "#9aa7ae",
        "zerolinecolor": GRID,
        "ticks": "outside",
        "ticklen": 4,
        "tickcolor": "#9aa7ae",
        "automargin": True,
        "title": {"standoff": 10},
    }
    layout = go.Layout(
        font={"family": _FONT, "size": 13, "color": INK},
        title={"font": {"size": 15}, "x": 0, "xref": "paper", "xanchor": "left"},
        paper_bgcolor="#ffffff",
        plot_bgcolor="#ffffff",
        colorway=[style.colour for style in STYLES],
        xaxis=axis,
        yaxis=axis,
        legend={
            "traceorder": "normal",
            "orientation": "h",
            "x": 0,
            "y": 1.02,
            "yanchor": "bottom",
            "xanchor": "left",
        },
        margin={"l": 56, "r": 16, "t": 44, "b": 48},
        hoverlabel={"bgcolor": "#ffffff", "font": {"color": INK}},
        hovermode="closest",
    )
    return go.layout.Template(layout=layout)


def new_figure(x_title: str, y_title: str, height: int = 360) -> go.Figure:
    """Return an empty figure with axis titles (with their units) in the common look."""
    import plotly.graph_objects as go

    figure = go.Figure()
    figure.update_layout(
        template=figure_template(),
        height=height,
        xaxis_title_text=x_title,
        yaxis_title_text=y_title,
    )
    return figure


def alternative(figure: go.Figure, text: str) -> go.Figure:
    """Return the figure with its text alternative: what a reader who cannot see it should know."""
    figure.update_layout(meta={"alternative": sentence(text)})
    return figure


def band(colour: str) -> str:
    """Return a colour thinned to the fill of a band.

    >>> band("#005f9e")
    'rgba(0,95,158,0.14)'
    """
    red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return f"rgba({red},{green},{blue},0.14)"

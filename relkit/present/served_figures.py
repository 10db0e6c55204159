"""Figures of notebooks that are shown as pages: drawn from what the page itself carries.

Layer: present. Called by the kernel of a served notebook; plotly is loaded when used.
"""

from __future__ import annotations

from typing import Any

__all__ = ["draw_in_page"]

_NAME = "page"


def draw_in_page() -> None:
    """Let figures be drawn by the copy of plotly's script that the first of them brings along.

    Nothing is fetched from the web, and no extension of the notebook's front end is needed.
    """
    import plotly.io
    from plotly.io.base_renderers import MimetypeRenderer

    class PageRenderer(MimetypeRenderer):  # type: ignore[misc]
        """HTML that draws a figure; the first one holds plotly's script."""

        def __init__(self) -> None:
            self._brought = False

        def to_mimebundle(self, fig_dict: dict[str, Any]) -> dict[str, str]:
            """Return the figure as HTML."""
            text = plotly.io.to_html(
                fig_dict,
                include_plotlyjs=not self._brought,
                include_mathjax=False,
                full_html=False,
                config={"displaylogo": False, "responsive": True},
                validate=False,
            )
            self._brought = True
            return {"text/html": text}

    plotly.io.renderers[_NAME] = PageRenderer()
    plotly.io.renderers.default = _NAME

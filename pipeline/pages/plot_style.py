"""How every plot of a page looks: colours, letters, size; and the SVG text that stands in the page.

Drawn at the width of a phone, so that the letters stay legible there; blue and orange, which every common kind of
colour vision tells apart.
"""

from __future__ import annotations

import io
import re
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure

INK, QUIET, RULE, PAPER = "#181a20", "#60626a", "#cecac0", "#fbfaf6"
BLUE, ORANGE = "#1d4f91", "#c05a00"
WIDTH_IN, HEIGHT_IN = 4.1, 2.9
"""Inches: 394 CSS pixels wide, so that letters of 9.5 points are still 11 pixels high on a phone of 360."""

STYLE: dict[Any, Any] = {
    "font.family": "sans-serif",
    "font.size": 9.5,
    "axes.edgecolor": QUIET,
    "axes.labelcolor": INK,
    "text.color": INK,
    "xtick.color": QUIET,
    "ytick.color": QUIET,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.linewidth": 0.7,
    "text.parse_math": False,  # a reader's name may hold a dollar sign
    "svg.fonttype": "none",
    "svg.hashsalt": "opercle",
    "figure.facecolor": "none",
    "axes.facecolor": "none",
    "legend.frameon": False,
    "legend.fontsize": 8.5,
}


def blank() -> tuple[Figure, Axes]:
    """An empty drawing."""
    figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN), layout="constrained")
    return figure, figure.subplots()


def legend(figure: Figure) -> None:
    """Above the drawing, where it hides nothing."""
    figure.legend(loc="outside upper left", ncols=4, handletextpad=0.4, columnspacing=1.2)


def svg(figure: Figure) -> str:
    """The drawing as an element to stand in a page: no XML head, no date, no fixed size."""
    stream = io.StringIO()
    figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": None})
    text = stream.getvalue()
    text = text[text.index("<svg") :]
    return re.sub(r'<svg ([^>]*?)height="[^"]*"([^>]*?)width="[^"]*"', r"<svg \1\2", text, count=1)

"""Plots of an audit as SVG: difference by age, reliability, drift.

Drawn at the width of a phone, so that the letters stay legible there; blue and orange, which every common kind of
colour vision tells apart, and each class with a shape of its own.
"""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator, PercentFormatter

from pipeline.audit.drift import Batch
from pipeline.audit.triage_check import Bin
from pipeline.audit.whole import AgainstReference

INK, QUIET, RULE, PAPER = "#181a20", "#60626a", "#cecac0", "#fbfaf6"
BLUE, ORANGE = "#1d4f91", "#c05a00"
WIDTH_IN, HEIGHT_IN = 4.1, 2.9
"""Inches: 394 CSS pixels wide, so that letters of 9.5 points are still 11 pixels high on a phone of 360."""

_STYLE: dict[Any, Any] = {
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


def difference_by_age(against: AgainstReference) -> str:
    """Difference of a reader from the reference at each reference age: bones as dots, means with intervals."""
    with mpl.rc_context(_STYLE):
        figure, axes = _blank()
        c = against.comparison
        rows, columns = np.nonzero(c.table)
        size = 8 + 110 * np.sqrt(c.table[rows, columns] / c.table.max())
        axes.axhline(0, color=QUIET, linewidth=0.8, zorder=1)
        axes.scatter(rows + c.lowest, columns - rows, s=size, color=BLUE, alpha=0.22, linewidths=0, zorder=2)
        kinds = ((False, BLUE, "o", "mean"), (True, ORANGE, "D", "mean that leaves equality"))
        for sure, colour, marker, name in kinds:
            mine = [b for b in against.bias if b.excludes_equality_adjusted == sure]
            if mine:
                half = [0 if b.mean.low is None else b.difference + b.reference_age - b.mean.low for b in mine]
                axes.errorbar(
                    [b.reference_age for b in mine],
                    [b.difference for b in mine],
                    yerr=half,
                    fmt=marker,
                    color=colour,
                    markersize=4.5,
                    elinewidth=1.1,
                    capsize=2,
                    label=name,
                    zorder=3,
                )
        axes.set_xlabel(f"count of the reference ({c.a})")
        axes.set_ylabel(f"{c.b} minus reference, annuli")
        axes.xaxis.set_major_locator(MaxNLocator(integer=True))
        axes.yaxis.set_major_locator(MaxNLocator(integer=True))
        _legend(figure)
        return _svg(figure)


def reliability(bins: Sequence[Bin]) -> str:
    """Share of counts that the reference shares against the confidence promised."""
    with mpl.rc_context(_STYLE):
        figure, axes = _blank()
        x = np.array([b.confidence for b in bins])
        y, low, high = (np.array([getattr(b.right, name) for b in bins], float) for name in ("value", "low", "high"))
        start = float(np.floor(min(x.min(), low.min()) * 10) / 10)
        axes.plot([start, 1], [start, 1], color=QUIET, linewidth=0.8, linestyle=(0, (4, 3)), label="as promised")
        axes.errorbar(
            x,
            y,
            yerr=[y - low, high - y],
            fmt="o",
            color=BLUE,
            markersize=4.5,
            elinewidth=1.1,
            capsize=2,
            label="found, with 95 % interval",
        )
        axes.set_xlim(start, 1.01)
        axes.set_ylim(start, 1.01)
        axes.set_xlabel("confidence of the machine")
        axes.set_ylabel("same count as the reference")
        for axis in (axes.xaxis, axes.yaxis):
            axis.set_major_formatter(PercentFormatter(1, decimals=0))
        _legend(figure)
        return _svg(figure)


def drift_chart(batches: Sequence[Batch]) -> str:
    """Mean difference of one reader from the reference collection, batch after batch, with limits."""
    with mpl.rc_context(_STYLE):
        figure, axes = _blank()
        x = np.arange(1, len(batches) + 1)
        nan = float("nan")
        y = np.array([nan if b.mean_difference.value is None else b.mean_difference.value for b in batches])
        low, high = (
            np.array([nan if v is None else v for v in values])
            for values in ([b.low_limit for b in batches], [b.high_limit for b in batches])
        )
        centre = y[0]
        axes.axhline(centre, color=QUIET, linewidth=0.8, linestyle=(0, (4, 3)), label="first batch")
        axes.step(x, low, where="mid", color=ORANGE, linewidth=1, label="limits")
        axes.step(x, high, where="mid", color=ORANGE, linewidth=1)
        axes.plot(x, y, color=BLUE, linewidth=0.8)
        shapes = (("first", "o", BLUE), ("steady", "o", BLUE), ("look", "s", BLUE), ("stop", "D", ORANGE))
        for verdict, marker, colour in shapes:
            mine = np.array([b.verdict == verdict for b in batches])
            if mine.any():
                axes.plot(
                    x[mine],
                    y[mine],
                    marker,
                    color=colour,
                    markersize=6 if verdict == "stop" else 5,
                    label={"look": "look", "stop": "stop"}.get(verdict),
                )
        axes.set_xlabel("batch, in order")
        axes.set_ylabel("minus reference, annuli")
        axes.xaxis.set_major_locator(MaxNLocator(integer=True))
        axes.set_xlim(0.5, len(batches) + 0.5)
        _legend(figure)
        return _svg(figure)


def _blank() -> tuple[Figure, Axes]:
    figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN), layout="constrained")
    return figure, figure.subplots()


def _legend(figure: Figure) -> None:
    """Above the drawing, where it hides nothing."""
    figure.legend(loc="outside upper left", ncols=4, handletextpad=0.4, columnspacing=1.2)


def _svg(figure: Figure) -> str:
    """The drawing as an element to stand in a page: no XML head, no date, no fixed size."""
    stream = io.StringIO()
    figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": None})
    text = stream.getvalue()
    text = text[text.index("<svg") :]
    return re.sub(r'<svg ([^>]*?)height="[^"]*"([^>]*?)width="[^"]*"', r"<svg \1\2", text, count=1)

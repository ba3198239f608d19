"""Plots of an audit as SVG: difference by age, reliability, drift.

Each class has a shape of its own.
"""

from __future__ import annotations

from collections.abc import Sequence

import matplotlib as mpl
import numpy as np
from matplotlib.ticker import MaxNLocator, PercentFormatter

from pipeline.audit.drift import Batch
from pipeline.audit.triage_check import Bin
from pipeline.audit.whole import AgainstReference
from pipeline.pages.plot_style import BLUE, ORANGE, QUIET, STYLE, blank, legend, svg

LEAST_SHOWN = 1.15
"""Annuli to each side of zero on the axis of differences: readers who agree must not look as if they did not."""


def difference_by_age(against: AgainstReference) -> str:
    """Difference of a reader from the reference at each reference age: bones as dots, means with intervals."""
    with mpl.rc_context(STYLE):
        figure, axes = blank()
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
        low, high = axes.get_ylim()
        axes.set_ylim(min(low, -LEAST_SHOWN), max(high, LEAST_SHOWN))
        axes.set_xlabel(f"count of the reference ({c.a})")
        axes.set_ylabel(f"{c.b} minus reference, annuli")
        axes.xaxis.set_major_locator(MaxNLocator(integer=True))
        axes.yaxis.set_major_locator(MaxNLocator(integer=True))
        legend(figure)
        return svg(figure)


def reliability(bins: Sequence[Bin]) -> str:
    """Share of counts that the reference shares against the confidence promised."""
    with mpl.rc_context(STYLE):
        figure, axes = blank()
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
        legend(figure)
        return svg(figure)


def drift_chart(batches: Sequence[Batch]) -> str:
    """Mean difference of one reader from the reference collection, batch after batch, with limits."""
    with mpl.rc_context(STYLE):
        figure, axes = blank()
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
        legend(figure)
        return svg(figure)

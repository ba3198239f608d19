"""Plots of a growth study as SVG: length at age, increments, good and poor years, maturity, waters side by side."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator, PercentFormatter

from pipeline.growth.curve_fit import CurveFit
from pipeline.growth.increments import YearOfLife
from pipeline.growth.lengths_at_age import CAPTURE
from pipeline.growth.maturity import Maturity
from pipeline.growth.whole import ALL, FishGroup
from pipeline.growth.year_effects import Chronology
from pipeline.pages.plot_style import BLUE, INK, ORANGE, QUIET, STYLE, blank, legend, svg

SEX_STYLES = {"F": ("females", ORANGE, "o"), "M": ("males", BLUE, "s"), "U": ("sex unknown", QUIET, "^"),
              ALL: ("all fish", BLUE, "o")}  # fmt: skip
WATER_STYLES = ((BLUE, "o", "-"), (ORANGE, "s", "--"), (INK, "^", "-."), (QUIET, "D", ":"))
"""More waters than these cannot be told apart in one drawing."""
DOT_MM = 10.0
"""Fish of one age whose lengths lie within this share a dot."""
ROOM_ABOVE = 1.25
"""Times the largest mean; a longer interval, as of two fish, runs out of the drawing and hides no other."""
SPREAD = 0.12
"""Years by which the dots of the sexes stand apart, so that neither hides the other."""


def length_at_age(groups: Sequence[FishGroup]) -> str:
    """Fish as dots, larger where there are more, with the curve and its band, by sex."""
    shown = [g for g in groups if g.sex in ("F", "M")] or [g for g in groups if g.sex == ALL]
    with mpl.rc_context(STYLE):
        figure, axes = blank()
        for i, g in enumerate(shown):
            name, colour, marker = SEX_STYLES[g.sex]
            apart = SPREAD * (2 * i - len(shown) + 1)
            dots = Counter(
                (f.age_class, DOT_MM * (f.length_mm // DOT_MM) + DOT_MM / 2)
                for f in g.fish
                if f.length_mm and f.age_class is not None
            )
            x, y = (np.array(v, float) for v in zip(*dots, strict=True)) if dots else (np.zeros(0),) * 2
            size = 5 + 5 * np.array(list(dots.values()), float) ** 0.8
            label = f"{name} (n {sum(dots.values())})"
            axes.scatter(x + apart, y, s=size, color=colour, marker=marker, alpha=0.4, linewidths=0, label=label)
            _curve(axes, g.curves[0] if not g.curves[0].refused else g.curves[2], colour)
        axes.set_xlabel("age at capture, years")
        axes.set_ylabel("total length, mm")
        axes.set_ylim(bottom=0)
        axes.xaxis.set_major_locator(MaxNLocator(integer=True))
        legend(figure)
        return svg(figure)


def waters_side_by_side(groups: Sequence[FishGroup]) -> str:
    """Mean length at age of each water with its interval, and its curve."""
    with mpl.rc_context(STYLE):
        figure, axes = blank()
        highest = 1.0
        for i, (g, (colour, marker, dash)) in enumerate(zip(groups, WATER_STYLES, strict=False)):
            rows = [x for x in g.lengths if x.source == CAPTURE and x.mean.value is not None]
            mean = np.array([x.mean.value for x in rows], float)
            half = np.array([0.0 if x.mean.high is None else x.mean.high - (x.mean.value or 0) for x in rows])
            ages = np.array([x.age_class for x in rows], float) + SPREAD * (i - (len(groups) - 1) / 2)
            axes.errorbar(
                ages, mean, yerr=half, fmt=marker, color=colour, markersize=4, elinewidth=1, capsize=2,
                label=f"{g.water} (n {sum(x.n for x in rows)})",
            )  # fmt: skip
            if not g.curves[0].refused:
                age, length, _, _ = np.array(g.curves[0].band).T
                axes.plot(age, length, dash, color=colour, linewidth=1.1)
            highest = max(highest, *mean)
        axes.set_xlabel("age at capture, years")
        axes.set_ylabel("mean total length, mm")
        axes.set_ylim(0, ROOM_ABOVE * highest)
        axes.xaxis.set_major_locator(MaxNLocator(integer=True))
        legend(figure)
        return svg(figure)


def increments_by_year_of_life(rows: Sequence[YearOfLife]) -> str:
    """Mean growth in each year of life, with intervals."""
    with mpl.rc_context(STYLE):
        figure, axes = blank()
        mean = np.array([y.mean.value for y in rows], float)
        half = np.array([0.0 if y.mean.high is None else y.mean.high - (y.mean.value or 0) for y in rows])
        life = [y.year_of_life for y in rows]
        axes.errorbar(
            life, mean, yerr=half, fmt="o", color=BLUE, markersize=4.5, elinewidth=1.1, capsize=2,
            label=f"mean (n {rows[0].n} in year 1, {rows[-1].n} in year {rows[-1].year_of_life})",
        )  # fmt: skip
        axes.set_xlabel("year of life")
        axes.set_ylabel("growth in that year, mm")
        axes.set_ylim(0, ROOM_ABOVE * max(mean))
        axes.xaxis.set_major_locator(MaxNLocator(integer=True))
        legend(figure)
        return svg(figure)


def good_and_poor_years(years: Chronology) -> str:
    """Growth of each calendar year against a middling one, with intervals."""
    with mpl.rc_context(STYLE):
        figure, axes = blank()
        axes.axhline(0, color=QUIET, linewidth=0.8)
        kinds = ((False, BLUE, "o", "neither, within the interval"), (True, ORANGE, "D", "good or poor"))
        for sure, colour, marker, name in kinds:
            mine = [y for y in years.years if ((y.effect.low or 0) > 0 or (y.effect.high or 0) < 0) == sure]
            if mine:
                middle, low, high = (
                    np.expm1(np.array([getattr(y.effect, part) for y in mine], float))
                    for part in ("value", "low", "high")
                )
                axes.errorbar(
                    [y.year for y in mine], middle, yerr=[middle - low, high - middle], fmt=marker, color=colour,
                    markersize=4.5, elinewidth=1.1, capsize=2, label=name,
                )  # fmt: skip
        axes.set_xlabel(f"calendar year ({years.fish} fish, {years.increments} increments)")
        axes.set_ylabel("growth against a middling year")
        axes.yaxis.set_major_formatter(PercentFormatter(1, decimals=0))
        axes.xaxis.set_major_locator(MaxNLocator(integer=True, nbins=8))
        legend(figure)
        return svg(figure)


def maturity_curves(groups: Sequence[FishGroup]) -> str:
    """Share mature at each age, with the curve, by sex; empty without a curve."""
    shown = [g for g in groups if g.sex in ("F", "M")] or [g for g in groups if g.sex == ALL]
    shown = [g for g in shown if not g.under[0].maturity.refused]
    if not shown:
        return ""
    with mpl.rc_context(STYLE):
        figure, axes = blank()
        for g in shown:
            name, colour, marker = SEX_STYLES[g.sex]
            with_maturity = [f for f in g.fish if f.maturity in ("immature", "mature") and f.age_class is not None]
            ages = sorted({f.age_class for f in with_maturity if f.age_class is not None})
            at = [[f.maturity == "mature" for f in with_maturity if f.age_class == age] for age in ages]
            axes.scatter(
                ages, [np.mean(x) for x in at], s=[8 + 3 * len(x) for x in at], color=colour, marker=marker, alpha=0.5,
                linewidths=0, label=f"{name} (n {len(with_maturity)})",
            )  # fmt: skip
            _logit(axes, g.under[0].maturity, ages, colour)
        axes.set_xlabel("age, years")
        axes.set_ylabel("share mature")
        axes.yaxis.set_major_formatter(PercentFormatter(1, decimals=0))
        axes.xaxis.set_major_locator(MaxNLocator(integer=True))
        legend(figure)
        return svg(figure)


def _curve(axes: Axes, curve: CurveFit, colour: str) -> None:
    if curve.refused:
        return
    age, length, low, high = np.array(curve.band).T
    axes.fill_between(age, low, high, color=colour, alpha=0.18, linewidth=0)
    axes.plot(age, length, color=colour, linewidth=1.4)


def _logit(axes: Axes, found: Maturity, ages: Sequence[int], colour: str) -> None:
    at = np.linspace(ages[0], ages[-1], 80)
    axes.plot(at, found.share(at), color=colour, linewidth=1.4)
    half = found.half
    if half.value is not None and half.low is not None and half.high is not None:
        off = [[half.value - half.low], [half.high - half.value]]
        axes.errorbar([half.value], [0.5], xerr=off, color=colour, capsize=3)

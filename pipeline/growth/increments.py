"""What each fish grew in each year of its life, by direct proportion: the year's share of the axis, of its length.

The increment that ends at annulus i grew in the calendar year in which the fish was i - 1 years old by the birthday of
1 January. Growth beyond the last annulus is not over and does not count.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.estimate import Estimate
from pipeline.fish_records import Fish
from pipeline.growth.estimate import mean_of
from pipeline.records import Numbers


@dataclass(frozen=True, slots=True, kw_only=True)
class GrowthHistory:
    """The increments of one fish."""

    fish: Fish
    hatched: int
    """Calendar year."""
    marks_mm: Numbers
    """(annulus,): length of the fish (mm) when each annulus formed, rising strictly."""
    length_mm: float
    """At capture."""

    @property
    def increments_mm(self) -> Numbers:
        """(year of life,): one for each annulus, the first from length zero."""
        return np.diff(self.marks_mm, prepend=0.0)

    @property
    def years(self) -> tuple[int, ...]:
        """(year of life,): the calendar year in which each increment grew."""
        return tuple(range(self.hatched, self.hatched + self.marks_mm.size))


@dataclass(frozen=True, slots=True, kw_only=True)
class YearOfLife:
    """Mean increment (mm) in one year of life."""

    year_of_life: int
    n: int
    mean: Estimate


def histories(fish: Iterable[Fish]) -> tuple[tuple[GrowthHistory, ...], tuple[str, ...]]:
    """Of every fish with length, age, date and annuli; and the names of those with two annuli at one place."""
    out, doubled = [], []
    for f in fish:
        if not f.length_mm or f.age_class is None or f.captured is None or f.marks is None or not f.marks.fractions:
            continue
        marks = f.length_mm * np.array(f.marks.fractions, np.float64)
        if (np.diff(marks, prepend=0.0) <= 0).any():
            doubled.append(f.fish)
            continue
        out.append(GrowthHistory(fish=f, hatched=f.captured.year - f.age_class, marks_mm=marks, length_mm=f.length_mm))
    return tuple(out), tuple(doubled)


def by_year_of_life(grown: Sequence[GrowthHistory]) -> tuple[YearOfLife, ...]:
    """Mean increments with t intervals."""
    by_year: dict[int, list[float]] = {}
    for g in grown:
        for i, x in enumerate(g.increments_mm, 1):
            by_year.setdefault(i, []).append(float(x))
    out = []
    for year, values in sorted(by_year.items()):
        x = np.array(values)
        out.append(YearOfLife(year_of_life=year, n=x.size, mean=mean_of(x)))
    return tuple(out)

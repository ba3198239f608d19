"""Intervals of figures: of bootstrap draws, and of means."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from pipeline.estimate import LEVEL, Estimate
from pipeline.records import Numbers

Whole = NDArray[np.int64]

Z = 1.959963984540054
"""Standard normal deviate that leaves half of what is outside `LEVEL` above it."""


def tail_of_draws(fish: int, parameters: int) -> float:
    """Share of bootstrap draws beyond each limit of a percentile interval.

    Draws from few fish scatter too little, as a standard deviation does that is divided by the number of fish: the
    limits lie as far out as Student's t has it (expanded percentile interval, Hesterberg 2015, The American
    Statistician 69, 371-386; for a mean there, with one parameter).
    """
    left = fish - parameters
    return float(stats.norm.sf((fish / left) ** 0.5 * stats.t.ppf((1 + LEVEL) / 2, left)))


def of_draws(value: float, draws: Numbers, tail: float) -> Estimate:
    """A figure with the interval of bootstrap draws that leaves a share `tail` of them beyond each limit.

    A draw without a figure is given as infinite: a limit that falls among these does not exist.
    """
    ordered = np.sort(draws)
    # The order statistics themselves: interpolating between a number and infinity gives none.
    low, high = (float(np.quantile(ordered, q, method="nearest")) for q in (tail, 1 - tail))
    return Estimate(value, low if np.isfinite(low) else None, high if np.isfinite(high) else None)


def mean_of(values: Numbers) -> Estimate:
    """Mean with its t interval; none of a single value."""
    mean = float(values.mean())
    if values.size < 2:
        return Estimate(mean)
    half = float(stats.t.ppf((1 + LEVEL) / 2, values.size - 1)) * float(values.std(ddof=1)) / values.size**0.5
    return Estimate(mean, mean - half, mean + half)

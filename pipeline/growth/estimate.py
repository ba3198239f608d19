"""A figure with its interval, as every result of this room is given."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]

LEVEL = 0.95
"""Share of samples in which an interval holds the true value; the level the trade publishes."""
Z = 1.959963984540054
"""Standard normal deviate that leaves half of what is outside `LEVEL` above it."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A figure with its 95 % interval. None where the data do not give one."""

    value: float | None
    low: float | None = None
    high: float | None = None


NO_FIGURE = Estimate(None)


def of_draws(value: float | None, draws: Floats) -> Estimate:
    """A figure with the percentile interval of bootstrap draws.

    A draw without a figure is given as infinite: a limit that falls among these does not exist.
    """
    if value is None or draws.size == 0:
        return Estimate(value)
    ordered = np.sort(draws)
    # The order statistics themselves: interpolating between a number and infinity gives none.
    low, high = (float(np.quantile(ordered, q, method="nearest")) for q in ((1 - LEVEL) / 2, (1 + LEVEL) / 2))
    return Estimate(value, low if np.isfinite(low) else None, high if np.isfinite(high) else None)


def mean_of(values: Floats) -> Estimate:
    """Mean with its t interval; none of a single value."""
    mean = float(values.mean())
    if values.size < 2:
        return Estimate(mean)
    half = float(stats.t.ppf((1 + LEVEL) / 2, values.size - 1)) * float(values.std(ddof=1)) / values.size**0.5
    return Estimate(mean, mean - half, mean + half)

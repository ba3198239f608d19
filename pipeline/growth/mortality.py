"""Total mortality from the ages of a catch: Chapman and Robson's estimate (1960; Robson and Chapman 1961).

With ages coded from zero at the first age fully caught, n fish and T the sum of their coded ages:
S = T / (n + T - 1); Z = -ln S - (n - 1)(n - 2) / (n (T + 1) (n + T - 1)).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.estimate import NO_FIGURE, Estimate
from pipeline.growth.estimate import Whole, Z
from pipeline.records import Numbers

LEAST_FISH = 20
LEAST_AGES = 3
ASSUMES = (
    "every year as many young fish come in, they die at one rate at all ages from the first one counted and in all "
    "years, and from that age on all are caught alike"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Mortality:
    """Total mortality of some fish, or why there is none."""

    n: int
    from_age: int | None = None
    """The first age counted."""
    z: Estimate = NO_FIGURE
    """Instantaneous total mortality (1/year), corrected for bias."""
    survival: Estimate = NO_FIGURE
    """Share alive a year later."""
    inflation: float = 1.0
    """By how much the numbers at age scatter about the estimate more than chance would have it: uneven year classes.
    The intervals are widened by its root."""
    refused: str = ""


def catch_curve(ages: Whole, number: Numbers, after_peak: int) -> Mortality:
    """From (age,) ages without gaps and the fish of each, counted from so many years after the commonest age on.

    The numbers may be parts of fish. One year after the peak is the usual rule, since the peak itself may not be fully
    caught yet (Smith et al. 2012).
    """
    first = int(np.argmax(number)) + after_peak
    used, coded = number[first:], np.arange(max(number.size - first, 0), dtype=np.float64)
    n = float(used.sum())
    if n < LEAST_FISH or (used > 0.5).sum() < LEAST_AGES:
        why = f"{n:.0f} fish of {int((used > 0.5).sum())} ages beyond the commonest one"
        return Mortality(n=round(n), refused=f"no mortality: {why}, and it takes {LEAST_FISH} of {LEAST_AGES} ages")
    total = float(used @ coded)
    if total <= 1:
        return Mortality(n=round(n), refused="no mortality: hardly a fish is older than the first age counted")
    survival = total / (n + total - 1)
    survival_se = float(np.sqrt(max(survival * (survival - (total - 1) / (n + total - 2)), 0.0)))
    z = -float(np.log(survival)) - (n - 1) * (n - 2) / (n * (total + 1) * (n + total - 1))
    z_se = (1 - np.exp(-z)) / float(np.sqrt(n * np.exp(-z)))
    inflation = _inflation(used, survival)
    wide = Z * float(np.sqrt(inflation))
    return Mortality(
        n=round(n),
        from_age=int(ages[first]),
        z=Estimate(z, float(max(z - wide * z_se, 0.0)), float(z + wide * z_se)),
        survival=Estimate(
            survival, float(max(survival - wide * survival_se, 0.0)), float(min(survival + wide * survival_se, 1.0))
        ),
        inflation=inflation,
    )


def _inflation(used: Numbers, survival: float) -> float:
    """Chi-squared of the numbers at age over its degrees of freedom, never below 1; ages of few fish as one."""
    n = used.sum()
    expected = n * (1 - survival) * survival ** np.arange(used.size)
    expected[-1] = n * survival ** (used.size - 1)  # that age and all above
    seen: list[float] = []
    hoped: list[float] = []
    for s, e in zip(used[::-1], expected[::-1], strict=True):
        if hoped and hoped[-1] < 5:
            seen[-1] += s
            hoped[-1] += e
        else:
            seen.append(s)
            hoped.append(e)
    if len(hoped) < 3:
        return 1.0
    observed, wanted = np.array(seen), np.array(hoped)
    return float(max(((observed - wanted) ** 2 / wanted).sum() / (len(hoped) - 2), 1.0))

"""95 % intervals that hold when few bones differ, which is the usual case between readers.

All functions take one value a bone and return `Estimate`s. Figures from the simulation study of their coverage are in
tests/studies/README.md.
"""

from __future__ import annotations

import math

import numpy as np
from scipy import special

from pipeline.estimate import LEVEL, NO_FIGURE, Estimate
from pipeline.records import Numbers

_TAIL = (1 - LEVEL) / 2


def share(successes: int, trials: int) -> Estimate:
    """A share with its exact binomial interval (Clopper and Pearson 1934), never narrower than it says."""
    return NO_FIGURE if trials == 0 else Estimate(successes / trials, *_exact(successes, trials))


def weighted_share(wrong: Numbers, weight: Numbers) -> Estimate:
    """A share among bones drawn with unequal chances: exact interval at the effective sample size.

    `wrong` is 0 or 1 for each bone; `weight` is the inverse of its chance to be drawn. The effective size is Kish's;
    the interval is Korn and Graubard's (1998).
    """
    total = float(weight.sum())
    if total == 0:
        return NO_FIGURE
    p = float((wrong * weight).sum() / total)
    effective = total**2 / float((weight**2).sum())
    return Estimate(p, *_exact(p * effective, effective))


def _exact(successes: float, trials: float) -> tuple[float, float]:
    low = float(special.betaincinv(successes, trials - successes + 1, _TAIL)) if successes > 0 else 0.0
    high = float(special.betaincinv(successes + 1, trials - successes, 1 - _TAIL)) if successes < trials else 1.0
    return low, high


def mean_of_rare(values: Numbers, step: float) -> Estimate:
    """Mean of values of which most are zero and none is negative: gamma interval (Fay and Feuer 1997).

    `step` is the value that one more differing bone would have; it keeps the upper limit honest when hardly any differ.
    The variance is the sample's own rather than the Poisson one, so that the interval also fits when many bones differ.
    """
    return NO_FIGURE if values.size == 0 else Estimate(*_gamma(values, step))


def _gamma(values: Numbers, step: float) -> tuple[float, float, float]:
    n = values.size
    total = float(values.sum())
    variance = n * float(values.var(ddof=1)) if n > 1 else total**2
    low = 0.0
    if total > 0:
        least = max(variance, step**2)  # where all values are equal their spread is unknown, not zero
        low = least / total * float(special.gammaincinv(total**2 / least, _TAIL))
    above, spread = total + step, variance + step**2
    high = spread / above * float(special.gammaincinv(above**2 / spread, 1 - _TAIL)) if above > 0 else 0.0
    return total / n, min(low, total) / n, max(high, total) / n


def mean_difference(difference: Numbers, step: float = 1.0) -> Estimate:
    """Mean of signed differences, most of them zero (or most of them one and the same).

    Counted from the commonest difference, the years above and the years below each get the gamma interval of
    `mean_of_rare`; the two are joined by recovered variances (Zou and Donner 2008), with the correlation that comes
    from a bone being either above or below. `step` as there: a year, for counts.
    """
    if difference.size == 0:
        return NO_FIGURE
    commonest = _commonest(difference)
    above, below = np.maximum(difference - commonest, 0.0), np.maximum(commonest - difference, 0.0)
    up, up_low, up_high = _gamma(above, step)
    down, down_low, down_high = _gamma(below, step)
    spread = float(np.sqrt(above.var() * below.var()))
    together = -up * down / spread if spread > 0 else 0.0
    middle = commonest + up - down
    low = _joined(up - up_low, down_high - down, together)
    high = _joined(up_high - up, down - down_low, together)
    return Estimate(middle, middle - low, middle + high)


def _commonest(difference: Numbers) -> float:
    """The most frequent value; 0 when several are, so that swapped readers get the mirrored interval."""
    values, times = np.unique(difference, return_counts=True)
    most = values[times == times.max()]
    return float(most[0]) if most.size == 1 else 0.0


def _joined(one: float, other: float, correlation: float) -> float:
    return float(np.sqrt(one**2 + other**2 - 2 * correlation * one * other))


def mean(values: Numbers) -> Estimate:
    """Mean with Student's interval.

    No interval for fewer than two values, nor when all are equal: their spread is then unknown, not zero.
    """
    n = values.size
    if n == 0:
        return NO_FIGURE
    middle = float(values.mean())
    spread = float(values.std(ddof=1)) if n > 1 else 0.0
    if spread == 0:
        return Estimate(middle)
    half = float(special.stdtrit(n - 1, 1 - _TAIL)) * spread / math.sqrt(n)
    return Estimate(middle, middle - half, middle + half)

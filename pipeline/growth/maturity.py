"""Age and length at which half of the fish are mature: a logit of age or length (statsmodels), with Fieller's interval.

A50 = -b0/b1. Its standard error by the delta method is given too, since that is what is mostly published.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import statsmodels.api as sm

from pipeline.estimate import NO_FIGURE, Estimate
from pipeline.growth.estimate import Z
from pipeline.records import Numbers

LEAST_FISH = 10
LEAST_OF_A_KIND = 2
"""Immature, and mature fish: with one of either the curve hangs on a single fish."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Maturity:
    """The curve of maturity over age (years) or length (mm), or why there is none."""

    over: str
    """`age` or `length`."""
    n: int
    half: Estimate = NO_FIGURE
    """Where half of the fish are mature."""
    half_se: float | None = None
    intercept: float | None = None
    slope: float | None = None
    """Of the log odds, a year or a mm."""
    refused: str = ""
    """Why there is no curve; blank when there is one."""

    def share(self, at: Numbers) -> Numbers:
        """Share mature at ages or lengths."""
        return np.asarray(1 / (1 + np.exp(-(self.intercept or 0.0) - (self.slope or 0.0) * at)))


def maturity(over: str, value: Numbers, mature: Numbers, weight: Numbers | None = None) -> Maturity:
    """From (fish,) ages or lengths and 1 for mature, 0 for immature; `weight` counts a row for so many fish."""
    weight = np.ones(value.size) if weight is None else weight
    n = round(float(weight.sum()))
    refused = _refused(over, value, mature, weight)
    if refused:
        return Maturity(over=over, n=n, refused=refused)
    # Scaled, so that lengths in mm and ages in years are equally easy for the search.
    middle, spread = float(value.mean()), float(value.std())
    design = np.column_stack([np.ones_like(value), (value - middle) / spread])
    found = sm.GLM(mature, design, family=sm.families.Binomial(), freq_weights=weight).fit()
    back = np.array([[1.0, -middle / spread], [0.0, 1 / spread]])
    b0, b1 = back @ np.asarray(found.params)
    covariance = back @ np.asarray(found.cov_params()) @ back.T
    if b1 <= 0:
        why = f"no {over} at maturity: the share of mature fish falls with {over}; check maturity, {over} and sex"
        return Maturity(over=over, n=n, refused=why)
    slope = np.array([-1 / b1, b0 / b1**2])
    return Maturity(
        over=over,
        n=n,
        half=_fieller(float(b0), float(b1), covariance),
        half_se=float(np.sqrt(slope @ covariance @ slope)),
        intercept=float(b0),
        slope=float(b1),
    )


def _refused(over: str, value: Numbers, mature: Numbers, weight: Numbers) -> str:
    n = round(float(weight.sum()))
    if n < LEAST_FISH:
        return f"no {over} at maturity: {n} fish with known maturity, and it takes {LEAST_FISH}"
    for kind, of_kind in (("immature", mature == 0), ("mature", mature > 0)):
        number = round(float(weight[of_kind].sum()))
        if number < LEAST_OF_A_KIND:
            return f"no {over} at maturity: {number} {kind} fish, and it takes {LEAST_OF_A_KIND}"
    grown, young = value[mature > 0], value[mature == 0]
    unit = "mm" if over == "length" else "years"
    if young.max() <= grown.min():
        where = f"between {young.max():g} and {grown.min():g} {unit}"
        if young.max() == grown.min():
            where = f"at about {grown.min():g} {unit}"
        return (
            f"no {over} at maturity: no immature fish is above, and no mature one below, {grown.min():g} {unit}; half "
            f"of them mature {where}, and no slope can be found"
        )
    if grown.max() <= young.min():
        return f"no {over} at maturity: every mature fish is below every immature one; check maturity and {over}"
    return ""


def _fieller(b0: float, b1: float, covariance: Numbers) -> Estimate:
    """-b0/b1 with Fieller's interval; without limits where the slope may be zero."""
    g = Z**2 * covariance[1, 1] / b1**2
    half = -b0 / b1
    if g >= 1:
        return Estimate(half)
    shift = half + g / (1 - g) * (half + covariance[0, 1] / covariance[1, 1])
    spread = (
        covariance[0, 0]
        + 2 * half * covariance[0, 1]
        + half**2 * covariance[1, 1]
        - g * (covariance[0, 0] - covariance[0, 1] ** 2 / covariance[1, 1])
    )
    wide = Z / (abs(b1) * (1 - g)) * float(np.sqrt(max(spread, 0.0)))
    low = float(shift - wide)
    return Estimate(half, low if low > 0 else None, float(shift + wide))  # no age and no length lies below zero

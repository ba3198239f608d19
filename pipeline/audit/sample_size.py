"""How many bones to re-read, before the work and after, and what the present sample can show."""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy import special

from pipeline.estimate import LEVEL
from pipeline.records import Numbers

TWO_SIDED = float(special.ndtri(1 - (1 - LEVEL) / 2))
"""Standard deviations that hold 95 % of a normal distribution."""
POWER = 0.80
"""Chance to find a bias that is there; the usual choice in planning."""
_POWER_SD = float(special.ndtri(POWER))

PLANNED_SHARES = (0.70, 0.80, 0.90, 0.95)
"""Exact agreements for which the planning table is worked out: from hard bones to easy ones."""
PLANNED_MARGINS = (0.10, 0.05, 0.03)
"""Half widths of the interval, as shares."""
PLANNED_ERRORS = (0.10, 0.05, 0.02, 0.01)
"""Shares wrong that a sample without any wrong count would exclude."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingPlan:
    """One line of the planning table."""

    aim: str
    bones: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PresentSample:
    """What the sample at hand can and cannot show."""

    n: int
    smallest_bias: float | None
    """Mean difference, annuli, that would be found in four of five such samples; None without spread."""
    exact_margin: float
    """Half width of the interval of exact agreement, as a share."""
    bones_for_5_points: int
    """Bones for plus or minus 5 points at the agreement found."""
    bones_for_cv: int | None
    """Bones for plus or minus one percent of CV at the spread found."""


def bones_for_share(expected: float, margin: float) -> int:
    """Bones for a 95 % interval of a share of plus or minus `margin` (normal approximation)."""
    return math.ceil(TWO_SIDED**2 * expected * (1 - expected) / margin**2)


def bones_for_mean(sd: float, margin: float) -> int:
    """Bones for a 95 % interval of a mean of plus or minus `margin` (normal approximation)."""
    return math.ceil((TWO_SIDED * sd / margin) ** 2)


def bones_without_error(most: float) -> int:
    """Bones that, all right, show with 95 % certainty that fewer than a share `most` are wrong."""
    return math.ceil(math.log(1 - LEVEL) / math.log(1 - most))


def plans() -> tuple[ReadingPlan, ...]:
    """The planning table, for which no reading is needed."""
    shares = [
        ReadingPlan(
            aim=f"exact agreement to within {100 * h:.0f} points, if about {100 * p:.0f} % agree",
            bones=bones_for_share(p, h),
        )
        for h in PLANNED_MARGINS
        for p in PLANNED_SHARES
    ]
    errors = [
        ReadingPlan(
            aim=f"none wrong, to show that fewer than {100 * e:.0f} % of the kept bones are wrong",
            bones=bones_without_error(e),
        )
        for e in PLANNED_ERRORS
    ]
    return tuple(shares + errors)


def present_sample(difference: Numbers, exact: float, exact_margin: float, cv: Numbers) -> PresentSample:
    """From the signed differences and the CVs (percent) of the bones compared, (bone,) each, at least one bone."""
    n = difference.size
    spread = float(difference.std(ddof=1)) if n > 1 else 0.0
    cv_spread = float(cv.std(ddof=1)) if n > 1 else 0.0
    return PresentSample(
        n=n,
        smallest_bias=(TWO_SIDED + _POWER_SD) * spread / math.sqrt(n) if spread > 0 else None,
        exact_margin=exact_margin,
        bones_for_5_points=max(bones_for_share(exact, 0.05), bones_without_error(0.05)),
        bones_for_cv=bones_for_mean(cv_spread, 1.0) if cv_spread > 0 else None,
    )

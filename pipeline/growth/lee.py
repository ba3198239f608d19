"""Lee's phenomenon: were the fish that grew old already smaller than others when they were young?

Lengths at an early annulus, held against age at capture. A slope below zero is Lee's phenomenon: fast growers caught
or dead sooner, a wrong model of back-calculation, or annuli missed in old fish. All three bend growth curves.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from pipeline.estimate import LEVEL, Estimate
from pipeline.growth.lengths_at_age import EarlierLengths

ANNULI = 3
"""The first annuli are looked at: there most fish have a length."""
LEAST_FISH = 20
LEAST_CAPTURE_AGES = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Lee:
    """The slope at one annulus."""

    annulus: int
    n: int
    slope: Estimate
    """mm of length at this annulus for each year of age at capture."""

    @property
    def shows(self) -> bool:
        """The whole interval lies below zero."""
        return self.slope.high is not None and self.slope.high < 0


def lee(earlier: Sequence[EarlierLengths]) -> tuple[Lee, ...]:
    """By annulus, where there are enough fish of enough ages."""
    out = []
    for annulus in range(1, ANNULI + 1):
        pairs = [
            (e.fish.age_class, float(e.length_mm[annulus - 1]))
            for e in earlier
            if e.length_mm.size >= annulus and e.fish.age_class is not None
        ]
        ages, lengths = (np.array(x, np.float64) for x in zip(*pairs, strict=True)) if pairs else (np.array([]),) * 2
        if ages.size < LEAST_FISH or np.unique(ages).size < LEAST_CAPTURE_AGES:
            continue
        found = stats.linregress(ages, lengths)
        half = float(stats.t.ppf((1 + LEVEL) / 2, ages.size - 2)) * float(found.stderr)
        slope = float(found.slope)
        out.append(Lee(annulus=annulus, n=ages.size, slope=Estimate(slope, slope - half, slope + half)))
    return tuple(out)

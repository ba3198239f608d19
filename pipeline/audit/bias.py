"""Does a reader count more or fewer than the reference, and at which ages?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from pipeline.audit.intervals import mean
from pipeline.audit.symmetry import sign_test
from pipeline.estimate import LEVEL, Estimate
from pipeline.records import Numbers


@dataclass(frozen=True, slots=True, kw_only=True)
class BiasAtAge:
    """One row of the age-bias table."""

    reference_age: int
    n: int
    mean: Estimate
    """Mean count with Student's interval; no interval for one bone, or when all counts are equal."""
    sd: float | None
    difference: float
    """Mean count minus reference age, annuli."""
    p: float | None
    """That the mean equals the reference age: Student's t; the sign test where all counts are equal; None for one
    bone."""
    p_adjusted: float | None
    """Adjusted for the number of ages (Holm 1979)."""

    @property
    def excludes_equality(self) -> bool:
        """This age taken alone."""
        return self.p is not None and self.p < 1 - LEVEL

    @property
    def excludes_equality_adjusted(self) -> bool:
        """After adjustment for the many ages looked at."""
        return self.p_adjusted is not None and self.p_adjusted < 1 - LEVEL


def age_bias(reference: Numbers, counts: Numbers) -> tuple[BiasAtAge, ...]:
    """Mean count at each reference age (Campana, Annand and McMillan 1995). Both (bone,), without NaN."""
    groups = [(int(age), counts[reference == age]) for age in np.unique(reference)]
    ps = [_p_of_equality(values, age) for age, values in groups]
    adjusted = holm(ps)
    return tuple(
        BiasAtAge(
            reference_age=age,
            n=values.size,
            mean=mean(values),
            sd=float(values.std(ddof=1)) if values.size > 1 else None,
            difference=float(values.mean()) - age,
            p=p,
            p_adjusted=q,
        )
        for (age, values), p, q in zip(groups, ps, adjusted, strict=True)
    )


def _p_of_equality(values: Numbers, age: int) -> float | None:
    n = values.size
    if n < 2:
        return None
    spread = float(values.std(ddof=1))
    if spread == 0:
        return sign_test(n, 0) if values[0] != age else 1.0
    t = abs(float(values.mean()) - age) / (spread / np.sqrt(n))
    return 2 * float(special.stdtr(n - 1, -t))


def holm(ps: list[float | None]) -> list[float | None]:
    """P values adjusted so that one or more false alarms among all of them is as rare as one alone (Holm 1979)."""
    known = sorted((p, i) for i, p in enumerate(ps) if p is not None)
    out: list[float | None] = [None] * len(ps)
    highest = 0.0
    for rank, (p, i) in enumerate(known):
        highest = max(highest, min(1.0, p * (len(known) - rank)))
        out[i] = highest
    return out
